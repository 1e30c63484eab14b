"""Pictures to a worker through shared memory: 8 MB through a pipe cost 20 ms, copied here 4.

What a shot holds besides its raw pictures (names, times, encoded files) goes the usual way.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from multiprocessing.shared_memory import SharedMemory
from typing import Any, TypeVar

import numpy as np

from holdstill.records import FrameBytes, Picture, Shot, ShotReport

from .pool import Pool
from .worker import look_at

T = TypeVar("T")
_ALIGNED = 64


@dataclass(frozen=True, slots=True)
class Slip:
    """Where a picture lies in the block: camera, offset in bytes, shape, dtype."""

    camera: str
    offset: int
    shape: tuple[int, ...]
    dtype: str


@dataclass(frozen=True, slots=True, eq=False)
class Carried:
    """A shot without its raw pictures, and where these lie."""

    shot: Shot
    block: str
    slips: tuple[Slip, ...]


class CarryingPool(Pool):
    """A `Pool` to which `look_at`'s pictures go through shared memory.

    One block, as large as the largest shot so far: the worker takes one call at a time, and copies
    the pictures before it looks.  Where there is no room for a block, pictures go through the pipe.
    """

    _block: SharedMemory | None = None

    async def run(self, function: Callable[..., T], *arguments: object) -> T:
        """`function(*arguments)` in the worker; see `Pool.run`."""
        if function is look_at and len(arguments) == 1 and isinstance(arguments[0], Shot):
            carried = self._load(arguments[0])
            if carried is not None:
                looked: Any = await super().run(look_at_carried, carried)
                return looked  # type: ignore[no-any-return]
        return await super().run(function, *arguments)

    def close(self) -> None:
        """End the worker, and give the block back."""
        super().close()
        self._drop()

    def _load(self, shot: Shot) -> Carried | None:
        """Copy a shot's raw pictures into the block; None when it has none, or there is no room."""
        pictures = {c: o.image for c, o in shot.originals.items() if isinstance(o, FrameBytes)}
        raw = {c: image for c, image in pictures.items() if image is not None}
        size = sum(-(-image.nbytes // _ALIGNED) * _ALIGNED for image in raw.values())
        if not raw or size == 0 or not self._roomy(size):
            return None
        assert self._block is not None
        slips, offset = [], 0
        for camera, image in raw.items():
            there: Any = np.ndarray(image.shape, image.dtype, self._block.buf, offset)
            there[...] = image
            slips.append(Slip(camera, offset, image.shape, image.dtype.str))
            offset += -(-image.nbytes // _ALIGNED) * _ALIGNED
        bare = {
            c: replace(o, image=None) if c in raw and isinstance(o, FrameBytes) else o
            for c, o in shot.originals.items()
        }
        return Carried(replace(shot, originals=bare), self._block.name, tuple(slips))

    def _roomy(self, size: int) -> bool:
        if self._block is not None and self._block.size >= size:
            return True
        self._drop()
        try:
            self._block = SharedMemory(create=True, size=size)
        except OSError:  # no shared memory here, or a small one
            return False
        return True

    def _drop(self) -> None:
        block, self._block = self._block, None
        if block is not None:
            block.close()
            with contextlib.suppress(OSError):
                block.unlink()


_BLOCKS: dict[str, SharedMemory] = {}
"""The worker process's open block, by its name."""


def look_at_carried(carried: Carried) -> ShotReport:
    """`look_at` a shot whose pictures lie in a block (runs in the worker)."""
    block = _BLOCKS.get(carried.block)
    if block is None:
        for old in _BLOCKS.values():
            old.close()
        _BLOCKS.clear()
        block = _BLOCKS[carried.block] = SharedMemory(carried.block)
    originals = dict(carried.shot.originals)
    for slip in carried.slips:
        there = np.ndarray(slip.shape, np.dtype(slip.dtype), block.buf, slip.offset)
        image: Picture = there.copy()  # it may be kept for longer than the block stays as it is
        original = originals[slip.camera]
        assert isinstance(original, FrameBytes)
        originals[slip.camera] = replace(original, image=image)
    return look_at(replace(carried.shot, originals=originals))
