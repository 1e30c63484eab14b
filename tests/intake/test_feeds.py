"""Clocks, pairing, what a frame was exposed with, what is remembered: the pure parts of live feeds."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holdstill.intake.camera import Grab
from holdstill.intake.clock import Answers, CameraClock, Rate
from holdstill.intake.matching import ByNumber, ByTime, Stamped, apart_ms
from holdstill.intake.remembered import Placed, Remembered
from holdstill.intake.settings_past import SettingsPast
from holdstill.intake.source import shot_name
from holdstill.limits import limit

PICTURE = np.zeros((2, 2), np.uint8)


def frame(at_s: float, number: int | None = None) -> Stamped:
    return Stamped(Grab(PICTURE, 255, at_s, number=number), at_s, None, None)


# -- clocks --------------------------------------------------------------------------------------


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.floats(-200, 200), st.floats(1.0, 25.0))
def test_offset_and_drift_are_found_through_late_arrivals(
    seed: int, drift_ppm: float, jitter_ms: float
) -> None:
    rng = np.random.default_rng(seed)
    taken_s = np.arange(600) * 0.1
    offset_s = 1.7e4
    camera_s = (taken_s - offset_s) / (1.0 + 1e-6 * drift_ppm)
    clock = CameraClock()
    for camera, taken, late in zip(camera_s, taken_s, rng.exponential(jitter_ms / 1000.0, 600), strict=True):
        assert not clock.add(float(camera), float(taken + late))
    fit = clock.fit()
    assert fit is not None
    worst_ms = 1000.0 * max(abs(fit.host_s(float(c)) - t) for c, t in zip(camera_s, taken_s, strict=True))
    assert worst_ms < 0.35 * jitter_ms + 0.2
    assert abs(fit.drift_ppm - drift_ppm) < 15.0 * jitter_ms
    assert clock.jumps == 0


def test_a_clock_that_jumps_is_noticed_and_fitted_anew() -> None:
    clock = CameraClock()
    for n in range(50):
        assert not clock.add(100.0 + 0.1 * n, 0.1 * n + 0.01)
    assert clock.add(3.0, 5.01)  # set back, as after a restart
    assert clock.jumps == 1
    for n in range(1, 20):
        assert not clock.add(3.0 + 0.1 * n, 5.01 + 0.1 * n)
    fit = clock.fit()
    assert fit is not None
    assert fit.host_s(3.0) == pytest.approx(5.01, abs=1e-6)
    assert clock.add(9999.0, 7.2)  # set forward: it would have arrived before it was taken
    assert clock.jumps == 2


def test_a_burst_of_late_frames_is_no_jump() -> None:
    clock = CameraClock()
    for n in range(50):
        clock.add(0.1 * n, 0.1 * n + 0.01)
    for n in range(50, 54):  # held up together for most of a second
        assert not clock.add(0.1 * n, 5.9)
    assert not clock.add(6.0, 6.01)
    assert clock.jumps == 0


def test_a_frame_of_an_earlier_trigger_is_told_by_the_cameras_time() -> None:
    answers = Answers()
    for n in range(5):
        assert answers.behind_s(1000.0 + 0.1 * n, 0.05 + 0.1 * n, 0.1 * n, 0.04) == pytest.approx(
            0.0, abs=1e-9
        )
    assert answers.behind_s(1000.4, 0.61, 0.5, 0.04) is None  # the fifth frame again, after the sixth trigger
    late = answers.behind_s(1000.502, 0.56, 0.5, 0.04)
    assert late == pytest.approx(0.002)
    assert answers.longest_s == pytest.approx(0.06, abs=1e-6)


def test_a_jumped_clock_does_not_shut_a_camera_out() -> None:
    answers = Answers()
    for n in range(5):
        answers.behind_s(1000.0 + 0.1 * n, 0.05 + 0.1 * n, 0.1 * n, 0.04)
    taken = [answers.behind_s(7.0 + 0.1 * n, 0.55 + 0.1 * n, 0.5 + 0.1 * n, 0.04) for n in range(8)]
    assert taken[0] is None
    assert taken[-1] is not None


def test_rates() -> None:
    rate = Rate()
    assert rate.hz(0.0) is None
    for n in range(20):
        rate.add(0.1 * n)
    assert rate.hz(2.0) == pytest.approx(10.0)
    assert rate.hz(30.0) == 0.0


# -- pairing -------------------------------------------------------------------------------------


@settings(max_examples=50, deadline=None)
@given(st.floats(0.0, 0.0999), st.integers(0, 1000))
def test_two_free_cameras_are_paired_with_their_nearest_frames(lag_s: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    events = [(0.1 * n, "left") for n in range(40)] + [(0.1 * n + lag_s, "right") for n in range(40)]
    arrivals = sorted((at + 0.02 + rng.uniform(0, 0.004), at, camera) for at, camera in events)
    match = ByTime(("left", "right"))
    shots = [s for _, at, camera in arrivals if (s := match.add(camera, frame(at), 0.055, ("left", "right")))]
    assert len(shots) >= 38
    nearest_ms = 1000.0 * min(lag_s, 0.1 - lag_s)
    assert all(apart_ms(s) <= nearest_ms + 10.1 for s in shots)
    used = [(c, s[c].at_s) for s in shots for c in s]
    assert len(used) == len(set(used))  # no frame is used twice


def test_a_slower_camera_sets_the_pace_and_no_pair_is_farther_apart_than_half_a_period() -> None:
    match = ByTime(("left", "right"))
    events = sorted([(0.1 * n, "left") for n in range(50)] + [(0.27 * n + 0.013, "right") for n in range(18)])
    shots = [s for at, camera in events if (s := match.add(camera, frame(at), 0.055, ("left", "right")))]
    assert len(shots) >= 16
    assert max(apart_ms(s) for s in shots) <= 55.0
    assert match.unpaired >= 25


def test_recordings_are_paired_by_number_whatever_their_order() -> None:
    match = ByNumber(("left", "right"))
    for n in range(1, 6):
        assert match.add("left", frame(0.0, n), 0.0, ()) is None
    shots = [match.add("right", frame(9.0, n), 0.0, ()) for n in (1, 2, 4, 5)]
    assert [s["left"].grab.number for s in shots if s] == [1, 2, 4, 5]
    for n in range(6, 6 + int(limit("feed_frames_waiting_most")) + 10):
        match.add("left", frame(0.0, n), 0.0, ())
    assert match.unpaired >= 10


# -- which exposure ------------------------------------------------------------------------------


def test_no_frame_near_a_change_is_told_an_exposure_it_may_not_have_had() -> None:
    past = SettingsPast()
    past.begin(10.0, 0.0)
    assert past.at(5.0, 0.1, sure=False) == (10.0, 0.0)
    past.changed(6.0, 6.01, exposure_ms=2.0)
    assert past.at(5.9, 0.1, sure=False) == (10.0, 0.0)
    for at_s in (6.0, 6.05, 6.15, 6.2):  # two periods and the old exposure after the camera agreed
        assert past.at(at_s, 0.1, sure=False) == (None, None)
    assert past.at(6.25, 0.1, sure=False) == (2.0, 0.0)
    assert past.at(6.02, 0.1, sure=True) == (2.0, 0.0)  # triggered after it: no doubt
    assert past.at(6.005, 0.1, sure=True) == (None, None)


def test_two_changes_in_a_row_leave_no_gap_between_them() -> None:
    past = SettingsPast()
    past.begin(10.0, 0.0)
    past.changed(6.0, 6.01, exposure_ms=2.0)
    past.changed(6.02, 6.03, gain_db=3.0)
    assert past.at(6.015, 0.1, sure=True) == (None, None)
    assert past.at(6.04, 0.1, sure=True) == (2.0, 3.0)
    assert past.at(5.0, 0.1, sure=True) == (10.0, 0.0)


# -- what is remembered --------------------------------------------------------------------------


def test_left_right_and_turns_are_remembered_for_each_set_of_cameras(tmp_path: Path) -> None:
    memory = Remembered(tmp_path / "home")
    assert memory.recall(["a", "b"]) is None
    assert memory.keep([Placed("b", 90), Placed("a")])
    assert memory.keep([Placed("c"), Placed("d", 180)])
    assert Remembered(tmp_path / "home").recall(["a", "b"]) == [Placed("b", 90), Placed("a", 0)]
    assert memory.recall(["d", "c"]) == [Placed("c", 0), Placed("d", 180)]
    assert memory.recall(["a", "c"]) is None


@pytest.mark.parametrize(
    "text", ["", "{", '{"a": 1}', '[[{"address": "a"}]]', "[3]", '[[{"turn_deg": "x"}]]']
)
def test_a_memory_that_is_damaged_costs_nothing_else(tmp_path: Path, text: str) -> None:
    (tmp_path / "cameras.json").write_text(text, "utf-8")
    memory = Remembered(tmp_path)
    assert memory.recall(["a"]) is None
    assert memory.keep([Placed("a", 270)])
    assert json.loads((tmp_path / "cameras.json").read_text("utf-8")) == [[{"address": "a", "turn_deg": 270}]]


def test_a_place_that_can_not_be_written_is_no_trouble(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("here is no folder")
    assert not Remembered(tmp_path / "file").keep([Placed("a")])


def test_shots_without_a_name_are_named_by_when_they_were_taken() -> None:
    first, second = shot_name(1.7e12), shot_name(1.7e12 + 1.0)
    assert re.fullmatch(r"shot_\d{8}_\d{6}_\d{3}", first)
    assert first != second
    assert first < second
