"""One scoring step: where each dot's centre is, from every pixel of its edge, weighted by its noise.

Model of a dot (pixel offset p from its centre, d its signed distance outside the ellipse, n the edge's
outward normal, t = d/s)::

    I = (1 + g.p) (B + A E) + h.p
    E = Phi(-t) + phi(t) ((t^2 - 1) q3.n + (t^4 - 6 t^2 + 3) q5.n) / s

with Phi the normal integral (a straight edge under a Gaussian blur of standard deviation s, the
pixel's own 1/12 included), q3 and q5 the third and fifth moment of a lopsided blur (Gram-Charlier
series; 0 for a symmetric one), g the view's relative illumination slope and h an extra ramp of this dot
alone.  One Gauss-Newton step in B, A, centre, radius, s and h is the maximum-likelihood step for
independent normal noise; the centre's part of the inverse normal matrix is its covariance (Kay,
Fundamentals of Statistical Signal Processing: Estimation Theory, 1993, ch. 3 and 7, from memory).
"""
# ruff: noqa: PLR0915 - a compiled loop takes its arrays by position and is one piece

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial import Chebyshev, Polynomial
from numpy.typing import NDArray

from holdstill.records import FloatArray, Picture

from .compiled import compiled, compiled_inside

Floats = NDArray[np.float32]
ROUND = np.zeros(6)
"""A blur alike in all directions: lean (2), q3 (2), q5 (2) all zero; see `score`."""
COLUMNS = 8
"""Unknowns per dot: B, A, A dx, A dy, A dr, A ds and the last two of the step's kind."""
RAMPS, LEANS, SKEWS, BENDS, LIT_DOTS, LIT_GROUND = 0, 1, 2, 3, 4, 5
"""Kinds of a step: the last two unknowns are the dot's own ramp h; or A times the change of lean; or A times
the change of q3; or that, with A times the change of q5 in the place of radius and blur; or the slope of the
bright part, of the dot or of the ground about it, in grey values per px."""

_R = 512
_Y, _V, _W, _COL, _T, _NX, _NY, _NARROW, _TIMES = (_R * k for k in (1, 2, 3, 4, 13, 14, 15, 16, 17))
_ROOM = 20 * _R
_EXP = Chebyshev.interpolate(lambda y: np.exp(-y), 6, [0, 1]).convert(kind=Polynomial).coef
_E0, _E1, _E2, _E3, _E4, _E5, _E6 = (np.float32(v) for v in _EXP)
_P = np.float32(0.2316419)
_B = (0.319381530, -0.356563782, 1.781477937, -1.821255978, 1.330274429)
_B1, _B2, _B3, _B4, _B5 = (np.float32(v) for v in _B)
_ZERO, _ONE, _THREE, _SIX, _TEN, _FIFTEEN = (np.float32(v) for v in (0, 1, 3, 6, 10, 15))
_PEAK, _32ND, _SMALL, _TINY, _LEAST = (
    np.float32(v) for v in (1 / np.sqrt(2 * np.pi), 1 / 32, 1e-12, 1e-24, 0.05)
)


@dataclass(frozen=True, slots=True, eq=False)
class Scores:
    """What one pass gathered, per dot.

    sums (n, 9, 9): products of the 8 unknowns' columns and the grey value, weighted by the inverse
    variance: the normal equations' matrix, right side (last column) and squared values (last entry).
    tally (n, 8): pixels used; share of the edge's directions that carry pixels; then count and sum of
    squared differences between pixels three apart, within the ground and within the dot; the grey value
    taken off every pixel beforehand; 0.
    """

    sums: FloatArray
    tally: FloatArray


