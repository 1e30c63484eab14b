"""``holdstill serve --cameras`` and ``--push`` as processes: pictures, the cameras' card, a camera exchanged
by a tap and remembered."""

from __future__ import annotations

import argparse
import re
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import cv2
import httpx
import pytest

from cameras.stream_peers import Peer, listening, mjpeg
from flow.serving import PATIENCE_S, Served, served
from holdstill import cli
from holdstill.cli import main
from holdstill.commands.serve import live_source, longest_exposure_ms
from holdstill.errors import BadInput
from holdstill.intake.remembered import Placed, Remembered
from holdstill.intake.webcams import webcams_listed
from holdstill.phrases import say
from holdstill.records import CameraDescription, Rig, Step

DATA = Path(__file__).parents[1] / "data" / "opencv_doc_stereo"
TARGET = ("--target", "chessboard 9x6 25mm")


def board(camera: str) -> Peer:
    """A network camera that looks at a board at rest."""
    picture = cv2.imread(str(DATA / f"{camera}01.jpg"), cv2.IMREAD_GRAYSCALE)
    assert picture is not None
    return Peer(show=lambda number: picture, rate_hz=10.0)


@contextmanager
def joined(running: Served) -> Iterator[httpx.Client]:
    """A phone that has joined."""
    origin = running.origin
    with httpx.Client(base_url=origin, headers={"Origin": origin}, timeout=PATIENCE_S) as client:
        assert client.get(running.link).status_code == 303
        yield client


def test_two_network_cameras_are_coached_over_exchanged_and_remembered(tmp_path: Path) -> None:
    with listening(board("left"), mjpeg) as left, listening(board("right"), mjpeg) as right:
        first, second = (f"http://127.0.0.1:{p.port}/stream" for p in (left, right))
        words = ("serve", "--cameras", f"{first},{second}", *TARGET)
        with served(tmp_path / "home", *words) as running, joined(running) as phone:
            state = running.until(lambda s: s.opened is not None, 60)
            assert state.step is Step.RIG
            assert state.cameras == ("left", "right")
            end = time.monotonic() + PATIENCE_S
            while (page := phone.get("/phone").text).count('class="feed runs"') != 2:
                assert time.monotonic() < end, page
                time.sleep(0.1)
            card = page[page.index('id="feeds"') :]
            assert card.index(first) < card.index(second)
            assert "paired by when they arrive" in card
            assert "switch that off on its own pages" in card
            swapped = phone.post("/tap", data={"kind": "place", "swap": "yes"})
            assert swapped.status_code == 200, swapped.text
            assert "exchanged" in swapped.text
            assert phone.post("/tap", data={"kind": "place", "turn": "45"}).status_code == 409
            light = phone.post("/tap", data={"kind": "set-exposure"})
            assert light.status_code == 409  # a network camera can't be set from here, and that is said
    assert Remembered(tmp_path / "home").recall([first, second]) == [Placed(second), Placed(first)]


def test_frames_sent_to_a_server_become_views(tmp_path: Path) -> None:
    with served(tmp_path / "home", "serve", "--push", "left,right", "--single", *TARGET) as running:
        # the link is printed before the header: read on
        told = ""
        while "Authorization" not in told:
            assert running.process.stdout is not None
            told += running.process.stdout.readline()
        token = re.search(r"Bearer (\S+)", told)
        assert token is not None
        for number in (1, 2):
            for camera in ("left", "right"):
                body = cv2.imencode(".png", cv2.imread(str(DATA / f"{camera}{number:02d}.jpg"), 0))[
                    1
                ].tobytes()
                headers = {
                    "Authorization": f"Bearer {token[1]}",
                    "Content-Type": "image/png",
                    "X-Shot": f"{number}",
                }
                address = f"{running.origin}/frames/{camera}"
                answer = httpx.post(address, content=body, headers=headers, timeout=PATIENCE_S)
                assert answer.status_code == 202, answer.text
        state = running.until(lambda s: len(s.entries) >= 2, 60)
    assert [e.view.name for e in state.entries] == ["1", "2"]
    assert all(len(s.point_ids) == 54 for e in state.entries for s in e.view.sightings.values())


