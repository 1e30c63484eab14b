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
    counts = np.zeros(tables * size, np.int32)
    width, last = image.shape[1], np.uint32(size - 1)
    for y in range(first, image.shape[0], row_step):
        row = image[y]
        if tables == 8:
            for block in range(width // 8):
                for k in range(8):
                    counts[np.uint32(k * size) + min(np.uint32(row[8 * block + k]), last)] += np.int32(1)
        else:
            for block in range(width // 4):
                for k in range(4):
                    counts[np.uint32(k * size) + min(np.uint32(row[4 * block + k]), last)] += np.int32(1)
        for x in range(width - width % tables, width):
            counts[min(np.uint32(row[x]), last)] += np.int32(1)
    out = np.zeros(size)
    for k in range(tables):
        for level in range(size):
            out[level] += counts[k * size + level]
    return out


@compiled
def summary(histogram: FloatArray) -> FloatArray:
    """Of counts per code: their sum, mean code, the codes below which one and 99 in a hundred lie, and the
    largest code seen, float64 (5,)."""
    total, weighted, top = 0.0, 0.0, 0
    for code in range(len(histogram)):
        total += histogram[code]
        weighted += code * histogram[code]
        if histogram[code] > 0:
            top = code
    low, high, before = -1, -1, 0.0
    for code in range(len(histogram)):
        before += histogram[code]
        if low < 0 and before >= 0.01 * total:
            low = code
        if before >= 0.99 * total:
            high = code
            break
    return np.array([total, weighted / total, float(low), float(high), float(top)])


@compiled
def pile(
    histogram: FloatArray, total: float, width: int, stray: float, least: float
) -> tuple[int, int, float, float]:
    """The pile of counts at the upper end of a histogram: its mode and lower flank (codes), its mean height,
    and that of what lies below it (-1 where nothing does).

    width: the pile's, at most, codes. stray: share of `total` that may lie above. least: mode from which
    there is a pile at all (else the mode is -1).
    """
    last, before = len(histogram) - 1, 0.0
    for code in range(len(histogram)):
        before += histogram[code]
        if before >= (1.0 - stray) * total:
            last = code
            break
    mode = max(last - width, 0)
    for code in range(mode, last + 1):
        if histogram[code] > histogram[mode]:
            mode = code
    if mode < least:
        return -1, -1, 0.0, 0.0
    flank = mode
    while flank > mode - width and flank > 0 and histogram[flank - 1] > 0.25 * histogram[mode]:
        flank -= 1
    height = histogram[flank : last + 1].sum() / (last + 1 - flank)
    first = max(flank - 4 * width - 2, 0)
    if flank - 1 <= first:
        return mode, flank, height, -1.0
    return mode, flank, height, histogram[first : flank - 1].sum() / (flank - 1 - first)
