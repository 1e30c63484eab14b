"""Speed of the eye against OpenCV's circle-grid finder, CPU time of one thread in one process.

``PYTHONPATH=server:tests python tests/bench/bench_target_speed.py [VIEWS]`` prints the table of
``docs/eye.md``.  The peer gets a recorded grid of settings (scale, method, blob detector) on the same
pictures: whole plates in random poses with clutter around, seeds apart from those of tuning.  A setting is a
fair peer when it finds the plate in at least 95 % of them; every setting's share is told.
"""

from __future__ import annotations

import itertools
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import cv2
import numpy as np
import pytest

from holdstill import measure
from holdstill.records import Sighting
from holdstill.target import find
from target.paint import paint
from target.scenes import PLATE, pose
from target.study import where

SCALES = (1, 2, 4, 8)
METHODS = {
    "graph": cv2.CALIB_CB_SYMMETRIC_GRID,
    "cluster": cv2.CALIB_CB_SYMMETRIC_GRID | cv2.CALIB_CB_CLUSTERING,
}
STEPS = {
    "as installed": None,
    "sizes told": (50.0, 220.0, 10.0, 2),
    "sizes told, threshold fitted": (60.0, 160.0, 101.0, 1),
}
FIRST_SEED = 31_000
FAIR_SHARE = 0.95


@dataclass
class Row:
    what: str
    found: int = 0
    views: int = 0
    times: list[float] = field(default_factory=list)

    @property
    def ms(self) -> float:
        return float(np.median(self.times)) if self.times else float("nan")

    @property
    def fair(self) -> bool:
        return self.views > 0 and self.found >= FAIR_SHARE * self.views


def cpu_ms(job: Callable[[], object], times: int) -> tuple[float, object]:
    """Least CPU time of one thread, ms, and the job's last result."""
    best, out = np.inf, None
    for _ in range(times):
        begun = time.thread_time()
        out = job()
        best = min(best, time.thread_time() - begun)
    return best * 1e3, out


def peer(image: np.ndarray, scale: int, method: int, steps: tuple[float, float, float, int] | None) -> bool:
    small = image
    if scale > 1:
        small = cv2.resize(image, None, fx=1 / scale, fy=1 / scale, interpolation=cv2.INTER_LINEAR)
    if steps is None:
        return bool(cv2.findCirclesGrid(small, (14, 10), flags=method)[0])
    p = cv2.SimpleBlobDetector_Params()
    p.minThreshold, p.maxThreshold, p.thresholdStep, p.minRepeatability = steps
    p.minArea, p.maxArea, p.minDistBetweenBlobs = 200 / scale**2, 20000 / scale**2, 20 / scale
    detector = cv2.SimpleBlobDetector_create(p)
    return bool(cv2.findCirclesGrid(small, (14, 10), flags=method, blobDetector=detector)[0])


def settings() -> Iterator[tuple[str, tuple[int, int, tuple[float, float, float, int] | None]]]:
    for scale, method, steps in itertools.product(SCALES, METHODS, STEPS):
        yield f"OpenCV 1/{scale}, {method}, {steps}", (scale, METHODS[method], STEPS[steps])


def picture(seed: int, **changes: object) -> tuple[np.ndarray, bool]:
    """A picture, and whether every dot is wholly in it."""
    look = {**pose(np.random.default_rng(FIRST_SEED + seed)), "seed": seed, "clutter": 15, **changes}
    painted = paint(PLATE, **look)
    at, size = painted.points_px, np.array(painted.look.size)
    return painted.image, bool(((at > 40) & (at < size - 41)).all())


def table(views: int, *, peers_timed: int = 1) -> list[Row]:
    """The eye's rows first, then every peer's."""
    eye, track, measured = (
        Row(f"the eye, {what}") for what in ("found and refined", "tracking", "tracking, with frame measures")
    )
    peers = {name: Row(name) for name, _ in settings()}
    seed = -1
    while eye.views < views:
        seed += 1
        image, whole = picture(seed)
        moved, still_whole = picture(seed, centre_px=(1224.0 + 9, 1024.0 - 7))
        if not whole or not still_whole:
            continue
        ms, seen = cpu_ms(lambda i=image: find(i, PLATE, camera="a", full_scale=255), 3)
        note(eye, ms, isinstance(seen, Sighting))
        for row, job in ((track, followed), (measured, followed_and_measured)):
            ms, seen = cpu_ms(lambda i=moved, h=seen, j=job: j(i, h), 3)
            note(row, ms, isinstance(seen, Sighting))
        for name, args in settings():
            ms, found = cpu_ms(lambda i=image, a=args: peer(i, *a), peers_timed)
            note(peers[name], ms, bool(found))
    return [eye, track, measured, *peers.values()]


def followed(image: np.ndarray, hint: Sighting) -> object:
    return find(image, PLATE, camera="a", full_scale=255, hint=hint)


def followed_and_measured(image: np.ndarray, hint: Sighting) -> object:
    seen = find(image, PLATE, camera="a", full_scale=255, hint=hint)
    assert isinstance(seen, Sighting)
    measure.frame_measures(image, camera="a", full_scale=255, plate=PLATE, sighting=seen)
    return seen


def note(row: Row, ms: float, found: bool) -> None:
    row.views += 1
    row.found += found
    row.times.append(ms)


@pytest.fixture(scope="module")
def rows() -> list[Row]:
    cv2.setNumThreads(1)
    return table(60)  # of 20, 19 found would pass for 95 % by chance


def fair(rows: list[Row], *, fitted: bool = True) -> list[Row]:
    """The fair peers; without those told a threshold fitted to these very pictures unless `fitted`."""
    return [row for row in rows[3:] if row.fair and (fitted or "fitted" not in row.what)]


@pytest.mark.bench
def test_the_eye_is_faster_than_every_fair_peer_that_was_told_no_threshold(rows: list[Row]):
    eye, track = rows[:2]
    assert eye.fair
    assert track.ms < 0.75 * eye.ms
    assert all(row.ms > eye.ms for row in fair(rows, fitted=False))


@pytest.mark.bench
@pytest.mark.xfail(strict=True, reason="clustering at 1/4 size takes 2.2 times the eye's time, not 2.5")
def test_the_eye_is_two_and_a_half_times_faster_than_them(rows: list[Row]):
    assert all(row.ms >= 2.5 * rows[0].ms for row in fair(rows, fitted=False))


@pytest.mark.bench
@pytest.mark.xfail(
    strict=True, reason="clustering at 1/2 size told one fitted threshold takes 0.3 of the eye's time"
)
def test_the_eye_is_two_and_a_half_times_faster_than_every_fair_peer(rows: list[Row]):
    assert all(row.ms >= 2.5 * rows[0].ms for row in fair(rows))


@pytest.mark.bench
@pytest.mark.xfail(strict=True, reason="tracking takes 0.63 of finding")
def test_tracking_is_twice_as_fast_as_finding(rows: list[Row]):
    assert rows[1].ms <= 0.5 * rows[0].ms


def main() -> None:
    cv2.setNumThreads(1)
    rows = table(int(sys.argv[1]) if len(sys.argv) > 1 else 60)
    print(
        f"Made at {where()}.\n\n| what | plate found | CPU ms a picture | over the eye's |\n|---|---|---|---|"
    )
    for row in rows:
        fair = "" if row.fair else " (too seldom)"
        print(f"| {row.what} | {row.found} / {row.views}{fair} | {row.ms:.1f} | {row.ms / rows[0].ms:.2f} |")


if __name__ == "__main__":
    main()
