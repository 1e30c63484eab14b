"""Which exposure a frame was taken with, when the camera does not say so with the frame."""

from __future__ import annotations

from dataclasses import dataclass, replace

Setting = tuple[float | None, float | None]
"""Exposure (ms) and gain (dB)."""


@dataclass(frozen=True, slots=True)
class _Change:
    """A change of settings: asked for and confirmed at these times (s, this machine's clock)."""

    asked_s: float
    confirmed_s: float
    before: Setting
    after: Setting


class SettingsPast:
    """The settings as they were over time.

    A frame that was on its way when a setting changed may carry the old one or the new: it is told
    as unknown (None) rather than wrongly.
    """

    def __init__(self) -> None:
        self._now: Setting = (None, None)
        self._last: _Change | None = None

    def begin(self, exposure_ms: float | None, gain_db: float | None) -> None:
        """The settings at the opening."""
        self._now, self._last = (exposure_ms, gain_db), None

    def changed(
        self,
        asked_s: float,
        confirmed_s: float,
        *,
        exposure_ms: float | None = None,
        gain_db: float | None = None,
    ) -> None:
        """A setting changed."""
        after = (
            exposure_ms if exposure_ms is not None else self._now[0],
            gain_db if gain_db is not None else self._now[1],
        )
        change = _Change(asked_s, confirmed_s, self._now, after)
        if self._last is not None and asked_s - self._last.confirmed_s < 1.0:
            change = replace(change, asked_s=self._last.asked_s, before=self._last.before)
        self._last, self._now = change, after

    def now(self) -> Setting:
        """The settings as confirmed last."""
        return self._now

    def at(self, at_s: float, period_s: float | None, *, sure: bool) -> Setting:
        """The settings of a frame of time `at_s`; (None, None) while they can't be told.

        sure
            `at_s` is when the frame was triggered: it then began after that.  Otherwise it is the
            end of its way here, and it began up to its exposure and a period earlier; a camera may
            also have begun one frame more with the old setting.
        """
        change = self._last
        if change is None:
            return self._now
        if at_s < change.asked_s:
            return change.before
        way_s = 0.0
        if not sure:
            way_s = 2.0 * (period_s or 0.1) + (change.before[0] or 0.0) / 1000.0
        if at_s >= change.confirmed_s + way_s:
            return self._now
        return (None, None)
