"""Every cue, order, trouble, step and verdict has words, short enough to be read while moving."""

import itertools
import string

import pytest

from holdstill.phrases import CATALOGUE, say
from holdstill.phrases.cues import cue_detail, cue_headline, order_words, trouble_says, trouble_short
from holdstill.records import Instruction, Lean, Order, Part, Place, Reach, Ready, Roll, Step, Trouble
from holdstill.records.taps import TapKind

EVERY_INSTRUCTION = [
    Instruction(lean, 0.0 if lean is Lean.FLAT else 30.0, place, reach, roll)
    for lean, place, reach, roll in itertools.product(Lean, Place, Reach, Roll)
]
JARGON = ("pose", "calibrat", "extrinsic", "yaw", "pitch", "roll", "homography", "detect", "frustum")


@pytest.mark.parametrize("part", Part)
def test_every_cue_is_a_short_sentence_without_jargon(part: Part) -> None:
    for instruction in EVERY_INSTRUCTION:
        headline = say(cue_headline(instruction, part))
        assert 1 <= len(headline.split()) <= 7
        assert headline[0].isupper()
        assert headline[-1] not in ".!"
        assert not any(word in headline.lower() for word in JARGON)
        assert say(cue_detail(instruction, part))


def test_left_and_right_are_the_operators() -> None:
    cue = cue_headline(Instruction(Lean.LEFT, 30, Place.UPPER_LEFT, Reach.MIDDLE, Roll.LYING), Part.LEAN)
    assert say(cue, faces_cameras=True) == "Turn the right side toward the cameras"
    assert say(cue, faces_cameras=False) == "Turn the left side toward the cameras"
    where = cue_headline(Instruction(Lean.FLAT, 0, Place.UPPER_LEFT, Reach.MIDDLE, Roll.LYING), Part.PLACE)
    assert say(where, faces_cameras=True) == "Move to your upper right"
    assert say(where, faces_cameras=False) == "Move to your upper left"


def test_up_and_down_do_not_depend_on_where_one_stands() -> None:
    for place in (Place.TOP, Place.BOTTOM, Place.CENTRE):
        cue = cue_headline(Instruction(Lean.FLAT, 0, place, Reach.MIDDLE, Roll.LYING), Part.PLACE)
        assert say(cue, faces_cameras=True) == say(cue, faces_cameras=False)


@pytest.mark.parametrize("trouble", Trouble)
def test_every_trouble_has_a_headline_and_a_remedy_of_its_own(trouble: Trouble) -> None:
    for camera, side in itertools.product((None, "left", "cam_2"), (None, "upper left")):
        headline, remedy = (say(part) for part in trouble_says(trouble, camera, side))
        assert 1 <= len(headline.split()) <= 8
        assert remedy.endswith(".")
        assert remedy != headline
    assert 1 <= len(say(trouble_short(trouble)).split()) <= 5


def test_no_two_troubles_say_the_same() -> None:
    for camera in (None, "left"):
        said = [say(trouble_says(trouble, camera, None)[0]) for trouble in Trouble]
        assert len(set(said)) == len(said)
    remedies = [say(trouble_says(trouble, None, None)[1]) for trouble in Trouble]
    assert len(set(remedies)) == len(remedies)


def test_a_cameras_name_is_not_a_side() -> None:
    headline, remedy = trouble_says(Trouble.GLARE, "left", "upper left")
    assert say(headline, faces_cameras=True) == "Glare in camera left"
    assert "upper right" in say(remedy, faces_cameras=True)


def test_every_order_step_verdict_and_tap_has_words() -> None:
    for order in Order:
        assert 1 <= len(say(order_words(order)).split()) <= 3
    for step in Step:
        assert CATALOGUE[f"step.{step.value}"]
        assert CATALOGUE[f"step.{step.value}.what"].endswith(".")
    for ready in Ready:
        assert CATALOGUE[f"verdict.{ready.value}"]
    for kind in TapKind:
        assert CATALOGUE[f"tap.done.{kind.value}"].endswith(".")


def test_every_template_parses() -> None:
    for key, template in CATALOGUE.items():
        names = [name for _, name, _, _ in string.Formatter().parse(template) if name is not None]
        assert all(name.isidentifier() for name in names), key
