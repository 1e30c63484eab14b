"""``holdstill serve`` as a process: killed and started again, a port that is taken."""

import json
import shutil
import socket
from pathlib import Path

import pytest

from flow.serving import served
from holdstill import session
from holdstill.cli import main

DATA = Path(__file__).parents[1] / "data" / "opencv_doc_stereo"
NUMBERS = (1, 2, 3, 4, 5, 6, 7, 8, 9, 11, 12, 13, 14)


def drop(folder: Path, number: int) -> None:
    """One shot, as a camera program writes it: to a name of its own, then the partner."""
    for camera in ("left", "right"):
        shutil.copyfile(DATA / f"{camera}{number:02d}.jpg", folder / f"{camera}{number:02d}.jpg")


def test_a_killed_server_goes_on_where_it_was_and_loses_no_view(tmp_path: Path) -> None:
    watched, home = tmp_path / "shots", tmp_path / "home"
    watched.mkdir()
    words = ("serve", "--watch", str(watched), "--target", "chessboard 9x6 25mm", "--name", "fork")
    with served(home, *words) as first:
        for number in NUMBERS[:5]:
            drop(watched, number)
        before = first.until(lambda s: len(s.entries) >= 5, 60)
        first.kill()
    kept = [e.view.name for e in before.entries]
    for number in NUMBERS[5:8]:
        drop(watched, number)
    with served(home, *words) as second:
        after = second.until(lambda s: len(s.entries) == 8 and len(s.estimate_from) == 8, 90)
        folder = second.folder()
    assert [e.view.name for e in after.entries][:5] == kept
    assert len({e.view.name for e in after.entries}) == 8
    digests = {d for e in after.entries for d in e.view.originals.values()}
    assert len(digests) == 16
    files = {p.name.split(".")[0] for p in (folder / "originals").glob("??/*")}
    assert digests <= files


def test_a_taken_port_is_told_in_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        words = ["serve", "--watch", str(tmp_path), "--target", "chessboard 9x6 25mm"]
        assert main([*words, "--home", str(tmp_path / "home"), "--port", str(port)]) == 2
    told = capsys.readouterr().err
    assert str(port) in told
    assert "--port" in told


def test_a_folder_that_is_not_there_is_told_in_words(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["serve", "--watch", str(tmp_path / "no"), "--target", "chessboard 9x6 25mm"]
    assert main([*words, "--home", str(tmp_path / "home")]) == 2
    assert "is not a folder" in capsys.readouterr().err


def test_sessions_are_listed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    watched, home = tmp_path / "shots", tmp_path / "home"
    watched.mkdir()
    with served(
        home, "serve", "--watch", str(watched), "--target", "chessboard 9x6 25mm", "--name", "fork"
    ) as running:
        drop(watched, 1)
        state = running.until(lambda s: len(s.entries) == 1, 60)
    assert session.verdict(state).state.value == "not yet"
    assert main(["sessions", "--home", str(home), "--json"]) == 0
    listed = json.loads(capsys.readouterr().out)
    assert "fork" in json.dumps(listed)
