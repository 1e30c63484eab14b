"""What a calibration's uncertainty does to a measurement: gauge-free quantities over the volume.

Lens and pose parameters trade off with one another and with where the specimen stands; only what
survives that trade counts. Each quantity here is linear in a small change of the rig's parameters,
given as rows: places x components x parameters. With a covariance C of those parameters its mean
square is ``tr(M C)`` with ``M`` the quantity's matrix.

Rig parameters in full: the nine lens parameters of every camera (order of ``lens.PARAMETERS``),
then for every camera the six of its pose: a left turn (rad) and a shift (mm) of ``camera from
rig``. The first camera's pose is the rig frame; callers leave its six out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray, Lens, Pose

from .lens import PARAMETERS, fold_radius, lens_parameters, project, project_with_jacobian, undistort
from .poses import matrices
from .rotations import skew

POSE_PARAMETERS = ("turn_x", "turn_y", "turn_z", "shift_x", "shift_y", "shift_z")
_GRID = (5, 5, 3)


@dataclass(frozen=True, slots=True, eq=False)
class Volume:
    """A box in the rig frame: `centre_mm` (3,), `axes` (3, 3) with rows across, down and away,
    `size_mm` (3,)."""

    centre_mm: FloatArray
    axes: FloatArray
    size_mm: FloatArray

    def points(self, counts: tuple[int, int, int] = _GRID) -> FloatArray:
        """A regular grid (n, 3) through the box, faces included, rig frame, mm."""
        ticks = [np.linspace(-0.5, 0.5, n) if n > 1 else np.zeros(1) for n in counts]
        unit = np.stack(np.meshgrid(*ticks, indexing="ij"), axis=-1).reshape(-1, 3)
        return np.asarray((unit * self.size_mm) @ self.axes + self.centre_mm)


@dataclass(frozen=True, slots=True, eq=False)
class QuantityRows:
    """One quantity, linear in the rig's parameters: `rows` (m places, k components, p), in `unit`;
    `places_mm` (m, 3) rig frame (NaN where a place has none); `gauge_mm` for lengths."""

    name: str
    unit: str
    rows: FloatArray
    places_mm: FloatArray
    gauge_mm: float | None = None

    def matrix(self) -> FloatArray:
        """``M`` (p, p): mean square of the quantity is ``tr(M C)``."""
        flat = self.rows.reshape(-1, self.rows.shape[2])
        return np.asarray(flat.T @ flat / len(self.rows))

    def at_places(self, covariance: FloatArray) -> FloatArray:
        """One sigma at each place (m,), in `unit`, for a covariance (p, p)."""
        squares = ((self.rows @ covariance) * self.rows).sum(axis=(1, 2))
        return np.asarray(np.sqrt(np.maximum(squares, 0.0)))

    def size(self, covariance: FloatArray) -> float:
        """One sigma, rms over the places, in `unit`."""
        return float(np.sqrt(np.mean(self.at_places(covariance) ** 2)))


def rig_parameter_names(cameras: Sequence[str]) -> tuple[str, ...]:
    """Names of the full rig parameters, in the order used here (``"left.fx"``, ``"left.turn_x"``)."""
    lens = [f"{camera}.{name}" for camera in cameras for name in PARAMETERS]
    pose = [f"{camera}.{name}" for camera in cameras for name in POSE_PARAMETERS]
    return tuple(lens + pose)


def axes_crossing_mm(poses_cam_from_rig: Sequence[Pose]) -> FloatArray | None:
    """Point (3,) nearest to all optical axes, rig frame; None when they are parallel within half a
    degree, where the crossing means nothing."""
    normal, right = np.zeros((3, 3)), np.zeros(3)
    for pose in poses_cam_from_rig:
        rotation, translation = matrices(pose)
        axis, pupil = rotation[2], -rotation.T @ translation
        across = np.eye(3) - np.outer(axis, axis)
        normal += across
        right += across @ pupil
    if len(poses_cam_from_rig) < 2 or np.linalg.eigvalsh(normal)[0] < np.sin(np.radians(0.5)) ** 2 / 2:
        return None
    return np.asarray(np.linalg.solve(normal, right))


def viewing_axes(poses_cam_from_rig: Sequence[Pose]) -> FloatArray:
    """Axes (3, 3) of the box a rig looks at, rows across, down and away: away is the mean of the
    optical axes, across follows the first camera's rows."""
    turns = [matrices(pose)[0] for pose in poses_cam_from_rig]
    away = np.sum([turn[2] for turn in turns], axis=0)
    away = away / np.linalg.norm(away)
    across = turns[0][0] - away * (turns[0][0] @ away)
    across = across / np.linalg.norm(across)
    return np.stack([across, np.cross(away, across), away])


