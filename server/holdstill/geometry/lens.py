"""From a point in front of a camera to its pixel and back, with derivatives.

Pinhole with radial k1, k2, k3 and tangential p1, p2 distortion. Parameters travel as a `Lens` or
as float64 (9,) in the order of ``PARAMETERS``. Pixel centres stand at whole numbers. Model: D. C.
Brown, Photogrammetric Engineering 32 (1966) 444-462, in the form of OpenCV's documentation.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from holdstill.records import FloatArray, Lens

PARAMETERS = ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3")

_NEWTON_STEPS = 20


def lens_parameters(lens: Lens | FloatArray) -> FloatArray:
    """Float64 (9,) in the order of ``PARAMETERS``, from a `Lens` or from such an array."""
    if isinstance(lens, Lens):
        return np.array([getattr(lens, name) for name in PARAMETERS], dtype=np.float64)
    return np.asarray(lens, dtype=np.float64)


def lens_of(parameters: FloatArray, size_px: tuple[int, int]) -> Lens:
    """The `Lens` of a parameter array (9,)."""
    fx, fy, cx, cy, k1, k2, p1, p2, k3 = (float(v) for v in parameters)
    return Lens(fx, fy, cx, cy, k1, k2, p1, p2, k3, size_px)


def project(lens: Lens | FloatArray, points: FloatArray) -> FloatArray:
    """Pixels (n, 2) of points (n, 3) in the camera frame (any unit; z forward).

    Meaningless for z <= 0 (behind the camera): the caller looks at z. Beyond ``fold_radius`` the
    model folds back and two directions share a pixel.
    """
    fx, fy, cx, cy, k1, k2, p1, p2, k3 = lens_parameters(lens)
    p = np.asarray(points, dtype=np.float64)
    x, y = p[:, 0] / p[:, 2], p[:, 1] / p[:, 2]
    x2, y2, xy = x * x, y * y, x * y
    r2 = x2 + y2
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    out = np.empty((len(p), 2))
    out[:, 0] = fx * (x * radial + 2.0 * p1 * xy + p2 * (r2 + 2.0 * x2)) + cx
    out[:, 1] = fy * (y * radial + p1 * (r2 + 2.0 * y2) + 2.0 * p2 * xy) + cy
    return out


def project_with_jacobian(
    lens: Lens | FloatArray, points: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Pixels (n, 2), their derivative by the nine parameters (n, 2, 9) and by the point (n, 2, 3).

    Same model and limits as ``project``.
    """
    fx, fy, cx, cy, k1, k2, p1, p2, k3 = lens_parameters(lens)
    p = np.asarray(points, dtype=np.float64)
    count = len(p)
    iz = 1.0 / p[:, 2]
    x, y = p[:, 0] * iz, p[:, 1] * iz
    x2, y2, xy = x * x, y * y, x * y
    r2 = x2 + y2
    r4 = r2 * r2
    r6 = r4 * r2
    radial = 1.0 + k1 * r2 + k2 * r4 + k3 * r6
    slope = 2.0 * (k1 + 2.0 * k2 * r2 + 3.0 * k3 * r4)
    xd = x * radial + 2.0 * p1 * xy + p2 * (r2 + 2.0 * x2)
    yd = y * radial + p1 * (r2 + 2.0 * y2) + 2.0 * p2 * xy
    pixels = np.empty((count, 2))
    pixels[:, 0], pixels[:, 1] = fx * xd + cx, fy * yd + cy

    by_lens = np.zeros((count, 2, 9))
    fxx, fyy = fx * x, fy * y
    by_lens[:, 0, 0], by_lens[:, 1, 1] = xd, yd
    by_lens[:, 0, 2] = by_lens[:, 1, 3] = 1.0
    by_lens[:, 0, 4], by_lens[:, 1, 4] = fxx * r2, fyy * r2
    by_lens[:, 0, 5], by_lens[:, 1, 5] = fxx * r4, fyy * r4
    by_lens[:, 0, 6], by_lens[:, 1, 6] = 2.0 * fx * xy, fy * (r2 + 2.0 * y2)
    by_lens[:, 0, 7], by_lens[:, 1, 7] = fx * (r2 + 2.0 * x2), 2.0 * fy * xy
    by_lens[:, 0, 8], by_lens[:, 1, 8] = fxx * r6, fyy * r6

    cross = xy * slope + 2.0 * (p1 * x + p2 * y)
    du_dx = fx * (radial + x2 * slope + 2.0 * p1 * y + 6.0 * p2 * x)
    du_dy = fx * cross
    dv_dx = fy * cross
    dv_dy = fy * (radial + y2 * slope + 6.0 * p1 * y + 2.0 * p2 * x)
    by_point = np.empty((count, 2, 3))
    by_point[:, 0, 0], by_point[:, 0, 1] = du_dx * iz, du_dy * iz
    by_point[:, 1, 0], by_point[:, 1, 1] = dv_dx * iz, dv_dy * iz
    by_point[:, 0, 2] = -(du_dx * x + du_dy * y) * iz
    by_point[:, 1, 2] = -(dv_dx * x + dv_dy * y) * iz
    return pixels, by_lens, by_point


