"""Pictures through shared memory: the worker sees exactly what was sent, and nothing is left behind."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from multiprocessing.shared_memory import SharedMemory

import numpy as np
import pytest

from holdstill import target
from holdstill.loop import carrying
from holdstill.loop.carrying import CarryingPool
from holdstill.loop.pool import Pool
from holdstill.loop.worker import look_at, open_eye
from holdstill.records import FrameBytes, Shot, ShotReport, picture_digest

PLATE = target.parse("chessboard 9x6 25mm")


def shot(number: int, *pictures: np.ndarray) -> Shot:
    frames = {
        c: FrameBytes(c, f"{number}_{c}", 5.0, image=p, full_scale=255 if p.dtype == np.uint8 else 4095,
                      exposure_ms=3.0)
        for c, p in zip(("left", "right"), pictures, strict=False)
    }  # fmt: skip
    return Shot(number, f"shot_{number}", 5.0, frames, False, {"apart_ms": 0.5})


def random(shape: tuple[int, int], seed: int, dtype: type = np.uint8) -> np.ndarray:
    return np.random.default_rng(seed).integers(0, 255, shape).astype(dtype)


@contextmanager
def looking(kind: type[Pool] = CarryingPool) -> Iterator[Callable[[Shot], ShotReport]]:
    """A pool with an eye; asks it for reports."""
    pool = kind("eye", longest_s=60.0, first=open_eye, arguments=(PLATE,))
    with asyncio.Runner() as loop:
        loop.run(pool.ready())
        try:
            yield lambda one: loop.run(pool.run(look_at, one))
        finally:
            pool.close()


def test_the_worker_sees_what_was_sent() -> None:
    with looking() as ask:
        for number in range(4):
            pictures = [random((97, 131), 10 * number + c) for c in range(2)]
            report = ask(shot(number, *pictures))
            assert dict(report.digests) == {
                c: picture_digest(p) for c, p in zip(("left", "right"), pictures, strict=True)
            }
            assert report.exposure_ms == {"left": 3.0, "right": 3.0}
            assert report.apart_ms == 0.5
        large = [random((240, 320), 77, np.uint16), random((240, 320), 78, np.uint16)]
        assert ask(shot(9, *large)).refused  # another depth than this eye began with: seen, and said
        one_only = random((97, 131), 5)
        assert ask(shot(10, one_only)).digests == {"left": picture_digest(one_only)}


def test_nothing_is_left_in_shared_memory() -> None:
    pool = CarryingPool("eye", longest_s=60.0)
    try:
        small, large = shot(1, random((8, 8), 1)), shot(2, random((64, 64), 2), random((64, 64), 3))
        first, second = pool._load(small), pool._load(large)
        assert first is not None
        assert second is not None
        assert first.block != second.block  # it grew, and the small one is gone already
        again = pool._load(small)
        assert again is not None
        assert again.block == second.block
    finally:
        pool.close()
    for block in (first.block, second.block):
        with pytest.raises(FileNotFoundError):
            SharedMemory(block)


def test_where_there_is_no_shared_memory_pictures_go_through_the_pipe(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def refuse(*given: object, **named: object) -> None:
        raise OSError("no room")

    monkeypatch.setattr(carrying, "SharedMemory", refuse)
    picture = random((97, 131), 3)
    with looking() as ask:
        assert ask(shot(1, picture)).digests == {"left": picture_digest(picture)}


def test_encoded_frames_go_as_they_are() -> None:
    pool = CarryingPool("eye", longest_s=60.0)
    try:
        frame = FrameBytes("left", "a", 0.0, data=b"not a picture")
        assert pool._load(Shot(1, "a", 0.0, {"left": frame}, True)) is None
    finally:
        pool.close()
