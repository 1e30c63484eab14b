"""A folder source under test: what it delivered, complained of, and when."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np

from holdstill.intake.folder import FolderSource
from holdstill.records import Shot


def picture(number: int, suffix: str = ".png", size: tuple[int, int] = (24, 32)) -> bytes:
    """A small picture that is different for every number, encoded."""
    image = np.random.default_rng(number).integers(20, 230, size).astype(np.uint8)
    return cv2.imencode(suffix, image)[1].tobytes()


class Watch:
    """Runs a `FolderSource` and keeps what comes out of it."""

    def __init__(self, path: Path, **options: object) -> None:
        self.source = FolderSource(path, **options)  # type: ignore[arg-type]
        self.shots: list[Shot] = []
        self.times: list[float] = []
        self.complaints: list[tuple[str, str | None, str]] = []
        self._changed = threading.Condition()

    def __enter__(self) -> Watch:
        self.source.start(self._deliver, self._complain)
        return self

    def __exit__(self, *_: object) -> None:
        self.source.stop()

    def _deliver(self, shot: Shot) -> None:
        with self._changed:
            self.shots.append(shot)
            self.times.append(time.perf_counter())
            self._changed.notify_all()

    def _complain(self, name: str, camera: str | None, message: str) -> None:
        with self._changed:
            self.complaints.append((name, camera, message))
            self._changed.notify_all()

    def until(self, holds: Callable[[], bool], seconds: float = 40.0) -> bool:
        """Wait until `holds()`; False when it did not within `seconds`."""
        with self._changed:
            return self._changed.wait_for(holds, seconds)

    def until_shots(self, count: int, seconds: float = 40.0) -> bool:
        """Wait for `count` shots."""
        return self.until(lambda: len(self.shots) >= count, seconds)


def told(shot: Shot) -> tuple[int, str, dict[str, str]]:
    """A shot as far as live and finished folders must agree: number, name, files by camera."""
    return shot.number, shot.name, {c: o.name for c, o in shot.originals.items()}
