"""Hours of pairs through the loop: memory stays where it was after the first thousand."""

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
    "OPENBLAS_NUM_THREADS": "1",
}
MOST_GROWTH = 1.05


def soak(pairs: int, kind: str) -> dict[str, object]:
    command = [sys.executable, "-m", "trust.soak_study", str(pairs), kind]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=7200, env=PATHS)
    assert done.returncode == 0, done.stderr[-2000:]
    told: dict[str, object] = json.loads(done.stdout)
    print(json.dumps(told))
    memory = told["memory"]
    for process in memory["1000"]:
        assert memory[str(pairs)][process] < MOST_GROWTH * memory["1000"][process], process
    assert told["pairs"] == pairs
    assert told["plate found in"] > pairs // 20
    assert told["eye restarts"] == 0
    return told


def test_two_thousand_pairs_take_no_more_memory_than_one_thousand() -> None:
    soak(2000, "sightings")


@pytest.mark.long
def test_a_hundred_thousand_pairs() -> None:
    soak(100_000, "sightings")


@pytest.mark.long
def test_the_eye_over_twenty_thousand_pairs_of_pictures() -> None:
    soak(20_000, "pictures")
