"""Eight cameras in one session, at a cost that grows with their number and not faster."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

TESTS = Path(__file__).parents[1]
PATHS = {
    **os.environ,
    "PYTHONPATH": os.pathsep.join((str(TESTS), str(TESTS.parent / "server"))),
    "OMP_NUM_THREADS": "1",  # as in the workers
    "OPENBLAS_NUM_THREADS": "1",
}


def test_eight_cameras_cost_no_more_than_their_share() -> None:
    command = [sys.executable, "-m", "trust.ring_study"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=300, env=PATHS)
    assert done.returncode == 0, done.stderr[-2000:]
    told = json.loads(done.stdout)
    two, eight = told["2"], told["8"]
    print(f"six views: 2 cameras {two['cpu_s']:.2f} s of CPU, 8 cameras {eight['cpu_s']:.2f} s")
    assert eight["names"] == [f"cam{n}" for n in range(8)]
    assert eight["pairs"] >= 7
    assert 0.5 * two["rms_px"] < eight["rms_px"] < 2.0 * two["rms_px"]
    assert eight["cpu_s"] < 8.0 * two["cpu_s"]
