"""Snapshots to fragments: complete, escaped, in words, and the same every time."""

from __future__ import annotations

import logging
import re
from dataclasses import replace

import pytest

from holdstill.records import Instruction, Lean, Order, Part, Place, Reach, Roll, Say, Snapshot, Step
from holdstill.web.views import FRAGMENTS, PAGES, Renderer
from holdstill.web.views.acts import acts
from holdstill.web.views.words import Words, figure, share, size_of, unbroken
from web.scenes import HOSTILE, asking, scenes

SCENES = scenes()
ALL = tuple(FRAGMENTS)


@pytest.mark.parametrize("name", SCENES)
def test_every_state_is_drawn_whole_and_in_words(name: str, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.ERROR):
        fragments = Renderer().fragments(SCENES[name], ALL)
    assert caplog.records == []
    for key, html in fragments.items():
        assert re.match(rf'\s*<\w+ id="{key}"', html), html[:80]
        assert html.count(f'id="{key}"') == 1
        assert "None" not in re.sub(r"<[^>]*>", "", html)


@pytest.mark.parametrize("name", SCENES)
def test_the_same_snapshot_gives_the_same_fragments_whatever_came_before(name: str) -> None:
    used = Renderer()
    for other in ("ready", "focus", "behind", name):
        again = used.fragments(SCENES[other], ALL)
    assert again == Renderer().fragments(SCENES[name], ALL)


def test_nothing_inline_that_the_policy_forbids() -> None:
    for scene in SCENES.values():
        html = "".join(Renderer().fragments(scene, ALL).values())
        assert (
            not re.search(r"\sstyle=|<style|<script|\son\w+=|javascript:", html) or scene is SCENES["hostile"]
        )


def test_hostile_names_stay_text() -> None:
    html = "".join(Renderer().fragments(SCENES["hostile"], ALL).values())
    assert "<img src=x" not in html
    assert "&lt;img src=x" in html
    assert html.count("{{7*7}}") >= 3
    assert HOSTILE not in html


def test_one_headline_and_never_two_messages_at_once() -> None:
    for name, scene in SCENES.items():
        drawn = Renderer().fragments(scene, ("cue", "order"))
        assert drawn["cue"].count("<h1>") == 1
        if name.startswith("trouble-"):
            assert "<b" not in drawn["order"]


def test_hold_still_is_the_largest_thing_said() -> None:
    html = Renderer().fragments(SCENES["still"], ("cue", "order"))
    assert "<h1>Hold still</h1>" in html["cue"]
    assert "<b" not in html["order"]


@pytest.mark.parametrize("step", Step)
def test_the_bar_has_at_most_four_taps_and_one_main_one(step: Step) -> None:
    for scene in (SCENES["lean-top"], SCENES["ready"], SCENES["start"]):
        for snapshot in (replace(scene, step=step), replace(scene, step=step, paused=True)):
            made = acts(snapshot)
            assert len(made) <= 4
            assert sum("main" in act.look for act in made) <= 1


def test_taps_on_the_cue_carry_its_number() -> None:
    html = Renderer().fragments(SCENES["lean-top"], ("acts",))["acts"]
    for kind in ("take-now", "skip-cue"):
        assert f'"cue": "8", "kind": "{kind}"' in html


def test_far_view_and_phone_say_the_same_cue() -> None:
    for scene in SCENES.values():
        phone = Renderer().fragments(scene, PAGES["phone"])
        far = Renderer().fragments(scene, PAGES["far"])
        assert all(phone[name] == far[name] for name in far)


def test_what_is_spoken_is_what_is_shown() -> None:
    for scene in SCENES.values():
        drawn = Renderer().fragments(scene, ("cue", "signal"))
        headline = re.search(r"<h1>(.*?)</h1>", drawn["cue"], re.DOTALL)
        assert headline
        assert f'data-spoken="{headline.group(1)}' in drawn["signal"]


def turned(snapshot: Snapshot) -> Snapshot:
    return replace(snapshot, operator_faces_cameras=not snapshot.operator_faces_cameras)


def test_coverage_is_mirrored_with_the_operators_side() -> None:
    front = Renderer().fragments(SCENES["lean-top"], ("covered",))["covered"]
    back = Renderer().fragments(turned(SCENES["lean-top"]), ("covered",))["covered"]
    xs = [[float(x) for x in re.findall(r'cx="([\d.]+)" cy="[\d.]+" r="4"', html)] for html in (front, back)]
    assert xs[0] == pytest.approx([100 - x for x in xs[1]], abs=0.11)
    assert "upper right" in front
    assert "upper left" in back


def test_every_instruction_and_part_can_be_drawn() -> None:
    renderer = Renderer()
    for lean in Lean:
        for place in Place:
            for part in Part:
                wish = Instruction(lean, 30, place, Reach.NEARER, Roll.UPRIGHT)
                scene = replace(SCENES["lean-top"], advice=asking(wish, part, Order.MOVE))
                html = renderer.fragments(scene, ("stage",))["stage"]
                assert "nan" not in html
                assert 'role="img"' in html


def test_no_line_ends_between_a_number_and_its_unit() -> None:
    assert unbroken("about 5 %. Wait 30 ms, 2 views, 45 degrees") == (
        "about 5\u00a0%. Wait 30\u00a0ms, 2 views, 45\u00a0degrees"
    )
    over = Say("reason.over goal", {"name": "shape error", "value": 37.1, "unit": "um", "goal": 4.7})
    assert Words().say(over).startswith("shape error: 37.1 µm")


def test_a_proof_view_is_counted_among_its_own_kind() -> None:
    kept, shown = SCENES["kept"], Renderer()
    assert "Views so far: 7" in shown.fragments(kept, ("cue",))["cue"]
    assert kept.advice.cue is not None
    proving = replace(kept.advice, cue=replace(kept.advice.cue, proof=True))
    rows = (*kept.views, replace(kept.views[-1], state="proof"))
    html = Renderer().fragments(replace(kept, advice=proving, views=rows), ("cue",))["cue"]
    assert "Proof views so far: 1" in html


def test_a_ready_that_is_withdrawn_is_as_loud_as_a_trouble() -> None:
    drawn = Renderer().fragments(SCENES["withdrawn"], ("cue", "stage", "signal"))
    assert '<div id="cue" class="cue trouble"' in drawn["cue"]
    assert "No longer ready" in drawn["cue"]
    assert 'data-tone="trouble"' in drawn["signal"]
    assert "Withdrawn" in drawn["stage"]
    assert "report.html" not in drawn["stage"]


def test_figures_have_the_digits_that_mean_something() -> None:
    assert figure(3.14159, "um") == "3.1 µm"
    assert figure(0.0471, "px") == "0.047 px"
    assert figure(244.6, "mm") == "245 mm"
    assert figure(0.000385, "px") == "0.0004 px"
    assert figure(0.0, "px") == "0.000 px"
    assert figure(19.96, "deg") == "20.0°"
    assert share(0.004) == "0.4 %"
    assert share(0.12) == "12 %"
    assert size_of(121_400_220) == "121 MB"
    assert size_of(999) == "999 B"