def visible_in(
    lens: Lens | FloatArray, size_px: tuple[int, int], pose: Pose, points: FloatArray
) -> NDArray[np.bool_]:
    """Which points (n, 3) of the rig frame a camera has in its picture, bool (n,)."""
    rotation, translation = matrices(pose)
    at = points @ rotation.T + translation
    front = at[:, 2] > 1e-9
    safe = np.where(front[:, None], at, np.array([0.0, 0.0, 1.0]))
    pixels = project(lens, safe)
    radius = np.hypot(safe[:, 0], safe[:, 1]) / safe[:, 2]
    inside = (pixels >= -0.5).all(axis=1) & (pixels <= np.array(size_px) - 0.5).all(axis=1)
    return np.asarray(front & inside & (radius < fold_radius(lens)))


def _camera_blocks(
    lenses: Sequence[Lens | FloatArray], poses: Sequence[Pose], points: FloatArray
) -> tuple[list[FloatArray], list[FloatArray]]:
    """Per camera: derivative of pixels by the full rig parameters (n, 2, p) and by the point."""
    cameras = len(lenses)
    by_rig, by_point = [], []
    for index, (lens, pose) in enumerate(zip(lenses, poses, strict=True)):
        rotation, translation = matrices(pose)
        turned = points @ rotation.T
        _, d_lens, d_at = project_with_jacobian(lens, turned + translation)
        full = np.zeros((len(points), 2, 15 * cameras))
        full[:, :, 9 * index : 9 * index + 9] = d_lens
        at = 9 * cameras + 6 * index
        full[:, :, at : at + 3] = d_at @ -skew(turned)
        full[:, :, at + 3 : at + 6] = d_at
        by_rig.append(full)
        by_point.append(d_at @ rotation)
    return by_rig, by_point


def point_response(
    lenses: Sequence[Lens | FloatArray], poses: Sequence[Pose], points: FloatArray
) -> FloatArray:
    """How measured points move with the rig's parameters: (n, 3, p), mm per unit.

    The pixels stay as they are; the point is the least-squares crossing of all cameras' rays.
    Needs two cameras or more; every point must lie in every picture.
    """
    by_rig, by_point = _camera_blocks(lenses, poses, points)
    information = sum(np.swapaxes(j, 1, 2) @ j for j in by_point)
    mixed = sum(np.swapaxes(j, 1, 2) @ g for j, g in zip(by_point, by_rig, strict=True))
    return np.asarray(-np.linalg.solve(information, mixed))


def shape_rows(
    lenses: Sequence[Lens | FloatArray], poses: Sequence[Pose], points: FloatArray
) -> QuantityRows:
    """``shape_um``: 3-D error of measured points once the best rigid motion is taken off."""
    response = point_response(lenses, poses, points)
    centred = points - points.mean(axis=0)
    scale = float(np.abs(centred).max()) or 1.0
    rigid = np.concatenate(
        [np.broadcast_to(np.eye(3), (len(points), 3, 3)), -skew(centred / scale)], axis=2
    ).reshape(-1, 6)
    q, _ = np.linalg.qr(rigid)
    flat = response.reshape(3 * len(points), -1)
    rows = (flat - q @ (q.T @ flat)).reshape(len(points), 3, -1) * 1000.0
    return QuantityRows("shape_um", "um", rows, points)


def length_rows(
    lenses: Sequence[Lens | FloatArray],
    poses: Sequence[Pose],
    ends: tuple[FloatArray, FloatArray],
    gauge_mm: float,
) -> QuantityRows:
    """``length_um``: error of the distance between two measured points, `ends` (n, 3) each."""
    first, second = ends
    along = second - first
    along = along / np.linalg.norm(along, axis=1, keepdims=True)
    both = point_response(lenses, poses, np.concatenate([first, second]))
    rows = along[:, None] @ (both[len(first) :] - both[: len(first)]) * 1000.0
    return QuantityRows("length_um", "um", rows, 0.5 * (first + second), gauge_mm)


