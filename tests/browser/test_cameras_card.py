"""The cameras' card in a real browser: under the pictures, one thumb, a trouble that is said and goes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest
from playwright.sync_api import Page, expect

from browser.opening import comes, opened
from holdstill.records import FeedsState, FeedState, Say, Snapshot, Step, TapKind
from web.fake_deck import Bench, bench
from web.scenes import scenes

pytestmark = pytest.mark.browser
LEFT = FeedState(
    "left", "gige:7", "Maker Model 7", "running", 10.0, 300, size_px=(2048, 2048), exposure_ms=5.0
)
RIGHT = replace(LEFT, camera="right", address="gige:8", what="Maker Model 8")
LOST = replace(
    RIGHT, state="lost", trouble=Say("feed.gone", {"address": "gige:8"}), remedy=Say("feed.gone.remedy")
)


def on_rig_step(*feeds: FeedState) -> Snapshot:
    """The Rig step before the first view, with these cameras."""
    snapshot = next(iter(scenes().values()))
    return replace(snapshot, step=Step.RIG, views=(), feeds=FeedsState(feeds, "trigger", 0.4))


@pytest.fixture(scope="module")
def served() -> Iterator[Bench]:
    with bench(on_rig_step(LEFT, RIGHT)) as made:
        yield made


def test_cameras_are_exchanged_and_turned_with_one_thumb(phone: Page, served: Bench) -> None:
    served.show(on_rig_step(LEFT, RIGHT))
    opened(phone, served)
    card = phone.locator("#feeds")
    expect(card).to_contain_text("triggered together")
    eyes, below = phone.locator("#eyes").bounding_box(), card.bounding_box()
    assert eyes is not None
    assert below is not None
    assert below["y"] >= eyes["y"] + eyes["height"]  # right under the pictures, that both can be looked at
    for button in card.get_by_role("button").all():
        box = button.bounding_box()
        assert box is not None
        assert box["height"] >= 44
    before = len(served.deck.taps)
    card.get_by_role("button", name="No, exchange them").click()
    card.get_by_role("button", name="Turn the picture").nth(1).click()
    expect(phone.locator("#said")).to_be_visible()
    comes(phone, lambda: len(served.deck.taps) >= before + 2, "both taps")
    swap, turn = served.deck.taps[before:]
    assert (swap.kind, dict(swap.values)) == (TapKind.PLACE, {"swap": "yes"})
    assert dict(turn.values) == {"camera": "right", "turn": "90"}
    assert not phone.troubles  # type: ignore[attr-defined]


def test_a_camera_that_goes_and_comes_is_told_on_the_card(bench_screen: Page, served: Bench) -> None:
    served.show(on_rig_step(LEFT, RIGHT))
    page = opened(bench_screen, served, "/bench")
    expect(page.locator("#feeds .feed.runs")).to_have_count(2)
    served.show(on_rig_step(LEFT, LOST))
    expect(page.locator("#feeds .feed.away")).to_contain_text("Check its cable and its power")
    served.show(on_rig_step(LEFT, RIGHT))
    expect(page.locator("#feeds .feed.runs")).to_have_count(2)
    assert not page.troubles  # type: ignore[attr-defined]
