"""Loops over edges, compiled: where they are, how wide each is, what widens them in one direction."""

# Inside compiled loops NumPy's scalars and Python's are one; the checker can't know that.
# mypy: disable-error-code="assignment, no-any-return, return-value"

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray

from .compiled import AnyPicture, compiled

BLOCK = 32


@compiled
def _squares(
    image: AnyPicture, left: int, right: int, first: int, row_step: int, rows: int
) -> NDArray[np.float32]:
    """Squared gradients, from I[x+1] - I[x-1] and I[y+1] - I[y-1], of a thinned set of rows between the
    columns `left` and `right`: float32 (rows, right - left); row k is the picture's
    ``first + k row_step``."""
    n = right - left
    square = np.empty((rows, n), np.float32)
    for k in range(rows):
        y = first + k * row_step
        before, after = image[y, left - 1 : left - 1 + n], image[y, left + 1 : left + 1 + n]
        above, below = image[y - 1, left : left + n], image[y + 1, left : left + n]
        whole = square[k]
        for x in range(n):
            dx = np.float32(after[x]) - np.float32(before[x])
            dy = np.float32(below[x]) - np.float32(above[x])
            whole[x] = dx * dx + dy * dy
    return square


@compiled
def _block_counts(square: NDArray[np.float32], threshold: float) -> NDArray[np.int32]:
    """How many of each block of `BLOCK` places in a row reach `threshold`: int32 (rows, blocks)."""
    rows, n = square.shape
    counts = np.zeros((rows, (n + BLOCK - 1) // BLOCK), np.int32)
    least = np.float32(threshold)
    for k in range(rows):
        for block in range(counts.shape[1]):
            line = square[k, block * BLOCK : min((block + 1) * BLOCK, n)]
            part = np.int32(0)
            for x in range(len(line)):
                part += np.int32(line[x] >= least)
            counts[k, block] = part
    return counts


@compiled
def _spread(
    square: NDArray[np.float32], threshold: float, most: int
) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Column and row of gradients of at least `threshold` (squared), spread evenly, at most `most`."""
    counts = _block_counts(square, threshold)
    every = max(1, counts.sum() // max(most, 1))
    n = (counts.sum() + every - 1) // every
    at_x, at_k = np.empty(n, np.int32), np.empty(n, np.int32)
    least = np.float32(threshold)
    kept, wanted, seen = 0, 0, 0
    for k in range(counts.shape[0]):
        for block in range(counts.shape[1]):
            if seen + counts[k, block] <= wanted:
                seen += counts[k, block]
                continue
            for x in range(block * BLOCK, min((block + 1) * BLOCK, square.shape[1])):
                if square[k, x] >= least:
                    if seen == wanted and kept < n:
                        at_x[kept], at_k[kept] = x, k
                        kept += 1
                        wanted += every
                    seen += 1
    return at_x[:kept], at_k[:kept]


@compiled
def strong_places(
    image: AnyPicture,
    box: tuple[int, int, int, int],
    row_step: int,
    rows: int,
    least: float,
    sectors: int,
    most: int,
) -> tuple[FloatArray, FloatArray]:
    """Places of strong gradient, float64 (n, 2) px, in every direction there is, and the direction of each,
    float64 (n,), rad; at most about `most`.

    box: columns and rows between which differences are taken. Strong is 6 % of the 99.5th percentile, and
    `least` grey values; of those, spread evenly, the ones of at least 0.4 of the 90th percentile of their own
    sector, since a smear lowers the edges along it.
    """
    left, first = box[0], box[1]
    square = _squares(image, left, box[2], first, row_step, rows)
    thin = square[:, ::32].copy().ravel()
    rank = int(0.995 * (len(thin) - 1))
    top = np.partition(thin, rank)[rank]
    threshold = max(np.float32(0.0036) * top, np.float32(least * least))
    at_x, at_k = _spread(square, threshold, 4 * most)
    kept = len(at_x)
    size, which, across = np.empty(kept), np.empty(kept, np.int32), np.empty(kept)
    cosines = np.array([math.cos(k * math.pi / sectors) for k in range(sectors)])
    sines = np.array([math.sin(k * math.pi / sectors) for k in range(sectors)])
    for i in range(kept):
        x, y = left + at_x[i], first + at_k[i] * row_step
        dx = np.float32(image[y, x + 1]) - np.float32(image[y, x - 1])
        dy = np.float32(image[y + 1, x]) - np.float32(image[y - 1, x])
        across[i], size[i] = math.atan2(dy, dx), math.sqrt(square[at_k[i], at_x[i]])
        if dy < 0 or (dy == 0 and dx < 0):
            dx, dy = -dx, -dy
        sector = 0
        for s in range(1, sectors):
            sector += cosines[s] * dy - sines[s] * dx >= 0
        which[i] = sector
    xy, normal = np.empty((kept, 2)), np.empty(kept)
    out = 0
    for sector in range(sectors):
        own = np.flatnonzero(which == sector)
        if len(own) == 0:
            continue
        ordered = np.sort(size[own])
        low = 0.4 * ordered[int(0.9 * (len(own) - 1))]
        passed = len(own) - int(np.searchsorted(ordered, low))
        step = max(1, -(-passed * sectors // most))
        turn = 0
        for i in own:
            if size[i] >= low:
                if turn % step == 0:
                    xy[out, 0], xy[out, 1] = left + at_x[i], first + at_k[i] * row_step
                    normal[out] = across[i]
                    out += 1
                turn += 1
    return xy[:out], normal[:out]


@compiled
def _level(image: AnyPicture, x: float, y: float) -> float:
    """Level at a place, bilinear; beyond the border its last value."""
    x = min(max(x, 0.0), image.shape[1] - 1.001)
    y = min(max(y, 0.0), image.shape[0] - 1.001)
    x0, y0 = int(x), int(y)
    fx, fy = x - x0, y - y0
    upper = (1 - fx) * image[y0, x0] + fx * image[y0, x0 + 1]
    lower = (1 - fx) * image[y0 + 1, x0] + fx * image[y0 + 1, x0 + 1]
    return (1 - fy) * upper + fy * lower


@compiled
def _crossing(row: NDArray[np.float32], level: float, start: int, stop: int) -> float:
    """Position (samples) of the first crossing of `level` upward after `start`, up to `stop`."""
    for k in range(max(start + 1, 1), stop + 1):
        if row[k] >= level:
            before, after = row[k - 1], row[k]
            if after == before:
                return k - 0.5
            part: float = min(max((level - before) / (after - before), 0.0), 1.0)
            return k - 1 + part
    return float(stop)


@compiled
def rises(
    image: AnyPicture, xy: FloatArray, normal: FloatArray, half_px: float, step_px: float, reach: int
) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.bool_]]:
    """10-90 % rise (px), contrast and top of each edge along its normal, and whether it ran out of room.

    Read every `step_px` up to `half_px` either way, no further than needed: from the steepest place within
    `reach` samples of the middle the edge is followed both ways while its slope (over four samples) stays
    above 12 % of the steepest.
    """
    n, middle = len(xy), round(half_px / step_px)
    length = 2 * middle + 1
    width, contrast, top = np.zeros(n), np.zeros(n), np.zeros(n)
    ran_out = np.zeros(n, np.bool_)
    row = np.empty(length, np.float32)
    for e in range(n):
        x, y, c, s = xy[e, 0], xy[e, 1], math.cos(normal[e]) * step_px, math.sin(normal[e]) * step_px
        first, last = middle - reach - 2, middle + reach + 2
        for k in range(first, last + 1):
            row[k] = _level(image, x + (k - middle) * c, y + (k - middle) * s)
        steepest, peak = middle, np.float32(-1e30)
        for k in range(middle - reach, middle + reach + 1):
            slope = row[k + 2] - row[k - 2]
            if slope > peak:
                peak, steepest = slope, k
        left = 0
        for k in range(steepest - 1, -1, -1):
            while first > max(k - 2, 0):
                first -= 1
                row[first] = _level(image, x + (first - middle) * c, y + (first - middle) * s)
            slope = row[k + 2] - row[k - 2] if k >= 2 else np.float32(0.0)
            if slope < 0.12 * peak:
                left = k
                break
        right = length - 1
        for k in range(steepest + 1, length):
            while last < min(k + 2, length - 1):
                last += 1
                row[last] = _level(image, x + (last - middle) * c, y + (last - middle) * s)
            slope = row[k + 2] - row[k - 2] if k < length - 2 else np.float32(0.0)
            if slope < 0.12 * peak:
                right = k
                break
        ran_out[e] = left <= 2 or right >= length - 3
        low, high = row[left], row[right]
        contrast[e], top[e] = high - low, high
        if high > low:
            at_10 = _crossing(row, low + 0.1 * (high - low), left, steepest)
            at_90 = _crossing(row, low + 0.9 * (high - low), steepest, right)
            width[e] = (at_90 - at_10) * step_px
    return width, contrast, top, ran_out


@compiled
def usable(
    contrast: FloatArray,
    width: FloatArray,
    top: FloatArray,
    ran_out: NDArray[np.bool_],
    normal: FloatArray,
    least: float,
    clip_from: float,
    sectors: int,
) -> tuple[NDArray[np.bool_], float]:
    """Which edges may be used, and the share that ran out of room, the largest over the directions with eight
    or more; `least`: lowest contrast used (grey values), or 35 % of the median."""
    low = max(least, 0.35 * np.median(contrast))
    good = np.zeros(len(width), np.bool_)
    clear, out = np.zeros(sectors), np.zeros(sectors)
    for e in range(len(width)):
        if contrast[e] > low:
            good[e] = width[e] > 0 and top[e] < clip_from and not ran_out[e]
            half = normal[e] if normal[e] >= 0 else normal[e] + math.pi
            sector = int(half * (sectors / math.pi)) % sectors
            clear[sector] += 1
            out[sector] += ran_out[e]
    share = 0.0
    for k in range(sectors):
        if clear[k] >= 8:
            share = max(share, out[k] / clear[k])
    return good, share


@compiled
def blur_over_direction(
    sigma: FloatArray, normal: FloatArray
) -> tuple[float, float, float, FloatArray, float, int]:
    """Median blur and its robust scatter (px); how lopsided the directions lie (condition of the fit's normal
    equations, 1 or more); and the fit of `_directional_fit` to the variance."""
    middle = np.median(sigma)
    scatter = 1.4826 * np.median(np.abs(sigma - middle))
    n = len(sigma)
    gram = np.zeros((3, 3))
    for k in range(n):
        c, s = math.cos(2.0 * normal[k]), math.sin(2.0 * normal[k])
        gram[0, 0] += 1.0
        gram[0, 1] += c
        gram[0, 2] += s
        gram[1, 1] += c * c
        gram[1, 2] += c * s
        gram[2, 2] += s * s
    gram[1, 0], gram[2, 0], gram[2, 1] = gram[0, 1], gram[0, 2], gram[1, 2]
    values = np.linalg.eigvalsh(gram)
    lopsided = values[2] / max(values[0], 1e-12 * values[2])
    fit, spread, kept = _directional_fit(sigma**2, normal)
    return middle, scatter, lopsided, fit, spread, kept


@compiled
def _directional_fit(variance: FloatArray, normal: FloatArray) -> tuple[FloatArray, float, int]:
    """``variance = a + b cos 2t + c sin 2t`` over the directions t (rad), outliers beyond two and a half
    robust sigmas left out, thrice: a, b, c; the robust sigma; and how many were kept at the end."""
    n = len(variance)
    terms = np.ones((n, 3))
    for k in range(n):
        terms[k, 1], terms[k, 2] = math.cos(2.0 * normal[k]), math.sin(2.0 * normal[k])
    keep = np.ones(n, np.bool_)
    fit, spread = np.zeros(3), 0.0
    for _ in range(3):
        square, right = 1e-9 * np.eye(3), np.zeros(3)
        for k in range(n):
            if keep[k]:
                for i in range(3):
                    right[i] += terms[k, i] * variance[k]
                    for j in range(3):
                        square[i, j] += terms[k, i] * terms[k, j]
        fit = np.linalg.solve(square, right)
        rest = np.abs(variance - terms @ fit)
        spread = 1.4826 * np.median(rest) + 1e-9
        keep = rest < 2.5 * spread
    return fit, spread, int(keep.sum())
