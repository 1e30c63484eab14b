"""Setting exposure and gain of real cameras, within what motion, frame rate and camera allow."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from holdstill.limits import limit

from .camera import CameraTrouble
from .drain import Drain
from .refusals import words

_DB_PER_STOP = 20.0 * math.log10(2.0)
_KNOWN = {"exposure", "exposure_ms", "gain_db", "camera"}


@dataclass(frozen=True, slots=True)
class Setting:
    """What a camera is to be set to; None leaves a thing as it is."""

    drain: Drain
    exposure_ms: float | None
    gain_db: float | None

    def carry_out(self) -> None:
        """Set it. Raises CameraTrouble."""
        now_ms, now_db = self.drain.settings()
        if self.exposure_ms is not None and (now_ms is None or abs(now_ms / self.exposure_ms - 1.0) > 1e-4):
            self.drain.set_exposure(self.exposure_ms)
        if self.gain_db is not None and (now_db is None or abs(now_db - self.gain_db) > 0.02):
            self.drain.set_gain(self.gain_db)


class Exposing:
    """Works out settings: exposure first, and gain only for what exposure can't give.

    longest_ms
        The longest exposure that motion allows; None: not known. `interval_s`: time between shots:
        an exposure takes no more of it than `feed_exposure_share`.
    """

    def __init__(self, longest_ms: float | None, interval_s: float) -> None:
        self._most_ms = 1000.0 * interval_s * limit("feed_exposure_share")
        if longest_ms is not None:
            self._most_ms = min(self._most_ms, longest_ms)
        self._first: dict[str, tuple[float | None, float | None]] = {}
        self._planned: dict[str, Setting] = {}

    @property
    def most_ms(self) -> float:
        """The longest exposure that is set, ms, as far as motion and frame rate go."""
        return self._most_ms

    def plan(self, drains: Sequence[Drain], changes: Mapping[str, str]) -> tuple[list[Setting], str | None]:
        """What to set for ``exposure``, ``exposure_ms`` and ``gain_db``, and why not (all of it), in words.

        Without any of the three: whether the exposure can be set at all.
        """
        unknown = set(changes) - _KNOWN
        if unknown:
            return [], words("no-such-setting", name=min(unknown))
        try:
            numbers = {k: _number(v) for k, v in changes.items() if k != "camera" and v != "auto"}
        except ValueError as trouble:
            return [], words("not-a-setting", got=str(trouble))
        if numbers.get("exposure_ms", 1.0) <= 0.0:
            return [], words("not-a-setting", got=changes["exposure_ms"])
        settings, refusals = [], []
        for drain in drains:
            refusal = _refusal(drain, changes)
            if refusal is not None:
                return [], refusal
            setting, short = self._one(drain, changes, numbers)
            settings.append(setting)
            refusals += [short] if short is not None else []
        self._planned.update({s.drain.address: s for s in settings})
        return settings, refusals[0] if refusals else None

    def done(self, setting: Setting) -> None:
        """A setting was carried out (or failed): the camera tells from now on."""
        if self._planned.get(setting.drain.address) is setting:
            del self._planned[setting.drain.address]

    def _now(self, drain: Drain) -> tuple[float | None, float | None]:
        """Exposure and gain as set, or as they will be once what is planned is done."""
        exposure_ms, gain_db = drain.settings()
        planned = self._planned.get(drain.address)
        if planned is None:
            return exposure_ms, gain_db
        return (
            planned.exposure_ms if planned.exposure_ms is not None else exposure_ms,
            planned.gain_db if planned.gain_db is not None else gain_db,
        )

    def _one(
        self, drain: Drain, changes: Mapping[str, str], numbers: Mapping[str, float]
    ) -> tuple[Setting, str | None]:
        exposure_ms, gain_db = self._now(drain)
        self._first.setdefault(drain.address, (exposure_ms, gain_db))
        if changes.get("exposure") == "auto":
            first_ms, first_db = self._first[drain.address]
            return self._held(drain, first_ms, first_db), None
        if "exposure" in numbers and exposure_ms is not None:
            return self._by_stops(drain, numbers["exposure"], exposure_ms, gain_db)
        return self._held(drain, numbers.get("exposure_ms"), numbers.get("gain_db")), None

    def _by_stops(
        self, drain: Drain, stops: float, exposure_ms: float, gain_db: float | None
    ) -> tuple[Setting, str | None]:
        """Brighter or darker: less gain first when darker, more exposure first when brighter."""
        wanted_db = stops * _DB_PER_STOP
        low_db, high_db = _gains(drain)
        gain = gain_db if gain_db is not None else 0.0
        if wanted_db < 0 and gain > low_db:
            taken = min(-wanted_db, gain - low_db)
            gain, wanted_db = gain - taken, wanted_db + taken
        low_ms, high_ms = self._exposures(drain)
        aim_ms = exposure_ms * 10.0 ** (wanted_db / 20.0)
        set_ms = min(max(aim_ms, low_ms), high_ms)
        short_db = 20.0 * math.log10(aim_ms / set_ms)
        if short_db > 0.1:
            gain = min(gain + short_db, high_db)
        reached_db = 20.0 * math.log10(set_ms / exposure_ms) + gain - (gain_db or 0.0)
        setting = self._held(drain, set_ms, gain if gain_db is not None else None)
        if stops * _DB_PER_STOP - reached_db > limit("feed_exposure_short_db"):
            why = words("exposure-at-end", camera=drain.name, exposure_ms=set_ms, gain_db=gain)
            return setting, why
        return setting, None

    def _held(self, drain: Drain, exposure_ms: float | None, gain_db: float | None) -> Setting:
        """A setting held to what motion, rate and camera allow."""
        if exposure_ms is not None:
            low, high = self._exposures(drain)
            exposure_ms = min(max(exposure_ms, low), high)
        if gain_db is not None:
            low, high = _gains(drain)
            gain_db = min(max(gain_db, low), high)
        return Setting(drain, exposure_ms, gain_db)

    def _exposures(self, drain: Drain) -> tuple[float, float]:
        low, high = (drain.opened.exposure_range_ms if drain.opened else None) or (0.01, self._most_ms)
        return low, max(low, min(high, self._most_ms))


def carry_out(settings: Sequence[Setting]) -> str | None:
    """Set all of them; the first trouble in words, or None."""
    for setting in settings:
        try:
            setting.carry_out()
        except CameraTrouble as trouble:
            return str(trouble)
    return None


def _refusal(drain: Drain, changes: Mapping[str, str]) -> str | None:
    """Why a camera can't be set as asked, in words; None when it can."""
    opened = drain.opened
    if opened is None:
        return words("camera-away", camera=drain.name)
    gain_only = "gain_db" in changes and not {"exposure", "exposure_ms"} & set(changes)
    if not gain_only and (opened.exposure_range_ms is None or drain.settings()[0] is None):
        return words("no-exposure", camera=drain.name)
    if "gain_db" in changes and opened.gain_range_db is None:
        return words("no-gain", camera=drain.name)
    return None


def _gains(drain: Drain) -> tuple[float, float]:
    return (drain.opened.gain_range_db if drain.opened else None) or (0.0, 0.0)


def _number(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise ValueError(text[:40])
    return value
