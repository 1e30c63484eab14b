"""Rigid motions: joined, turned round, applied.

``Pose`` records are named ``pose_a_from_b`` and mean ``x_a = R x_b + t`` (mm). Arrays of poses are
pairs of rotation matrices (..., 3, 3) and translations (..., 3).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from holdstill.records import FloatArray, Pose

from .rotations import rotation_matrix, rotation_vector

IDENTITY = Pose((0.0, 0.0, 0.0), (0.0, 0.0, 0.0))


@lru_cache(maxsize=256)
def matrices(pose: Pose) -> tuple[FloatArray, FloatArray]:
    """Rotation matrix (3, 3) and translation (3,) of a pose; not to be written to."""
    vector, translation = pose.arrays()
    rotation = rotation_matrix(vector)
    rotation.setflags(write=False)
    translation.setflags(write=False)
    return rotation, translation


def pose_of(rotation: FloatArray, translation: FloatArray) -> Pose:
    """The record of a rotation matrix (3, 3) and a translation (3,) in mm."""
    return Pose.of(rotation_vector(rotation), np.asarray(translation, dtype=np.float64))


def compose(pose_a_from_b: Pose, pose_b_from_c: Pose) -> Pose:
    """``pose_a_from_c``: first c to b, then b to a."""
    r_ab, t_ab = matrices(pose_a_from_b)
    r_bc, t_bc = matrices(pose_b_from_c)
    return pose_of(r_ab @ r_bc, r_ab @ t_bc + t_ab)


def invert(pose_a_from_b: Pose) -> Pose:
    """``pose_b_from_a``."""
    rotation, translation = matrices(pose_a_from_b)
    return pose_of(rotation.T, -rotation.T @ translation)


def transform(pose_a_from_b: Pose, points_b: FloatArray) -> FloatArray:
    """Points (..., 3) of frame b in frame a."""
    rotation, translation = matrices(pose_a_from_b)
    return np.asarray(np.asarray(points_b, dtype=np.float64) @ rotation.T + translation)


def compose_matrices(
    r_ab: FloatArray, t_ab: FloatArray, r_bc: FloatArray, t_bc: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """The same as ``compose`` for stacks of rotations (..., 3, 3) and translations (..., 3)."""
    return r_ab @ r_bc, np.einsum("...ij,...j->...i", r_ab, t_bc) + t_ab


def invert_matrices(rotation: FloatArray, translation: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The same as ``invert`` for stacks."""
    back = np.swapaxes(rotation, -1, -2)
    return back, -np.einsum("...ij,...j->...i", back, translation)


def align(points_from: FloatArray, points_to: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Rigid motion (R (3, 3), t (3,)) that brings one point cloud (n, 3) nearest to another.

    Least squares without scale, a proper rotation always. Source: K. S. Arun, T. S. Huang &
    S. D. Blostein, IEEE PAMI 9 (1987) 698-700 (from memory).
    """
    a, b = np.asarray(points_from, dtype=np.float64), np.asarray(points_to, dtype=np.float64)
    mean_a, mean_b = a.mean(axis=0), b.mean(axis=0)
    u, _, vt = np.linalg.svd((a - mean_a).T @ (b - mean_b))
    mirror = np.diag([1.0, 1.0, np.sign(np.linalg.det(vt.T @ u.T))])
    rotation = vt.T @ mirror @ u.T
    return rotation, mean_b - rotation @ mean_a
