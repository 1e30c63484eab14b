"""Shots at intervals: the phone says when the plate must be still, in step with the camera program."""

from dataclasses import replace

import pytest

from holdstill import session
from holdstill.intake.rhythm import rhythm_of
from holdstill.limits import limit
from holdstill.records import Order, ShotReport, Tone
from holdstill.records import events as ev
from holdstill.session import Live, replay
from holdstill.session.advise import still_before_ms
from session.fabric import cue, opening

STATE = replay([opening(single=True), ev.CueSet(1.0, cue(1))])


def order_at(now_ms: float, times_ms: list[float]) -> Order:
    report = ShotReport(len(times_ms), "s", times_ms[-1], True, {}, {}, {}, {}, {})
    rhythm = rhythm_of(times_ms, single=True)
    return session.advise(STATE, Live(report=report), rhythm, now_ms).order


def test_hold_still_comes_in_time_before_each_shot_and_goes_after_it() -> None:
    times = [6000.0 * n for n in range(1, 6)]
    due = times[-1] + 6000.0
    assert order_at(due - limit("still_before_ms") - 200.0, times) is Order.MOVE
    assert order_at(due - limit("still_before_ms") + 200.0, times) is Order.HOLD_STILL
    assert order_at(due - 1.0, times) is Order.HOLD_STILL
    assert order_at(due + 50.0, times) is Order.MOVE


def test_quick_shots_leave_time_to_move() -> None:
    times = [2000.0 * n for n in range(1, 8)]
    due = times[-1] + 2000.0
    assert order_at(due - 900.0, times) is Order.MOVE
    assert order_at(due - 700.0, times) is Order.HOLD_STILL


def test_it_follows_when_the_interval_is_changed() -> None:
    times = [6000.0 * n for n in range(1, 8)]
    slower = times + [times[-1] + 10_000.0 * n for n in range(1, 9)]
    assert order_at(slower[-1] + 9000.0, slower) is Order.HOLD_STILL
    assert order_at(slower[-1] + 5000.0, slower) is Order.MOVE


def test_shots_by_hand_or_pedal_are_told_no_time() -> None:
    times = [1000.0, 4200.0, 5300.0, 12000.0, 13100.0, 21000.0, 21900.0]
    assert {order_at(times[-1] + later, times) for later in (500.0, 3000.0, 9000.0)} == {Order.MOVE}


def test_a_trouble_of_a_shot_is_said_before_the_next_is_asked_for() -> None:
    from holdstill.records import Trouble
    from holdstill.session import Found

    times = [6000.0 * n for n in range(1, 6)]
    report = ShotReport(5, "s", times[-1], True, {}, {}, {}, {}, {})
    live = replace(Live(report=report), trouble=Found(Trouble.FINGER, "left"))
    advice = session.advise(STATE, live, rhythm_of(times, single=True), times[-1] + 5900.0)
    assert advice.trouble is Trouble.FINGER
    assert advice.tone is Tone.NOT_KEPT


@pytest.mark.parametrize("interval_s", [1.0, 2.0, 30.0])
def test_the_time_to_be_still_is_never_most_of_the_interval(interval_s: float) -> None:
    rhythm = replace(rhythm_of([0.0], single=True), interval_s=interval_s)
    assert still_before_ms(rhythm) <= 400.0 * interval_s
    assert still_before_ms(rhythm) <= limit("still_before_ms")
