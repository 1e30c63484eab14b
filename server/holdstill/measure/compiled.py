"""Loops over pixels, compiled by numba on first use and kept in its cache on disk."""

# Inside compiled loops NumPy's scalars and Python's are one; the checker can't know that.
# mypy: disable-error-code="assignment, no-any-return, return-value"

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba
import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray

Function = TypeVar("Function", bound=Callable[..., Any])
AnyPicture = NDArray[Any]


def _compiled(function: Function) -> Function:
    return cast(Function, numba.njit(cache=True, nogil=True, fastmath=True)(function))


def _with_nan(function: Function) -> Function:
    """Compiled without leave to take numbers for finite."""
    return cast(Function, numba.njit(cache=True, nogil=True)(function))


@_compiled
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


@_compiled
def count_at_least(image: AnyPicture, level: int, row_step: int) -> int:
    """Pixels at or above `level` in every `row_step`-th row."""
    found = 0
    for y in range(0, image.shape[0], row_step):
        row = image[y]
        part = np.int32(0)
        for x in range(image.shape[1]):
            part += np.int32(row[x] >= level)
        found += part
    return found


@_compiled
def histogram(image: AnyPicture, row_step: int, size: int) -> NDArray[np.int64]:
    """Counts per level of every `row_step`-th row, int64 (size,); levels beyond count as the last."""
    # Four tables, so that neighbours of one level don't wait for each other.
    counts = np.zeros((4, size), np.int32)
    width, last = image.shape[1], size - 1
    for y in range(0, image.shape[0], row_step):
        row = image[y]
        for x in range(0, width - 3, 4):
            counts[0, min(row[x], last)] += 1
            counts[1, min(row[x + 1], last)] += 1
            counts[2, min(row[x + 2], last)] += 1
            counts[3, min(row[x + 3], last)] += 1
        for x in range(width - width % 4, width):
            counts[0, min(row[x], last)] += 1
    return counts[0].astype(np.int64) + counts[1] + counts[2] + counts[3]


@_compiled
def second_differences(
    image: AnyPicture, row_step: int, rows: int, clip_from: float, bins: int, cells: int
) -> tuple[NDArray[np.int64], float, float]:
    """Sizes of the double second difference by level: counts int64 (bins, cells), the size of a cell
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
    counts = np.zeros((bins, cells), np.int64)
    for k in range(rows):
        middle, found = image[k * row_step + 1][1:-1], size[k]
        for x in range(width - 2):
            if found[x] >= 0:
                counts[int(middle[x] * by_width), int(min(found[x] * by_scale, last))] += 1
    return counts, scale, bin_width


@_compiled
def strong_gradients(
    image: AnyPicture, left: int, right: int, first: int, row_step: int, rows: int
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Differences I[x+1] - I[x-1] and I[y+1] - I[y-1] of a thinned set of rows between the columns `left`
    and `right`, float32 (rows, right - left) each; row k is the picture's ``first + k row_step``."""
    n = right - left
    gx, gy = np.empty((rows, n), np.float32), np.empty((rows, n), np.float32)
    for k in range(rows):
        y = first + k * row_step
        before, after = image[y, left - 1 : left - 1 + n], image[y, left + 1 : left + 1 + n]
        above, below = image[y - 1, left : left + n], image[y + 1, left : left + n]
        across, down = gx[k], gy[k]
        for x in range(n):
            across[x] = np.float32(after[x]) - np.float32(before[x])
            down[x] = np.float32(below[x]) - np.float32(above[x])
    return gx, gy


