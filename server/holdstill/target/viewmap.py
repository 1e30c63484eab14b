"""One view's own smooth map from plate to picture: a homography and two radial terms.

No calibration is needed: the radial terms are about the picture's centre, and the map is only ever
used to predict, to check and to take derivatives within one view.
"""
# ruff: noqa: PLR0912 - compiled loops are one piece

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from holdstill.records import FloatArray

from .compiled import compiled, median, solved

_NO_MAP = np.zeros((3, 3))


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

    def scales(self, xy: FloatArray) -> FloatArray:
        """Image scale (n,) at points `xy`, px per plate unit: the root of the area's enlargement."""
        j = self.jacobians(xy)
        return np.asarray(np.sqrt(np.abs(j[:, 0, 0] * j[:, 1, 1] - j[:, 0, 1] * j[:, 1, 0])))

    def enlarged(self, factor: int) -> ViewMap:
        """The same map into the picture of which this one's was reduced by `factor`."""
        centre = self.centre_px * factor + (factor - 1) / 2
        return ViewMap(self.homography, centre, self.scale_px * factor, self.k1, self.k2)

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
    scale = math.hypot(*size_px) / 2
    base = np.ones(n) if sigmas is None else 1.0 / np.maximum(sigmas, 1e-9)
    h, k = _NO_MAP, np.zeros(2)
    if start is not None:
        h, k = start.homography, np.array([start.k1, start.k2])
    h, k, residual = _fitted(
        np.ascontiguousarray(xy),
        np.ascontiguousarray(uv),
        base,
        centre,
        scale,
        h,
        k,
        terms,
        robust,
        iterations,
    )
    return ViewMap(h, centre, scale, float(k[0]), float(k[1])), residual


