"""Loops over a frame's rows, compiled: gradient energy by region, and noise against level."""

# Inside compiled loops NumPy's scalars and Python's are one; the checker can't know that.
# mypy: disable-error-code="assignment, no-any-return, return-value"

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray

from .compiled import AnyPicture, compiled

EVERYTHING = 1e30
"""A level that no pixel reaches."""


@compiled
def tile_sums(image: AnyPicture, row_step: int, ys: NDArray[np.int64], xs: NDArray[np.int64]) -> FloatArray:
    """Sums over the tiles of every `row_step`-th row: float64 (rows, columns, 4).

    Per tile the squares of I[x+1] - I[x-1] and of I[y+1] - I[y-1], their product, and the level.
    ys, xs: the tiles' edges, in sampled rows and in columns of the differences.
    """
    out = np.zeros((len(ys) - 1, len(xs) - 1, 4))
    for i in range(len(ys) - 1):
        for k in range(ys[i], ys[i + 1]):
            above, row, below = image[k * row_step], image[k * row_step + 1], image[k * row_step + 2]
            for j in range(len(xs) - 1):
                # Slices of one length: the compiler then knows that no index is negative.
                n = xs[j + 1] - xs[j]
                left, right = row[xs[j] : xs[j] + n], row[xs[j] + 2 : xs[j] + 2 + n]
                over, under = above[xs[j] + 1 : xs[j] + 1 + n], below[xs[j] + 1 : xs[j] + 1 + n]
                across = np.float32(0.0)
                down = np.float32(0.0)
                both = np.float32(0.0)
                level = np.float32(0.0)
                for x in range(n):
                    dx = np.float32(right[x]) - np.float32(left[x])
                    dy = np.float32(under[x]) - np.float32(over[x])
                    across += dx * dx
                    down += dy * dy
                    both += dx * dy
                    level += np.float32(left[x])
                out[i, j, 0] += across
                out[i, j, 1] += down
                out[i, j, 2] += both
                out[i, j, 3] += level
    return out


