"""Properties that hold whatever the picture."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from holdstill.measure import frame_measures
from holdstill.measure.exposure import ExposureShot, advise_exposure, plate_goal
from holdstill.measure.focus import FocusOrder, FocusSample, FocusState, focus_step
from measure.focus_sweeps import light, shoot

SCENES = st.sampled_from(["dots", "speckle", "chessboard", "natural"])
QUICK = settings(max_examples=12, deadline=None, derandomize=True)


def measured(kind, defocus, seed=0, **camera):
    picture = shoot(light(kind, defocus, size=192), np.random.default_rng(seed), **camera)
    return picture, frame_measures(picture, camera="left", full_scale=255)


@QUICK
@given(SCENES, st.floats(0, 6), st.floats(0.7, 4))
def test_more_blur_never_raises_sharpness(kind, defocus, more):
    _, sharp = measured(kind, defocus, exposure=0.8)
    _, soft = measured(kind, defocus + more, exposure=0.8)
    assert soft.sharpness < sharp.sharpness + 3 * (sharp.sharpness_sigma + soft.sharpness_sigma)


@QUICK
@given(SCENES, st.floats(0, 3), st.floats(0.3, 1.0))
def test_light_leaves_sharpness_alone(kind, defocus, exposure):
    _, full = measured(kind, defocus, exposure=1.0)
    _, less = measured(kind, defocus, exposure=exposure)
    allowed = 0.05 * full.sharpness + 4 * (full.sharpness_sigma + less.sharpness_sigma)
    assert abs(full.sharpness - less.sharpness) < allowed


@QUICK
@given(SCENES, st.floats(0, 4), st.integers(0, 3))
def test_turning_the_picture_changes_nothing_that_has_no_direction(kind, defocus, quarter):
    picture, one = measured(kind, defocus, exposure=0.8)
    other = frame_measures(np.rot90(picture, quarter).copy(), camera="left", full_scale=255)
    assert abs(one.sharpness - other.sharpness) < 0.05 * one.sharpness + 5 * one.sharpness_sigma
    assert one.saturated_share == other.saturated_share
    assert abs(one.mean_level - other.mean_level) < 0.02 * one.mean_level + 1


@QUICK
@given(SCENES, st.floats(1.2, 4.0))
def test_more_light_never_clips_less(kind, exposure):
    _, some = measured(kind, 0.5, exposure=1.0)
    _, more = measured(kind, 0.5, exposure=exposure)
    assert more.saturated_share >= some.saturated_share


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.lists(st.tuples(st.floats(1e-3, 1e3), st.floats(0, 1), st.floats(0, 1)), min_size=1, max_size=6))
def test_exposure_advice_is_always_finite_and_points_away_from_the_ends(shots):
    seen = [ExposureShot(e, max(a, b), min(a, b)) for e, a, b in shots]
    advice = advise_exposure(seen, plate_goal(bright_dots=True))
    assert -6 <= advice.stops <= 6
    assert 0 <= advice.black <= 1
    if seen[-1].dark >= 0.98:
        assert advice.stops < 0


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.lists(st.floats(1e-6, 1.0), min_size=1, max_size=80), st.floats(0.1, 10))
def test_the_gauge_never_breaks_and_does_not_care_for_units(values, unit):
    states = []
    for factor in (1.0, unit):
        state = FocusState()
        for i, v in enumerate(values):
            sample = FocusSample(
                i * 100.0, v * factor, 1e-4 * v * factor, np.full(72, v * factor), np.full(72, 90.0), 0.0
            )
            state = focus_step(state, sample)
        states.append(state)
    assert states[0].order is states[1].order
    assert 0 <= states[0].share <= 1
    assert states[0].order in set(FocusOrder)
