"""How shots come is told from their times alone."""

from __future__ import annotations

import numpy as np
import pytest

from holdstill.intake.rhythm import rhythm_of

RNG = np.random.default_rng(11)


def times(gaps_s) -> list[float]:
    return [1e12, *(1e12 + 1000.0 * np.cumsum(gaps_s)).tolist()]


@pytest.mark.parametrize("interval_s", [0.2, 2.0, 5.0, 30.0])
@pytest.mark.parametrize("jitter", [0.0, 0.04])
def test_a_timer_is_told_and_the_next_shot_foretold(interval_s, jitter):
    gaps = interval_s * (1 + jitter * RNG.standard_normal(9))
    rhythm = rhythm_of(times(gaps), single=True)
    assert rhythm.kind == "interval"
    assert rhythm.proven
    assert rhythm.interval_s == pytest.approx(interval_s, rel=0.05)
    assert rhythm.next_at_ms - rhythm.last_at_ms == pytest.approx(1000 * interval_s, rel=0.05)
    assert rhythm.shots == 10


def test_missed_shots_do_not_hide_a_timer():
    rhythm = rhythm_of(times([3, 3, 6, 3, 3, 9, 3]), single=True)
    assert rhythm.kind == "interval"
    assert rhythm.interval_s == pytest.approx(3.0)


def test_a_changed_interval_is_followed():
    rhythm = rhythm_of(times([2.0] * 30 + [5.0] * 16), single=True)
    assert rhythm.interval_s == pytest.approx(5.0)


def test_a_person_is_told_from_a_timer():
    kinds = [rhythm_of(times(RNG.lognormal(np.log(4.0), 0.35, 8)), single=True).kind for _ in range(300)]
    assert kinds.count("by hand") >= 285


def test_timers_with_usual_jitter_are_hardly_ever_taken_for_a_person():
    kinds = [rhythm_of(times(2 + 0.06 * RNG.standard_normal(6)), single=True).kind for _ in range(300)]
    assert kinds.count("interval") >= 297


@pytest.mark.parametrize("count", [0, 1, 2, 3, 4])
def test_too_few_shots_tell_nothing(count):
    rhythm = rhythm_of(times([2.0] * 9)[:count], single=True)
    assert (rhythm.kind, rhythm.proven, rhythm.next_at_ms) == ("unknown", False, None)
    assert rhythm.shots == count


def test_a_stream_is_a_stream():
    rhythm = rhythm_of(times([0.05] * 9), single=False, shots=4000)
    assert rhythm.kind == "stream"
    assert rhythm.interval_s == pytest.approx(0.05)
    assert rhythm.shots == 4000


def test_a_clock_that_jumps_back_does_no_harm():
    assert rhythm_of([5000.0, 7000.0, 1000.0, 3000.0, 5000.0, 7000.0], single=True).kind == "interval"
    assert rhythm_of([5000.0, 4000.0, 3000.0, 2000.0], single=True).kind == "unknown"
