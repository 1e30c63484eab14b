import numpy as np
import pytest

from holdstill.measure import frame_measures
from holdstill.measure.focus import (
    FocusOrder,
    FocusSample,
    FocusState,
    StaleReason,
    focus_field,
    focus_sample,
    focus_step,
)
from measure.focus_sweeps import Stack, shoot

GRID = (8, 9)


def curve(z, width=3.0):
    """Energy of an edge against distance from focus, px of blur circle."""
    return 0.04 / np.sqrt(1 + (np.asarray(z) / width) ** 2)


def sample(
    i, sharpness, *, mean=100.0, pattern=None, saturated=0.0, regions=None, exposure_ms=None, sigma=1e-5
):
    means = mean * (np.ones(72) if pattern is None else pattern)
    values = np.full(72, sharpness) if regions is None else regions
    return FocusSample(i * 100.0, sharpness, sigma, values, means, saturated, None, exposure_ms)


def run(samples, state=None):
    state = state or FocusState()
    orders = []
    for s in samples:
        state = focus_step(state, s)
        orders.append(state.order)
    return state, orders


def swept(z, **more):
    return [sample(i, float(curve(v)), **more) for i, v in enumerate(z)]


def test_turning_past_and_back_is_followed_in_words():
    z = np.concatenate([np.arange(-8, 3, 0.3), np.arange(3, -0.01, -0.2), np.zeros(5)])
    state, orders = run(swept(z))
    passed = int(np.argmax(z > 0))
    assert orders[0] is FocusOrder.TURN
    assert FocusOrder.TURN_BACK not in orders[:passed]
    assert FocusOrder.KEEP_TURNING in orders[:passed]
    assert FocusOrder.TURN_BACK in orders[passed:]
    assert orders[-1] is FocusOrder.THERE
    assert state.share > 0.97
    assert abs(z[round(state.best_at_ms / 100)]) < 0.5


def test_the_sound_tells_closer_from_softer():
    up, _ = run(swept(np.arange(-8, -2, 0.3)))
    down, _ = run(swept(np.arange(1, 8, 0.3)))
    still, _ = run(swept(np.full(20, -4.0)))
    assert (up.closer, down.closer, still.closer) == (1, -1, 0)


def test_turning_away_from_the_start_says_the_other_way():
    _, orders = run(swept(np.arange(1.5, 8, 0.3)))
    assert orders[-1] is FocusOrder.OTHER_WAY
    assert FocusOrder.TURN_BACK not in orders


def test_nothing_is_past_before_anything_has_moved():
    rng = np.random.default_rng(0)
    values = 0.02 * np.exp(rng.normal(size=300) * 0.02)
    _, orders = run([sample(i, float(v), sigma=4e-4) for i, v in enumerate(values)])
    assert set(orders) <= {FocusOrder.TURN, FocusOrder.KEEP_TURNING}


def test_a_step_of_exposure_that_clips_does_not_move_the_best():
    z = np.arange(-6, -1, 0.2)
    first = swept(z, saturated=0.05)
    then = [
        sample(len(z) + i, 0.6 * float(curve(v)), mean=200.0, saturated=0.2)
        for i, v in enumerate(np.arange(-1, 4, 0.2))
    ]
    state, orders = run(first + then)
    assert state.stale is None
    at = round(state.best_at_ms / 100)
    assert abs(np.arange(-6, 4, 0.2)[at]) < 0.7
    assert FocusOrder.TURN_BACK in orders
    assert orders.index(FocusOrder.TURN_BACK) > 30


def test_a_moved_scene_makes_the_peak_stale():
    state, _ = run(swept(np.arange(-6, 4, 0.25)))
    assert state.passed
    rng = np.random.default_rng(1)
    moved = focus_step(state, sample(99, 0.02, pattern=1 + 0.3 * rng.normal(size=72)))
    assert moved.stale is StaleReason.SCENE
    assert moved.best is None
    assert not moved.passed


