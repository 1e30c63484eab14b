"""A session without pictures or processes: sightings made from numbers, looked at and solved here."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from holdstill.loop.worker import do
from holdstill.records import (
    Cue,
    FrameBytes,
    Instruction,
    Lean,
    Place,
    Plate,
    PlateKind,
    Pose,
    Reach,
    Roll,
    Shot,
    ShotReport,
    SimState,
)
from holdstill.session import PlanWork, Work
from solve.sighting_rigs import REFERENCE, Truth, plate_poses, views_of

PLATE = Plate(PlateKind.DOTS, 8, 6, 16.0, dot_diameter_mm=7.0)
CAMERAS = ("left", "right")
RIG = REFERENCE
TRUTH = Truth(PLATE)


class Story:
    """Shots that tell the same whenever they are looked at: number -> sightings."""

    def __init__(self, count: int, seed: int = 1) -> None:
        rng = np.random.default_rng(seed)
        self._views = views_of(TRUTH, plate_poses(rng, count, PLATE, spread_mm=20.0, depth_mm=30.0), rng)
        self._count = count

    def shot(self, number: int, *, single: bool = True) -> Shot:
        """Shot `number`, from 1."""
        name = f"fork_{number:04d}"
        bytes_of = {c: f"{c} {number}".encode() * 50 for c in CAMERAS}
        frames = {c: FrameBytes(c, f"{c}_{name}.png", 1000.0 * number, data=bytes_of[c]) for c in CAMERAS}
        return Shot(number, name, 1000.0 * number, frames, single=single)

    def look(self, shot: Shot) -> ShotReport:
        """What a worker would report."""
        view = self._views[(shot.number - 1) % self._count]
        return ShotReport(
            shot.number, shot.name, shot.taken_at_ms, shot.single, dict(view.sightings), {}, {},
            dict.fromkeys(CAMERAS, (2448, 2048)), dict.fromkeys(CAMERAS, 8),
        )  # fmt: skip


class Here:
    """A `Pool` without a process: functions run at once."""

    restarts = 0

    def __init__(self, instead: dict[Any, Callable[..., Any]] | None = None) -> None:
        self._instead = instead or {}

    async def ready(self) -> None:
        pass

    async def run(self, function: Callable[..., Any], *arguments: Any) -> Any:
        return self._instead.get(function, function)(*arguments)

    def close(self) -> None:
        pass


def think(work: Work) -> object:
    """The real solve and proof; cues that are always the same."""
    if isinstance(work, PlanWork):
        wish = Instruction(Lean.TOP, 25.0, Place.LEFT, Reach.MIDDLE, Roll.LYING)
        return Cue(work.number, wish, Pose((0.3, 0.0, 0.0), (-80.0, -60.0, 650.0)), 0.3, "tilt", work.proof)
    return do(work)


class Silent:
    """A source from which nothing comes by itself."""

    def __init__(self, *, single: bool = True) -> None:
        self.cameras = CAMERAS
        self.single = single

    def start(self, deliver: object, complain: object) -> None:
        pass

    def stop(self) -> None:
        pass

    def advise(self, advice: object) -> None:
        pass

    def control(self, changes: object) -> str | None:
        return "nothing to control"

    def sim_state(self) -> SimState | None:
        return None
