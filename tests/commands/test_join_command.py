"""``holdstill join``: links only while a bench answers."""

from __future__ import annotations

import json
import socket
from pathlib import Path

import pytest

from holdstill.cli import main
from holdstill.compose import SERVING_NAME


def served_at(home: Path, port: int) -> None:
    (home / SERVING_NAME).write_text(json.dumps({"address": f"http://127.0.0.1:{port}"}))


def test_a_bench_that_is_gone_gets_no_links(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen()
        port = listener.getsockname()[1]
        served_at(tmp_path, port)
        assert main(["join", "--home", str(tmp_path)]) == 0
        assert f"http://127.0.0.1:{port}/join?token=" in capsys.readouterr().out
    assert main(["join", "--home", str(tmp_path)]) == 2
    told = capsys.readouterr()
    assert "token" not in told.out + told.err
    assert f"No bench answers at http://127.0.0.1:{port}" in told.err


@pytest.mark.parametrize("content", ["", "[]", '{"address": 7}', '{"address": "http://x:99999/"}'])
def test_a_note_that_can_not_be_read_is_told_in_words(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], content: str
) -> None:
    (tmp_path / SERVING_NAME).write_text(content)
    assert main(["join", "--home", str(tmp_path)]) == 2
    assert "No bench" in capsys.readouterr().err
