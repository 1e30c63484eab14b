"""No view with motion above the limit is to be kept; good shots hardly ever refused."""

import cv2
import numpy as np
import pytest

from holdstill import session
from holdstill.limits import limit
from holdstill.measure.unrest import longest_exposure_ms, travel_px, unrest
from holdstill.records import Nothing, Sighting, Trouble
from holdstill.session import Live, Refuse
from session.motion_study import still_to_taken_ms, tally
from session.trouble_study import Drawn, Stage, begun

N = 12
IDS = np.arange(N, dtype=np.int32)
EXPOSURES_MS = (1.0, 2.0, 4.0, 8.0)
PLACES = np.stack([100.0 + 30 * (IDS % 4), 90.0 + 30 * (IDS // 4)], axis=1)


def seen(points: np.ndarray, sigma: float = 1e-4) -> Sighting:
    zeros = np.zeros(N, np.int32)
    return Sighting("left", (640, 480), IDS, points, np.full(N, sigma), zeros, zeros[:0], points[:4], True)


def test_drift_and_tremor_are_told_apart() -> None:
    times = np.arange(5) / 10.0
    drifting = [seen(PLACES + np.array([3.0, 4.0]) * t) for t in times]
    found = unrest(drifting, times)
    assert found.drift_px_per_s == pytest.approx(5.0, rel=1e-6)
    assert found.tremor_px == pytest.approx(0.0, abs=1e-3)
    shaking = [seen(PLACES + np.array([0.3, 0.0]) * s) for s in (1, -1, 1, -1, 1)]
    found = unrest(shaking, times)
    assert found.drift_px_per_s == pytest.approx(0.0, abs=1e-9)
    # +-0.3 about their mean of 0.06, over n - 2 = 3 degrees of freedom
    left = np.array([0.24, -0.36, 0.24, -0.36, 0.24])
    assert found.tremor_px == pytest.approx(np.sqrt((left**2).sum() / 3))


def test_noise_alone_is_hardly_any_tremor_and_two_frames_tell_none() -> None:
    rng = np.random.default_rng(4)
    times = np.arange(5) / 10.0
    noisy = [seen(PLACES + rng.normal(0, 0.05, PLACES.shape), 0.05) for _ in times]
    assert unrest(noisy, times).tremor_px < 0.05
    assert unrest(noisy[:2], times[:2]).tremor_px is None
    assert isinstance(unrest(noisy[:1], times[:1]), Nothing)


def test_a_tremor_swings_within_the_exposure_as_a_sine_does() -> None:
    """Largest difference within any window of the exposure, looked for on a fine grid."""
    hertz, rms = limit("still_tremor_hz"), 0.4
    t = np.linspace(0, 1 / hertz, 4001)
    for ms in (1.0, 5.0, 20.0):
        swing = np.sin(2 * np.pi * hertz * (t + 0.5e-3 * ms)) - np.sin(2 * np.pi * hertz * (t - 0.5e-3 * ms))
        brute = np.sqrt(2) * rms * np.abs(swing).max()
        assert travel_px(0.0, rms, exposure_ms=ms) == pytest.approx(brute, rel=1e-5)
    longest = longest_exposure_ms(2.0, rms, most_px=0.2)
    assert travel_px(2.0, rms, exposure_ms=longest) == pytest.approx(0.2, rel=1e-6)


@pytest.mark.parametrize("exposure_ms", [2.0, 8.0])
def test_moving_shots_of_a_stream_are_not_kept(exposure_ms: float) -> None:
    found = tally(40, 3, exposure_ms=exposure_ms)
    assert found.moving >= 4
    assert found.moving_kept == 0
    if exposure_ms <= 2.0:
        assert found.good > 15
        assert found.good_refused <= 1


def test_a_view_is_taken_soon_after_the_plate_is_still() -> None:
    """Median under 0.4 s of simulated time at ten frames a second; a session's first view, with hands not
    known yet, may take a frame or two more."""
    waits = [still_to_taken_ms(seed) for seed in range(12)]
    assert np.isfinite(waits).all()
    assert np.median(waits) < 400.0
    first = [still_to_taken_ms(seed, held_before_s=0.0) for seed in range(6)]
    assert np.isfinite(first).all()
    assert np.median(first) < 600.0


def smeared(stage: Stage, length_px: float) -> Trouble | None:
    """What is said of one shot taken on purpose whose dots travelled so far in the exposure."""
    angle = stage.rng.uniform(0, np.pi)
    drawn = Drawn(stage.plain(), motion_px=(length_px * np.cos(angle), length_px * np.sin(angle)))
    report = stage.eye.look_at(stage.shot(drawn, 1, 0.0, single=True))
    state = begun(stage, single=True)
    live = session.look(Live(), state, report)
    decision = session.judge(state, live, report)
    return decision.trouble if isinstance(decision, Refuse) else None


@pytest.mark.parametrize("length_px", [4.0, 9.0])
def test_a_smeared_single_shot_is_refused_as_blurred_by_motion(length_px: float) -> None:
    assert smeared(Stage(seed=11), length_px) is Trouble.BLURRED


@pytest.mark.long
def test_motion_tables() -> None:
    """Thousands of moving shots, on seeds by which no limit was set; then drawn single shots by smear."""
    cv2.setNumThreads(1)
    rows = {ms: tally(90_000, 100, exposure_ms=ms) for ms in EXPOSURES_MS}
    for exposure_ms, found in rows.items():
        print(
            f"| {exposure_ms:g} ms | {found.shots} | {found.moving} | {found.moving_kept} "
            f"| {found.worst_kept_px:.2f} | {found.good} | {found.good_refused} |",
            flush=True,
        )
    for fps in (8.0, 10.0, 20.0):
        waits = np.array([still_to_taken_ms(seed, fps=fps) for seed in range(100, 130)])
        low, middle, high = np.percentile(waits, [5, 50, 95])
        print(f"| {fps:g} | {len(waits)} | {middle:.0f} | {low:.0f} to {high:.0f} |", flush=True)
    for length_px in (0.0, 1.0, 2.0, 3.0, 3.5, 4.0, 5.0, 7.0, 10.0, 15.0):
        said = [smeared(Stage(seed=500 + n), length_px) for n in range(8)]
        refused = sum(s is not None for s in said)
        blurred = sum(s is Trouble.BLURRED for s in said)
        print(f"| {length_px:g} px | {len(said)} | {refused} | {blurred} |", flush=True)
        if length_px > limit("refuse_smear_px"):
            assert refused == len(said)
        if length_px == 0.0:
            assert refused == 0
    assert sum(r.moving for r in rows.values()) >= 500
    assert sum(r.moving_kept for r in rows.values()) == 0
    permitted = [r for ms, r in rows.items() if ms <= 2.0]  # what the shutter rule allows for bare hands
    assert sum(r.good_refused for r in permitted) < 0.02 * sum(r.good for r in permitted)
