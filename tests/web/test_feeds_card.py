"""The card of the cameras, and its taps."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC

from holdstill.records import ClockFit, FeedsState, FeedState, Say, Step
from holdstill.web.views import Renderer
from web.scenes import scenes

RUNNING = FeedState(
    "left", "gige:7", "Maker Model 7", "running", 10.0, 300, size_px=(2048, 2048), exposure_ms=5.0,
    gain_db=0.0, clock=ClockFit(1.0, 12.0, 2.0, 300),
)  # fmt: skip
LOST = FeedState(
    "right", "gige:8", "Maker Model 8", "lost", 0.0, 300, lost_share=0.021,
    trouble=Say("feed.gone", {"address": "gige:8"}), remedy=Say("feed.gone.remedy"),
)  # fmt: skip


def card(step: Step = Step.RIG, feeds: FeedsState | None = None, views: bool = False) -> str:
    snapshot = next(s for s in scenes().values() if s.views)
    snapshot = replace(snapshot, step=step, feeds=feeds, views=snapshot.views if views else ())
    return Renderer(UTC).fragments(snapshot, ("feeds",))["feeds"]


def test_each_camera_is_shown_with_a_shape_and_a_word_and_what_to_do() -> None:
    html = card(feeds=FeedsState((RUNNING, LOST), "trigger", 1.2, 1.0))
    assert "running" in html
    assert "lost" in html
    assert "2048 × 2048 px" in html
    assert "5 ms" in html
    assert "2.1 % of packets" in html
    assert "drifts +12 ppm" in html
    assert "Check its cable" in html
    assert "triggered together, &lt; 2 ms apart" in html


def test_left_and_right_are_chosen_on_the_rig_step_before_the_first_view() -> None:
    feeds = FeedsState((RUNNING, LOST), "trigger")
    assert '"swap": "yes"' in card(feeds=feeds)
    assert card(feeds=feeds).count('"turn": "90"') == 2
    assert "act-place" not in card(Step.POSES, feeds)
    assert "act-place" not in card(feeds=feeds, views=True)


def test_a_folder_has_no_card() -> None:
    assert "none" in card(feeds=None)
    assert "<li" not in card(feeds=None)


def test_digits_that_do_not_matter_draw_nothing_anew() -> None:
    renderer = Renderer(UTC)
    snapshot = replace(next(iter(scenes().values())), feeds=FeedsState((RUNNING,), "times", 1.2))
    first = renderer.fragments(snapshot, ("feeds",))["feeds"]
    moved = FeedsState((replace(RUNNING, rate_hz=10.04, frames=301),), "times", 1.3)
    assert renderer.fragments(replace(snapshot, feeds=moved), ("feeds",))["feeds"] is first
