"""What two or more cameras make of the same points: epipolar distance, points in space, angles."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from holdstill.records import FloatArray, Lens, Pose

from .lens import lens_parameters, project_with_jacobian, undistort
from .poses import matrices
from .rotations import skew


def stereo_angle_deg(pose_b_from_a: Pose) -> float:
    """Angle between the optical axes of two cameras in degrees, 0..180."""
    rotation, _ = matrices(pose_b_from_a)
    across = float(np.hypot(rotation[0, 2], rotation[1, 2]))
    return float(np.degrees(np.arctan2(across, rotation[2, 2])))


def baseline_mm(pose_b_from_a: Pose) -> float:
    """Distance between the cameras' entrance pupils in mm."""
    return float(np.linalg.norm(pose_b_from_a.translation_mm))


def essential_matrix(pose_b_from_a: Pose) -> FloatArray:
    """Float64 (3, 3) with ``x_b' E x_a = 0`` for normalised directions of the same point, scaled
    so that the translation has length one. Source: H. C. Longuet-Higgins, Nature 293 (1981) 133."""
    rotation, translation = matrices(pose_b_from_a)
    return np.asarray(skew(translation / np.linalg.norm(translation)) @ rotation)


def epipolar_px(
    lens_a: Lens | FloatArray,
    lens_b: Lens | FloatArray,
    pose_b_from_a: Pose,
    pixels_a: FloatArray,
    pixels_b: FloatArray,
) -> FloatArray:
    """Signed distance (n,) of camera b's points from the epipolar lines of camera a's, in
    undistorted pixels of camera b (one line, second camera).

    NaN where a lens model stops being invertible. Source: Hartley & Zisserman, Multiple View
    Geometry, 2nd ed., 9.2 (from memory).
    """
    directions_a, holds_a = undistort(lens_a, pixels_a)
    directions_b, holds_b = undistort(lens_b, pixels_b)
    line = np.c_[directions_a, np.ones(len(directions_a))] @ essential_matrix(pose_b_from_a).T
    fx, fy = lens_parameters(lens_b)[:2]
    residual = line[:, 0] * directions_b[:, 0] + line[:, 1] * directions_b[:, 1] + line[:, 2]
    out = residual / np.hypot(line[:, 0] / fx, line[:, 1] / fy)
    out[~(holds_a & holds_b)] = np.nan
    return np.asarray(out)


def triangulate(
    lenses: Sequence[Lens | FloatArray],
    poses_cam_from_rig: Sequence[Pose],
    pixels: Sequence[FloatArray],
    sigmas_px: Sequence[FloatArray] | None = None,
    *,
    steps: int = 3,
) -> tuple[FloatArray, FloatArray]:
    """Points (n, 3) in the rig frame (mm) seen by two or more cameras, and covariance (n, 3, 3).

    `pixels`: per camera (n, 2), NaN rows where that camera did not see the point; `sigmas_px`: per
    camera (n,), 1 px when None. Linear start on directions, then Gauss-Newton on the pixels: the
    result minimises the sigma-weighted reprojection error. NaN where fewer than two cameras saw
    the point. Source: Hartley & Sturm, CVIU 68 (1997) 146-157 for why the pixel error (from
    memory); Gauss-Newton normal equations, any text on adjustment.
    """
    count = len(pixels[0])
    turns = [matrices(p) for p in poses_cam_from_rig]
    normal, right = np.zeros((count, 3, 3)), np.zeros((count, 3))
    seen_by = np.zeros(count, dtype=int)
    weights: list[FloatArray] = []
    for index, (lens, (rotation, translation)) in enumerate(zip(lenses, turns, strict=True)):
        directions, holds = undistort(lens, np.nan_to_num(pixels[index]))
        seen = holds & np.isfinite(pixels[index]).all(axis=1)
        seen_by += seen
        sigma = np.ones(count) if sigmas_px is None else np.asarray(sigmas_px[index])
        weights.append(np.where(seen, 1.0 / np.where(seen, sigma, 1.0), 0.0))
        for axis in range(2):
            row = rotation[axis] - directions[:, axis : axis + 1] * rotation[2]
            rest = directions[:, axis] * translation[2] - translation[axis]
            normal += np.where(seen, 1.0, 0.0)[:, None, None] * row[:, :, None] * row[:, None, :]
            right += np.where(seen, rest, 0.0)[:, None] * row
    enough = seen_by >= 2
    points = np.full((count, 3), np.nan)
    covariance = np.full((count, 3, 3), np.nan)
    if not enough.any():
        return points, covariance
    found = np.linalg.solve(normal[enough], right[enough][..., None])[..., 0]
    information = np.zeros((len(found), 3, 3))
    for _ in range(steps):
        information[:] = 0.0
        gradient = np.zeros((len(found), 3))
        for index, (lens, (rotation, translation)) in enumerate(zip(lenses, turns, strict=True)):
            projected, _, by_point = project_with_jacobian(lens, found @ rotation.T + translation)
            weight = weights[index][enough]
            jacobian = (by_point @ rotation) * weight[:, None, None]
            residual = (np.nan_to_num(pixels[index])[enough] - projected) * weight[:, None]
            information += np.swapaxes(jacobian, 1, 2) @ jacobian
            gradient += np.einsum("nij,ni->nj", jacobian, residual)
        found = found + np.linalg.solve(information, gradient[..., None])[..., 0]
    points[enough] = found
    covariance[enough] = np.linalg.inv(information)
    return points, covariance
