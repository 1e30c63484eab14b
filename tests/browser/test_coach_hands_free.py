"""Both hands full: any key or pedal takes the view, the phone sounds and speaks, sides are the operator's."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from browser.opening import check, comes, opened, told_to_sound, until
from holdstill.records import Advice, Order, Part, TapKind, Tone
from web.fake_deck import Bench, bench
from web.scenes import asking, scenes

pytestmark = pytest.mark.browser
SCENES = scenes()


@pytest.fixture(scope="module")
def served() -> Iterator[Bench]:
    with bench(SCENES["lean-top"]) as made:
        yield made


def taken(served: Bench) -> list[Any]:
    return [tap for tap in served.deck.taps if tap.kind is TapKind.TAKE_NOW]


def pick(page: Page, key: str) -> None:
    page.locator("[data-key-pick]").click()
    page.keyboard.press(key)


@pytest.mark.parametrize("key", ["PageDown", "b", "Space", "Enter"])
def test_any_key_the_person_picks_takes_the_view(phone: Page, served: Bench, key: str) -> None:
    served.show(SCENES["lean-top"])
    opened(phone, served)
    before = len(taken(served))
    phone.keyboard.press(key)
    phone.wait_for_timeout(150)
    assert len(taken(served)) == before, "no key is taken before one was picked"
    pick(phone, key)
    expect(phone.locator("[data-key]")).to_have_text("Space" if key == "Space" else key)
    phone.locator("body").click(position={"x": 2, "y": 2})
    phone.keyboard.press(key)
    expect(phone.locator("#said")).to_have_text("Hold still: the next good shot is taken.")
    assert len(taken(served)) == before + 1
    assert taken(served)[-1].cue_number == 8
    phone.keyboard.press("a")
    phone.wait_for_timeout(100)
    assert len(taken(served)) == before + 1


def test_the_key_is_remembered_held_down_takes_once_and_can_be_forgotten(phone: Page, served: Bench) -> None:
    served.show(SCENES["lean-top"])
    opened(phone, served)
    pick(phone, "PageDown")
    opened(phone, served)
    before = len(taken(served))
    phone.keyboard.down("PageDown")
    for _ in range(4):
        phone.keyboard.down("PageDown")  # a held key repeats
    phone.keyboard.up("PageDown")
    expect(phone.locator("#said")).to_have_text("Hold still: the next good shot is taken.")
    phone.wait_for_timeout(150)
    assert len(taken(served)) == before + 1
    phone.locator("[data-key-forget]").click()
    phone.keyboard.press("PageDown")
    phone.wait_for_timeout(150)
    assert len(taken(served)) == before + 1


def with_nearness(nearness: float, tone: Tone, order: Order) -> Advice:
    advice = SCENES["place"].advice
    return replace(advice, nearness=nearness, tone=tone, order=order)


def test_tones_rise_toward_the_pose_and_change_their_colour_going_away(phone: Page, served: Bench) -> None:
    phone.add_init_script(check("notes"))
    served.show(SCENES["paused"])
    opened(phone, served)
    phone.locator("#act-sound").click()

    def heard(nearness: float, tone: Tone, order: Order) -> list[list[Any]]:
        served.show(replace(SCENES["place"], advice=with_nearness(nearness, tone, order)))
        told_to_sound(phone, tone.value, nearness)
        phone.evaluate("() => { window.heard.length = window.heardAt.length = 0; }")
        until(phone, "() => window.heard.length >= 4")
        sounds: list[list[Any]] = phone.evaluate("() => window.heard")
        return sounds

    def shortest_ms() -> float:
        at: list[float] = phone.evaluate("() => window.heardAt")
        return min(later - sooner for sooner, later in pairwise(at))

    far, far_ms = heard(0.2, Tone.WARMER, Order.MOVE), shortest_ms()
    near = heard(0.8, Tone.WARMER, Order.A_LITTLE_MORE)
    comes(phone, lambda: shortest_ms() < far_ms - 50.0, "nearer also sounds more often")
    away = heard(0.8, Tone.COLDER, Order.BACK_A_LITTLE)
    assert near[0][1] > 1.5 * far[0][1] > 0
    assert {shape for shape, _ in near} == {"sine"}
    assert {shape for shape, _ in away} == {"triangle"}
    still = heard(0.97, Tone.STILL, Order.HOLD_STILL)
    assert {hertz for _, hertz in still} == {1400}


def test_the_voice_says_the_cue_and_a_trouble_with_its_remedy(phone: Page, served: Bench) -> None:
    phone.add_init_script(check("listen"))
    served.show(SCENES["paused"])
    opened(phone, served)
    phone.locator("[data-switch=voice]").click()
    served.show(SCENES["place"])
    until(phone, "() => window.said.includes('Move to your upper right')")
    served.show(SCENES["trouble-glare"])
    until(phone, "() => window.said.some((s) => s.startsWith('Glare') && s.includes('. '))")


def test_left_and_right_follow_where_the_operator_stands(phone: Page, served: Bench) -> None:
    served.show(SCENES["place"])
    opened(phone, served)
    expect(phone.locator("#cue h1")).to_have_text("Move to your upper right")
    facing = phone.locator("#stage svg").first.inner_html()
    phone.locator("#side .tap").nth(1).click()
    assert served.deck.taps[-1].kind is TapKind.SET_SIDE
    assert served.deck.taps[-1].values["faces_cameras"] == "no"
    served.show(replace(SCENES["place"], operator_faces_cameras=False))
    expect(phone.locator("#cue h1")).to_have_text("Move to your upper left")
    # who stands behind sees the printed face
    expect(phone.locator("#stage svg .dots").first).to_be_attached()
    assert phone.locator("#stage svg").first.inner_html() != facing


def test_how_still_is_still_is_chosen_by_a_tap(phone: Page, served: Bench) -> None:
    served.show(SCENES["lean-top"])
    opened(phone, served)
    phone.locator("#still .tap", has_text="Strict").click()
    expect(phone.locator("#said")).to_have_text("Stillness is set.")
    assert served.deck.taps[-1].kind is TapKind.SET_MOTION
    assert served.deck.taps[-1].values["motion_px"] == "0.1"


def test_an_asked_part_is_never_two_orders(phone: Page, served: Bench) -> None:
    assert SCENES["place"].advice.cue is not None
    instruction = SCENES["place"].advice.cue.instruction
    served.show(replace(SCENES["place"], advice=asking(instruction, Part.ROLL, Order.MOVE, "clockwise", 0.1)))
    opened(phone, served)
    expect(phone.locator("h1")).to_have_count(1)
    expect(phone.locator("#order b")).to_have_count(1)
