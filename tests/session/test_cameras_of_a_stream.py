"""Cameras that are away are said first; frames taken apart keep no view while the plate moves."""

from __future__ import annotations

from dataclasses import replace

import pytest

from holdstill import session
from holdstill.phrases import say
from holdstill.records import (
    FeedsState,
    FeedState,
    Order,
    Rhythm,
    Say,
    ShotReport,
    Step,
    Trouble,
)
from holdstill.records import events as ev
from holdstill.session import Keep, Live, Refuse
from session.fabric import CAMERAS, opening, sighting, story

RHYTHM = Rhythm("stream", 0.1, 50, proven=True, last_at_ms=0.0)
FEED = FeedState("left", "gige:7", state="running")
GONE = FeedState("right", "gige:8", state="lost", trouble=Say("feed.gone", {"address": "gige:8"}))
GONE = replace(GONE, remedy=Say("feed.gone.remedy"))
LOSSY = replace(
    FEED, trouble=Say("feed.lossy", {"camera": "left", "percent": 2.0}), remedy=Say("feed.lossy.remedy")
)


def report(number: int, shift_px: float, apart_ms: float | None) -> ShotReport:
    """A shot of a plate that has moved by `shift_px` since shot 0, one shot each 0.1 s."""
    seen = {c: sighting(c, shift_px=shift_px) for c in CAMERAS}
    sizes = dict.fromkeys(CAMERAS, (640, 480))
    bits = dict.fromkeys(CAMERAS, 8)
    exposures = dict.fromkeys(CAMERAS, 1.0)
    made = ShotReport(number, f"shot_{number}", 1e5 + 100.0 * number, False, seen, {}, {}, sizes, bits)
    return replace(made, exposure_ms=exposures, apart_ms=apart_ms)


def looked(speed_px_per_s: float, apart_ms: float | None) -> tuple[session.State, Live, ShotReport]:
    """The moment after ten shots of a plate that moves so fast."""
    state, live = session.replay([opening()]), Live()
    newest = report(0, 0.0, apart_ms)
    for number in range(10):
        newest = report(number, 0.1 * number * speed_px_per_s, apart_ms)
        live = session.look(live, state, newest)
    return state, live, newest


@pytest.mark.parametrize("step", [Step.RIG, Step.LIGHT, Step.POSES, Step.PROOF])
def test_a_camera_that_is_away_is_said_first_with_what_to_do(step: Step) -> None:
    state = session.step(session.replay(story(4)), ev.StepEntered(9e4, step))
    live = Live(report=report(1, 0.0, None), feeds=FeedsState((FEED, GONE)))
    advice = session.advise(state, live, RHYTHM, 1e5)
    assert advice.trouble is Trouble.NO_FRAMES
    assert advice.trouble_camera == "right"
    assert advice.order is Order.WAIT
    assert say(advice.headline) == "No pictures from camera right"
    assert advice.remedy is not None
    assert "cable" in say(advice.remedy)
    assert "by itself" in say(advice.remedy)


def test_once_all_are_there_the_coach_goes_on() -> None:
    state = session.replay(story(4))
    live = Live(report=report(1, 0.0, None), feeds=FeedsState((FEED, replace(FEED, camera="right"))))
    assert session.advise(state, live, RHYTHM, live.report.taken_at_ms).trouble is None  # type: ignore[union-attr]


def test_a_silent_stream_is_told_by_what_its_cameras_lack_and_no_folder_is_named() -> None:
    state = session.replay(story(4))
    live = Live(report=report(1, 0.0, None), feeds=FeedsState((LOSSY,)))
    advice = session.advise(state, live, RHYTHM, 1e6)
    assert advice.trouble is Trouble.NO_FRAMES
    assert "2.0 %" in say(advice.headline)
    plain = session.advise(state, replace(live, feeds=None), RHYTHM, 1e6)
    assert plain.remedy is not None
    assert "folder" not in say(plain.remedy)
    assert "cables" in say(plain.remedy)


@pytest.mark.parametrize(
    ("speed_px_per_s", "apart_ms", "still"),
    [
        (0.0, 110.0, True),  # at rest: apart or not
        (3.0, 1.0, True),  # a hand, triggered together: 0.003 px
        (3.0, None, True),  # not told, as with files
        (3.0, 20.0, True),  # 0.06 px
        (3.0, 110.0, False),  # 0.33 px between the cameras
        (5.5, 25.0, False),  # 0.14 px
    ],
)
def test_frames_taken_apart_count_as_still_only_when_the_plate_was(
    speed_px_per_s: float, apart_ms: float | None, still: bool
) -> None:
    state, live, newest = looked(speed_px_per_s, apart_ms)
    if still:
        assert live.seen_trouble is None or live.seen_trouble.trouble is not Trouble.UNSYNCHRONISED
    else:
        assert live.still_frames == 0
        assert live.seen_trouble is not None
        assert live.seen_trouble.trouble is Trouble.UNSYNCHRONISED
        assert live.seen_trouble.numbers["apart_ms"] == apart_ms
    del state, newest


def test_a_view_asked_for_by_hand_is_refused_while_the_cameras_fire_apart() -> None:
    state, live, newest = looked(3.0, 110.0)
    decision = session.judge(state, replace(live, take_now=True), newest)
    assert isinstance(decision, Refuse)
    assert decision.trouble is Trouble.UNSYNCHRONISED
    state, live, newest = looked(0.0, 110.0)
    assert isinstance(session.judge(state, replace(live, take_now=True), newest), Keep)