@compiled
def _distances(m: int, b: Floats, dot: Floats) -> None:
    """Signed distance over s and outward unit normal at `m` offsets from a dot's centre.

    First order in the distance (Sampson): exact on circles, even under reflection at the centre.
    """
    m00, m01, m10, m11, inverse = dot[0], dot[1], dot[2], dot[3], _ONE / dot[4]
    for i in range(m):
        px, py = b[i], b[_Y + i]
        ux, uy = m00 * px + m01 * py, m10 * px + m11 * py
        rho2 = ux * ux + uy * uy + _SMALL
        gx, gy = m00 * ux + m10 * uy, m01 * ux + m11 * uy
        back = _ONE / np.sqrt(gx * gx + gy * gy + _TINY)
        b[_T + i] = (rho2 - np.sqrt(rho2)) * back * inverse
        b[_NX + i] = gx * back
        b[_NY + i] = gy * back
        b[_NARROW + i] = _ONE
    if dot[12] != _ZERO or dot[13] != _ZERO:
        along, across = dot[12], dot[13] + dot[13]
        for i in range(m):
            nx, ny = b[_NX + i], b[_NY + i]
            narrow = _ONE / np.sqrt(max(_ONE + along * (nx * nx - ny * ny) + across * nx * ny, _LEAST))
            b[_NARROW + i] = narrow
            b[_T + i] *= narrow


@compiled
def _columns(m: int, b: Floats, dot: Floats) -> None:
    """The unknowns' columns and the weight of each of `m` pixels; the light's slope taken off their value."""
    gx, gy, ground, more, base, s = dot[7], dot[8], dot[9], dot[10] - dot[9], dot[11], dot[4]
    far, near = dot[5], dot[6]
    per = _PEAK / s
    for i in range(m):
        t, px, py = b[_T + i], b[i], b[_Y + i]
        y = min(t * t * _32ND, _ONE)
        p = _E0 + y * (_E1 + y * (_E2 + y * (_E3 + y * (_E4 + y * (_E5 + y * _E6)))))
        p = p * p
        p = p * p
        p = p * p
        p = p * p
        k = _ONE / (_ONE + _P * abs(t))
        q = _PEAK * p * (k * (_B1 + k * (_B2 + k * (_B3 + k * (_B4 + k * _B5)))))
        e = q if t > _ZERO else _ONE - q
        slope = gx * px + gy * py
        light = _ONE + slope
        b[_V + i] -= base * slope
        blur = light * p * per
        around = blur * b[_NARROW + i]
        w = _ONE / (ground + e * more)
        b[_W + i] = w if (t <= far) & (t >= near) else _ZERO
        b[_COL + i] = light
        b[_COL + _R + i] = light * e
        b[_COL + 2 * _R + i] = around * b[_NX + i]
        b[_COL + 3 * _R + i] = around * b[_NY + i]
        b[_COL + 4 * _R + i] = around
        b[_COL + 5 * _R + i] = blur * t
        b[_COL + 6 * _R + i] = px
        b[_COL + 7 * _R + i] = py
        b[_COL + 8 * _R + i] = b[_V + i]


@compiled
def _bent(m: int, b: Floats, dot: Floats) -> None:
    """Edge and its slope under a lopsided blur, in place of the symmetric ones."""
    ax, ay, cx, cy, inverse = dot[14], dot[15], dot[16], dot[17], _ONE / dot[4]
    for i in range(m):
        t, nx, ny, around = b[_T + i], b[_NX + i], b[_NY + i], b[_COL + 4 * _R + i]
        third, fifth = ax * nx + ay * ny, cx * nx + cy * ny
        t2 = t * t
        b[_COL + _R + i] += around * (third * (t2 - _ONE) + fifth * (t2 * (t2 - _SIX) + _THREE))
        steeper = third * (t2 - _THREE) + fifth * (t2 * (t2 - _TEN) + _FIFTEEN)
        around = around * max(_ONE + t * steeper * b[_NARROW + i] * inverse, _ZERO)
        b[_COL + 2 * _R + i] = around * nx
        b[_COL + 3 * _R + i] = around * ny
        b[_COL + 4 * _R + i] = around