@_compiled
def gathered(
    gx: NDArray[np.float32], gy: NDArray[np.float32], threshold: float, most: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Places (float64 (n, 2): column, row) where the gradient is `threshold` or more, spread evenly, at
    most `most` of them; its size and its direction (rad), float64 (n,)."""
    square = np.float32(threshold * threshold)
    found = 0
    for k in range(gx.shape[0]):
        for x in range(gx.shape[1]):
            found += gx[k, x] * gx[k, x] + gy[k, x] * gy[k, x] >= square
    every = max(1, found // max(most, 1))
    n = (found + every - 1) // every
    place, size, angle = np.empty((n, 2)), np.empty(n), np.empty(n)
    seen, kept = 0, 0
    for k in range(gx.shape[0]):
        for x in range(gx.shape[1]):
            whole = gx[k, x] * gx[k, x] + gy[k, x] * gy[k, x]
            if whole >= square:
                if seen % every == 0 and kept < n:
                    place[kept, 0], place[kept, 1] = x, k
                    size[kept] = math.sqrt(whole)
                    angle[kept] = math.atan2(gy[k, x], gx[k, x])
                    kept += 1
                seen += 1
    return place[:kept], size[:kept], angle[:kept]


@_compiled
def strongest_by_sector(size: FloatArray, angle: FloatArray, sectors: int, most: int) -> NDArray[np.int64]:
    """Which gradients to use, at most about `most`: those of at least 0.4 of the 90th percentile of
    their own sector of direction, evenly thinned, so that every direction has its share."""
    which = np.empty(len(size), np.int64)
    for k in range(len(size)):
        half = angle[k] if angle[k] >= 0 else angle[k] + math.pi
        which[k] = int(half * (sectors / math.pi)) % sectors
    out = np.empty(len(size), np.int64)
    kept = 0
    for sector in range(sectors):
        own = np.flatnonzero(which == sector)
        if len(own) == 0:
            continue
        ordered = np.sort(size[own])
        least = 0.4 * ordered[int(0.9 * (len(own) - 1))]
        passed = len(own) - int(np.searchsorted(ordered, least))
        every = max(1, -(-passed * sectors // most))
        seen = 0
        for k in own:
            if size[k] >= least:
                if seen % every == 0:
                    out[kept] = k
                    kept += 1
                seen += 1
    return out[:kept]


@_compiled
def edge_profiles(
    image: AnyPicture, xy: FloatArray, normal: FloatArray, half_px: float, step_px: float
) -> NDArray[np.float32]:
    """Levels along each edge's normal, float32 (n, samples), bilinear; beyond the border its last value."""
    count = round(2.0 * half_px / step_px) + 1
    out = np.empty((len(xy), count), np.float32)
    height, width = image.shape
    for n in range(len(xy)):
        c, s = math.cos(normal[n]), math.sin(normal[n])
        for k in range(count):
            t = -half_px + k * step_px
            x = min(max(xy[n, 0] + t * c, 0.0), width - 1.001)
            y = min(max(xy[n, 1] + t * s, 0.0), height - 1.001)
            x0, y0 = int(x), int(y)
            fx, fy = x - x0, y - y0
            upper = (1 - fx) * image[y0, x0] + fx * image[y0, x0 + 1]
            lower = (1 - fx) * image[y0 + 1, x0] + fx * image[y0 + 1, x0 + 1]
            out[n, k] = (1 - fy) * upper + fy * lower
    return out


@_compiled
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


@_compiled
def rises(
    profile: NDArray[np.float32], reach: int
) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.bool_]]:
    """10-90 % rise (in samples), contrast and top of each profile, and whether it ran out of room.

    From the steepest place within `reach` samples of the middle the edge is followed both ways while
    its slope (over four samples) stays above 12 % of the steepest.
    """
    n, length = profile.shape
    width, contrast, top = np.zeros(n), np.zeros(n), np.zeros(n)
    ran_out = np.zeros(n, np.bool_)
    middle = length // 2
    for e in range(n):
        row = profile[e]
        steepest, peak = middle, np.float32(-1e30)
        for k in range(middle - reach, middle + reach + 1):
            slope = row[k + 2] - row[k - 2]
            if slope > peak:
                peak, steepest = slope, k
        left = 0
        for k in range(steepest - 1, -1, -1):
            slope = row[k + 2] - row[k - 2] if k >= 2 else np.float32(0.0)
            if slope < 0.12 * peak:
                left = k
                break
        right = length - 1
        for k in range(steepest + 1, length):
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
            width[e] = at_90 - at_10
    return width, contrast, top, ran_out


