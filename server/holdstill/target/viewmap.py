"""One view's own smooth map from plate to picture: a homography and two radial terms.

No calibration is needed: the radial terms are about the picture's centre, and the map is only ever
used to predict, to check and to take derivatives within one view.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from holdstill.records import FloatArray

from .compiled import compiled


@dataclass(frozen=True, slots=True, eq=False)
class ViewMap:
    """Plate plane (any unit) -> picture (px).

    homography
        float64 (3, 3), plate plane to ideal picture coordinates `q` (px about the picture's centre
        over `scale_px`).
    centre_px, scale_px
        Centre of the radial terms and the unit of `q` (half the picture's diagonal).
    k1, k2
        ``picture = centre + scale q (1 + k1 |q|^2 + k2 |q|^4)``.
    """

    homography: FloatArray
    centre_px: FloatArray
    scale_px: float
    k1: float = 0.0
    k2: float = 0.0

    def __call__(self, xy: FloatArray) -> FloatArray:
        """Pictures of plate points `xy` (n, 2), in px (n, 2)."""
        return self.with_jacobians(xy)[0]

    def jacobians(self, xy: FloatArray) -> FloatArray:
        """d picture / d plate at points `xy`: float64 (n, 2, 2), px per plate unit."""
        return self.with_jacobians(xy)[1]

    def with_jacobians(self, xy: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Pictures (n, 2) and their derivatives (n, 2, 2) of plate points `xy` (n, 2)."""
        return mapped(
            np.ascontiguousarray(xy, dtype=np.float64),
            self.homography,
            self.centre_px,
            self.scale_px,
            self.k1,
            self.k2,
        )


@compiled
def mapped(
    xy: FloatArray, h: FloatArray, centre: FloatArray, scale: float, k1: float, k2: float
) -> tuple[FloatArray, FloatArray]:
    """Points through a view map, and its derivatives; |q| beyond 4 is taken as 4 in the radial part."""
    n = len(xy)
    at, jac = np.empty((n, 2)), np.empty((n, 2, 2))
    for i in range(n):
        x, y = xy[i, 0], xy[i, 1]
        w = h[2, 0] * x + h[2, 1] * y + h[2, 2]
        if abs(w) < 1e-12:
            w = 1e-12
        qx, qy = (h[0, 0] * x + h[0, 1] * y + h[0, 2]) / w, (h[1, 0] * x + h[1, 1] * y + h[1, 2]) / w
        r2 = min(qx * qx + qy * qy, 16.0)
        radial = 1.0 + k1 * r2 + k2 * r2 * r2
        bend = 2.0 * k1 + 4.0 * k2 * r2
        at[i, 0], at[i, 1] = centre[0] + scale * qx * radial, centre[1] + scale * qy * radial
        for column in range(2):
            dx = (h[0, column] - qx * h[2, column]) / w
            dy = (h[1, column] - qy * h[2, column]) / w
            along = bend * (qx * dx + qy * dy)
            jac[i, 0, column] = scale * (radial * dx + qx * along)
            jac[i, 1, column] = scale * (radial * dy + qy * along)
    return at, jac


def apply_homography(h: FloatArray, xy: FloatArray) -> FloatArray:
    """Points (n, 2) through a homography (3, 3)."""
    p = xy @ h[:, :2].T + h[:, 2]
    return np.asarray(p[:, :2] / p[:, 2:])


def fit_homography(xy: FloatArray, uv: FloatArray, weights: FloatArray | None = None) -> FloatArray:
    """Homography (3, 3) from `xy` to `uv` (n >= 4) by the normalised linear method.

    Source: Hartley, "In defense of the eight-point algorithm", IEEE PAMI 19 (1997) (normalisation).
    """

    def normaliser(p: FloatArray) -> FloatArray:
        mean = p.mean(axis=0)
        s = np.sqrt(2.0) / max(float(np.sqrt(((p - mean) ** 2).sum(axis=1)).mean()), 1e-12)
        return np.array([[s, 0, -s * mean[0]], [0, s, -s * mean[1]], [0, 0, 1]])

    a, b = normaliser(xy), normaliser(uv)
    p, q = apply_homography(a, xy), apply_homography(b, uv)
    n = len(xy)
    rows = np.zeros((2 * n, 9))
    rows[:n, 0:2], rows[:n, 2] = p, 1
    rows[n:, 3:5], rows[n:, 5] = p, 1
    rows[:n, 6:8], rows[:n, 8] = -q[:, :1] * p, -q[:, 0]
    rows[n:, 6:8], rows[n:, 8] = -q[:, 1:] * p, -q[:, 1]
    if weights is not None:
        rows *= np.tile(weights, 2)[:, None]
    h = np.linalg.eigh(rows.T @ rows)[1][:, 0].reshape(3, 3)
    h = np.linalg.inv(b) @ h @ a
    return np.asarray(h / h[2, 2] if abs(h[2, 2]) > 1e-12 else h)


def fit_view_map(
    xy: FloatArray,
    uv: FloatArray,
    size_px: tuple[int, int],
    *,
    sigmas: FloatArray | None = None,
    robust: bool = True,
    terms: int = 2,
    iterations: int = 12,
    start: ViewMap | None = None,
) -> tuple[ViewMap, FloatArray]:
    """Least-squares `ViewMap` through plate points `xy` and picture points `uv` (n, 2), n >= 4.

    size_px
        (width, height) of the picture.
    sigmas
        (n,) relative standard deviations, or None for equal weights.
    robust
        Weigh down points beyond 2 robust standard deviations (Huber).
    terms
        Radial terms: 0, 1 or 2; cut by itself when there are few points.
    start
        A map to start from (of the same picture size), or None for the linear method.

    Returns the map and the residuals (n, 2), observed minus mapped, px.
    """
    n = len(xy)
    terms = min(terms, 2 if n >= 16 else 1 if n >= 10 else 0)
    centre = (np.array(size_px, dtype=np.float64) - 1) / 2
    scale = float(np.hypot(*size_px) / 2)
    mean, spread = xy.mean(axis=0), max(float(np.abs(xy - xy.mean(axis=0)).max()), 1e-9)
    x = (xy - mean) / spread
    target = (uv - centre) / scale
    base = np.ones(n) if sigmas is None else 1.0 / np.maximum(sigmas, 1e-9)
    base = base / base.mean()
    h, k = fit_homography(x, target, base), np.zeros(2)
    if start is not None:
        back = np.array([[spread, 0, mean[0]], [0, spread, mean[1]], [0, 0, 1]])
        h, k = start.homography @ back, np.array([start.k1, start.k2])
    h, k, residual = _iterated(
        x, target, np.ascontiguousarray(h / np.linalg.norm(h)), k, base, terms, robust, iterations
    )
    shift = np.array([[1 / spread, 0, -mean[0] / spread], [0, 1 / spread, -mean[1] / spread], [0, 0, 1]])
    return ViewMap(h @ shift, centre, scale, float(k[0]), float(k[1])), residual * scale


@compiled
def _iterated(
    x: FloatArray,
    target: FloatArray,
    h: FloatArray,
    k: FloatArray,
    base: FloatArray,
    terms: int,
    robust: bool,
    iterations: int,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Gauss-Newton on the homography (its scale held) and the radial terms, Huber's weights."""
    n = len(x)
    weight = base.copy()
    residual = np.empty((n, 2))
    size = np.empty(n)
    cost = np.inf
    for _ in range(iterations):
        normal, right = _normal_equations(x, target, h, k, weight, terms, residual)
        new_cost = 0.0
        for i in range(n):
            new_cost += weight[i] ** 2 * (residual[i, 0] ** 2 + residual[i, 1] ** 2)
        trace = 0.0
        for i in range(9):
            trace += normal[i, i]
        for i in range(9 + terms):
            normal[i, i] *= 1.0 + 1e-12
        for i in range(9):
            for j in range(9):
                normal[i, j] += h[i // 3, i % 3] * h[j // 3, j % 3] * trace
        step = np.linalg.solve(normal, right)
        h = h + step[:9].reshape((3, 3))
        h = h / np.sqrt((h * h).sum())
        for i in range(terms):
            k[i] = min(max(k[i] + step[9 + i], -2.0), 2.0)
        if robust:
            for i in range(n):
                size[i] = np.sqrt(residual[i, 0] ** 2 + residual[i, 1] ** 2) * base[i]
            cut = 2.0 * max(np.median(size) / 1.1774, 1e-12)
            for i in range(n):
                weight[i] = base[i] * np.sqrt(min(1.0, cut / max(size[i], 1e-15)))
        if abs(cost - new_cost) <= 1e-6 * max(new_cost, 1e-18):
            break
        cost = new_cost
    _normal_equations(x, target, h, k, weight, terms, residual)
    return h, k, residual


@compiled
def _normal_equations(
    x: FloatArray,
    target: FloatArray,
    h: FloatArray,
    k: FloatArray,
    weight: FloatArray,
    terms: int,
    residual: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Normal matrix (9 + terms) and right side of the map's weighted least squares; fills `residual`."""
    size = 9 + terms
    normal = np.zeros((size, size))
    right = np.zeros(size)
    row = np.zeros(size)
    for i in range(len(x)):
        a, b = x[i, 0], x[i, 1]
        w = h[2, 0] * a + h[2, 1] * b + h[2, 2]
        if abs(w) < 1e-9:
            w = 1e-9
        qx, qy = (h[0, 0] * a + h[0, 1] * b + h[0, 2]) / w, (h[1, 0] * a + h[1, 1] * b + h[1, 2]) / w
        r2 = qx * qx + qy * qy
        radial = 1.0 + k[0] * r2 + k[1] * r2 * r2
        bend = 2.0 * k[0] + 4.0 * k[1] * r2
        residual[i, 0], residual[i, 1] = target[i, 0] - qx * radial, target[i, 1] - qy * radial
        w2 = weight[i] * weight[i]
        for axis in range(2):
            dx = (radial + bend * qx * qx) if axis == 0 else bend * qx * qy
            dy = bend * qx * qy if axis == 0 else (radial + bend * qy * qy)
            back = -(dx * qx + dy * qy)
            row[0], row[1], row[2] = dx * a / w, dx * b / w, dx / w
            row[3], row[4], row[5] = dy * a / w, dy * b / w, dy / w
            row[6], row[7], row[8] = back * a / w, back * b / w, back / w
            q = qx if axis == 0 else qy
            if terms > 0:
                row[9] = q * r2
            if terms > 1:
                row[10] = q * r2 * r2
            for m in range(size):
                right[m] += w2 * row[m] * residual[i, axis]
                for o in range(size):
                    normal[m, o] += w2 * row[m] * row[o]
    return normal, right