def gauge_ends(volume: Volume, gauge_mm: float) -> tuple[FloatArray, FloatArray]:
    """Ends (n, 3), (n, 3) of gauge lengths through a volume: along its three axes and the face
    diagonals, at places spread so that both ends stay inside; directions that don't fit are left
    out."""
    half = 0.5 * gauge_mm
    firsts, seconds = [], []
    directions = [(1, 0, 0), (0, 1, 0), (0, 0, 1), (1, 1, 0), (1, -1, 0), (1, 0, 1), (0, 1, 1)]
    for direction in directions:
        unit = np.array(direction) / np.linalg.norm(direction)
        room = volume.size_mm - gauge_mm * np.abs(unit)
        if room.min() < -1e-9 * gauge_mm:
            continue
        middles = Volume(volume.centre_mm, volume.axes, np.maximum(room, 0.0)).points((3, 3, 3))
        along = unit @ volume.axes
        firsts.append(middles - half * along)
        seconds.append(middles + half * along)
    if not firsts:
        return np.zeros((0, 3)), np.zeros((0, 3))
    return np.concatenate(firsts), np.concatenate(seconds)


def epipolar_rows(
    lenses: Sequence[Lens | FloatArray], poses: Sequence[Pose], points: FloatArray
) -> QuantityRows:
    """``epipolar_px``: distance of the second camera's point from the first camera's line.

    Of the two cameras given; the depth along the first camera's ray is free.
    """
    by_rig, by_point = _camera_blocks(lenses, poses, points)
    rotation, translation = matrices(poses[0])
    ray = points + rotation.T @ translation
    ray = ray / np.linalg.norm(ray, axis=1, keepdims=True)
    a, b = by_point[0], by_point[1]
    held = np.linalg.solve(
        np.swapaxes(a, 1, 2) @ a + ray[:, :, None] * ray[:, None, :] * _scale2(a),
        -np.swapaxes(a, 1, 2) @ by_rig[0],
    )
    moved = b @ held + by_rig[1]
    line = np.einsum("nij,nj->ni", b, ray)
    normal = np.stack([-line[:, 1], line[:, 0]], axis=1)
    normal = normal / np.linalg.norm(normal, axis=1, keepdims=True)
    return QuantityRows("epipolar_px", "px", np.einsum("ni,nip->np", normal, moved)[:, None], points)


def _scale2(jacobian: FloatArray) -> FloatArray:
    return np.asarray(np.einsum("nij,nij->n", jacobian, jacobian)[:, None, None])


def edge_rows(
    lenses: Sequence[Lens | FloatArray], sizes_px: Sequence[tuple[int, int]]
) -> QuantityRows:
    """``edge_distortion_px``: error of the distortion field along the pictures' borders.

    What a small turn of the camera or a change of image scale would absorb (fitted over the whole
    picture) is taken off: it trades off with where the camera looks and how far the specimen is.
    """
    cameras = len(lenses)
    rows = []
    for index, (lens, size) in enumerate(zip(lenses, sizes_px, strict=True)):
        u, v = np.meshgrid(np.linspace(0, size[0] - 1, 9), np.linspace(0, size[1] - 1, 9))
        pixels = np.stack([u.ravel(), v.ravel()], axis=1)
        border = ((u == u.min()) | (u == u.max()) | (v == v.min()) | (v == v.max())).ravel()
        directions, holds = undistort(lens, pixels)
        rays = np.c_[directions, np.ones(len(directions))][holds]
        _, d_lens, d_at = project_with_jacobian(lens, rays)
        fx, _, cx, cy = lens_parameters(lens)[:4]
        scale = (pixels[holds] - np.array([cx, cy])) / fx
        gauge = np.concatenate([d_at @ -skew(rays), scale[:, :, None]], axis=2).reshape(-1, 4)
        q, _ = np.linalg.qr(gauge)
        flat = d_lens.reshape(-1, 9)
        left = (flat - q @ (q.T @ flat)).reshape(-1, 2, 9)[border[holds]]
        full = np.zeros((len(left), 2, 15 * cameras))
        full[:, :, 9 * index : 9 * index + 9] = left
        rows.append(full)
    joined = np.concatenate(rows)
    return QuantityRows("edge_distortion_px", "px", joined, np.full((len(joined), 3), np.nan))