@compiled
def sharpness_of(
    tiles: FloatArray, counts: FloatArray, gain: float, floor: float, black: float, known: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Sharpness from the sums of `tile_sums` over `counts` samples: of each region and its mean level,
    float64 (rows, columns) each, and of the whole, float64 (6,): sharpness, its sigma, part of the energy
    that was noise, and the structure tensor's Jxx, Jyy, Jxy.

    gain, floor: of the noise's variance against level. known: relative error of that variance.
    """
    rows, columns = counts.shape
    regions, means = np.empty((rows, columns)), np.empty((rows, columns))
    all_of_it = counts.sum()
    mean, noise, scatter = 0.0, 0.0, 0.0
    xx, yy, xy = 0.0, 0.0, 0.0
    for i in range(rows):
        for j in range(columns):
            n = counts[i, j]
            level = tiles[i, j, 3] / n
            share = n / all_of_it
            white = max(gain * level + floor, 0.0) / 2.0
            across, down = tiles[i, j, 0] / (4.0 * n) - white, tiles[i, j, 1] / (4.0 * n) - white
            lit = max(level - black, 0.25)
            means[i, j] = level
            regions[i, j] = max(across + down, 0.0) / (lit * lit)
            mean += share * lit
            noise += share * white
            # (I[x+1]-I[x-1])/2 under white noise: variance of its square is 2 (var/2)^2 per sample, two
            # axes; neighbours two apart share a pixel, which adds half again.
            scatter += share * share * 2 * 2 * white * white * 1.5 / n
            xx += share * across
            yy += share * down
            xy += share * tiles[i, j, 2] / (4.0 * n)
    sigma = math.sqrt(scatter + (known * 2.0 * noise) ** 2) / (mean * mean)
    total = xx + yy
    part = min(2.0 * noise / max(total + 2.0 * noise, 1e-12), 1.0)
    return regions, means, np.array([max(total, 0.0) / (mean * mean), sigma, part, xx, yy, xy])


@compiled
def _second_differences(
    image: AnyPicture, row_step: int, rows: int, clip_from: float, bins: int, cells: int
) -> tuple[NDArray[np.int32], float, float]:
    """Sizes of the double second difference by level: counts int32 (bins, cells), the size of a cell
    (grey values) and the width of a bin (grey values); samples from `clip_from` on are left out."""
    width = image.shape[1]
    size = np.empty((rows, width - 2), np.float32)
    column = np.empty(width, np.float32)
    total, count, top = 0.0, 0, np.float32(1.0)
    least = np.float32(clip_from)
    for k in range(rows):
        above, row, below = image[k * row_step], image[k * row_step + 1], image[k * row_step + 2]
        for x in range(width):
            column[x] = np.float32(above[x]) - 2 * np.float32(row[x]) + np.float32(below[x])
        left, here, right, middle, out = column[:-2], column[1:-1], column[2:], row[1:-1], size[k]
        part, used, high = np.float32(0.0), 0, np.float32(0.0)
        for x in range(width - 2):
            level = np.float32(middle[x])
            answer = abs(left[x] - 2 * here[x] + right[x])
            inside = level < least
            out[x] = answer if inside else np.float32(-1.0)
            part += answer if inside else np.float32(0.0)
            used += inside
            high = max(high, level if inside else np.float32(0.0))
        total += part
        count += used
        top = max(top, high)
    scale = max(1.0, total / max(count, 1) * 8.0 / cells)
    bin_width = (top + 1.0) / bins
    by_scale, by_width, last = np.float32(1.0 / scale), np.float32(1.0 / bin_width), np.float32(cells - 1)
    # With a row more for what is left out, so that nothing waits to learn which it is.
    counts = np.zeros((bins + 1) * cells, np.int32)
    for k in range(rows):
        middle, found = image[k * row_step + 1][1:-1], size[k]
        for x in range(width - 2):
            bin_of = np.uint32(middle[x] * by_width) if found[x] >= 0 else np.uint32(bins)
            cell = np.uint32(min(abs(found[x]) * by_scale, last))
            counts[bin_of * np.uint32(cells) + cell] += np.int32(1)
    return counts[: bins * cells].reshape(bins, cells), scale, bin_width


@compiled
def _histogram_median(counts: NDArray[np.int32], total: int) -> float:
    """Median of a histogram of `total` with unit cells, interpolated within the cell.

    Cell 0 of folded differences is half as wide as the others once rounding is undone.
    """
    half, before = total / 2.0, 0
    for k in range(len(counts)):
        if before + counts[k] >= half:
            inside = (half - before) / max(counts[k], 1)
            return 0.5 * inside if k == 0 else k - 0.5 + inside
        before += counts[k]
    return 0.0


@compiled
def noise_line(
    image: AnyPicture, row_step: int, rows: int, clip_from: float, bins: int, cells: int
) -> tuple[float, float]:
    """Gain and floor of the noise's variance against level, read on every `row_step`-th row; see
    `noise_model`."""
    counts, scale, width = _second_differences(image, row_step, rows, clip_from, bins, cells)
    if counts.sum() < 400:
        counts, scale, width = _second_differences(image, row_step, rows, EVERYTHING, bins, cells)
    level, variance, weight = np.empty(bins), np.empty(bins), np.empty(bins)
    least, n = max(200.0, 0.004 * counts.sum()), 0
    for k in range(bins):
        total = counts[k].sum()
        if total >= least:
            level[n] = (k + 0.5) * width
            variance[n] = (_histogram_median(counts[k], total) * scale / (0.6745 * 6.0)) ** 2
            weight[n] = total
            n += 1
    return weighted_line(level[:n], variance[:n], weight[:n])


@compiled
def _sums(
    level: FloatArray, variance: FloatArray, weight: FloatArray, keep: NDArray[np.bool_]
) -> tuple[float, float, float, float]:
    """Weighted means of level and variance, the level's spread and their covariance, over what is kept."""
    total, at, mean = 0.0, 0.0, 0.0
    for k in range(len(level)):
        if keep[k]:
            total += weight[k]
            at += weight[k] * level[k]
            mean += weight[k] * variance[k]
    at, mean = at / total, mean / total
    spread, both = 0.0, 0.0
    for k in range(len(level)):
        if keep[k]:
            spread += weight[k] * (level[k] - at) ** 2
            both += weight[k] * (level[k] - at) * (variance[k] - mean)
    return at, mean, spread / total, both / total


@compiled
def weighted_line(level: FloatArray, variance: FloatArray, weight: FloatArray) -> tuple[float, float]:
    """Weighted line with slope >= 0 (slope, value at 0); a constant when the levels don't spread."""
    n = len(level)
    if n == 0:
        return 0.0, 0.0
    keep = np.ones(n, np.bool_)
    at, mean, spread, both = _sums(level, variance, weight, keep)
    if n < 3 or spread < (0.02 * at) ** 2:
        return 0.0, mean
    # Texture lifts a bin's variance, never lowers it: fit, then refit without what stands above.
    slope, start = 0.0, mean
    for _ in range(3):
        at, mean, spread, both = _sums(level, variance, weight, keep)
        slope = both / max(spread, 1e-30)
        start = mean - slope * at
        again = variance <= 1.6 * np.maximum(slope * level + start, 1e-9)
        if again.sum() < 3 or (again == keep).all():
            break
        keep = again
    if slope < 0:
        return 0.0, _sums(level, variance, weight, keep)[1]
    return slope, start
