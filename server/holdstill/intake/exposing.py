"""Setting exposure and gain of real cameras, within what motion, frame rate and camera allow."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from holdstill.limits import limit

from .camera import CameraTrouble
from .drain import Drain
from .refusals import words

_DB_PER_STOP = 20.0 * math.log10(2.0)


class Exposing:
    """Changes of exposure, exposure first and gain only for what it can't give.

    longest_ms
        The longest exposure that motion allows; None: not known. `interval_s`: time between shots:
        an exposure takes no more of it than `feed_exposure_share`.
    """

    def __init__(self, longest_ms: float | None, interval_s: float) -> None:
        self._most_ms = 1000.0 * interval_s * limit("feed_exposure_share")
        if longest_ms is not None:
            self._most_ms = min(self._most_ms, longest_ms)
        self._first: dict[str, tuple[float | None, float | None]] = {}

    @property
    def most_ms(self) -> float:
        """The longest exposure that is set, ms, as far as motion and frame rate go."""
        return self._most_ms

    def change(self, drains: Sequence[Drain], changes: Mapping[str, str]) -> str | None:
        """Carry out ``exposure``, ``exposure_ms`` and ``gain_db``; None when done, else why not."""
        unknown = set(changes) - {"exposure", "exposure_ms", "gain_db", "camera"}
        if unknown:
            return words("no-such-setting", name=min(unknown))
        try:
            numbers = {k: _number(v) for k, v in changes.items() if k != "camera" and v != "auto"}
        except ValueError as trouble:
            return words("not-a-setting", got=str(trouble))
        away = [d.name for d in drains if d.opened is None]
        if away:
            return words("camera-away", camera=away[0])
        refusals = [why for d in drains if (why := self._one(d, changes, numbers)) is not None]
        return refusals[0] if refusals else None

    def _one(self, drain: Drain, changes: Mapping[str, str], numbers: Mapping[str, float]) -> str | None:
        opened = drain.opened
        if opened is None:
            return words("camera-away", camera=drain.name)
        if opened.exposure_range_ms is None and ("exposure" in changes or "exposure_ms" in changes):
            return words("no-exposure", camera=drain.name)
        exposure, gain = drain.settings()
        self._first.setdefault(drain.address, (exposure, gain))
        try:
            if changes.get("exposure") == "auto":
                exposure_ms, gain_db = self._first[drain.address]
                return self._set(drain, exposure_ms or 1.0, gain_db)
            if "exposure" in numbers:
                if exposure is None:
                    return words("no-exposure", camera=drain.name)
                return self._by_stops(drain, numbers["exposure"], exposure, gain)
            return self._set(drain, numbers.get("exposure_ms"), numbers.get("gain_db"))
        except CameraTrouble as trouble:
            return str(trouble)

    def _by_stops(self, drain: Drain, stops: float, exposure_ms: float, gain_db: float | None) -> str | None:
        """Brighter or darker: less gain first when darker, more exposure first when brighter."""
        wanted_db = stops * _DB_PER_STOP
        low_db, high_db = self._gains(drain)
        gain = gain_db if gain_db is not None else 0.0
        if wanted_db < 0 and gain > low_db:
            taken = min(-wanted_db, gain - low_db)
            gain -= taken
            wanted_db += taken
        low_ms, high_ms = self._exposures(drain)
        aim_ms = exposure_ms * 10.0 ** (wanted_db / 20.0)
        set_ms = min(max(aim_ms, low_ms), max(high_ms, low_ms))
        short_db = 20.0 * math.log10(aim_ms / set_ms)
        if short_db > 0.1:
            gain = min(gain + short_db, high_db)
        reached_db = 20.0 * math.log10(set_ms / exposure_ms) + gain - (gain_db or 0.0)
        refused = self._set(drain, set_ms, gain if gain_db is not None else None)
        if refused is None and stops * _DB_PER_STOP - reached_db > limit("feed_exposure_short_db"):
            return words("exposure-at-end", camera=drain.name, exposure_ms=set_ms, gain_db=gain)
        return refused

    def _set(self, drain: Drain, exposure_ms: float | None, gain_db: float | None) -> str | None:
        if exposure_ms is not None:
            low, high = self._exposures(drain)
            drain.set_exposure(min(max(exposure_ms, low), max(high, low)))
        if gain_db is not None and drain.opened is not None:
            if drain.opened.gain_range_db is None:
                return words("no-gain", camera=drain.name) if abs(gain_db) > 0.05 else None
            low, high = self._gains(drain)
            now = drain.settings()[1]
            if now is None or abs(now - gain_db) > 0.02:
                drain.set_gain(min(max(gain_db, low), high))
        return None

    def _exposures(self, drain: Drain) -> tuple[float, float]:
        low, high = (drain.opened.exposure_range_ms if drain.opened else None) or (0.01, self._most_ms)
        return low, min(high, self._most_ms)

    def _gains(self, drain: Drain) -> tuple[float, float]:
        return (drain.opened.gain_range_db if drain.opened else None) or (0.0, 0.0)


def _number(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise ValueError(text[:40])
    return value