@_with_nan
def read_raster(
    image: AnyPicture, homography: FloatArray, bend: FloatArray, unit: NDArray[np.float32], reach: float
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """The picture at a plate's raster: values float32 (n,), NaN outside; places float32 (n, 2), px.

    unit: float32 (n, 3), plate coordinates over the half size and a one. bend: float64 (10, 2), the
    cubic terms' px, followed to `reach` half sizes.
    """
    n = len(unit)
    values, px = np.empty(n, np.float32), np.empty((n, 2), np.float32)
    height, width = image.shape
    h = homography
    c, d = bend[:, 0].copy(), bend[:, 1].copy()
    for k in range(n):
        u, v = float(unit[k, 0]), float(unit[k, 1])
        over = 1.0 / (h[2, 0] * u + h[2, 1] * v + h[2, 2])
        a, b = min(max(u, -reach), reach), min(max(v, -reach), reach)
        x = (h[0, 0] * u + h[0, 1] * v + h[0, 2]) * over
        y = (h[1, 0] * u + h[1, 1] * v + h[1, 2]) * over
        x += c[0] + a * (c[1] + a * (c[3] + a * c[6])) + b * (c[2] + b * (c[5] + b * c[9]))
        x += a * b * (c[4] + a * c[7] + b * c[8])
        y += d[0] + a * (d[1] + a * (d[3] + a * d[6])) + b * (d[2] + b * (d[5] + b * d[9]))
        y += a * b * (d[4] + a * d[7] + b * d[8])
        px[k, 0], px[k, 1] = x, y
        if x < 0 or y < 0 or x > width - 1 or y > height - 1:
            values[k] = np.nan
            continue
        x0, y0 = min(int(x), width - 2), min(int(y), height - 2)
        fx, fy = x - x0, y - y0
        upper = (1 - fx) * image[y0, x0] + fx * image[y0, x0 + 1]
        lower = (1 - fx) * image[y0 + 1, x0] + fx * image[y0 + 1, x0 + 1]
        values[k] = (1 - fy) * upper + fy * lower
    return values, px


@_with_nan
def part_means(
    values: NDArray[np.float32], part: NDArray[np.int8], point_of: NDArray[np.int32], count: int
) -> FloatArray:
    """Mean level of each point's two parts, float64 (2, count), NaN where none was seen."""
    total, n = np.zeros((2, count)), np.zeros((2, count))
    for k in range(len(values)):
        which = part[k] - 1
        value = values[k]
        if which >= 0 and not np.isnan(value):
            total[which, point_of[k]] += value
            n[which, point_of[k]] += 1
    out = np.empty((2, count))
    for which in range(2):
        for p in range(count):
            out[which, p] = total[which, p] / n[which, p] if n[which, p] > 0 else np.nan
    return out


@_compiled
def histogram_medians(counts: NDArray[np.int64]) -> FloatArray:
    """Median of each row's histogram with unit cells, interpolated within the cell; 0 for empty rows.

    Cell 0 of folded differences is half as wide as the others once rounding is undone.
    """
    out = np.zeros(len(counts))
    for row in range(len(counts)):
        total = 0
        for k in range(counts.shape[1]):
            total += counts[row, k]
        half, before = total / 2.0, 0
        for k in range(counts.shape[1]):
            if total and before + counts[row, k] >= half:
                inside = (half - before) / max(counts[row, k], 1)
                out[row] = 0.5 * inside if k == 0 else k - 0.5 + inside
                break
            before += counts[row, k]
    return out


@_compiled
def directional_fit(variance: FloatArray, normal: FloatArray) -> tuple[FloatArray, float, int]:
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


@_compiled
def quadratic_surface(x: FloatArray, y: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Least-squares surface in 1, x, y, x2, xy, y2, outliers beyond three robust sigmas dropped once: its
    values at the points, and the six coefficients. A hair of ridge serves where points lie on lines."""
    n = len(x)
    terms = np.ones((n, 6))
    for k in range(n):
        terms[k, 1], terms[k, 2] = x[k], y[k]
        terms[k, 3], terms[k, 4], terms[k, 5] = x[k] * x[k], x[k] * y[k], y[k] * y[k]
    keep = np.ones(n, np.bool_)
    fit = np.zeros(6)
    for turn in range(2):
        used, wanted = terms[keep], values[keep]
        square = used.T @ used
        fit = np.linalg.solve(square + 1e-9 * np.trace(square) * np.eye(6), used.T @ wanted)
        if turn == 0:
            rest = np.abs(values - terms @ fit)
            keep = rest <= 3 * 1.4826 * np.median(rest) + 1e-9
            if keep.sum() < 8:
                break
    return terms @ fit, fit
