"""The Rig, Focus and Light steps' pages: what they say, and what travels with each picture."""

import json
import logging
import re
from dataclasses import replace

import httpx
import pytest

from holdstill.intake.rig_file import read_rig
from holdstill.records import LivePicture, Snapshot
from holdstill.web.live import pack_picture
from holdstill.web.views import Renderer
from holdstill.web.views.acts import acts
from web.fake_deck import TOKEN, bench
from web.setup_scenes import describing, focusing, gauge, hostile, lighting, specimen

STATES = {"focus": focusing(), "light": lighting(), "specimen": specimen(), "rig": describing()}


def drawn(snapshot: Snapshot) -> dict[str, str]:
    return Renderer().fragments(snapshot, ("stage", "setup", "acts"))


def words(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", html))


@pytest.mark.parametrize("name", STATES)
def test_every_state_is_drawn_whole(name: str, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.ERROR):
        html = drawn(STATES[name])
    assert caplog.records == []
    for key, text in html.items():
        assert text.count(f'id="{key}"') == 1
        assert "None" not in words(text)
        assert not re.search(r"\sstyle=|<style|<script|\son\w+=|javascript:", text)


def test_focus_shows_the_routine_and_what_the_aperture_gives() -> None:
    html = drawn(STATES["focus"])
    assert 'data-path="left"' in html["stage"]
    assert 'aria-pressed="true"' in html["stage"]
    assert "4 of 8 Lock the focus ring." in words(html["stage"])
    told = words(html["setup"])
    assert "not needed" in told
    assert "ticked by you" in told
    assert "sharp from 680 to 721 mm: 41 mm deep, up to 1 px of blur" in told
    assert "diffraction 3.2 px" in told
    assert '"kind": "tick"' in html["setup"]


def test_the_stage_of_the_gauge_is_not_sent_again_with_each_reading() -> None:
    renderer = Renderer()
    first = renderer.fragments(STATES["focus"], ("stage",))["stage"]
    setup = STATES["focus"].setup
    other = replace(
        setup, focus=replace(setup.focus, gauges=(gauge("left", 0.5, box=(0, 0, 1, 1)), gauge("right", 0.2)))
    )
    assert renderer.fragments(replace(STATES["focus"], setup=other), ("stage",))["stage"] == first


def test_readings_travel_with_the_picture() -> None:
    picture = LivePicture("left", 4, 0.0, b"jpeg", (2448, 2048), gauge=gauge("left"), turned=True)
    packed = pack_picture(picture)
    length = int.from_bytes(packed[:4], "big")
    told = json.loads(packed[4 : 4 + length])["gauge"]
    assert told["share"] == 0.93
    assert told["closer"] == -1
    assert told["peak"] == 50
    assert len(told["cells"]) == 72
    assert told["parts"][1] == {"name": "centre", "share": 0.99, "passed": True}
    assert told["edge"] == "edges 2.6 px, best 2.1"
    assert len(packed) < 3000


def test_light_tells_stops_milliseconds_and_each_remedy() -> None:
    html = drawn(STATES["light"])
    told = words(html["stage"]) + words(html["setup"])
    assert "0.8 stops brighter: 8.7 ms" in told
    assert "just right" in told
    # The cameras' upper left is the upper right of whoever faces them.
    assert "Glare at the upper right of the plate (right, 4.0 % of it)" in told
    assert "Move the lamp farther out" in told
    assert "flickers" in told
    assert '"kind": "watch-still"' in html["setup"]
    assert "Lamps can be hot and dazzling" in told


def test_setting_the_exposure_is_offered_only_where_it_can_be_set() -> None:
    assert [a.kind for a in acts(STATES["light"])] == ["set-exposure", "enter-step"]
    assert [a.look for a in acts(STATES["light"])] == ["main", ""]
    assert [a.kind for a in acts(STATES["specimen"])] == ["enter-step"]


def test_a_specimen_has_its_own_figures_and_histogram() -> None:
    html = drawn(STATES["specimen"])
    assert html["stage"].count('class="histogram"') == 2
    told = words(html["setup"])
    assert "speckle size 4.9 px" in told
    assert "matching noise 0.006 px" in told
    assert "fastest motion 3.2 mm/s" in told


def test_the_rig_on_paper_with_its_drawing_form_and_what_pictures_tell() -> None:
    html = drawn(STATES["rig"])
    assert "<svg" in html["stage"]
    told = words(html["setup"])
    assert "Turn the right camera 1.6 degrees anticlockwise" in told
    assert "The plate fills only 50 % of the field" in told
    assert "has settled" in told
    assert "still drifts by 6.1 thousandths of a px a minute" in told
    assert "228.0 x 190.8 mm" in told
    assert 'name="stand_off_mm" id="rig-stand_off_mm" value="700"' in html["setup"]


def test_hostile_names_stay_text_here_too() -> None:
    html = "".join(drawn(hostile()).values())
    assert "<img src=x" not in html
    assert "&lt;img" in html


def test_the_rig_as_a_file_and_back_from_a_field(tmp_path) -> None:  # type: ignore[no-untyped-def]
    with bench(describing()) as served, httpx.Client(base_url=served.origin) as client:
        client.get("/join", params={"token": TOKEN})
        file = tmp_path / "rig.toml"
        file.write_bytes(client.get("/rig.toml").content)
        rig, spec = read_rig(file)
        assert rig.cameras == describing().rig.cameras  # type: ignore[union-attr]
        assert spec == "dots 14x10 14mm"
        told = words(client.get("/rig/wanted", params={"field_mm": "250"}).text)
        assert "For a field 250 mm wide" in told
        assert "a 22.9 mm lens" in told
        assert "not a number" in words(client.get("/rig/wanted", params={"field_mm": "x"}).text)
