"""Keyboard, pedal, sound, pictures, play: what a hand does to the pages."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest
from playwright.sync_api import Page, expect

from browser.opening import check, comes, opened, until
from holdstill.records import TapKind
from web.fake_deck import Bench, bench, live_pictures
from web.scenes import scenes

pytestmark = pytest.mark.browser
SCENES = scenes()


@pytest.fixture(scope="module")
def served() -> Iterator[Bench]:
    with bench(SCENES["lean-top"]) as made:
        yield made


def taken(served: Bench) -> int:
    return sum(tap.kind is TapKind.TAKE_NOW for tap in served.deck.taps)


def test_no_key_acts_until_one_is_picked_and_then_that_one_does(phone: Page, served: Bench) -> None:
    opened(phone, served)
    before = len(served.deck.taps)
    for key in ("Space", "Enter", "t", "k", "[", "]", "ArrowRight", "PageDown"):
        phone.locator("#cue").focus()
        phone.keyboard.press(key)
    phone.wait_for_timeout(300)
    assert len(served.deck.taps) == before
    phone.get_by_role("button", name="Pick a key").click()
    phone.keyboard.press("PageDown")
    expect(phone.locator("[data-key]")).to_have_text("PageDown")
    phone.locator("#cue").focus()
    phone.keyboard.press("PageDown")
    expect(phone.locator("#said.done")).to_have_text("Hold still: the next good shot is taken.")
    assert taken(served) == 1
    phone.reload()
    expect(phone.locator("[data-key]")).to_have_text("PageDown")
    phone.get_by_role("button", name="Forget it").click()
    phone.keyboard.press("PageDown")
    phone.wait_for_timeout(200)
    assert taken(served) == 1


def test_every_control_is_reached_by_keyboard_and_shows_where_one_is(phone: Page, served: Bench) -> None:
    opened(phone, served)
    wanted = phone.locator("a[href], button, input, select, summary, [tabindex='0']").evaluate_all(
        "all => all.filter(e => e.checkVisibility()).length"
    )
    reached = set()
    for _ in range(wanted + 5):
        phone.keyboard.press("Tab")
        told = phone.evaluate(
            """() => { const e = document.activeElement; if (!e || e === document.body) return null;
            const all = [...document.querySelectorAll('*')]; const o = getComputedStyle(e);
            return [all.indexOf(e), o.outlineStyle !== 'none' && parseFloat(o.outlineWidth) >= 2]; }"""
        )
        if told:
            assert told[1], "a focused control without a visible outline"
            reached.add(told[0])
    assert len(reached) >= wanted - 1


def test_focus_stays_where_it_was_when_the_page_changes_around_it(phone: Page, served: Bench) -> None:
    served.show(SCENES["lean-top"])
    opened(phone, served)
    button = phone.get_by_role("button", name="Take now")
    button.focus()
    served.show(SCENES["nearer"])
    expect(phone.locator("#cue h1")).to_have_text("Bring it nearer the cameras")
    expect(button).to_be_focused()
    served.show(SCENES["lean-top"])


def test_live_pictures_show_outline_edge_and_hatching(bench_screen: Page, served: Bench) -> None:
    served.show(SCENES["lean-top"])
    opened(bench_screen, served, "/bench")
    for tick in range(3):
        live_pictures(served, tick)
        bench_screen.wait_for_timeout(120)
    comes(bench_screen, lambda: [one["width"] for one in bench_screen.evaluate(check("drawn"))] == [960, 960])
    told = bench_screen.evaluate(check("drawn"))
    for one in told:
        assert one["blue"] > 1000
        assert one["amber"] > 200
    assert told[1]["flips"] > 10


def test_sound_needs_one_tap_and_is_remembered_voice_speaks_the_cue(phone: Page, served: Bench) -> None:
    phone.add_init_script(check("listen"))
    served.show(SCENES["lean-top"])
    opened(phone, served)
    phone.wait_for_timeout(600)
    assert phone.evaluate("window.tones") == 0
    sound = phone.locator("#acts [data-switch=sound]")
    expect(sound).to_have_attribute("aria-pressed", "false")
    sound.click()
    expect(sound).to_have_attribute("aria-pressed", "true")
    until(phone, "() => window.tones > 3")
    phone.locator(".device [data-switch=voice]").click()
    assert "Tip the top toward the cameras" in phone.evaluate("window.said.join()")
    served.show(SCENES["trouble-glare"])
    until(phone, "() => window.said.join().includes('Glare in camera left. Tip the plate a little')")
    phone.reload()
    expect(phone.locator("#acts [data-switch=sound]")).to_have_attribute("aria-pressed", "true")
    served.show(SCENES["lean-top"])


def test_a_visitor_takes_the_simulated_plate_from_his_own_side(phone: Page, served: Bench) -> None:
    served.show(SCENES["lean-top"])
    opened(phone, served)
    phone.get_by_role("button", name="Play with the rig").click()
    box = phone.locator("[data-pad=move]").bounding_box()
    assert box is not None
    phone.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    phone.mouse.down()
    phone.mouse.move(box["x"] + box["width"] * 0.9, box["y"] + box["height"] / 2, steps=3)
    phone.mouse.up()

    def moved() -> list[float]:
        taps = [tap.values for tap in served.deck.taps if tap.kind is TapKind.SIM]
        return [float(values["x_mm"]) for values in taps if "x_mm" in values]

    comes(phone, lambda: bool(moved()) and moved()[-1] < -100)  # the operator's right is the cameras' left
    phone.locator("[data-spoil=finger]").click()
    comes(phone, lambda: served.deck.taps[-1].values == {"finger": "yes"})


def test_a_length_is_entered_and_words_are_kept_while_the_page_lives(phone: Page, served: Bench) -> None:
    served.show(SCENES["lean-top"])
    opened(phone, served)
    phone.get_by_text("Scale", exact=True).click()
    phone.get_by_label("Length, mm").fill("244.5")
    served.show(replace(SCENES["nearer"], kept_count=8))
    phone.wait_for_timeout(300)
    expect(phone.get_by_label("Length, mm")).to_have_value("244.5")
    phone.get_by_label("Uncertainty (one sigma), mm").fill("0.5")
    phone.get_by_role("button", name="Note the length").click()
    expect(phone.locator("#said")).to_have_text("The length is noted.")
    assert served.deck.taps[-1].values == {"what": "baseline", "value_mm": "244.5", "sigma_mm": "0.5"}
