"""The inner loop of the adjustment, compiled: residuals and Gram matrices of all pictures."""

from __future__ import annotations

import numpy as np
from numba import njit

from holdstill.records import FloatArray

_FAST = {"reassoc", "contract", "nsz"}
"""Sums may be reordered (which lets them run in parallel lanes); NaN and infinity keep their meaning."""


@njit(cache=True, fastmath=_FAST)
def grams(  # noqa: PLR0915 - one compiled loop: splitting it would cost the calls
    pixels: FloatArray,
    weight: FloatArray,
    points_mm: FloatArray,
    lens: FloatArray,
    turn: FloatArray,
    pivot: FloatArray,
    cam_t: FloatArray,
    basis: FloatArray,
    huber: float,
    first: int,
) -> tuple[FloatArray, FloatArray, FloatArray, float, bool]:
    """Gram matrices over [lens 9 | camera turn 3 | camera shift 3 | shape S | residual], and residuals.

    pixels (G, P, 2), weight (G, P) in 1/px (0: not seen), points_mm (P, 3) in the plate frame with
    its shape, lens (G, 9), turn (G, 3, 3) camera from plate, pivot (G, 3) and cam_t (G, 3) whose sum
    is the plate's origin in the camera, basis (S, P, 3). `huber`: threshold in sigmas, 0 for none.
    Rows before `first` are left zero. Returns grams (G, K, K), residual (G, 2, P) px, robust factor
    (G, P), cost, and whether a used point lies behind its camera.
    """
    pictures, points = weight.shape
    shapes = basis.shape[0]
    size = 16 + shapes
    gram = np.zeros((pictures, size, size))
    residual = np.zeros((pictures, 2, points))
    robust = np.ones((pictures, points))
    rows = np.zeros((size, 2 * points))
    cost, behind = 0.0, False
    for g in range(pictures):
        fx, fy, cx, cy = lens[g, 0], lens[g, 1], lens[g, 2], lens[g, 3]
        k1, k2, p1, p2, k3 = lens[g, 4], lens[g, 5], lens[g, 6], lens[g, 7], lens[g, 8]
        t = turn[g]
        count = 0
        for p in range(points):
            if weight[g, p] <= 0.0:
                continue
            px, py, pz = points_mm[p, 0], points_mm[p, 1], points_mm[p, 2]
            ax = t[0, 0] * px + t[0, 1] * py + t[0, 2] * pz + pivot[g, 0]
            ay = t[1, 0] * px + t[1, 1] * py + t[1, 2] * pz + pivot[g, 1]
            az = t[2, 0] * px + t[2, 1] * py + t[2, 2] * pz + pivot[g, 2]
            depth = az + cam_t[g, 2]
            if depth <= 0.0:
                behind = True
                continue
            iz = 1.0 / depth
            x, y = (ax + cam_t[g, 0]) * iz, (ay + cam_t[g, 1]) * iz
            x2, y2, xy2 = x * x, y * y, 2.0 * x * y
            r2 = x2 + y2
            radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
            xd = x * radial + p1 * xy2 + p2 * (r2 + 2.0 * x2)
            yd = y * radial + p1 * (r2 + 2.0 * y2) + p2 * xy2
            ru, rv = pixels[g, p, 0] - (fx * xd + cx), pixels[g, p, 1] - (fy * yd + cy)
            residual[g, 0, p], residual[g, 1, p] = ru, rv
            w = weight[g, p]
            norm2 = (ru * ru + rv * rv) * w * w
            if huber > 0.0 and norm2 > huber * huber:
                length = np.sqrt(norm2)
                cost += 2.0 * huber * length - huber * huber
                robust[g, p] = huber / length
                w *= np.sqrt(huber / length)
            else:
                cost += norm2
            u, v = 2 * count, 2 * count + 1
            count += 1
            wx, wy = w * fx, w * fy
            if first == 0:
                rows[0, u], rows[0, v] = w * xd, 0.0
                rows[1, u], rows[1, v] = 0.0, w * yd
                rows[2, u], rows[2, v] = w, 0.0
                rows[3, u], rows[3, v] = 0.0, w
                bx, by = wx * x * r2, wy * y * r2
                rows[4, u], rows[4, v] = bx, by
                rows[5, u], rows[5, v] = bx * r2, by * r2
                rows[6, u], rows[6, v] = wx * xy2, wy * (r2 + 2.0 * y2)
                rows[7, u], rows[7, v] = wx * (r2 + 2.0 * x2), wy * xy2
                rows[8, u], rows[8, v] = bx * r2 * r2, by * r2 * r2
            slope = 2.0 * (k1 + r2 * (2.0 * k2 + 3.0 * k3 * r2))
            cross = x * y * slope + 2.0 * (p1 * x + p2 * y)
            dux = wx * iz * (radial + x2 * slope + 2.0 * p1 * y + 6.0 * p2 * x)
            duy, dvx = wx * iz * cross, wy * iz * cross
            dvy = wy * iz * (radial + y2 * slope + 6.0 * p1 * y + 2.0 * p2 * x)
            duz, dvz = -(dux * x + duy * y), -(dvx * x + dvy * y)
            rows[9, u], rows[9, v] = ay * duz - az * duy, ay * dvz - az * dvy
            rows[10, u], rows[10, v] = az * dux - ax * duz, az * dvx - ax * dvz
            rows[11, u], rows[11, v] = ax * duy - ay * dux, ax * dvy - ay * dvx
            rows[12, u], rows[12, v] = dux, dvx
            rows[13, u], rows[13, v] = duy, dvy
            rows[14, u], rows[14, v] = duz, dvz
            for s in range(shapes):
                qx, qy, qz = basis[s, p, 0], basis[s, p, 1], basis[s, p, 2]
                mx = t[0, 0] * qx + t[0, 1] * qy + t[0, 2] * qz
                my = t[1, 0] * qx + t[1, 1] * qy + t[1, 2] * qz
                mz = t[2, 0] * qx + t[2, 1] * qy + t[2, 2] * qz
                rows[15 + s, u] = dux * mx + duy * my + duz * mz
                rows[15 + s, v] = dvx * mx + dvy * my + dvz * mz
            rows[size - 1, u], rows[size - 1, v] = w * ru, w * rv
        length2 = 2 * count
        for i in range(first, size):
            for j in range(i, size):
                total = 0.0
                for k in range(length2):
                    total += rows[i, k] * rows[j, k]
                gram[g, i, j] = total
                gram[g, j, i] = total
    return gram, residual, robust, cost, behind