def options(*words: str) -> argparse.Namespace:
    return cli.parser().parse_args(["serve", *words])


def test_the_order_and_turns_of_last_time_are_taken_up(tmp_path: Path) -> None:
    Remembered(tmp_path).keep([Placed("webcam:1", 180), Placed("webcam:0")])
    source = live_source(options("--cameras", "webcam:0,webcam:1"), Rig(), tmp_path)
    assert source.addresses == ("webcam:1", "webcam:0")
    assert source.turns_deg == (180, 0)
    assert source.cameras == ("left", "right")


def test_the_rig_files_names_are_the_cameras_names(tmp_path: Path) -> None:
    rig = Rig(cameras=(CameraDescription("north"), CameraDescription("south")))
    source = live_source(options("--cameras", "webcam:0,webcam:1"), rig, tmp_path)
    assert source.cameras == ("north", "south")


def test_the_longest_exposure_follows_from_the_rig() -> None:
    camera = CameraDescription("left", 2448, 2048, 3.45, 25.0)
    rig = Rig(cameras=(camera,), stand_off_mm=700.0)
    longest_ms = longest_exposure_ms(rig)
    assert longest_ms is not None
    scale_um = 3.45 * (700.0 - 25.0) / 25.0  # thin lens: (s - f) / f
    assert longest_ms == pytest.approx(0.5 * scale_um / 10.0, rel=1e-6)  # half a pixel at 10 mm/s
    assert longest_exposure_ms(Rig()) is None


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--cameras", "what/is/that"), "names no camera"),
        (("--cameras", "webcam:0,webcam:0"), "named twice"),
        (("--cameras", "webcam:0,webcam:1", "--trigger", "software"), "can't be triggered"),
        (("--cameras", "webcam:0", "--region", "big"), "region"),
        (("--cameras", "webcam:0", "--rate", "-3"), "above zero"),
        (("--push", "left,left"), "each once"),
        (("--push", "../left"), "letters and digits"),
    ],
)
def test_what_can_not_be_served_is_refused_in_words(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], told: str
) -> None:
    assert main(["serve", *words, *TARGET, "--home", str(tmp_path)]) == BadInput.exit_status
    assert told in capsys.readouterr().err


def test_without_the_extra_it_is_said_how_to_get_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "viva_genicam", None)
    monkeypatch.setitem(sys.modules, "harvesters", None)
    assert main(["serve", "--cameras", "gige:7", *TARGET, "--home", str(tmp_path)]) == 2
    assert "pip install '.[genicam]'" in capsys.readouterr().err
    assert main(["cameras", "--producer", "maker.cti"]) in (0, 1)  # this machine may have a webcam
    told = capsys.readouterr().out
    assert "pip install '.[genicam]'" in told
    assert "pip install '.[producer]'" in told


def test_webcams_are_listed_with_why_one_can_not_be_used(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("holdstill.intake.webcams._opens", lambda number: number == "0")
    devices, names = tmp_path / "dev", tmp_path / "names"
    devices.mkdir()
    for number, name, index in ((0, "Bench camera", "0"), (1, "Bench camera", "1"), (10, "Other", "0")):
        (devices / f"video{number}").write_bytes(b"")
        (names / f"video{number}").mkdir(parents=True)
        (names / f"video{number}" / "name").write_text(f"{name}\n")
        (names / f"video{number}" / "index").write_text(f"{index}\n")
    listed = webcams_listed(devices, names)
    assert [one.address for one in listed] == ["webcam:0", "webcam:10"]  # the second node gives no pictures
    assert [one.what for one in listed] == ["Bench camera", "Other"]
    assert listed[0].why_not is None
    assert listed[1].why_not is not None
    assert "can't be opened" in say(listed[1].why_not)