@compiled
def _of_kind(m: int, b: Floats, s: np.float32, kind: int) -> None:
    """The last columns of a step that is not about ramps."""
    if kind == LEANS:
        for i in range(m):
            nx, ny, narrow = b[_NX + i], b[_NY + i], b[_NARROW + i]
            half = np.float32(0.5) * s * narrow * narrow * b[_COL + 5 * _R + i]
            b[_COL + 6 * _R + i] = half * (nx * nx - ny * ny)
            b[_COL + 7 * _R + i] = half * (nx * ny + nx * ny)
    elif kind == LIT_DOTS:
        for i in range(m):
            b[_COL + 6 * _R + i] *= b[_COL + _R + i]
            b[_COL + 7 * _R + i] *= b[_COL + _R + i]
    elif kind == LIT_GROUND:
        for i in range(m):
            ground = b[_COL + i] - b[_COL + _R + i]
            b[_COL + 6 * _R + i] *= ground
            b[_COL + 7 * _R + i] *= ground
    else:
        for i in range(m):
            t2, x, y = b[_T + i] * b[_T + i], b[_COL + 2 * _R + i], b[_COL + 3 * _R + i]
            third, fifth = t2 - _ONE, t2 * (t2 - _SIX) + _THREE
            b[_COL + 6 * _R + i] = x * third
            b[_COL + 7 * _R + i] = y * third
            if kind == BENDS:
                b[_COL + 4 * _R + i] = x * fifth
                b[_COL + 5 * _R + i] = y * fifth


@compiled
def _summed(m: int, b: Floats, sums: FloatArray, tally: FloatArray) -> None:
    """Add the weighted products of all pairs of columns, three by three so that each is read seldom."""
    for g in range(3):
        mine = _COL + 3 * g * _R
        s00, s01, s02, s11, s12, s22 = _ZERO, _ZERO, _ZERO, _ZERO, _ZERO, _ZERO
        for i in range(m):
            w, x, y, z = b[_W + i], b[mine + i], b[mine + _R + i], b[mine + 2 * _R + i]
            wx, wy, wz = w * x, w * y, w * z
            b[_TIMES + i], b[_TIMES + _R + i], b[_TIMES + 2 * _R + i] = wx, wy, wz
            s00 += wx * x
            s01 += wx * y
            s02 += wx * z
            s11 += wy * y
            s12 += wy * z
            s22 += wz * z
        q = 3 * g
        sums[q, q] += s00
        sums[q, q + 1] += s01
        sums[q, q + 2] += s02
        sums[q + 1, q + 1] += s11
        sums[q + 1, q + 2] += s12
        sums[q + 2, q + 2] += s22
        for h in range(g + 1, 3):
            other = _COL + 3 * h * _R
            a0, a1, a2, b0, b1, b2 = _ZERO, _ZERO, _ZERO, _ZERO, _ZERO, _ZERO
            c0, c1, c2 = _ZERO, _ZERO, _ZERO
            for i in range(m):
                wx, wy, wz = b[_TIMES + i], b[_TIMES + _R + i], b[_TIMES + 2 * _R + i]
                x, y, z = b[other + i], b[other + _R + i], b[other + 2 * _R + i]
                a0 += wx * x
                a1 += wx * y
                a2 += wx * z
                b0 += wy * x
                b1 += wy * y
                b2 += wy * z
                c0 += wz * x
                c1 += wz * y
                c2 += wz * z
            r = 3 * h
            sums[q, r] += a0
            sums[q, r + 1] += a1
            sums[q, r + 2] += a2
            sums[q + 1, r] += b0
            sums[q + 1, r + 1] += b1
            sums[q + 1, r + 2] += b2
            sums[q + 2, r] += c0
            sums[q + 2, r + 1] += c1
            sums[q + 2, r + 2] += c2
    used = _ZERO
    for i in range(m):
        used += _ONE if b[_W + i] > _ZERO else _ZERO
    tally[0] += used


@compiled
def _plateaus(m: int, b: Floats, tally: FloatArray) -> None:
    """Count and squared differences of pixels three apart that both lie in the ground, or in the dot."""
    low, high = np.float32(0.004), np.float32(0.996)
    g0, g1, d0, d1 = _ZERO, _ZERO, _ZERO, _ZERO
    for i in range(m - 3):
        step = b[_V + i + 3] - b[_V + i]
        here, there = b[_COL + _R + i] / b[_COL + i], b[_COL + _R + i + 3] / b[_COL + i + 3]
        seen = _ONE if b[_W + i] * b[_W + i + 3] > _ZERO else _ZERO
        ground = seen if max(here, there) < low else _ZERO
        dot = seen if min(here, there) > high else _ZERO
        g0 += ground
        g1 += ground * step * step
        d0 += dot
        d1 += dot * step * step
    tally[2] += g0
    tally[3] += g1
    tally[4] += d0
    tally[5] += d1