def fold_radius(lens: Lens | FloatArray) -> float:
    """Smallest normalised radius (tangent of the field angle) where the radial model turns back;
    ``inf`` when it never does. Beyond it a pixel has no unique direction.

    Zero of ``d(r (1 + k1 r^2 + k2 r^4 + k3 r^6))/dr``.
    """
    k1, k2, k3 = (float(k) for k in lens_parameters(lens)[[4, 5, 8]])
    if k3 == 0.0 and k2 == 0.0:
        return (-1.0 / (3.0 * k1)) ** 0.5 if k1 < 0.0 else float("inf")
    if k3 == 0.0:
        inside = 9.0 * k1 * k1 - 20.0 * k2
        if inside < 0.0:
            return float("inf")
        both = [(-3.0 * k1 + sign * inside**0.5) / (10.0 * k2) for sign in (-1.0, 1.0)]
        return min((value**0.5 for value in both if value > 0.0), default=float("inf"))
    coefficients = np.trim_zeros(np.array([7.0 * k3, 5.0 * k2, 3.0 * k1, 1.0]), "f")
    roots = np.roots(coefficients)
    real = roots[np.abs(roots.imag) < 1e-9 * (1.0 + np.abs(roots))].real
    positive = real[real > 0.0]
    return float(np.sqrt(positive.min())) if len(positive) else float("inf")


@njit(cache=True)
def _newton(
    x: FloatArray, y: FloatArray, wanted_x: FloatArray, wanted_y: FloatArray,
    k1: float, k2: float, p1: float, p2: float, k3: float,
) -> tuple[FloatArray, FloatArray]:  # fmt: skip
    """Walk each place (x, y), in place, to where the distortion brings it to the wanted one: length of its
    last step and the Jacobian's determinant there, float64 (n,) each."""
    length, determinant = np.empty(len(x)), np.empty(len(x))
    for i in range(len(x)):
        for _ in range(_NEWTON_STEPS):
            x2, y2, xy = x[i] * x[i], y[i] * y[i], x[i] * y[i]
            r2 = x2 + y2
            radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
            slope = 2.0 * (k1 + r2 * (2.0 * k2 + 3.0 * k3 * r2))
            ex = x[i] * radial + 2.0 * p1 * xy + p2 * (r2 + 2.0 * x2) - wanted_x[i]
            ey = y[i] * radial + p1 * (r2 + 2.0 * y2) + 2.0 * p2 * xy - wanted_y[i]
            a = radial + x2 * slope + 2.0 * p1 * y[i] + 6.0 * p2 * x[i]
            b = xy * slope + 2.0 * (p1 * x[i] + p2 * y[i])
            d = radial + y2 * slope + 6.0 * p1 * y[i] + 2.0 * p2 * x[i]
            determinant[i] = a * d - b * b
            safe = 1e-9 if abs(determinant[i]) < 1e-9 else determinant[i]
            step_x, step_y = (d * ex - b * ey) / safe, (a * ey - b * ex) / safe
            length[i] = math.hypot(step_x, step_y)
            brake = min(1.0, 0.5 / max(length[i], 1e-300))
            x[i], y[i] = x[i] - brake * step_x, y[i] - brake * step_y
            # Newton doubles the digits: a step of 1e-9 leaves an error far below rounding.
            if length[i] < 1e-9:
                break
    return length, determinant


def undistort(lens: Lens | FloatArray, pixels: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Directions (n, 2) (x/z, y/z) whose image are these pixels (n, 2), and where that holds.

    Newton's method on both coordinates; converges to rounding in a few steps inside the picture of
    a sensible lens. The second array (n,) is False where the model stops being invertible (beyond
    ``fold_radius``, or no direction maps there): such values mean nothing.
    """
    fx, fy, cx, cy, k1, k2, p1, p2, k3 = lens_parameters(lens)
    px = np.asarray(pixels, dtype=np.float64)
    wanted_x, wanted_y = (px[:, 0] - cx) / fx, (px[:, 1] - cy) / fy
    fold = fold_radius(lens)
    x, y = wanted_x.copy(), wanted_y.copy()
    radius = np.hypot(x, y)
    if np.isfinite(fold):
        shrink = np.minimum(1.0, 0.95 * fold / np.maximum(radius, 1e-300))
        x, y = x * shrink, y * shrink
    length, determinant = _newton(x, y, wanted_x, wanted_y, k1, k2, p1, p2, k3)
    holds = (length < 1e-9) & (determinant > 0.0) & (np.hypot(x, y) < fold)
    return np.stack([x, y], axis=1), holds


def undistorted_px(lens: Lens | FloatArray, pixels: FloatArray) -> FloatArray:
    """Where pixels (n, 2) would lie in a camera of the same matrix without distortion (n, 2).

    NaN where the model stops being invertible.
    """
    fx, fy, cx, cy = lens_parameters(lens)[:4]
    directions, holds = undistort(lens, pixels)
    out = directions * np.array([fx, fy]) + np.array([cx, cy])
    out[~holds] = np.nan
    return np.asarray(out)
