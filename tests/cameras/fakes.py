"""Two cameras in software on this machine's own network, and the scene before them."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

PROGRAM = Path(__file__).with_name("fake_camera.py")
LEFT, RIGHT = "GV-LEFT", "GV-RIGHT"
ADDRESSES = {LEFT: "127.0.0.1", RIGHT: "127.0.0.2"}


@dataclass
class Fake:
    """One camera: a process of its own."""

    serial: str
    scene: Path
    stage: Path | None = None
    process: subprocess.Popen[str] | None = None

    def power_on(self) -> None:
        """Start it; returns once it answers."""
        self.process = subprocess.Popen(
            [sys.executable, str(PROGRAM), "--address", ADDRESSES[self.serial], "--serial", self.serial,
             "--scene", str(self.scene), *self._staged()],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )  # fmt: skip
        assert self.process.stdout is not None
        assert self.process.stdout.readline().strip() == "running"

    def _seat(self) -> int:
        return 1 + list(ADDRESSES).index(self.serial)

    def _staged(self) -> list[str]:
        return ["--stage", str(self.stage), "--seat", str(self._seat())] if self.stage is not None else []

    def taken(self) -> int:
        """How many frames it has taken so far."""
        assert self.stage is not None
        return int(np.load(self.stage)[self._seat()])

    def power_off(self) -> None:
        """Pull the plug."""
        if self.process is not None:
            self.process.kill()
            self.process.communicate()
            self.process = None

    def unplug(self) -> None:
        """Pull the network cable: nothing is refused, nothing is answered."""
        assert self.process is not None
        self.process.send_signal(signal.SIGSTOP)

    def plug_in(self) -> None:
        """And in again; what was sent meanwhile is answered late."""
        assert self.process is not None
        self.process.send_signal(signal.SIGCONT)

    def tell(self, command: str) -> None:
        """``show N`` or ``lost N`` (per thousand)."""
        assert self.process is not None
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(command + "\n")
        self.process.stdin.flush()
        assert self.process.stdout.readline().strip() == "done"


@dataclass
class Pair:
    """Both cameras."""

    left: Fake
    right: Fake
    both: list[Fake] = field(init=False)

    def __post_init__(self) -> None:
        self.both = [self.left, self.right]

    def taken(self) -> list[int]:
        """How many frames each has taken so far."""
        return [fake.taken() for fake in self.both]


@contextmanager
def cameras(folder: Path, scenes: Sequence[np.ndarray]) -> Iterator[Pair]:
    """Two cameras before these scenes (left's, right's), each uint8 (pictures, rows, columns)."""
    fakes = []
    for serial, scene in zip(ADDRESSES, scenes, strict=True):
        path, stage = folder / f"{serial}.npy", folder / f"{serial}-stage.npy"
        np.save(path, scene)
        np.save(stage, np.zeros(1 + len(ADDRESSES), np.int64))
        fakes.append(Fake(serial, path, stage))
    try:
        for fake in fakes:
            fake.power_on()
        yield Pair(*fakes)
    finally:
        for fake in fakes:
            fake.power_off()