@compiled
def _octants(m: int, b: Floats) -> int:
    """Which eighths of the edge's directions carry pixels, as bits."""
    out = 0
    for i in range(0, m, 3):
        e = b[_COL + _R + i]
        if b[_W + i] > _ZERO and 0.1 < e < 0.9:
            x, y = b[_NX + i], b[_NY + i]
            out |= 1 << ((4 if x > 0 else 0) + (2 if y > 0 else 0) + (1 if abs(x) > abs(y) else 0))
    return out


@compiled
def _chunk(
    m: int, b: Floats, dot: Floats, sums: FloatArray, tally: FloatArray, kind: int, noise: bool, whole: bool
) -> int:
    """Add `m` pixels of one dot (offsets and values in `b`) to its sums; returns the octants seen.

    dot: inverse map (4), s, greatest and least distance over s, slope x, y, ground and dot variance,
    level taken off, lean (2), q3 (2), q5 (2).  Short plain loops without branches over one buffer, so
    that the compiler can use the processor's vector unit.
    """
    _distances(m, b, dot)
    _columns(m, b, dot)
    if noise:
        _plateaus(m, b, tally)
    if dot[14] != _ZERO or dot[15] != _ZERO or dot[16] != _ZERO or dot[17] != _ZERO:
        _bent(m, b, dot)
    octants = 255 if whole else _octants(m, b)
    if kind != RAMPS:
        _of_kind(m, b, dot[4], kind)
    _summed(m, b, sums, tally)
    return octants


@compiled_inside
def _taken(
    image: Picture,
    y: int,
    first: int,
    stop: int,
    at: tuple[float, float],
    base: float,
    clip: float,
    m: int,
    b: Floats,
) -> int:
    """Pixels first..stop of a row into the buffer from place `m` on, without clipped ones; the new count.

    Eight at a time (up to seven beyond the last are written and counted for nothing): a run is short, and
    only loops of a fixed length become vector code without a tail.
    """
    take = stop - first + 1
    px, py, level = np.float32(first - at[0]), np.float32(y - at[1]), np.float32(base)
    if first + take + 7 <= image.shape[1]:
        for j in range(0, take, 8):
            for i in range(8):
                b[m + j + i] = px + np.float32(j + i)
                b[_Y + m + j + i] = py
                b[_V + m + j + i] = np.float32(image[y, first + j + i]) - level
    else:
        for i in range(take):
            b[m + i] = px + np.float32(i)
            b[_Y + m + i] = py
            b[_V + m + i] = np.float32(image[y, first + i]) - level
    if clip <= 0.0:
        return m + take
    kept = m
    for i in range(m, m + take):
        if b[_V + i] + level < clip:
            b[kept], b[_Y + kept], b[_V + kept] = b[i], b[_Y + i], b[_V + i]
            kept += 1
    return kept


