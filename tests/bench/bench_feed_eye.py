"""Two raw pictures of 4 MP to the worker that looks at them, by shared memory and by pipe; and the looking.

pytest -m bench tests/bench/bench_feed_eye.py -s      (a minute)
"""

from __future__ import annotations

import asyncio
import statistics
import time
from collections.abc import Sequence

import numpy as np
import pytest

from bench.bench_feed import TARGET, big_scenes
from holdstill import target
from holdstill.intake.preview import preview_jpeg, saturated_png
from holdstill.loop.carrying import CarryingPool
from holdstill.loop.pool import Pool
from holdstill.loop.worker import Eye, look_at, open_eye
from holdstill.records import FrameBytes, Plate, Shot, Sighting

ROUNDS = 30


def shots(scenes: Sequence[np.ndarray]) -> list[Shot]:
    """One shot of each pose."""
    return [
        Shot(n, f"shot_{n}", 100.0 * n, {
            c: FrameBytes(c, f"{n}_{c}", 100.0 * n, image=scene[n % len(scene)], full_scale=255)
            for c, scene in zip(("left", "right"), scenes, strict=True)
        }, single=False)
        for n in range(1, ROUNDS + 1)
    ]  # fmt: skip


def way_ms(kind: type[Pool], plate: Plate, coming: Sequence[Shot]) -> float:
    """From asking to the answer, less the looking itself: median, ms."""
    pool = kind("eye", longest_s=60.0, first=open_eye, arguments=(plate,))
    took = []
    with asyncio.Runner() as loop:
        try:
            loop.run(pool.ready())
            for shot in coming:
                began = time.perf_counter()
                report = loop.run(pool.run(look_at, shot))
                took.append(1000.0 * (time.perf_counter() - began) - report.took_ms)
        finally:
            pool.close()
    return statistics.median(took[5:])


@pytest.mark.bench
def test_pictures_to_the_eye_and_what_it_costs_to_look() -> None:
    plate, coming = target.parse(TARGET), shots(big_scenes())
    pipe, shared = way_ms(Pool, plate, coming), way_ms(CarryingPool, plate, coming)
    print(f"\n2 x 4 MP to the eye, its report back: {shared:.0f} ms by shared memory, {pipe:.0f} ms by pipe")
    eye = Eye(plate)
    for shot in coming[:5]:
        eye.look_at(shot)
    spent, small = [], []
    for shot in coming[5:]:
        began = time.process_time()
        report = eye.look_at(shot)
        spent.append(1000.0 * (time.process_time() - began))
        assert all(isinstance(s, Sighting) for s in report.sightings.values())
        began = time.process_time()
        for camera, original in shot.originals.items():
            assert isinstance(original, FrameBytes)
            assert original.image is not None
            assert preview_jpeg(original.image, 255)
            saturated_png(original.image, report.measures[camera].clip_level)
        small.append(1000.0 * (time.process_time() - began))
    print(f"looking at 2 x 4 MP: {statistics.median(spent):.0f} ms of CPU, "
          f"of it {statistics.median(small):.0f} for the small pictures")  # fmt: skip
    assert shared < pipe
