"""Rotations as vectors and matrices, with the derivatives an adjustment needs.

A rotation vector points along the axis, its length is the angle in radians. Matrices act on
columns: ``x_a = R_ab x_b``.
"""

from __future__ import annotations

import numpy as np

from holdstill.records import FloatArray

_SMALL_RAD2 = 1e-10
"""Squared angle below which series replace sine and cosine: their error is then below 1e-20."""


def skew(vector: FloatArray) -> FloatArray:
    """Cross-product matrices ``[v]x`` with ``[v]x w = v x w``: (..., 3) -> (..., 3, 3)."""
    v = np.asarray(vector, dtype=np.float64)
    out = np.zeros((*v.shape, 3))
    out[..., 0, 1], out[..., 0, 2] = -v[..., 2], v[..., 1]
    out[..., 1, 0], out[..., 1, 2] = v[..., 2], -v[..., 0]
    out[..., 2, 0], out[..., 2, 1] = -v[..., 1], v[..., 0]
    return out


def _coefficients(angle2: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """sin(t)/t, (1-cos(t))/t^2 and (t-sin(t))/t^3 for squared angles t^2, safe at zero."""
    small = angle2 < _SMALL_RAD2
    safe = np.where(small, 1.0, angle2)
    angle = np.sqrt(safe)
    half = np.sin(0.5 * angle) / angle
    a = np.where(small, 1.0 - angle2 / 6.0, np.sin(angle) / angle)
    b = np.where(small, 0.5 - angle2 / 24.0, 2.0 * half * half)
    series = 1.0 / 6.0 - angle2 / 120.0 + angle2 * angle2 / 5040.0
    c = np.where(angle2 < 1e-3, series, (1.0 - np.sin(angle) / angle) / safe)
    return a, b, c


def rotation_matrix(rotation_vector_rad: FloatArray) -> FloatArray:
    """Rotation matrices of rotation vectors: (..., 3) rad -> (..., 3, 3).

    Rodrigues' formula; exact to rounding at every angle, zero included. Source: O. Rodrigues
    (1840), in the form of R. Hartley & A. Zisserman, Multiple View Geometry, 2nd ed., A4.3.2
    (from memory).
    """
    v = np.asarray(rotation_vector_rad, dtype=np.float64)
    a, b, _ = _coefficients(np.einsum("...i,...i->...", v, v))
    k = skew(v)
    return np.asarray(np.eye(3) + a[..., None, None] * k + b[..., None, None] * (k @ k))


def rotation_vector(matrix: FloatArray) -> FloatArray:
    """Rotation vectors of rotation matrices: (..., 3, 3) -> (..., 3) rad, length 0..pi.

    Goes through the unit quaternion taken from the largest of the four candidates, so it loses no
    digits near a half turn. At exactly pi the axis' sign is arbitrary. Source: S. W. Shepperd,
    J. Guidance and Control 1 (1978) 223-224 (from memory).
    """
    m = np.asarray(matrix, dtype=np.float64)
    trace = m[..., 0, 0] + m[..., 1, 1] + m[..., 2, 2]
    squares = np.stack([trace, m[..., 0, 0], m[..., 1, 1], m[..., 2, 2]], axis=-1)
    largest = np.argmax(squares, axis=-1)
    d21 = m[..., 2, 1] - m[..., 1, 2]
    d02 = m[..., 0, 2] - m[..., 2, 0]
    d10 = m[..., 1, 0] - m[..., 0, 1]
    s10 = m[..., 1, 0] + m[..., 0, 1]
    s02 = m[..., 0, 2] + m[..., 2, 0]
    s21 = m[..., 2, 1] + m[..., 1, 2]
    q = np.stack(
        [
            np.stack([1.0 + trace, d21, d02, d10], axis=-1),
            np.stack([d21, 1.0 + 2.0 * m[..., 0, 0] - trace, s10, s02], axis=-1),
            np.stack([d02, s10, 1.0 + 2.0 * m[..., 1, 1] - trace, s21], axis=-1),
            np.stack([d10, s02, s21, 1.0 + 2.0 * m[..., 2, 2] - trace], axis=-1),
        ],
        axis=-2,
    )
    picked = np.take_along_axis(q, largest[..., None, None], axis=-2)[..., 0, :]
    picked = picked / np.linalg.norm(picked, axis=-1, keepdims=True)
    picked = np.where(picked[..., :1] < 0.0, -picked, picked)
    w, xyz = picked[..., 0], picked[..., 1:]
    length = np.linalg.norm(xyz, axis=-1)
    angle = 2.0 * np.arctan2(length, w)
    safe = np.where(length < 1e-12, 1.0, length)
    return np.asarray(xyz * np.where(length < 1e-12, 2.0, angle / safe)[..., None])


def left_jacobian(rotation_vector_rad: FloatArray) -> FloatArray:
    """How a change of the rotation vector turns the frame: (..., 3) -> (..., 3, 3).

    ``exp(r + dr) = exp(J dr) exp(r)`` to first order. Source: T. D. Barfoot, State Estimation for
    Robotics (2017), 7.1.3 (from memory; checked against central differences in the tests).
    """
    v = np.asarray(rotation_vector_rad, dtype=np.float64)
    _, b, c = _coefficients(np.einsum("...i,...i->...", v, v))
    k = skew(v)
    return np.asarray(np.eye(3) + b[..., None, None] * k + c[..., None, None] * (k @ k))


def turned_point_jacobian(turned: FloatArray) -> FloatArray:
    """Derivative of ``exp(dr) (R x)`` by the small left turn dr: (..., 3) turned points ``R x``
    -> (..., 3, 3), which is ``-[R x]x``."""
    return -skew(turned)


def rotated_point_jacobian(rotation_vector_rad: FloatArray, points: FloatArray) -> FloatArray:
    """Derivative of ``exp(r) x`` by the rotation vector r: (3,) and (n, 3) -> (n, 3, 3)."""
    turned = np.asarray(points, dtype=np.float64) @ rotation_matrix(rotation_vector_rad).T
    return np.asarray(-skew(turned) @ left_jacobian(rotation_vector_rad))


def turn_deg(matrix: FloatArray) -> FloatArray:
    """Angle of rotation matrices in degrees, 0..180: (..., 3, 3) -> (...)."""
    return np.asarray(np.degrees(np.linalg.norm(rotation_vector(matrix), axis=-1)))
