"""Loops over pixels, compiled by numba on first use and kept in its cache on disk."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba
import numpy as np

from holdstill.records import FloatArray

Function = TypeVar("Function", bound=Callable[..., Any])


def compiled(function: Function) -> Function:
    """`function` compiled to machine code (no Python objects, result cached beside the file).

    Division follows the processor (no exception at zero), so that loops can use its vector unit; sums
    may be taken in any order and nothing in them may be NaN or infinite.
    """
    return cast(Function, numba.njit(cache=True, nogil=True, fastmath=True, error_model="numpy")(function))


def compiled_inside(function: Function) -> Function:
    """As `compiled`, written into each compiled caller: for what is called for every few pixels."""
    return cast(
        Function,
        numba.njit(cache=True, nogil=True, fastmath=True, error_model="numpy", inline="always")(function),
    )


def compiled_plain(function: Function) -> Function:
    """As `compiled`, with every sum in the order written; NaN and infinity keep their meaning."""
    return cast(Function, numba.njit(cache=True, nogil=True, error_model="numpy")(function))


@compiled_plain
def median(values: FloatArray) -> float:
    """Median of a one-dimensional array (NaN of an empty one) without NumPy's overhead."""
    n = len(values)
    if n == 0:
        return float("nan")
    room = np.empty(n)
    for m in range(n):
        room[m] = values[m]
    low, high, k = 0, n - 1, n // 2
    while low < high:
        pivot = room[(low + high) // 2]
        i, j = low, high
        while i <= j:
            while room[i] < pivot:
                i += 1
            while room[j] > pivot:
                j -= 1
            if i <= j:
                room[i], room[j] = room[j], room[i]
                i += 1
                j -= 1
        if k <= j:
            high = j
        elif k >= i:
            low = i
        else:
            break
    upper = room[k]
    if n % 2:
        return float(upper)
    lower = room[0]
    for i in range(1, k):
        lower = max(lower, room[i])
    return float(0.5 * (lower + upper))


@compiled_plain
def factored(a: FloatArray, least: float) -> bool:
    """Cholesky's factor of a symmetric matrix into its lower part; False where a pivot is below `least`."""
    n = len(a)
    for j in range(n):
        total = a[j, j]
        for k in range(j):
            total -= a[j, k] * a[j, k]
        if not total > least:
            return False
        a[j, j] = np.sqrt(total)
        for i in range(j + 1, n):
            total = a[i, j]
            for k in range(j):
                total -= a[i, k] * a[j, k]
            a[i, j] = total / a[j, j]
    return True


@compiled_plain
def solved(a: FloatArray, b: FloatArray) -> bool:
    """Solve ``a x = b`` for a symmetric positive matrix: x replaces `b`, Cholesky's factor the lower part of
    `a`. False where `a` is not positive (then `b` is 0)."""
    n = len(b)
    if not factored(a, 0.0):
        for i in range(n):
            b[i] = 0.0
        return False
    for i in range(n):
        for k in range(i):
            b[i] -= a[i, k] * b[k]
        b[i] /= a[i, i]
    for i in range(n - 1, -1, -1):
        for k in range(i + 1, n):
            b[i] -= a[k, i] * b[k]
        b[i] /= a[i, i]
    return True
