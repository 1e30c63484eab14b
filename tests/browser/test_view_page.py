"""A shot at full size in a real browser: looked at together, layers, reasons, and what becomes of it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, Route, expect

from browser.opening import check, comes, until
from holdstill.records import TapKind
from web.fake_deck import Bench, bench
from web.scenes import scenes
from web.sheet_deck import SheetDeck, reviewed

pytestmark = pytest.mark.browser
SET_ASIDE, GLARE, KEPT = 7, 3, 1
"""Places in the story of the troubled sample frames."""


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    state, originals = reviewed("trouble", tmp_path_factory.mktemp("store"))
    with bench(scenes()["lean-top"], kind=SheetDeck.over(state, originals)) as made:
        yield made


def shown(page: Page, served: Bench, place: int) -> Page:
    """The page of a shot, its pictures whole."""
    page.context.request.get(served.join)
    page.goto(f"{served.origin}/view/{place}")
    until(page, "() => document.body.dataset.begun === 'yes'")
    until(page, "() => [...document.querySelectorAll('canvas')].every((c) => c.dataset.whole === 'yes')")
    return page


def looks(page: Page) -> list[dict[str, float]]:
    """Where each picture is looked at (x, y px) and how closely (canvas px per picture px)."""
    raw = page.locator("canvas").evaluate_all("all => all.map((c) => [c.dataset.at, c.dataset.scale])")
    return [
        {"x": float(at.split()[0]), "y": float(at.split()[1]), "scale": float(scale)} for at, scale in raw
    ]


FRAMES = "() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done(0))))"


def settled(page: Page) -> list[dict[str, float]]:
    """The looks once nothing moves any more: the same after some frames of the screen."""
    before = None
    for _ in range(80):
        page.wait_for_timeout(60)
        page.evaluate(FRAMES)
        now = looks(page)
        if now == before:
            return now
        before = now
    raise AssertionError("the pictures never came to rest")


def dot_near(served: Bench, page: Page, camera: int, at: dict[str, float]) -> int:
    """The dot nearest to a place of a picture."""
    told = page.context.request.get(page.url + "/drawn").json()["pictures"][camera]
    gaps = [(x - at["x"]) ** 2 + (y - at["y"]) ** 2 for x, y in told["points"]]
    return gaps.index(min(gaps))


def test_from_the_list_of_views_to_the_shot(bench_screen: Page, served: Bench) -> None:
    bench_screen.context.request.get(served.join)
    bench_screen.goto(f"{served.origin}/bench")
    row = bench_screen.locator("#views .row", has_text="fork_007")
    row.locator("a").first.click()
    bench_screen.wait_for_url(f"**/view/{SET_ASIDE}")
    expect(bench_screen.locator("h1")).to_contain_text("fork_007")
    expect(bench_screen.locator(".what")).to_contain_text("the plate moved between the cameras' pictures")
    bench_screen.get_by_role("link", name="Bench").click()
    bench_screen.wait_for_url("**/bench")


def test_all_cameras_are_looked_at_together(bench_screen: Page, served: Bench) -> None:
    page = shown(bench_screen, served, SET_ASIDE)
    whole = settled(page)
    box = page.locator("canvas").nth(0).bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + 0.3 * box["width"], box["y"] + 0.35 * box["height"])
    page.evaluate(check("watch_scale"))
    page.mouse.wheel(0, -300)
    until(page, "() => window.scales.length > 0")
    near = settled(page)
    under_way = [s for s in page.evaluate("window.scales") if whole[0]["scale"] < s < 0.98 * near[0]["scale"]]
    assert len(under_way) >= 2, "it moves smoothly, not at once"
    grown = [n["scale"] / w["scale"] for n, w in zip(near, whole, strict=True)]
    assert grown[1] == pytest.approx(grown[0], rel=0.01)
    for _ in range(3):
        page.mouse.wheel(0, -300)
    close = settled(page)
    first, second = (dot_near(served, page, c, close[c]) for c in (0, 1))
    assert first == second, "the same dot is in the middle of both"
    page.mouse.down()
    page.mouse.move(box["x"] + 0.3 * box["width"] - 120, box["y"] + 0.35 * box["height"], steps=6)
    page.mouse.up()
    dragged = settled(page)
    assert dragged[0]["x"] - close[0]["x"] == pytest.approx(120 / close[0]["scale"], rel=0.1)
    assert dragged[1]["x"] - close[1]["x"] > 0
    page.get_by_role("button", name="Follow the plate").click()
    page.get_by_role("button", name="Whole picture").click()
    again = settled(page)
    assert again[0]["scale"] == pytest.approx(whole[0]["scale"], rel=1e-3)
    page.get_by_role("button", name="Closer").click()
    assert settled(page)[0]["scale"] == pytest.approx(1.8 * whole[0]["scale"], rel=0.01)
    page.get_by_role("button", name="Wider").click()
    assert settled(page)[0]["scale"] == pytest.approx(whole[0]["scale"], rel=0.01)
    assert page.troubles == []  # type: ignore[attr-defined]


def test_two_fingers_pinch(phone: Page, served: Bench) -> None:
    page = shown(phone, served, KEPT)
    before = settled(page)[0]["scale"]
    box = page.locator("canvas").nth(0).bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    line = page.context.new_cdp_session(page)

    def touch(kind: str, gap: float) -> None:
        points = [{"x": x - gap, "y": y, "id": 1}, {"x": x + gap, "y": y, "id": 2}]
        down = [] if kind == "touchEnd" else points
        line.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": down})

    touch("touchStart", 30)
    for gap in (35, 45, 60, 75, 90):
        touch("touchMove", gap)
    touch("touchEnd", 90)
    assert settled(page)[0]["scale"] == pytest.approx(3.0 * before, rel=0.15)
    assert page.evaluate("() => visualViewport.scale") == 1, "the page itself did not grow"


def test_layers_are_drawn_and_taken_away(bench_screen: Page, served: Bench) -> None:
    page = shown(bench_screen, served, GLARE)
    page.get_by_role("button", name="Saturated").get_attribute("aria-pressed")
    until(page, "() => document.querySelector('canvas').dataset.saturated === 'some'")
    settled(page)
    pixels = (Path(__file__).parent / "checks" / "canvas_colours.js").read_text("utf-8").partition("\n")[2]

    def colours() -> dict[str, int]:
        found: dict[str, int] = page.evaluate(pixels)
        return found

    everything = colours()
    assert everything["wrong"] > 200, "glare is outlined"
    page.get_by_role("button", name="Glare").click()
    settled(page)
    assert colours()["wrong"] < 0.1 * everything["wrong"]
    page.get_by_role("button", name="Saturated").click()
    settled(page)
    bare = colours()
    assert everything["hatched"] > 1.3 * bare["hatched"], "the saturated is hatched"
    page = shown(bench_screen, served, KEPT)
    settled(page)
    drawn = colours()
    assert drawn["have"] > 500
    assert drawn["ask"] > 200
    expect(page.locator("#scale")).to_contain_text("times as long")
    for name, colour in (("Dots", "have"), ("Residuals", "ask")):
        page.get_by_role("button", name=name).click()
        settled(page)
        assert colours()[colour] < 0.05 * drawn[colour]
    expect(page.locator("#scale")).to_be_hidden()


def test_hatching_that_comes_late_is_drawn_in_every_picture(bench_screen: Page, served: Bench) -> None:
    """Where a picture is saturated may be known long after the picture stands: nothing has to be touched."""
    held: list[Route] = []

    def hold(route: Route) -> None:
        held.append(route)

    bench_screen.route("**/view-saturated/*", hold)
    shown(bench_screen, served, GLARE)
    bench_screen.evaluate(FRAMES)
    comes(bench_screen, lambda: len(held) == 2, "both cameras' requests")
    assert hatched(bench_screen) == [False, False]
    for route in held:
        route.continue_()
        bench_screen.wait_for_timeout(100)
    comes(bench_screen, lambda: hatched(bench_screen) == [True, True], "hatching in both")


def hatched(page: Page) -> list[bool]:
    """Of each canvas, whether pure black, which only the hatching draws, is to be seen in it."""
    told = page.evaluate(check("pure_black"))
    return [count > 500 for count in told]


def test_a_view_is_brought_back_and_the_page_follows(bench_screen: Page, served: Bench) -> None:
    page = shown(bench_screen, served, SET_ASIDE)
    page.get_by_role("button", name="Bring back").click()
    expect(page.locator("#said")).to_contain_text("is brought back")
    expect(page.locator(".what")).to_contain_text("brought back by hand")
    assert served.deck.taps[-1].kind is TapKind.BRING_BACK
    page.get_by_role("button", name="Set aside").click()
    expect(page.locator(".what")).to_contain_text("set aside by hand")
    page.get_by_role("button", name="Drop").click()
    expect(page.locator(".state")).to_have_text("dropped")


def test_keys_move_the_picture_and_nothing_else(bench_screen: Page, served: Bench) -> None:
    page = shown(bench_screen, served, KEPT)
    page.get_by_role("button", name="Closer").click()
    page.get_by_role("button", name="Closer").click()
    before, taps = settled(page), len(served.deck.taps)
    page.locator("canvas").nth(0).focus()
    page.keyboard.press("ArrowRight")
    assert settled(page)[0]["x"] > before[0]["x"]
    after = looks(page)
    for key in ("Space", "d", "r", "[", "]", "+", "-", "Enter"):
        page.keyboard.press(key)
    assert settled(page) == after
    assert len(served.deck.taps) == taps


@pytest.mark.parametrize("size", [(390, 844), (1440, 900)])
def test_all_is_named_large_enough_and_on_the_page(
    phone: Page, served: Bench, size: tuple[int, int]
) -> None:
    phone.set_viewport_size({"width": size[0], "height": size[1]})
    page = shown(phone, served, SET_ASIDE)
    assert set(page.evaluate(check("names"))) <= {"the cue is not announced"}  # there is none here
    assert page.evaluate(check("small_targets")) == []
    assert page.evaluate("() => document.documentElement.scrollWidth - innerWidth") <= 0
    assert page.evaluate("() => document.documentElement.scrollHeight - innerHeight") <= 1
    assert not any("http" in a and served.origin not in a for a in page.asked)  # type: ignore[attr-defined]


def test_what_is_not_there_is_told(bench_screen: Page, served: Bench) -> None:
    bench_screen.context.request.get(served.join)
    for path in ("/view/0", "/view/99", "/view/x", "/view/-1", "/view/1e3/drawn"):
        answer = bench_screen.context.request.get(served.origin + path)
        assert answer.status == 404, path
    drawn = json.loads(bench_screen.context.request.get(f"{served.origin}/view/{KEPT}/drawn").text())
    assert drawn["state"] == "kept"
    assert all(len(p["points"]) == len(p["residuals"]) for p in drawn["pictures"])
