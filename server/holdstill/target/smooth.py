"""A smooth surface through one number per dot, deaf to outliers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray


def terms_of(points: FloatArray, degree: int) -> FloatArray:
    """Polynomial terms (n, k) of points (n, 2) scaled to about -1..1; degree 0 to 3."""
    x, y = points[:, 0], points[:, 1]
    columns = [np.ones(len(points)), x, y, x * x, x * y, y * y, x**3, x * x * y, x * y * y, y**3]
    return np.stack(columns[: {0: 1, 1: 3, 2: 6, 3: 10}[degree]], axis=1)


def smooth(
    points: FloatArray, values: FloatArray, use: NDArray[np.bool_], *, degree: int = 2, rounds: int = 4
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Robust polynomial through `values` (n,) or (n, k) at `points` (n, 2), fitted to `use` only.

    The degree drops where there are fewer than four points per term.  Returns the surface at every
    point, the robust standard deviation about it (k,), and the surface's slopes (n, 2) of the first
    column, per unit of `points`.  Iteratively reweighted least squares with Huber's weights
    (Huber, Robust Statistics, 1981, from memory).
    """
    table = values[:, None] if values.ndim == 1 else values
    while degree > 0 and use.sum() < 4 * {1: 3, 2: 6, 3: 10}[degree]:
        degree -= 1
    mean = points[use].mean(axis=0)
    spread = max(float(np.abs(points[use] - mean).max()), 1e-9)
    q = (points - mean) / spread
    terms = terms_of(q, degree)
    safe = np.where(use[:, None], table, 0.0)
    middle = np.median(table[use], axis=0)
    weight = use[:, None] / (1.0 + ((safe - middle) / _scale(safe - middle, use)) ** 2)
    fitted = np.zeros((terms.shape[1], table.shape[1]))
    scatter = np.zeros(table.shape[1])
    for _ in range(rounds):
        for k in range(table.shape[1]):
            w = weight[:, k]
            normal = (terms * w[:, None]).T @ terms
            fitted[:, k] = np.linalg.solve(
                normal + 1e-9 * np.trace(normal) * np.eye(len(normal)), (terms * w[:, None]).T @ safe[:, k]
            )
        off = np.abs(safe - terms @ fitted)
        scatter = _scale(off, use)
        weight = use[:, None] * np.minimum(1.0, 2.0 * scatter / np.maximum(off, 1e-12))
    surface = terms @ fitted
    step = 1e-4
    slopes = np.stack(
        [(terms_of(q + step * e, degree) - terms_of(q - step * e, degree)) @ fitted[:, 0] for e in np.eye(2)], axis=1
    ) / (2 * step * spread)  # fmt: skip
    return (surface[:, 0] if values.ndim == 1 else surface), scatter, slopes


def _scale(off: FloatArray, use: NDArray[np.bool_]) -> FloatArray:
    return np.asarray(np.maximum(1.4826 * np.median(np.abs(off[use]), axis=0), 1e-12))
