"""Time of a full solve against OpenCV's in the same process, as ratios. Run by hand:

    python -m pytest tests/bench/bench_solve.py -m bench -s
"""

from __future__ import annotations

import time
from collections.abc import Callable

import cv2
import numpy as np
import pytest

from holdstill.records import Estimate, Pose
from holdstill.solve import live_pose, solve
from solve.opencv_peer import calibrate
from solve.sighting_rigs import DOTS, REFERENCE, Truth, plate_poses, views_of


def best_ms(runs: dict[str, Callable[[], object]], rounds: int = 9) -> dict[str, float]:
    """Least CPU time of each, taken in turns so that a busy machine hurts all alike."""
    times: dict[str, list[float]] = {name: [] for name in runs}
    for _ in range(rounds):
        for name, run in runs.items():
            begin = time.process_time()
            run()
            times[name].append(time.process_time() - begin)
    return {name: 1000.0 * min(taken) for name, taken in times.items()}


@pytest.mark.bench
def test_a_full_solve_is_at_least_two_and_a_half_times_faster() -> None:
    cv2.setNumThreads(1)
    rng = np.random.default_rng(1)
    truth = Truth()
    poses = plate_poses(rng, 26, spread_mm=25.0, depth_mm=30.0)
    views = views_of(truth, poses, rng)
    before = solve(DOTS, REFERENCE, views[:-1], cameras=truth.names)
    assert isinstance(before, Estimate)
    times = best_ms({
        "cold": lambda: solve(DOTS, REFERENCE, views, cameras=truth.names),
        "warm": lambda: solve(DOTS, REFERENCE, views, cameras=truth.names, start=before),
        "live pose": lambda: live_pose(DOTS, views[3].sightings, before),
        "opencv": lambda: calibrate(DOTS, views, truth.names),
        "opencv without k3": lambda: calibrate(DOTS, views, truth.names, k3=False),
    })
    print(f"\nOpenCV {cv2.__version__}, 26 views x 140 dots x 2 cameras, CPU ms of one thread")
    for name, taken in times.items():
        print(f"  {name:20s} {taken:7.1f}   {times['opencv'] / taken:5.2f} x")
    assert isinstance(live_pose(DOTS, views[3].sightings, before), Pose)
    assert times["opencv"] / times["cold"] >= 2.5
    assert times["opencv"] / times["warm"] >= 2.5
