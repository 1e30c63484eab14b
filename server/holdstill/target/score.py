"""One scoring step: where each dot's centre is, from every pixel of its edge, weighted by its noise.

Model of a dot (pixel offset p from its centre, d its signed distance outside the ellipse)::

    I = (1 + g.p) (B + A Phi(-d/s)) + h.p

with Phi the normal integral (a straight edge under a Gaussian blur of standard deviation s, the
pixel's own 1/12 included), g the view's relative illumination slope and h an extra ramp of this dot
alone.  One Gauss-Newton step in B, A, centre, radius, s and h is the maximum-likelihood step for
independent normal noise; the centre's part of the inverse normal matrix is its covariance (Kay,
Fundamentals of Statistical Signal Processing: Estimation Theory, 1993, ch. 3 and 7, from memory).
"""
# ruff: noqa: PLR0915, PLR0912 - a compiled loop takes its arrays by position and is one piece

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from holdstill.records import FloatArray, Picture

from .compiled import compiled

Floats = NDArray[np.float32]
ROUND = np.zeros(2)
COLUMNS = 8
"""Unknowns per dot: B, A, A dx, A dy, A dr, A ds, hx, hy."""
_TABLE_REACH, _TABLE_STEPS = 8.0, 4096
_T = np.linspace(-_TABLE_REACH, _TABLE_REACH, _TABLE_STEPS + 1)
_EDGE = ndtr(-_T).astype(np.float32)
_PEAK = (np.exp(-0.5 * _T * _T) / np.sqrt(2 * np.pi)).astype(np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class Scores:
    """What one pass gathered, per dot.

    normal (n, 8, 8) and right (n, 8): the normal equations, weighted by the inverse variance.
    square (n,): weighted sum of squared grey values. pixels (n,): pixels used. used (n,): share of
    the edge's directions that carry pixels. plateau (n, 6): count, sum of grey values and sum of
    squared differences between pixels three apart, of the ground and of the dot. bases (n,): grey value
    taken off every pixel beforehand.
    """

    normal: FloatArray
    right: FloatArray
    square: FloatArray
    pixels: FloatArray
    used: FloatArray
    plateau: FloatArray
    bases: FloatArray


def score(
    image: Picture,
    centres: FloatArray,
    shapes: FloatArray,
    sigmas: FloatArray,
    slopes: FloatArray,
    *,
    reach: float,
    gap: FloatArray,
    bounds: FloatArray,
    variance: tuple[float, float],
    clip: float,
    stride: int = 1,
    lean: FloatArray = ROUND,
    sector: float = -1.0,
    skew: bool = False,
) -> Scores:
    """Gather the normal equations of each dot from the pixels around its expected edge.

    image (H, W); centres (n, 2) px; shapes (n, 2, 2): unit circle -> ellipse, px; sigmas (n,): edge
    blur with the pixel's own, px; slopes (n, 2): relative illumination slope, 1/px; reach: half
    width of the ring in units of sigma; gap (n,): most the ring may reach outward, px; bounds (n, 2):
    least and greatest signed distance over sigma that is used (for clipped plateaus); variance:
    noise variance of ground and dot; clip: level at and above which pixels say nothing (0: none);
    stride: use every stride-th row; lean: how the blur's variance depends on direction phi,
    ``s^2 (1 + lean[0] cos 2 phi + lean[1] sin 2 phi)``; sector: use only edge normals within 22.5
    degrees of this angle (rad; negative: all); skew: the last two unknowns are not a ramp but the
    edge spread's third moment over 6 s^2, px (the Gram-Charlier term ``phi(t) (t^2 - 1)``).
    """
    out = _gather(
        image,
        centres,
        shapes,
        sigmas,
        slopes,
        reach,
        gap,
        bounds,
        variance[0],
        variance[1],
        clip,
        stride,
        sector,
        lean,
        float(skew),
        _EDGE,
        _PEAK,
    )
    normal, right, tally, used, bases = out
    return Scores(normal, right, tally[:, 0], tally[:, 1], used, tally[:, 2:], bases)


@compiled
def _distances(m: int, x: Floats, y: Floats, dot: Floats, t: Floats, nx: Floats, ny: Floats) -> None:
    """Signed distance over sigma and outward unit normal at `m` offsets from a dot's centre.

    First order in the distance (Sampson): exact on circles, even under reflection at the centre.
    """
    m00, m01, m10, m11, inverse_s = dot[0], dot[1], dot[2], dot[3], np.float32(1.0) / dot[4]
    for i in range(m):
        px, py = x[i], y[i]
        ux, uy = m00 * px + m01 * py, m10 * px + m11 * py
        rho2 = ux * ux + uy * uy + np.float32(1e-12)
        gx, gy = m00 * ux + m10 * uy, m01 * ux + m11 * uy
        back = np.float32(1.0) / np.sqrt(gx * gx + gy * gy + np.float32(1e-24))
        t[i] = (rho2 - np.sqrt(rho2)) * back * inverse_s
        nx[i] = gx * back
        ny[i] = gy * back


@compiled
def _looked_up(m: int, t: Floats, table: Floats, factor: np.float32, out: Floats) -> None:
    """`table` over -8..8 at `t`, times `factor`."""
    last = np.float32(len(table) - 2.0)
    scale = np.float32((len(table) - 1) / 16.0)
    eight, zero = np.float32(8.0), np.float32(0.0)
    for i in range(m):
        place = min(max((t[i] + eight) * scale, zero), last)
        k = np.int32(place)
        out[i] = (table[k] + (place - np.float32(k)) * (table[k + 1] - table[k])) * factor


@compiled
def _chunk(
    m: int,
    at: Floats,
    dot: Floats,
    edge: Floats,
    peak: Floats,
    rows: Floats,
    weighted: Floats,
    sums: FloatArray,
    rhs: FloatArray,
    tally: FloatArray,
) -> int:
    """Add `m` pixels (at: px, py, value) of one dot to its sums; returns the octants seen.

    dot: inverse map (4), sigma, outward, inward, slope x, y, ground and dot variance, level taken off,
    least and greatest distance over sigma, sector, lean (2), whether
    the last two columns are the edge's skew.  Short plain
    loops, so that the compiler can use the processor's vector unit.
    """
    px, py, t, e, weight = at[0], at[1], rows[10], rows[9], rows[8]
    light, lit_edge, along_x, along_y, around, across = rows[0], rows[1], rows[2], rows[3], rows[4], rows[5]
    furthest, nearest = min(dot[5] / dot[4], dot[13]), max(-dot[6] / dot[4], dot[12])
    gx, gy, ground_variance, extra_variance = dot[7], dot[8], dot[9], dot[10] - dot[9]
    one, zero = np.float32(1.0), np.float32(0.0)
    _distances(m, px, py, dot, t, along_x, along_y)
    narrow = rows[11]
    if dot[16] != zero or dot[15] != zero:
        for i in range(m):
            nx, ny = along_x[i], along_y[i]
            twice = dot[15] * (nx * nx - ny * ny) + np.float32(2.0) * dot[16] * nx * ny
            narrow[i] = one / np.sqrt(max(one + twice, np.float32(0.05)))
        for i in range(m):
            t[i] *= narrow[i]
    else:
        narrow[:m] = one
    _looked_up(m, t, edge, one, e)
    _looked_up(m, t, peak, one / dot[4], around)
    for i in range(m):
        around[i] *= narrow[i]
    for i in range(m):
        weight[i] = one / (ground_variance + e[i] * extra_variance)
    for i in range(m):
        weight[i] = weight[i] if (t[i] <= furthest) & (t[i] >= nearest) else zero
    if dot[14] >= zero:
        ax, ay = np.cos(dot[14]), np.sin(dot[14])
        for i in range(m):
            if abs(along_x[i] * ax + along_y[i] * ay) < np.float32(0.9239):
                weight[i] = zero
    for i in range(m):
        light[i] = one + gx * px[i] + gy * py[i]
    for i in range(m):
        at[2, i] -= dot[11] * (light[i] - one)
    for i in range(m):
        lit_edge[i] = light[i] * e[i]
        around[i] *= light[i]
    for i in range(m):
        along_x[i] *= around[i]
    for i in range(m):
        along_y[i] *= around[i]
    for i in range(m):
        across[i] = around[i] * t[i]
    if dot[17] > zero:
        for i in range(m):
            bend = t[i] * t[i] - one
            rows[6, i] = along_x[i] * bend
            rows[7, i] = along_y[i] * bend
    else:
        for i in range(m):
            rows[6, i] = px[i]
        for i in range(m):
            rows[7, i] = py[i]
    for q in range(8):
        for i in range(m):
            weighted[q, i] = rows[q, i] * rows[8, i]
    for q in range(8):
        acc = zero
        for i in range(m):
            acc += weighted[q, i] * at[2, i]
        rhs[q] += acc
        for r in range(q, 8):
            acc = zero
            for i in range(m):
                acc += weighted[q, i] * rows[r, i]
            sums[q, r] += acc
    total, count = zero, zero
    g0, g1, g2, d0, d1, d2 = zero, zero, zero, zero, zero, zero
    value = at[2]
    for i in range(m):
        total += weight[i] * value[i] * value[i]
        count += one if weight[i] > zero else zero
    for i in range(m - 3):
        step = value[i + 3] - value[i]
        g = one if (max(e[i], e[i + 3]) < np.float32(0.004)) & (weight[i] * weight[i + 3] > zero) else zero
        g0 += g
        g1 += g * value[i]
        g2 += g * step * step
    for i in range(m - 3):
        step = value[i + 3] - value[i]
        d = one if (min(e[i], e[i + 3]) > np.float32(0.996)) & (weight[i] * weight[i + 3] > zero) else zero
        d0 += d
        d1 += d * value[i]
        d2 += d * step * step
    tally[0] += total
    tally[1] += count
    tally[2] += g0
    tally[3] += g1
    tally[4] += g2
    tally[5] += d0
    tally[6] += d1
    tally[7] += d2
    octants = 0
    for i in range(0, m, 3):
        if weight[i] > 0.0 and 0.1 < e[i] < 0.9:
            x, y = along_x[i], along_y[i]
            octants |= 1 << ((4 if x > 0 else 0) + (2 if y > 0 else 0) + (1 if abs(x) > abs(y) else 0))
    return octants


@compiled
def _gather(
    image: Picture,
    centres: FloatArray,
    shapes: FloatArray,
    sigmas: FloatArray,
    slopes: FloatArray,
    reach: float,
    gap: FloatArray,
    bounds: FloatArray,
    ground_variance: float,
    dot_variance: float,
    clip: float,
    stride: int,
    sector: float,
    lean: FloatArray,
    skew: float,
    edge: Floats,
    peak: Floats,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    n = len(centres)
    height, width = image.shape
    normal = np.zeros((n, 8, 8))
    right = np.zeros((n, 8))
    tally = np.zeros((n, 8))
    used = np.zeros(n)
    bases = np.zeros(n)
    room = 384
    at = np.empty((3, room), np.float32)
    rows = np.empty((12, room), np.float32)
    weighted = np.empty((8, room), np.float32)
    dot = np.empty(18, np.float32)
    for k in range(n):
        cx, cy = centres[k, 0], centres[k, 1]
        a, b, c, d = shapes[k, 0, 0], shapes[k, 0, 1], shapes[k, 1, 0], shapes[k, 1, 1]
        det = a * d - b * c
        if not abs(det) > 1e-9:
            continue
        s = sigmas[k]
        m00, m01, m10, m11 = d / det, -b / det, -c / det, a / det
        qxx, qxy, qyy = m00 * m00 + m10 * m10, m00 * m01 + m10 * m11, m01 * m01 + m11 * m11
        minor = 1.0 / np.sqrt(0.5 * (qxx + qyy) + np.sqrt(0.25 * (qxx - qyy) ** 2 + qxy * qxy))
        outward = min(reach * s + 0.5, gap[k])
        inward = min(reach * s + 0.5, minor)
        rho_out = 1.0 + outward / minor
        rho_in = max(1.0 - inward / minor, 0.0)
        x_mid, y_mid = min(max(int(cx), 0), width - 1), min(max(int(cy), 0), height - 1)
        bases[k] = float(image[y_mid, x_mid])
        dot[0], dot[1], dot[2], dot[3] = m00, m01, m10, m11
        dot[4], dot[5], dot[6] = s, outward, inward
        dot[7], dot[8], dot[9], dot[10] = slopes[k, 0], slopes[k, 1], ground_variance, dot_variance
        dot[11], dot[12], dot[13] = bases[k], bounds[k, 0], bounds[k, 1]
        dot[14], dot[15], dot[16] = sector, lean[0], lean[1]
        dot[17] = skew
        hy = rho_out * np.sqrt(c * c + d * d)
        y0, y1 = max(0, int(np.ceil(cy - hy))), min(height - 1, int(np.floor(cy + hy)))
        octants = 0
        m = 0
        for y in range(y0, y1 + 1, stride):
            py = y - cy
            disc = qxy * qxy * py * py - qxx * (qyy * py * py - rho_out * rho_out)
            if disc <= 0.0:
                continue
            root = np.sqrt(disc)
            xa = max(0, int(np.ceil(cx + (-qxy * py - root) / qxx)))
            xb = min(width - 1, int(np.floor(cx + (-qxy * py + root) / qxx)))
            end, begin = xb, xb + 1
            disc = qxy * qxy * py * py - qxx * (qyy * py * py - rho_in * rho_in)
            if disc > 0.0:
                root = np.sqrt(disc)
                end = min(xb, int(np.ceil(cx + (-qxy * py - root) / qxx)) - 1)
                begin = max(xa, int(np.floor(cx + (-qxy * py + root) / qxx)) + 1)
            for part in range(2):
                first, stop = (xa, end) if part == 0 else (begin, xb)
                x = first
                while x <= stop:
                    take = min(stop - x + 1, room - m)
                    for i in range(take):
                        at[0, m + i] = x + i - cx
                        at[1, m + i] = py
                        at[2, m + i] = float(image[y, x + i]) - bases[k]
                    x += take
                    if clip > 0.0:
                        kept = m
                        for i in range(m, m + take):
                            if at[2, i] + bases[k] < clip:
                                at[0, kept], at[1, kept], at[2, kept] = at[0, i], at[1, i], at[2, i]
                                kept += 1
                        m = kept
                    else:
                        m += take
                    if m == room:
                        octants |= _chunk(
                            m, at, dot, edge, peak, rows, weighted, normal[k], right[k], tally[k]
                        )
                        m = 0
        if m > 0:
            octants |= _chunk(m, at, dot, edge, peak, rows, weighted, normal[k], right[k], tally[k])
        for q in range(8):
            for r in range(q):
                normal[k, q, r] = normal[k, r, q]
            used[k] += ((octants >> q) & 1) / 8.0
    return normal, right, tally, used, bases
