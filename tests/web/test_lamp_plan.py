"""The lamps on their small plan, and the cue that names the one in the way."""

from dataclasses import replace

from holdstill import session
from holdstill.limits import limit
from holdstill.phrases import say
from holdstill.records import Lamp, Order, Rhythm, ShotReport
from holdstill.records import events as ev
from holdstill.session import Live, replay
from holdstill.web.views import Renderer
from holdstill.web.views.lamplight import HEIGHT, WIDTH, lamp_mark
from holdstill.web.views.words import Words
from session.fabric import cue, opening
from web.scenes import scenes

ASKING = scenes()["place"]
RIGHT = Lamp((300.0, 0.0, -200.0), 5.0, 20.0, 4, "right", (0.6, -0.1, -0.7))


def test_a_lamp_on_the_cameras_right_is_on_the_left_of_who_faces_them() -> None:
    facing = lamp_mark(RIGHT, Words(faces_cameras=True), guilty=False)
    behind = lamp_mark(RIGHT, Words(faces_cameras=False), guilty=False)
    assert facing.x < WIDTH / 2 < behind.x
    assert facing.name == "lamp on your left"
    assert behind.name == "lamp on your right"
    # toward the cameras from the plate: up on paper for who faces them, down for who stands behind
    assert facing.y < HEIGHT / 2 < behind.y


def test_a_lamp_far_away_stays_on_the_paper() -> None:
    far = lamp_mark(replace(RIGHT, bench_share=(9.0, 0.0, -9.0)), Words(), guilty=False)
    assert 0 < far.x < WIDTH
    assert 0 < far.y < HEIGHT


def test_the_plan_names_the_lamp_in_the_way_and_what_to_do() -> None:
    scene = replace(ASKING, lamps=(RIGHT,))
    assert scene.advice.cue is not None
    html = Renderer().fragments(scene, ("lamps",))["lamps"]
    assert "lamp on your left" in html
    assert "in the way" not in html
    blamed = replace(scene, advice=replace(scene.advice, cue=replace(scene.advice.cue, lamp="right")))
    html = Renderer().fragments(blamed, ("lamps",))["lamps"]
    assert "in the way" in html
    assert "The lamp on your left glares where views are still needed. Move it farther out." in html
    assert "hidden" in Renderer().fragments(ASKING, ("lamps",))["lamps"].split(">")[0]


def test_a_lamp_that_one_patch_speaks_for_is_not_drawn_unless_it_is_in_the_way() -> None:
    guess = replace(RIGHT, sightings=1, side="below")
    scene = replace(ASKING, lamps=(RIGHT, guess))
    html = Renderer().fragments(scene, ("lamps",))["lamps"]
    assert "lamp on your left" in html
    assert "lamp below" not in html
    assert scene.advice.cue is not None
    blamed = replace(scene, advice=replace(scene.advice, cue=replace(scene.advice.cue, lamp="below")))
    assert "lamp below" in Renderer().fragments(blamed, ("lamps",))["lamps"]
    only = Renderer().fragments(replace(ASKING, lamps=(guess,)), ("lamps",))["lamps"]
    assert "hidden" in only.split(">")[0]


def test_the_lamp_is_said_once_and_then_the_cue_goes_on() -> None:
    named = replace(cue(1), lamp="above")
    state = replay([opening(), ev.CueSet(1000.0, named)])
    live = Live(report=ShotReport(1, "a", 1000.0, False, {}, {}, {}, {}, {}))
    rhythm = Rhythm("stream", 0.1, 9, proven=True, last_at_ms=1000.0)
    first = session.advise(state, live, rhythm, 1100.0)
    assert say(first.headline) == "A lamp is in the way"
    assert first.remedy is not None
    assert say(first.remedy).endswith("Move it higher.")
    assert first.order is Order.WAIT
    later = session.advise(state, live, rhythm, 1001.0 + limit("lamp_shown_ms"))
    assert later.headline.key.startswith("cue.")
    again = session.step(state, ev.CueSet(2000.0, replace(cue(2), lamp="above")))
    assert session.advise(again, live, rhythm, 2100.0).headline.key.startswith("cue.")
