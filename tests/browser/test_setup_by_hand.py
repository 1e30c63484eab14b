"""Focus, Light and Rig in a real browser: gauges that keep up, a part to drag, two different sounds."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace

import pytest
from playwright.sync_api import Page, expect

from browser.opening import check, comes, opened, told_to_sound, until
from holdstill.records import Advice, LivePicture, Order, Say, Step, TapKind, Tone
from web.fake_deck import Bench, bench, plate_picture
from web.setup_scenes import focusing, gauge, lighting


@pytest.fixture
def served() -> Iterator[Bench]:
    with bench(focusing()) as made:
        yield made


def look(made: Bench, share: float, tick: int = 0, at_ms: float | None = None) -> None:
    jpeg, _ = plate_picture(tick, 0, (480, 402))
    reading = gauge("left", share)
    taken_ms = time.time() * 1000 if at_ms is None else at_ms
    picture = LivePicture("left", 0, taken_ms, jpeg, (2448, 2048), gauge=reading, turned=True)
    made.call(made.deck.look, picture)


def test_the_gauge_keeps_up_with_the_pictures(phone: Page, served: Bench) -> None:
    """Pictures as fast as they go, some forty a second: the gauge tells each one that is drawn by the time
    its frame is on the screen, and ends at the newest."""
    opened(phone, served)
    phone.evaluate(check("gauge_drawn"))
    sent: dict[int, str] = {}
    drawn: list[tuple[int, str]] = []
    began = time.monotonic()
    while len(drawn) < 40:
        number = len(sent)
        assert number < 2000, f"{len(drawn)} of {number} pictures were drawn"
        sent[number] = f"{30 + number % 60} %"
        look(served, 0.30 + 0.01 * (number % 60), number, at_ms=float(number))
        phone.wait_for_timeout(20)
        drawn = [(int(at), told) for at, told in phone.evaluate("window.drawn")]
    print(f"{len(drawn)} of {len(sent)} pictures drawn in {time.monotonic() - began:.1f} s")
    order = list(sent.values())
    for at, told in drawn:
        assert told in order[at : at + 3], f"picture {at} was drawn with {told}, it is {order[at]}"
    until(phone, f"() => document.querySelector('[data-share=\"left\"]').textContent === '{order[-1]}'")
    assert phone.troubles == []  # type: ignore[attr-defined]


def test_a_part_dragged_on_the_picture_is_asked_for(phone: Page, served: Bench) -> None:
    opened(phone, served)
    look(served, 0.8)
    glass = phone.locator('.glass[data-camera="left"]')
    until(phone, "() => document.querySelector('.glass[data-camera=\"left\"] canvas').width > 16")
    box = glass.bounding_box()
    assert box is not None
    phone.mouse.move(box["x"] + 0.5 * box["width"], box["y"] + 0.5 * box["height"])
    phone.mouse.down()
    phone.mouse.move(box["x"] + 0.75 * box["width"], box["y"] + 0.9 * box["height"], steps=4)
    expect(phone.locator("svg.wished-part")).to_be_visible()
    phone.mouse.up()
    comes(phone, lambda: bool(served.deck.taps), "the tap")
    (tap,) = served.deck.taps
    assert tap.kind is TapKind.FOCUS_PART
    assert tap.values["camera"] == "left"
    assert float(tap.values["left"]) == pytest.approx(0.5, abs=0.03)
    assert float(tap.values["top"]) == pytest.approx(0.5, abs=0.03)
    assert float(tap.values["bottom"]) > float(tap.values["top"]) + 0.2
    expect(phone.locator("svg.wished-part")).to_have_count(0)


def test_sharper_and_softer_sound_clearly_different_and_pitch_rises(phone: Page, served: Bench) -> None:
    phone.add_init_script(check("notes"))

    def saying(tone: Tone, nearness: float) -> list[list[object]]:
        advice = Advice(Step.FOCUS, Say("focus.rising"), Order.WAIT, tone, nearness=nearness)
        served.show(replace(focusing(), advice=advice))
        told_to_sound(phone, tone.value, nearness)
        before = len(phone.evaluate(check("heard")))
        comes(phone, lambda: len(phone.evaluate(check("heard"))) >= before + 2, "two notes")
        return list(phone.evaluate(check("heard")))[before:]  # what sounds once the page has followed

    opened(phone, served)
    phone.locator("#act-sound").click()
    far, near, softer = saying(Tone.WARMER, 0.1), saying(Tone.WARMER, 0.95), saying(Tone.COLDER, 0.95)
    assert {kind for kind, _ in far + near} == {"sine"}
    assert {kind for kind, _ in softer} == {"sawtooth"}
    assert min(pitch for _, pitch in near) > 1.8 * max(pitch for _, pitch in far)
    assert max(pitch for _, pitch in softer) < 0.6 * min(pitch for _, pitch in near)


def test_one_thumb_sets_the_exposure(phone: Page, served: Bench) -> None:
    served.show(lighting())
    opened(phone, served)
    button = phone.locator("#act-set-exposure")
    size = button.bounding_box()
    assert size is not None
    assert min(size["width"], size["height"]) >= 44
    button.click()
    comes(phone, lambda: bool(served.deck.taps), "the tap")
    assert served.deck.taps[-1].kind is TapKind.SET_EXPOSURE
