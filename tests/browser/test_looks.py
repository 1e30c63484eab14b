"""What can be measured of the looks: letters large enough, nothing cut off, names for everything."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page

from browser.opening import check, opened
from web.fake_deck import TOKEN, Bench, bench
from web.scenes import scenes

pytestmark = pytest.mark.browser
SCENES = scenes()
CAP_HEIGHT = 0.7  # of the font's size, read in the font's own table (sCapHeight 700 of 1000)
READABLE_PX = 35.0  # capitals of 10 arc minutes at two metres, in CSS px of 1/96 inch at a phone's scale


@pytest.fixture(scope="module")
def served() -> Iterator[Bench]:
    with bench(SCENES["lean-top"]) as made:
        yield made


@pytest.fixture(
    scope="module", params=[("/phone", 390, 844), ("/bench", 1440, 900), ("/bench/far", 1440, 900)]
)
def shown(request: pytest.FixtureRequest, chromium: Browser, served: Bench) -> Iterator[Page]:
    path, width, height = request.param
    context = chromium.new_context(viewport={"width": width, "height": height})
    page = context.new_page()
    opened(page, served, path)
    yield page
    context.close()


def put_on(served: Bench, page: Page, name: str) -> None:
    served.show(SCENES[name])
    page.wait_for_timeout(90)


def test_in_every_state_letters_are_large_and_nothing_is_cut_off(served: Bench, shown: Page) -> None:
    for name in SCENES:
        put_on(served, shown, name)
        told = shown.evaluate(check("sizes"))
        assert told["cue"] * CAP_HEIGHT >= READABLE_PX, name
        assert told["order"] is None or told["order"] * CAP_HEIGHT >= 26, name
        assert told["wide"] <= 0, name
        assert told["cut"] <= 1, name
        assert told["below"] <= 0, name
        assert told["low"] <= 0, name
        assert shown.evaluate(check("cut_off")) == [], name


def test_the_order_is_in_sight_on_a_laptop_too(chromium: Browser, served: Bench) -> None:
    context = chromium.new_context(viewport={"width": 1280, "height": 720})
    page = context.new_page()
    opened(page, served, "/bench")
    for name in ("lean-bottom", "place", "trouble-glare"):
        put_on(served, page, name)
        told = page.evaluate(check("in_sight"))
        assert told["panel"] <= told["bar"], name
        assert told["order"] <= told["panel"], name
        assert page.evaluate(check("cut_off")) == [], name
    context.close()


def test_everything_has_a_name_for_a_screen_reader(served: Bench, shown: Page) -> None:
    for name in (
        "start",
        "lean-top",
        "place",
        "still",
        "trouble-finger",
        "focus",
        "light",
        "rig",
        "solve",
        "ready",
        "recheck",
    ):
        put_on(served, shown, name)
        assert shown.evaluate(check("names")) == [], name


def test_text_stands_out_from_its_ground(served: Bench, shown: Page) -> None:
    """WCAG 2.2, 1.4.3: 4.5 to 1, or 3 to 1 for large text."""
    for name in ("lean-top", "still", "kept", "trouble-glare", "ready", "stop", "focus", "paused"):
        put_on(served, shown, name)
        shown.wait_for_timeout(380)  # the panel's colour rests between changes, on purpose
        assert shown.evaluate(check("contrast")) == [], name


def test_targets_are_large_enough_for_a_thumb(served: Bench, shown: Page) -> None:
    """WCAG 2.2, 2.5.5: 44 px."""
    for name in ("lean-top", "focus", "light", "rig", "ready", "recheck", "second-looked-for", "many-views"):
        put_on(served, shown, name)
        assert shown.evaluate(check("small_targets")) == [], name


def test_nothing_moves_for_those_who_asked_for_that(chromium: Browser, served: Bench) -> None:
    served.show(SCENES["lean-top"])
    context = chromium.new_context(viewport={"width": 390, "height": 844}, reduced_motion="reduce")
    page = context.new_page()
    page.goto(f"{served.origin}/join?token={TOKEN}")
    page.goto(served.origin + "/phone")
    assert page.locator(".move .plays").evaluate("e => getComputedStyle(e).display") == "none"
    assert page.locator(".move .rests").evaluate("e => getComputedStyle(e).display") == "inline"
    assert page.locator(".move .arrow").count() == 1
    assert page.locator(".move .wished").count() == 1
    context.close()


def test_the_large_panel_never_flashes(served: Bench, shown: Page) -> None:
    """WCAG 2.2, 2.3.1: at most three flashes in a second, however fast the order changes."""
    served.show(SCENES["lean-top"])
    shown.wait_for_timeout(400)
    shown.evaluate(check("watch_colour"))
    for i in range(24):
        served.show(SCENES[("still", "lean-top")[i % 2]])
        shown.wait_for_timeout(60)
    seen = shown.evaluate("window.seen")
    swings, direction, turn = [], 0, seen[0][1]
    for at, value in seen:
        if direction >= 0 and value < turn - 0.1:
            swings.append(at)
            direction, turn = -1, value
        elif direction <= 0 and value > turn + 0.1:
            swings.append(at)
            direction, turn = 1, value
        turn = max(turn, value) if direction > 0 else min(turn, value)
    most = max((sum(a <= b < a + 1000 for b in swings) for a in swings), default=0)
    assert most <= 6  # a flash is a pair of opposite swings