@compiled
def gathered(
    image: Picture,
    centres: FloatArray,
    shapes: FloatArray,
    slopes: FloatArray,
    gap: FloatArray,
    bounds: FloatArray,
    blur: FloatArray,
    about: FloatArray,
    kind: int,
    stride: int,
    noise: bool,
) -> tuple[FloatArray, FloatArray]:
    """Gather the normal equations of each dot from the pixels around its expected edge.

    image (H, W); centres (n, 2) px; shapes (n, 2, 2): unit circle -> ellipse, px; slopes (n, 2): relative
    illumination slope, 1/px; gap (n,): most the ring may reach outward, px; bounds (n, 2): least and
    greatest signed distance over s that is used (for clipped plateaus); blur (7,): edge blur s with the
    pixel's own, px, lean, q3, q5 (the blur's variance is ``s^2 (1 + lean[0] cos 2 phi + lean[1] sin 2 phi)``
    in direction phi); about (4,): half width of the ring over s, noise variance of ground and dot, level
    at and above which pixels say nothing (0: none); kind: RAMPS, LEANS, SKEWS or BENDS; stride: use every
    stride-th row; noise: tell the plateaus' noise too.  Returns the arrays of `Scores`.
    """
    n = len(centres)
    height, width = image.shape
    sums, tally = np.zeros((n, 9, 9)), np.zeros((n, 8))
    b, dot = np.empty(_ROOM, np.float32), np.zeros(18, np.float32)
    s, reach, clip = blur[0], about[0], about[3]
    dot[4], dot[9], dot[10] = s, about[1], about[2]
    for q in range(6):
        dot[12 + q] = blur[1 + q]
    for k in range(n):
        cx, cy = centres[k, 0], centres[k, 1]
        a, o, c, d = shapes[k, 0, 0], shapes[k, 0, 1], shapes[k, 1, 0], shapes[k, 1, 1]
        det = a * d - o * c
        if not abs(det) > 1e-9:
            continue
        m00, m01, m10, m11 = d / det, -o / det, -c / det, a / det
        qxx, qxy, qyy = m00 * m00 + m10 * m10, m00 * m01 + m10 * m11, m01 * m01 + m11 * m11
        minor = 1.0 / np.sqrt(0.5 * (qxx + qyy) + np.sqrt(0.25 * (qxx - qyy) ** 2 + qxy * qxy))
        outward, inward = min(reach * s + 0.5, gap[k]), min(reach * s + 0.5, minor)
        rho_out, rho_in = 1.0 + outward / minor, max(1.0 - inward / minor, 0.0)
        x_mid, y_mid = min(max(int(cx), 0), width - 1), min(max(int(cy), 0), height - 1)
        base = float(image[y_mid, x_mid])
        tally[k, 6] = base
        dot[0], dot[1], dot[2], dot[3] = m00, m01, m10, m11
        dot[5], dot[6] = min(outward / s, bounds[k, 1]), max(-inward / s, bounds[k, 0])
        dot[7], dot[8], dot[11] = slopes[k, 0], slopes[k, 1], base
        hx, hy = rho_out * np.sqrt(a * a + o * o), rho_out * np.sqrt(c * c + d * d)
        y0, y1 = max(0, int(np.ceil(cy - hy))), min(height - 1, int(np.floor(cy + hy)))
        whole = cx > hx and cy > hy and cx + hx < width - 1 and cy + hy < height - 1
        whole = whole and clip <= 0.0 and bounds[k, 0] < -8.0 and bounds[k, 1] > 8.0
        octants, m = 0, int(np.int64(0))
        for y in range(y0, y1 + 1, stride):
            py = y - cy
            disc = qxy * qxy * py * py - qxx * (qyy * py * py - rho_out * rho_out)
            if disc <= 0.0:
                continue
            root, middle = np.sqrt(disc), cx - qxy * py / qxx
            xa = max(0, int(np.ceil(middle - root / qxx)))
            xb = min(width - 1, int(np.floor(middle + root / qxx)))
            end, begin = xb, xb + 1
            disc = qxy * qxy * py * py - qxx * (qyy * py * py - rho_in * rho_in)
            if disc > 0.0:
                root = np.sqrt(disc)
                end = min(xb, int(np.ceil(middle - root / qxx)) - 1)
                begin = max(xa, int(np.floor(middle + root / qxx)) + 1)
            for part in range(2):
                first, last = (xa, end) if part == 0 else (begin, xb)
                while first <= last:
                    stop = min(last, first + _R - m - 8)
                    m = _taken(image, y, first, stop, (cx, cy), base, clip, m, b)
                    first = stop + 1
                    if m >= _R - 64:
                        octants |= _chunk(m, b, dot, sums[k], tally[k], kind, noise, whole)
                        m = int(np.int64(0))
        if m > 0:
            octants |= _chunk(m, b, dot, sums[k], tally[k], kind, noise, whole)
        for q in range(8):
            tally[k, 1] += ((octants >> q) & 1) / 8.0
    return sums, tally
