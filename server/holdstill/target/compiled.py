"""Loops over pixels, compiled by numba on first use and kept in its cache on disk."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba

Function = TypeVar("Function", bound=Callable[..., Any])


def compiled(function: Function) -> Function:
    """`function` compiled to machine code (no Python objects, result cached beside the file)."""
    return cast(Function, numba.njit(cache=True, nogil=True, fastmath=True)(function))
