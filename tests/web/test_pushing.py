"""Frames sent by a script: the documented clients, what is refused, and how a sender is told to wait."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import cv2
import httpx
import numpy as np
import pytest
from websockets.exceptions import ConnectionClosed
from websockets.sync.client import connect

from holdstill.intake.pushed import PushedSource
from intake.patience import patience
from web.fake_deck import Bench
from web.scenes import scenes

DOC = (Path(__file__).parents[2] / "server" / "holdstill" / "docs" / "pushing.md").read_text("utf-8")
PICTURE = np.arange(48 * 64, dtype=np.uint16).reshape(48, 64)


class Sending:
    """A server on loopback over a pushed source; shots are caught as they come."""

    def __init__(self, source: PushedSource | None) -> None:
        self.source = source
        self.shots: list[Any] = []
        self.complaints: list[str] = []
        self.pages = Bench(next(iter(scenes().values())))
        self.pages.frames = source
        self.pages.start()
        if source is not None:
            source.start(self.shots.append, lambda name, camera, message: self.complaints.append(message))

    @property
    def address(self) -> str:
        return f"127.0.0.1:{self.pages.port}"

    @property
    def token(self) -> str:
        return self.pages.access.sender_token

    def post(self, camera: str, body: bytes, **headers: str) -> httpx.Response:
        told = {"Authorization": f"Bearer {self.token}"} | {
            k.replace("_", "-"): v for k, v in headers.items()
        }
        return httpx.post(f"http://{self.address}/frames/{camera}", content=body, headers=told)


@contextmanager
def served(**options: Any) -> Iterator[Sending]:
    bench = Sending(PushedSource(("left", "right"), **options))
    try:
        yield bench
    finally:
        bench.pages.stop()


@pytest.fixture
def bench() -> Iterator[Sending]:
    with served() as made:
        yield made


def png(image: np.ndarray = PICTURE) -> bytes:
    done, data = cv2.imencode(".png", image)
    assert done
    return data.tobytes()


RAW = {"Content_Type": "application/octet-stream", "X_Width": "64", "X_Height": "48"}
RAW["X_Pixel_Format"] = "Mono16"


def test_the_documented_python_client_sends(bench: Sending) -> None:
    (client,) = re.findall(r"```python\n(.*?)```", DOC, re.DOTALL)
    lines = [line for line in client.splitlines() if line.strip()]
    assert len(lines) <= 15
    names: dict[str, Any] = {}
    exec(client, names)  # the very lines that the page shows
    send = names["send"]
    first = send(bench.address, bench.token, "left", png(), shot="a")
    assert first == {"outcome": "taken", "words": "", "complete": False, "replaced": 0}
    second = send(
        bench.address, bench.token, "right", PICTURE.astype("<u2").tobytes(), "application/octet-stream",
        width=64, height=48, pixel_format="Mono16", shot="a", exposure_ms=4.0,
    )  # fmt: skip
    assert second["complete"]
    (shot,) = bench.shots
    assert shot.name == "a"
    assert np.array_equal(shot.originals["right"].image, PICTURE)
    assert shot.originals["right"].exposure_ms == 4.0
    assert shot.originals["left"].data == png()
    assert not shot.single


def test_the_documented_curl_line_sends(bench: Sending, tmp_path: Path) -> None:
    if shutil.which("curl") is None:
        pytest.skip("no curl on this machine")
    command = next(block for block in re.findall(r"```sh\n(.*?)```", DOC, re.DOTALL) if "curl" in block)
    done, data = cv2.imencode(".tif", PICTURE)
    assert done
    (tmp_path / "left_0001.tif").write_bytes(data.tobytes())
    ran = subprocess.run(
        ["sh", "-c", command.replace("127.0.0.1:8765", bench.address)],
        cwd=tmp_path,
        env={"TOKEN": bench.token, "PATH": "/usr/bin:/bin"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr
    assert json.loads(ran.stdout)["outcome"] == "taken"
    told = re.search(r"one line of JSON: `(.*?)`", DOC)
    assert told is not None
    assert json.loads(told.group(1)) == json.loads(ran.stdout)


def test_frames_without_a_shots_name_are_paired_by_when_they_come(
    bench: Sending, monkeypatch: pytest.MonkeyPatch
) -> None:
    patience(monkeypatch, "push_pair_window_s", 60.0)  # two requests take long on a busy machine
    for _ in range(3):
        assert not bench.post("left", PICTURE.tobytes(), **RAW).json()["complete"]
        assert bench.post("right", PICTURE.tobytes(), **RAW).json()["complete"]
    assert [s.number for s in bench.shots] == [1, 2, 3]
    patience(monkeypatch, "push_pair_window_s", 0.2)
    time.sleep(0.3)
    bench.post("left", PICTURE.tobytes(), **RAW)
    time.sleep(0.3)
    assert not bench.post("right", PICTURE.tobytes(), **RAW).json()["complete"]  # too late for that one


def test_only_the_senders_token_opens_and_opens_nothing_else(bench: Sending) -> None:
    address = f"http://{bench.address}/frames/left"
    for header in ({}, {"Authorization": "Bearer wrong"}, {"Authorization": f"Basic {bench.token}"}):
        refused = httpx.post(address, content=b"x", headers=header)
        assert refused.status_code == 403
        assert refused.json()["outcome"] == "refused"
    mine = {"Authorization": f"Bearer {bench.token}"}
    assert httpx.get(f"http://{bench.address}/phone", headers=mine).status_code == 403
    tap = httpx.post(f"http://{bench.address}/tap", data={"kind": "pause"}, headers=mine)
    assert tap.status_code == 403
    assert httpx.post(address, content=b"x", headers={**mine, "Host": "evil.example"}).status_code == 421


def test_guessing_tokens_is_slowed_down(bench: Sending) -> None:
    address = f"http://{bench.address}/frames/left"
    guess = {"Authorization": "Bearer guess"}
    codes = [httpx.post(address, content=b"x", headers=guess).status_code for _ in range(40)]
    assert codes[0] == 403
    assert codes[-1] == 429


@pytest.mark.parametrize(
    ("headers", "body", "words"),
    [
        ({"Content_Type": "text/plain"}, b"x", "text/plain is not taken"),
        ({**RAW, "X_Pixel_Format": "BayerRG8"}, b"x", "Mono12p"),
        ({**RAW, "X_Width": "65"}, PICTURE.tobytes(), "6240 bytes"),
        ({"Content_Type": "application/octet-stream"}, b"x", "X-Width"),
        ({**RAW, "X_Width": "99999999"}, b"x", "32767"),
        (RAW, b"", "empty"),
    ],
)
def test_what_can_not_be_used_is_refused_in_words(
    bench: Sending, headers: Any, body: bytes, words: str
) -> None:
    refused = bench.post("left", body, **headers)
    assert refused.status_code == 422
    assert words in refused.json()["words"]
    assert not bench.shots


def test_a_camera_that_is_not_there_and_headers_that_are_no_numbers(bench: Sending) -> None:
    refused = bench.post("middle", PICTURE.tobytes(), **RAW)
    assert refused.status_code == 422
    assert "left, right" in refused.json()["words"]
    assert bench.post("left", PICTURE.tobytes(), **{**RAW, "X_Exposure_Ms": "long"}).status_code == 422


def test_a_frame_that_is_too_large_is_not_read(bench: Sending, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("holdstill.web.frames.limit", lambda name: 5000.0)
    assert bench.post("left", PICTURE.tobytes(), **RAW).status_code == 413

    def drip() -> Iterator[bytes]:
        for _ in range(10):
            yield b"x" * 1000

    headers = {"Authorization": f"Bearer {bench.token}", "Content-Type": "application/octet-stream"}
    answer = httpx.post(f"http://{bench.address}/frames/left", content=drip(), headers=headers)
    assert answer.status_code == 413  # and no Content-Length had told of it


def test_single_shots_that_come_too_fast_are_told_to_wait_and_none_is_lost() -> None:
    with served(single=True) as bench:
        sent, told_to_wait = 0, 0
        for n in range(8):
            for camera in ("left", "right"):
                answer = bench.post(camera, PICTURE.tobytes(), **RAW, X_Shot=f"{n}")
                while answer.status_code == 429:
                    told_to_wait += 1
                    assert int(answer.headers["Retry-After"]) >= 1
                    bench.source.looked_at(bench.shots[-1].number)  # the loop has caught up meanwhile
                    answer = bench.post(camera, PICTURE.tobytes(), **RAW, X_Shot=f"{n}")
                assert answer.status_code == 202
                sent += 1
        assert told_to_wait > 0
        assert [s.name for s in bench.shots] == [str(n) for n in range(8)]
        assert all(s.single for s in bench.shots)


def test_in_a_stream_the_sender_learns_that_newer_shots_push_older_ones_out(bench: Sending) -> None:
    for n in range(5):
        bench.post("left", PICTURE.tobytes(), **RAW, X_Shot=f"{n}")
        last = bench.post("right", PICTURE.tobytes(), **RAW, X_Shot=f"{n}")
    assert last.json()["replaced"] == 4
    bench.source.looked_at(5)
    bench.post("left", PICTURE.tobytes(), **RAW, X_Shot="5")
    assert bench.post("right", PICTURE.tobytes(), **RAW, X_Shot="5").json()["replaced"] == 4


def test_shots_that_never_get_their_partner_are_told_and_forgotten(bench: Sending) -> None:
    for n in range(12):
        bench.post("left", PICTURE.tobytes(), **RAW, X_Shot=f"{n}")
    assert any("right of shot 0" in c for c in bench.complaints)
    assert len(bench.complaints) >= 6


def message(image: np.ndarray = PICTURE, **told: Any) -> bytes:
    header = {"kind": "application/octet-stream", "width": 64, "height": 48, "pixel_format": "Mono16"}
    text = json.dumps(header | told).encode()
    return len(text).to_bytes(4, "big") + text + image.astype("<u2").tobytes()


def test_a_socket_takes_many_frames_and_answers_each(bench: Sending) -> None:
    mine = {"Authorization": f"Bearer {bench.token}"}
    with (
        connect(f"ws://{bench.address}/frames/left/live", additional_headers=mine) as left,
        connect(f"ws://{bench.address}/frames/right/live", additional_headers=mine) as right,
    ):
        for n in range(20):
            for line in (left, right):
                line.send(message(shot=f"{n}", exposure_ms=2.5))
                assert json.loads(line.recv())["outcome"] == "taken"
        assert len(bench.shots) == 20
        assert bench.shots[-1].originals["left"].exposure_ms == 2.5
        for wrong in (b"", b"\0\0\0\x05hello", message(exposure_ms="long")):
            left.send(wrong)
            assert json.loads(left.recv())["outcome"] == "refused"
        left.send(message(shot="20"))  # the line still stands
        assert json.loads(left.recv())["outcome"] == "taken"


def test_a_socket_without_the_token_is_closed(bench: Sending) -> None:
    with connect(f"ws://{bench.address}/frames/left/live") as line, pytest.raises(ConnectionClosed) as closed:
        line.recv(timeout=2.0)
    assert closed.value.rcvd is not None
    assert closed.value.rcvd.code == 1008


def test_the_interface_is_described_for_machines(bench: Sending) -> None:
    mine = {"Authorization": f"Bearer {bench.token}"}
    told = httpx.get(f"http://{bench.address}/frames/openapi.json", headers=mine)
    assert told.status_code == 200
    post = told.json()["paths"]["/frames/{camera}"]["post"]
    assert set(post["responses"]) >= {"202", "403", "413", "422", "429"}
    assert "image/tiff" in post["requestBody"]["content"]
    assert {p["name"].lower() for p in post["parameters"]} >= {"camera", "x-shot", "x-exposure-ms"}
    assert httpx.get(f"http://{bench.address}/frames/openapi.json").status_code == 403


def test_a_session_over_a_folder_takes_no_frames() -> None:
    bench = Sending(None)
    try:
        answer = bench.post("left", b"x")
    finally:
        bench.pages.stop()
    assert answer.status_code == 404
    assert "--push" in answer.json()["words"]
