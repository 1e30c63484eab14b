"""Killed at random moments and gone on with: nothing lost, and the same end as without."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

TESTS = Path(__file__).parents[1]
PATHS = {
    **os.environ,
    "PYTHONPATH": os.pathsep.join((str(TESTS), str(TESTS.parent / "server"))),
    "OMP_NUM_THREADS": "1",
}


def kill(count: int, seed: int) -> dict[str, int]:
    command = [sys.executable, "-m", "trust.kill_study", str(count), str(seed)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=3000, env=PATHS)
    assert done.returncode == 0, done.stderr[-2000:]
    told: dict[str, int] = json.loads(done.stdout)
    print(told)
    assert told["kills"] >= count
    assert told["lost"] == told["replayed otherwise"] == told["damaged originals"] == 0
    assert told["same end"] == told["sessions"]
    return told


@pytest.mark.skipif(os.name == "nt", reason="needs fork and SIGKILL")
def test_a_killed_session_ends_as_one_that_was_never_interrupted() -> None:
    assert kill(3, 3)["events each"] > 25


@pytest.mark.long
def test_two_hundred_kills() -> None:
    kill(200, 20261125)
