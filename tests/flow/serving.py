"""A real ``holdstill`` server as a process of its own, for tests."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from holdstill.archive import Journal
from holdstill.session import State, replay

ROOT = Path(__file__).parents[2]
PATIENCE_S = 180.0
"""How long a server is waited for: the first on a new machine compiles its loops, beside other tests."""


@dataclass
class Served:
    """A running server: how to join it, and where its sessions are."""

    process: subprocess.Popen[str]
    link: str
    home: Path

    @property
    def origin(self) -> str:
        return self.link.split("/join")[0]

    def folder(self) -> Path:
        """The one session's folder."""
        (only,) = [p for p in self.home.iterdir() if (p / "journal.sqlite").is_file()]
        return only

    def state(self) -> State:
        """The session as its journal tells it now."""
        with Journal.read_only(self.folder()) as journal:
            return replay(journal.events())

    def until(self, done, seconds: float) -> State:  # type: ignore[no-untyped-def]
        """The state once ``done(state)``; fails after so many seconds, or what a busy machine needs."""
        last = time.monotonic() + max(seconds, PATIENCE_S)
        while time.monotonic() < last:
            state = self.state()
            if done(state):
                return state
            assert self.process.poll() is None, "the server ended"
            time.sleep(0.2)
        raise AssertionError(f"not within {max(seconds, PATIENCE_S)} s")

    def kill(self) -> None:
        """As a power cut would: the whole process group at once."""
        os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait(10)


@contextmanager
def served(
    home: Path, *words: str, seconds: float = PATIENCE_S, program: tuple[str, ...] = ()
) -> Iterator[Served]:
    """``holdstill WORDS`` with its sessions in `home`, on a free port; or another `program` that
    prints the link to join."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT / "server"), "PYTHONUNBUFFERED": "1"}
    places = ("--home", str(home), "--port", "0")  # a --port among the words comes later, and counts
    cli = ("-m", "holdstill.cli", "--verbose", *words[:1], *places, *words[1:])
    process = subprocess.Popen(
        [sys.executable, *(program or cli)],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env=environment,
        start_new_session=True,
    )
    try:
        yield Served(process, _link(process, seconds), home)
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
            with suppress(subprocess.TimeoutExpired):
                process.wait(10)
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait(10)
        if process.stdout is not None:
            process.stdout.close()


def _link(process: subprocess.Popen[str], seconds: float) -> str:
    assert process.stdout is not None
    last = time.monotonic() + seconds
    told = []
    while time.monotonic() < last:
        line = process.stdout.readline()
        if not line and process.poll() is not None:
            break
        told.append(line)
        found = re.search(r"https?://[0-9.]+:\d+/join\?token=\S+", line)
        if found:
            return found.group()
    raise AssertionError("the server did not start:\n" + "".join(told))
