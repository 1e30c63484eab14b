"""A second plate on the pages: the form, what is asked, what it says, and why it says nothing."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from holdstill.records import TapKind
from holdstill.web.views import FRAGMENTS, Renderer
from holdstill.web.views.acts import acts
from holdstill.web.views.moment import stage_reads
from web.scenes import scenes

SCENES = scenes()


def words(name: str, fragment: str) -> str:
    html = Renderer().fragments(SCENES[name], (fragment,))[fragment]
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", html))


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("second-looked-for", ["second plate (dots 11x9 12mm±0.003mm): 1 of 3 shots"]),
        ("second-agrees", ["12.0012 ± 0.0007 mm; its own: 12 ± 0.003 mm", "(+0.010 ± 0.03 %)", "to 0.026 %",
                           "96 lengths on it re-measured", "14.2 µm"]),
        ("second-disagrees", ["12.1180", "(+0.983 ± 0.03 %: more than chance)",
                              "One of the two pitches is wrong"]),
        ("second-not-measured", ["is not the plate described"]),
    ],
)  # fmt: skip
def test_the_stage_tells_what_is_known_of_it(name: str, told: list[str]) -> None:
    stage = words(name, "stage")
    for wanted in told:
        assert wanted in stage, (wanted, stage)


def test_one_order_at_a_time_while_it_is_looked_for() -> None:
    assert "1 of 3: show the second plate in another place" in words("second-looked-for", "cue")
    assert "Provisional" not in words("second-looked-for", "stage")
    assert "Enter the baseline" not in words("second-looked-for", "stage")
    (only,) = acts(SCENES["second-looked-for"])
    assert TapKind(only.kind) is TapKind.SECOND_PLATE
    assert not only.values, "without a SPEC it ends"
    assert len(acts(SCENES["second-agrees"])) > 1


def test_the_verdict_keeps_its_remedy_to_itself_while_another_order_stands() -> None:
    """On the wide page the verdict stands beside the cue; the same verdict, drawn before and after."""
    looked_for = SCENES["second-looked-for"]
    away = replace(looked_for, second=replace(looked_for.second, looking=False))
    assert looked_for.verdict.remedy is not None
    drawn = Renderer()
    for scene, told in ((away, True), (looked_for, False), (away, True)):
        html = drawn.fragments(scene, ("verdict",))["verdict"]
        assert "Provisional" in html
        assert ("Enter the baseline" in html) is told


def test_what_it_says_draws_the_stage_anew() -> None:
    assert stage_reads(SCENES["second-agrees"]) != stage_reads(SCENES["second-disagrees"])


def test_the_form_asks_for_the_plate_and_how_well_its_pitch_is_known() -> None:
    snapshot = SCENES["proof"]
    drawn = Renderer()
    page = drawn.page(
        "phone.html", page="phone", look="", fragments=drawn.fragments(snapshot, tuple(FRAGMENTS)),
        session="fork", may_act=True, join=False, simulated=False,
    )  # fmt: skip
    form = page[page.index('value="second-plate"') :]
    form = form[: form.index("</form>")]
    assert 'name="spec"' in form
    assert 'name="sigma_mm"' in form
