"""How shots come: at an interval, by hand or pedal, as a stream; and when the next is due."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from holdstill.limits import limit
from holdstill.records import FloatArray, Rhythm

_LAST = 16
"""Shots that are looked at: the operator may change the interval, and the newest tell best."""
_NORMAL = 1.4826
"""Median absolute deviation to standard deviation of a normal distribution (common practice)."""


def rhythm_of(times_ms: Sequence[float], *, single: bool, shots: int | None = None) -> Rhythm:
    """How the shots at `times_ms` (ascending, newest last) come.

    ``"stream"`` when they were not taken on purpose (`single` False); ``"interval"`` when the times
    between them, or the times divided by how many shots were missed, scatter by no more than
    `intake_interval_jitter`; ``"by hand"`` when they scatter more; ``"unknown"`` before there are
    `intake_interval_shots_min` of them.  `proven` is True once the kind is known from that many
    shots.  `next_at_ms`: when the next one is due, for intervals only.  `shots`: how many there were
    in all, when `times_ms` holds only the newest.
    """
    count = len(times_ms) if shots is None else shots
    last = float(times_ms[-1]) if len(times_ms) else None
    gaps = np.diff(np.asarray(times_ms, dtype=np.float64)[-_LAST:])
    gaps = gaps[gaps > 0]
    if not single:
        mean = float(np.median(gaps)) / 1000.0 if gaps.size else None
        return Rhythm("stream", mean, count, proven=gaps.size > 0, last_at_ms=last)
    if last is None or gaps.size + 1 < limit("intake_interval_shots_min"):
        return Rhythm("unknown", None, count, proven=False, last_at_ms=last)
    period = _newest(gaps) or _period(gaps)
    if period is None:
        typical = float(np.median(gaps)) / 1000.0
        return Rhythm("by hand", typical, count, proven=True, last_at_ms=last)
    return Rhythm("interval", period / 1000.0, count, proven=True, last_at_ms=last, next_at_ms=last + period)


_FEW = 5
"""Gaps in a row that, alike, tell of an interval that was changed before the older ones are forgotten."""


def _newest(gaps_ms: FloatArray) -> float | None:
    """The interval (ms) that the last few gaps all are; None when they differ or are too few."""
    newest = gaps_ms[-_FEW:]
    period = float(np.mean(newest))
    alike = np.abs(newest - period).max() <= limit("intake_interval_jitter") * period
    return period if newest.size == _FEW and alike else None


def _period(gaps_ms: FloatArray) -> float | None:
    """The interval (ms) that the gaps are, or are small multiples of; None when there is none.

    At least half of the gaps must be a single interval: otherwise a person's scatter passes for
    missed shots.
    """
    guess = float(np.median(gaps_ms[gaps_ms <= 1.5 * np.quantile(gaps_ms, 0.25)]))
    missed = np.maximum(np.rint(gaps_ms / guess), 1.0)
    if np.mean(missed == 1.0) < 0.5 or missed.max() > 4:
        return None
    each = gaps_ms / missed
    period = float(np.sum(gaps_ms) / np.sum(missed))
    scatter = max(_NORMAL * float(np.median(np.abs(each - np.median(each)))), 0.75 * float(np.std(each)))
    return period if scatter <= limit("intake_interval_jitter") * period else None
