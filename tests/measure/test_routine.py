import numpy as np
import pytest

from holdstill.measure.focus import FocusOrder, FocusState
from holdstill.measure.routine import Routine, RoutineSample, RoutineStep, routine_step, tick_by_hand, warm_up

THERE = FocusState(order=FocusOrder.THERE, passed=True)


def played(samples, routine=None):
    routine = routine or Routine()
    for level, sharpness, exposure, focus in samples:
        routine = routine_step(routine, RoutineSample(level, 0.0, sharpness, exposure), focus)
    return routine


@pytest.mark.parametrize("told", [True, False])
def test_the_whole_routine_ticks_itself(told):
    e = (lambda v: v) if told else (lambda v: None)
    turning = FocusState(order=FocusOrder.KEEP_TURNING)
    run = [(0.2, 0.01, e(8.0), turning)] * 3
    run += [(0.8, 0.008, e(8.0), turning)] * 3  # opened by two stops
    run += [(0.4, 0.008, e(4.0), turning)] * 3  # exposure halved
    run += [(0.4, s, e(4.0), turning) for s in (0.01, 0.015, 0.02, 0.018)]
    run += [(0.4, 0.0199, e(4.0), THERE)] * 14  # back at the peak, ring let go
    run += [(0.1, 0.0199, e(4.0), THERE)] * 14  # stopped down by two stops
    run += [(0.4, 0.0197, e(16.0), THERE)] * 14
    got = played(run)
    assert got.done == tuple(RoutineStep)
    assert got.seen == got.done
    assert got.next_step is None
    assert got.focus_shift == pytest.approx(np.log(0.0197 / 0.0199), abs=1e-6)
    assert got.light_stops == pytest.approx(0.0, abs=1e-6)


def test_nothing_ticks_in_a_still_picture():
    assert played([(0.3, 0.01, 4.0, FocusState())] * 40).done == ()


def test_exposure_told_is_not_taken_for_the_aperture():
    got = played([(0.2, 0.01, 4.0, FocusState()), (0.4, 0.01, 8.0, FocusState())])
    assert RoutineStep.OPEN_APERTURE not in got.done


def test_a_focus_shift_with_the_aperture_is_kept():
    start = Routine(done=tuple(RoutineStep)[:7], sharpness_there=0.02, last=RoutineSample(0.4, 0, 0.015, 4.0))
    got = played([(0.4, 0.015, 4.0, THERE)] * 12, start)
    assert got.next_step is None
    assert got.focus_shift == pytest.approx(np.log(0.75))


def test_ticks_by_hand_are_not_called_seen():
    got = tick_by_hand(Routine(), RoutineStep.OPEN_APERTURE)
    assert got.done == (RoutineStep.OPEN_APERTURE,)
    assert got.seen == ()
    assert got.next_step is RoutineStep.SHORTEN_EXPOSURE


def test_a_camera_settles_as_it_warms():
    rng = np.random.default_rng(1)
    minutes = np.arange(0, 60, 0.5)
    course = 0.4 * np.exp(-minutes / 8)
    shifts = [(float(c + rng.normal() * 0.004), float(rng.normal() * 0.004)) for c in course]
    settled = [warm_up(minutes[: k + 1], shifts[: k + 1]) for k in range(6, len(minutes))]
    when = next(m for m, w in zip(minutes[6:], settled, strict=True) if w is not None and w.settled)
    assert 20 < when < 50
    assert warm_up(minutes[:4], shifts[:4]) is None
