"""The exercise and the rule of stillness as the pages show them."""

from dataclasses import replace

import pytest

from holdstill.intake.simulated import SimulatedSource
from holdstill.records import ExerciseState, Say, StillRule
from holdstill.web.views import PAGES, Renderer
from web.scenes import scenes

SCENES = scenes()
UNDERWAY = ExerciseState(0.0, 120_000.0, False, 2, 1)


def test_the_time_left_stands_at_the_top_and_in_the_card() -> None:
    scene = replace(SCENES["lean-top"], exercise=UNDERWAY, at_ms=38_000.0)
    drawn = Renderer().fragments(scene, ("rail", "exercise"))
    assert "Exercise, 1:25 left" in drawn["rail"]  # in steps of five seconds
    assert "2 kept, 1 not kept" in drawn["exercise"]
    assert "Exercise" not in Renderer().fragments(SCENES["lean-top"], ("rail",))["rail"]


def test_the_result_stands_in_words_with_another_go() -> None:
    says = (Say("exercise.kept", {"count": 5}), Say("exercise.good", {"wanted": 4}))
    done = replace(UNDERWAY, done=True, says=says)
    html = Renderer().fragments(replace(SCENES["lean-top"], exercise=done), ("exercise",))["exercise"]
    assert "5 views kept in two minutes." in html
    assert "Begin the shift." in html
    assert "Start the exercise" in html


def test_a_real_rig_offers_no_exercise() -> None:
    html = Renderer().fragments(replace(SCENES["lean-top"], sim=None), ("exercise",))["exercise"]
    assert "hidden" in html.split(">")[0]


def test_an_exposure_too_long_for_these_hands_is_said() -> None:
    def told(rule: StillRule) -> str:
        return Renderer().fragments(replace(SCENES["lean-top"], still_rule=rule), ("still",))["still"]

    html = told(StillRule(0.2, 8.0, 3.0))
    assert "may move by 0.2 px" in html
    assert "up to about 3 ms" in html
    assert "too long for them" in html
    assert "too long for them" not in told(StillRule(0.2, 2.0, 3.0))
    assert html.count('aria-pressed="true"') == 1


@pytest.mark.parametrize("page", ["phone", "bench"])
def test_a_page_opened_before_the_first_shot_can_be_played_with(page: str) -> None:
    """The panel comes with the page alone: a rig that told only later that it is simulated never got it."""
    source = SimulatedSource()
    scene = replace(SCENES["start"], sim=source.sim_state())
    drawn = Renderer()
    html = drawn.page(
        f"{page}.html", page=page, look="", fragments=drawn.fragments(scene, PAGES[page]), session="fork",
        may_act=True, join=False, simulated=scene.sim is not None,
    )  # fmt: skip
    assert 'id="play"' in html
    assert "data-play " in html
    assert f'data-distance_mm="{source.settings.rig.stand_off_mm:.1f}"' in html
