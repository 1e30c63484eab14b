"""Two phones, one deed: taps act one after the other, and what has just been done is not done twice."""

from __future__ import annotations

import asyncio
from collections import defaultdict

from holdstill.limits import limit
from holdstill.records import Tap, TapKind

_BY_THEMSELVES = (TapKind.HAND_OVER,)
"""Taps that may take seconds: a pause must not wait for them."""


class Once:
    """Keeps taps apart. `now_ms` in what follows: the loop's clock."""

    def __init__(self) -> None:
        self._turns: defaultdict[TapKind | None, asyncio.Lock] = defaultdict(asyncio.Lock)
        self._dropped_at_ms = float("-inf")

    def turn(self, tap: Tap) -> asyncio.Lock:
        """The lock under which `tap` acts."""
        return self._turns[tap.kind if tap.kind in _BY_THEMSELVES else None]

    def meant_before(self, tap: Tap, *, kept_at_ms: float | None, now_ms: float) -> bool:
        """Whether `tap` asks for what was done a moment ago: "take it now" just after a view was kept,
        "drop the last" just after one was dropped. Two people tap at what both of them see; the later tap
        was meant for the same view."""
        if tap.kind is TapKind.TAKE_NOW and kept_at_ms is not None:
            return now_ms - kept_at_ms < limit("tap_again_ms")
        if tap.kind is TapKind.DROP_LAST:
            return now_ms - self._dropped_at_ms < limit("tap_again_ms")
        return False

    def done(self, tap: Tap, now_ms: float) -> None:
        """Note that `tap` was carried out."""
        if tap.kind is TapKind.DROP_LAST:
            self._dropped_at_ms = now_ms