@compiled
def _fitted(
    xy: FloatArray,
    uv: FloatArray,
    base: FloatArray,
    centre: FloatArray,
    scale: float,
    h: FloatArray,
    k: FloatArray,
    terms: int,
    robust: bool,
    iterations: int,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Gauss-Newton on the homography (its last entry held at 1, the points about their mean) and the
    radial terms, Huber's weights; started by the linear method where `h` is zero."""
    n = len(xy)
    mx, my, spread, weights = 0.0, 0.0, 1e-9, 0.0
    for i in range(n):
        mx += xy[i, 0] / n
        my += xy[i, 1] / n
        weights += base[i] / n
    for i in range(n):
        spread = max(spread, abs(xy[i, 0] - mx), abs(xy[i, 1] - my))
    x, target, size, weight = np.empty((n, 2)), np.empty((n, 2)), np.empty(n), np.empty(n)
    for i in range(n):
        x[i, 0], x[i, 1] = (xy[i, 0] - mx) / spread, (xy[i, 1] - my) / spread
        target[i, 0], target[i, 1] = (uv[i, 0] - centre[0]) / scale, (uv[i, 1] - centre[1]) / scale
        weight[i] = base[i] / weights
    plain = np.empty(n)
    for i in range(n):
        plain[i] = weight[i]
    p = np.zeros(10)
    last = h[2, 0] * mx + h[2, 1] * my + h[2, 2]
    if abs(last) > 1e-12:
        for r in range(3):
            p[3 * r] = h[r, 0] * spread / last
            p[3 * r + 1] = h[r, 1] * spread / last
            if r < 2:
                p[3 * r + 2] = (h[r, 0] * mx + h[r, 1] * my + h[r, 2]) / last
        p[8], p[9] = k[0], k[1]
    else:
        _linear(x, target, weight, p)
    residual = np.empty((n, 2))
    cost = 1e300
    for _ in range(iterations):
        normal, right = _normal_equations(x, target, p, weight, terms, residual)
        new_cost = 0.0
        for i in range(n):
            new_cost += weight[i] ** 2 * (residual[i, 0] ** 2 + residual[i, 1] ** 2)
        for i in range(8 + terms):
            normal[i, i] *= 1.0 + 1e-12
        solved(normal, right)
        for i in range(8 + terms):
            p[i] += right[i]
        p[8], p[9] = min(max(p[8], -2.0), 2.0), min(max(p[9], -2.0), 2.0)
        if robust:
            for i in range(n):
                size[i] = np.sqrt(residual[i, 0] ** 2 + residual[i, 1] ** 2) * plain[i]
            cut = 2.0 * max(median(size) / 1.1774, 1e-12)
            for i in range(n):
                weight[i] = plain[i] * np.sqrt(min(1.0, cut / max(size[i], 1e-15)))
        if abs(cost - new_cost) <= 1e-5 * max(new_cost, 1e-18):
            break
        cost = new_cost
    _normal_equations(x, target, p, weight, terms, residual)
    out = np.empty((3, 3))
    for r in range(3):
        out[r, 0], out[r, 1] = p[3 * r] / spread, p[3 * r + 1] / spread
        tail = p[3 * r + 2] if r < 2 else 1.0
        out[r, 2] = tail - out[r, 0] * mx - out[r, 1] * my
    for i in range(n):
        residual[i, 0] *= scale
        residual[i, 1] *= scale
    return out, p[8:], residual


@compiled
def _linear(x: FloatArray, target: FloatArray, weight: FloatArray, p: FloatArray) -> None:
    """First eight entries of `p`: the homography by linear least squares, its last entry 1."""
    normal, right, row = np.zeros((8, 8)), np.zeros(8), np.zeros(8)
    for i in range(len(x)):
        for axis in range(2):
            for m in range(6):
                row[m] = 0.0
            value = target[i, axis]
            row[3 * axis], row[3 * axis + 1], row[3 * axis + 2] = x[i, 0], x[i, 1], 1.0
            row[6], row[7] = -value * x[i, 0], -value * x[i, 1]
            w = weight[i] * weight[i]
            for m in range(8):
                right[m] += w * row[m] * value
                for o in range(m + 1):
                    normal[m, o] += w * row[m] * row[o]
    for m in range(8):
        normal[m, m] *= 1.0 + 1e-10
    solved(normal, right)
    for m in range(8):
        p[m] = right[m]


@compiled
def _normal_equations(
    x: FloatArray, target: FloatArray, p: FloatArray, weight: FloatArray, terms: int, residual: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Normal matrix (8 + terms; its lower part) and right side of the weighted least squares; fills
    `residual`.

    The derivative by entry (g, m) of the homography is a column g of the 2 x 3 matrix `d` times v[m], so that
    the products of all pairs are those of the six products of `d`'s columns with the six of `v`'s entries.
    """
    blocks, sides, cross = np.zeros((6, 6)), np.zeros((3, 3)), np.zeros((2, 9))
    d, v, s, t = np.empty((2, 3)), np.empty(3), np.empty(6), np.empty(6)
    r00, r01, r11, r0, r1 = 0.0, 0.0, 0.0, 0.0, 0.0
    for i in range(len(x)):
        a, b = x[i, 0], x[i, 1]
        w = p[6] * a + p[7] * b + 1.0
        if abs(w) < 1e-9:
            w = 1e-9
        over = 1.0 / w
        qx, qy = (p[0] * a + p[1] * b + p[2]) * over, (p[3] * a + p[4] * b + p[5]) * over
        r2 = qx * qx + qy * qy
        radial = 1.0 + p[8] * r2 + p[9] * r2 * r2
        bend = 2.0 * p[8] + 4.0 * p[9] * r2
        ex, ey = target[i, 0] - qx * radial, target[i, 1] - qy * radial
        residual[i, 0], residual[i, 1] = ex, ey
        w2 = weight[i] * weight[i]
        d[0, 0], d[0, 1], d[1, 1] = radial + bend * qx * qx, bend * qx * qy, radial + bend * qy * qy
        d[1, 0] = d[0, 1]
        for axis in range(2):
            d[axis, 2] = -(d[axis, 0] * qx + d[axis, 1] * qy)
        v[0], v[1], v[2] = a * over, b * over, over
        at = 0
        for g in range(3):
            pull = w2 * (d[0, g] * ex + d[1, g] * ey)
            along = w2 * r2 * (d[0, g] * qx + d[1, g] * qy)
            for m in range(3):
                sides[g, m] += pull * v[m]
                cross[0, 3 * g + m] += along * v[m]
                cross[1, 3 * g + m] += along * r2 * v[m]
            for m in range(g + 1):
                s[at] = w2 * (d[0, g] * d[0, m] + d[1, g] * d[1, m])
                t[at] = v[g] * v[m]
                at += 1
        for g in range(6):
            for m in range(6):
                blocks[g, m] += s[g] * t[m]
        cubed, pull = w2 * r2 * r2 * r2, w2 * r2 * (qx * ex + qy * ey)
        r00 += cubed
        r01 += cubed * r2
        r11 += cubed * r2 * r2
        r0 += pull
        r1 += pull * r2
    size = 8 + terms
    normal, right = np.zeros((10, 10)), np.zeros(10)
    for m in range(8):
        right[m] = sides[m // 3, m % 3]
        for o in range(m + 1):
            g, h, u, w_ = m // 3, o // 3, max(m % 3, o % 3), min(m % 3, o % 3)
            normal[m, o] = blocks[g * (g + 1) // 2 + h, u * (u + 1) // 2 + w_]
        normal[8, m], normal[9, m] = cross[0, m], cross[1, m]
    normal[8, 8], normal[9, 8], normal[9, 9], right[8], right[9] = r00, r01, r11, r0, r1
    return normal[:size, :size].copy(), right[:size].copy()
