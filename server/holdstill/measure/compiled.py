"""Loops over pixels, compiled by numba on first use and kept in its cache on disk."""

# Inside compiled loops NumPy's scalars and Python's are one; the checker can't know that.
# mypy: disable-error-code="assignment, no-any-return, return-value"

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba
import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray

Function = TypeVar("Function", bound=Callable[..., Any])
AnyPicture = NDArray[Any]


def compiled(function: Function) -> Function:
    """`function` compiled, taking numbers for finite."""
    return cast(Function, numba.njit(cache=True, nogil=True, fastmath=True)(function))


def with_nan(function: Function) -> Function:
    """Compiled without leave to take numbers for finite."""
    return cast(Function, numba.njit(cache=True, nogil=True)(function))


@compiled
def count_at_least(image: AnyPicture, level: int, first: int, row_step: int) -> int:
    """Pixels at or above `level` in every `row_step`-th row from `first` on."""
    found = 0
    for y in range(first, image.shape[0], row_step):
        row = image[y]
        part = np.int32(0)
        for x in range(image.shape[1]):
            part += np.int32(row[x] >= level)
        found += part
    return found


@compiled
def histogram(image: AnyPicture, first: int, row_step: int, size: int) -> FloatArray:
    """Counts per level of every `row_step`-th row from `first` on, float64 (size,); levels beyond count as
    the last."""
    # Several tables, so that neighbours of one level don't wait for each other.
    tables = 8 if size <= 256 else 4
    counts = np.zeros((tables, size), np.int32)
    width, last = image.shape[1], size - 1
    for y in range(first, image.shape[0], row_step):
        row = image[y]
        for x in range(0, width - tables + 1, tables):
            for k in range(tables):
                counts[k, min(row[x + k], last)] += 1
        for x in range(width - width % tables, width):
            counts[0, min(row[x], last)] += 1
    out = np.zeros(size)
    for k in range(tables):
        for level in range(size):
            out[level] += counts[k, level]
    return out


@with_nan
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


@with_nan
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


@compiled
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
