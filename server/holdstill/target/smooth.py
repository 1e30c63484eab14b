"""A smooth surface through one number per dot, deaf to outliers."""
# ruff: noqa: PLR0912, PLR0915 - a compiled loop is one piece

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray

from .compiled import compiled, median, solved

ROUNDS = 3


def smooth(
    points: FloatArray, values: FloatArray, use: NDArray[np.bool_], *, degree: int = 2
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Robust polynomial through `values` (n,) or (n, k) at `points` (n, 2), fitted to `use` only.

    The degree (0 to 3) drops where there are fewer than four points per term.  Returns the surface
    at every point, the robust standard deviation about it (k,), and the surface's slopes (n, 2) of
    the first column, per unit of `points`.  Iteratively reweighted least squares with Huber's
    weights (Huber, Robust Statistics, 1981, from memory).
    """
    table = values[:, None] if values.ndim == 1 else values
    surface, scatter, slopes = smoothed(
        np.ascontiguousarray(points), np.ascontiguousarray(table), np.ascontiguousarray(use), degree, ROUNDS
    )
    return (surface[:, 0] if values.ndim == 1 else surface), scatter, slopes


@compiled
def _terms(x: float, y: float, out: Any) -> None:
    """Polynomial terms up to the third degree, as many as `out` holds."""
    every = (1.0, x, y, x * x, x * y, y * y, x * x * x, x * x * y, x * y * y, y * y * y)
    for i in range(len(out)):
        out[i] = every[i]


@compiled
def smoothed(
    points: FloatArray, values: FloatArray, use: NDArray[np.bool_], degree: int, rounds: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """See `smooth`; arrays contiguous, values (n, k), reweighted `rounds` times. For compiled callers."""
    n, width = values.shape
    some: Any = np.empty(n, np.int64)
    count = 0
    for i in range(n):
        if use[i]:
            some[count] = i
            count += 1
    sizes = (1, 3, 6, 10)
    while degree > 0 and count < 4 * sizes[degree]:
        degree -= 1
    k = sizes[degree]
    surface, scatter, slopes = np.zeros((n, width)), np.zeros(width), np.zeros((n, 2))
    if count == 0:
        return surface, scatter, slopes
    mx, my, spread = 0.0, 0.0, 1e-9
    for j in range(count):
        mx += points[some[j], 0] / count
        my += points[some[j], 1] / count
    for j in range(count):
        spread = max(spread, abs(points[some[j], 0] - mx), abs(points[some[j], 1] - my))
    terms = np.empty((n, k))
    for i in range(n):
        _terms((points[i, 0] - mx) / spread, (points[i, 1] - my) / spread, terms[i])
    fitted: Any = np.zeros(k)
    off = np.empty(count)
    for column in range(width):
        for j in range(count):
            off[j] = values[some[j], column]
        middle = median(off)
        for j in range(count):
            off[j] = abs(values[some[j], column] - middle)
        scale = max(1.4826 * median(off), 1e-12)
        for round_ in range(rounds):
            normal, right = np.zeros((k, k)), np.zeros(k)
            for j in range(count):
                at: Any = some[j]
                if round_ == 0:
                    w = 1.0 / (1.0 + (off[j] / scale) ** 2)
                else:
                    w = min(1.0, 2.0 * scale / max(off[j], 1e-300))
                for a in range(k):
                    wa = w * terms[at, a]
                    right[a] += wa * values[at, column]
                    for b in range(a + 1):
                        normal[a, b] += wa * terms[at, b]
            trace = 0.0
            for a in range(k):
                trace += normal[a, a]
            for a in range(k):
                normal[a, a] += 1e-9 * trace + 1e-300
            solved(normal, right)
            fitted = right
            for j in range(count):
                value = 0.0
                for a in range(k):
                    value += terms[some[j], a] * fitted[a]
                off[j] = abs(values[some[j], column] - value)
            scale = max(1.4826 * median(off), 1e-12)
        scatter[column] = scale
        for i in range(n):
            for a in range(k):
                surface[i, column] += terms[i, a] * fitted[a]
        if column == 0 and k > 1:
            for i in range(n):
                x, y = (points[i, 0] - mx) / spread, (points[i, 1] - my) / spread
                gx, gy = fitted[1], fitted[2]
                if k > 3:
                    gx += 2 * fitted[3] * x + fitted[4] * y
                    gy += fitted[4] * x + 2 * fitted[5] * y
                if k > 6:
                    gx += 3 * fitted[6] * x * x + 2 * fitted[7] * x * y + fitted[8] * y * y
                    gy += fitted[7] * x * x + 2 * fitted[8] * x * y + 3 * fitted[9] * y * y
                slopes[i, 0], slopes[i, 1] = gx / spread, gy / spread
    return surface, scatter, slopes