def test_a_changed_aperture_makes_the_peak_stale():
    state, _ = run(swept(np.concatenate([np.arange(-6, 4, 0.25), np.full(5, 3.75)])))
    stopped_down = focus_step(state, sample(99, float(curve(3.75 / 2)) * 1.6, mean=25.0))
    assert stopped_down.stale is StaleReason.APERTURE
    told = run(swept(np.concatenate([np.arange(-6, 4, 0.25), np.full(5, 3.75)]), exposure_ms=4.0))[0]
    closed = sample(99, float(curve(3.75)) * 1.15, mean=50.0, exposure_ms=4.0)
    assert focus_step(told, closed).stale is StaleReason.APERTURE
    same_light = sample(99, float(curve(3.75)), mean=50.0, exposure_ms=2.0)
    assert focus_step(told, same_light).stale is None


def tilted_sweep(z, tilt):
    column = np.arange(72) % 9
    side = (column + 0.5) / 9 * 2 - 1
    return [
        sample(i, float(curve(v - tilt * side).mean()), regions=curve(v - tilt * side))
        for i, v in enumerate(z)
    ]


def test_a_tilted_focus_plane_is_seen_and_a_flat_one_is_not():
    z = np.concatenate([np.arange(-8, 8, 0.25), np.arange(8, 0, -0.25), np.zeros(4)])
    tilted, _ = run(tilted_sweep(z, 3.0))
    flat, _ = run(tilted_sweep(z, 0.0))
    assert focus_field(tilted, GRID).softest_share < 0.85
    assert not focus_field(flat, GRID).tilted
    off, _ = run(tilted_sweep(np.concatenate([z, np.full(4, 1.5)]), 3.0))
    assert focus_field(off, GRID).tilted
    assert focus_field(off, GRID).slope_x > 0


def test_a_lens_softer_on_one_side_is_told_for_uniform_patterns():
    column = np.arange(72) % 9
    gain = np.where(column > 5, 0.5, 1.0)
    z = np.concatenate([np.arange(-6, 5, 0.25), np.arange(5, 0, -0.25)])
    state, _ = run([sample(i, float(curve(v)), regions=curve(v) * gain) for i, v in enumerate(z)])
    assert focus_field(state, GRID, uniform=True).soft_side == "right"
    assert focus_field(state, GRID).soft_side is None


def test_no_field_before_a_sweep():
    state, _ = run(swept(np.arange(-6, -2, 0.25)))
    assert focus_field(state, GRID) is None


@pytest.mark.parametrize("kind", ["speckle", "chessboard"])
def test_pictures_through_a_sweep_with_exposure_steps(kind):
    rng = np.random.default_rng(4)
    stack = Stack(kind, reach_px=7, step_px=0.25, size=256)
    z = np.concatenate([np.arange(-6, 3.1, 0.4), np.arange(3, -0.1, -0.3), np.zeros(4)])
    state, orders, exposure = FocusState(), [], 0.5
    for i, v in enumerate(z):
        exposure = {6: 0.25, 14: 0.8, 30: 0.4}.get(i, exposure)
        picture = shoot(stack.at(v), rng, read=1.5, gain=0.05, exposure=exposure)
        measured = frame_measures(picture, camera="left", full_scale=255)
        state = focus_step(state, focus_sample(measured, at_ms=i * 100.0))
        orders.append(state.order)
    assert FocusOrder.TURN_BACK not in orders[: int(np.argmax(z > 0))]
    assert FocusOrder.TURN_BACK in orders
    assert orders[-1] is FocusOrder.THERE
    assert state.stale is None
    assert abs(z[round(state.best_at_ms / 100)]) < 1.0


def test_a_region_the_user_chose_is_watched_alone():
    picture = np.full((240, 270), 60, np.uint8)
    picture[::2, :30] = 120
    measured = frame_measures(picture, camera="left", full_scale=255)
    left = focus_sample(measured, at_ms=0.0, regions=[0, 9, 18])
    right = focus_sample(measured, at_ms=0.0, regions=[8, 17, 26])
    assert left.sharpness >= right.sharpness
    assert right.sharpness == 0
