"""Centre and shape of each dot from raw gradients, in closed form (the dual conic).

Every edge pixel's gradient is a tangent line ``l = (gx, gy, -(gx x + gy y))`` of the ellipse, and
tangents satisfy ``l' C* l = 0``, linear in the five numbers of the dual conic C*; its centre is read
off directly.  Source: Ouellet & Hébert, "Precise ellipse estimation without contour point
extraction", Machine Vision and Applications 21 (2009) 59-67.
"""
# ruff: noqa: PLR0912, PLR0915 - a compiled loop takes its arrays by position and is one piece

from __future__ import annotations

import numpy as np

from holdstill.records import FloatArray, Picture

from .compiled import compiled, solved


@compiled
def dual_conics(
    image: Picture,
    centres: FloatArray,
    shapes: FloatArray,
    inner: float,
    outer: float,
    clip: float,
    stride: int,
) -> FloatArray:
    """Dual-conic fit of each dot from the gradients in a ring around its expected edge.

    image (H, W); centres (n, 2) expected; shapes (n, 2, 2): expected half-axes map (unit circle ->
    ellipse, px); inner, outer: the ring in units of the expected radius; clip: pixels at or above
    carry no information; stride: use every stride-th row and column.

    Returns float64 (n, 8): x, y, the ellipse's xx, xy, yy (half-axes squared matrix, px^2), the sums
    of squared gradients along x, y (n.) and the mean alignment of gradients with the radius (-1..1).
    Rows of NaN where the fit is impossible.
    """
    n = len(centres)
    height, width = image.shape
    out = np.empty((n, 8))
    for k in range(n):
        for i in range(8):
            out[k, i] = np.nan
        cx, cy = centres[k, 0], centres[k, 1]
        a, b, c, d = shapes[k, 0, 0], shapes[k, 0, 1], shapes[k, 1, 0], shapes[k, 1, 1]
        det = a * d - b * c
        scale = np.sqrt(abs(det))
        hx = outer * np.sqrt(a * a + b * b) + 1
        hy = outer * np.sqrt(c * c + d * d) + 1
        x0, x1 = max(1, int(cx - hx)), min(width - 2, int(cx + hx) + 1)
        y0, y1 = max(1, int(cy - hy)), min(height - 2, int(cy + hy) + 1)
        normal = np.zeros((5, 5))
        right = np.zeros(5)
        row = np.zeros(5)
        sxx, syy, along, total = 0.0, 0.0, 0.0, 0.0
        count = 0
        for y in range(y0, y1 + 1, stride):
            for x in range(x0, x1 + 1, stride):
                px, py = x - cx, y - cy
                ux, uy = (d * px - b * py) / det, (a * py - c * px) / det
                r2 = ux * ux + uy * uy
                if r2 < inner * inner or r2 > outer * outer:
                    continue
                if clip > 0 and (
                    image[y, x - 1] >= clip
                    or image[y, x + 1] >= clip
                    or image[y - 1, x] >= clip
                    or image[y + 1, x] >= clip
                ):
                    continue
                gx = 0.5 * (float(image[y, x + 1]) - float(image[y, x - 1]))
                gy = 0.5 * (float(image[y + 1, x]) - float(image[y - 1, x]))
                g2 = gx * gx + gy * gy
                if g2 == 0.0:
                    continue
                gc = -(gx * px + gy * py) / scale
                row[0], row[1], row[2], row[3], row[4] = gx * gx, gx * gy, gy * gy, gx * gc, gy * gc
                for i in range(5):
                    right[i] -= row[i] * gc * gc
                    for j in range(i, 5):
                        normal[i, j] += row[i] * row[j]
                sxx += gx * gx
                syy += gy * gy
                nx, ny = (d * ux - c * uy) / det, (a * uy - b * ux) / det
                along += (gx * nx + gy * ny) / np.sqrt(nx * nx + ny * ny)
                total += np.sqrt(g2)
                count += 1
        if count < 12 or total == 0.0:
            continue
        for i in range(5):
            for j in range(i):
                normal[i, j] = normal[j, i]
        trace = normal[0, 0] + normal[1, 1] + normal[2, 2] + normal[3, 3] + normal[4, 4]
        for i in range(5):
            normal[i, i] += 1e-12 * trace
        if not solved(normal, right):
            continue
        mx, my = 0.5 * right[3], 0.5 * right[4]
        out[k, 0] = cx + scale * mx
        out[k, 1] = cy + scale * my
        s2 = scale * scale
        out[k, 2] = s2 * (mx * mx - right[0])
        out[k, 3] = s2 * (mx * my - 0.5 * right[1])
        out[k, 4] = s2 * (my * my - right[2])
        out[k, 5], out[k, 6] = sxx, syy
        out[k, 7] = along / total
    return out
