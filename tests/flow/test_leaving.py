"""Leaving: Ctrl-C, ``kill``, a terminal that is closed. Each time sources and workers are ended and the
journal is closed, so that cameras are set back and nothing is left for another start to wonder about."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from flow.serving import served
from holdstill.archive.examine import examine
from holdstill.archive.findings import Health
from holdstill.compose import leaving

SETS_BACK = """
import sys, time
from pathlib import Path
from holdstill.cli import main
from holdstill.intake.folder import FolderSource

stop = FolderSource.stop
def noted(self):
    stop(self)
    Path(sys.argv[1]).write_text("set back")
FolderSource.stop = noted
words = ["serve", "--watch", sys.argv[2], "--target", "dots 14x10 12mm"]
sys.exit(main([*words, "--home", sys.argv[3], "--port", "0"]))
"""


@pytest.mark.parametrize("by", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_what_was_begun_is_ended_however_one_leaves(tmp_path: Path, by: str) -> None:
    note, shots, home = tmp_path / "note", tmp_path / "shots", tmp_path / "home"
    shots.mkdir()
    program = tmp_path / "program.py"
    program.write_text(SETS_BACK)
    with served(home, program=(str(program), str(note), str(shots), str(home))) as running:
        folder = running.folder()
        running.process.send_signal(getattr(signal, by))
        assert running.process.wait(30) == 0
        assert running.process.stdout is not None
        assert "everything kept is in the journal" in running.process.stdout.read()
    assert note.read_text() == "set back"
    assert {f.health for f in examine(folder)} == {Health.FINE}


def test_one_who_asks_twice_is_not_kept_waiting() -> None:
    code = (
        "import os, signal, sys, time\n"
        "from holdstill.compose import leaving\n"
        "told = []\n"
        "try:\n"
        "    with leaving(lambda: told.append(1)):\n"
        "        os.kill(os.getpid(), signal.SIGINT)\n"
        "        time.sleep(0.1)\n"
        "        assert told == [1]\n"
        "        os.kill(os.getpid(), signal.SIGTERM)\n"
        "        time.sleep(5)\n"
        "except KeyboardInterrupt:\n"
        "    sys.exit(7)\n"
    )
    began = time.monotonic()
    assert subprocess.run([sys.executable, "-c", code], check=False, timeout=60).returncode == 7
    assert time.monotonic() - began < 60


def test_a_program_that_was_told_to_outlive_its_terminal_does() -> None:
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with leaving(lambda: None):
            assert signal.getsignal(signal.SIGHUP) == signal.SIG_IGN
            assert signal.getsignal(signal.SIGTERM) != signal.SIG_DFL
    finally:
        signal.signal(signal.SIGHUP, before)
