"""A series of the still scene and a recheck by it, through the running loop's own part, on real pictures."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np

from flow.test_flow_recheck import home
from holdstill import session
from holdstill.archive import Journal, Originals
from holdstill.intake.preview import png_of_file, preview_of_file
from holdstill.limits import limit
from holdstill.loop.still import StillLoop
from holdstill.records import FrameBytes, Nothing, Shot, ShotReport
from holdstill.records import events as ev
from holdstill.session import State
from holdstill.session.snapshot import scene_state
from measure.blob_scene import Blobs

__all__ = ["home"]


@dataclass
class Bench:
    """As much of a runner as a series needs, real but for its clock and its worker: the work is done here."""

    state: State
    originals: Originals
    events: list[ev.Event] = field(default_factory=list)

    @property
    def parts(self) -> SimpleNamespace:
        async def run(work: Callable[..., object], *values: object) -> object:
            return work(*values)

        return SimpleNamespace(eye=SimpleNamespace(run=run), originals=self.originals, now_ms=lambda: 5e12)

    async def append(self, event: ev.Event) -> bool:
        self.events.append(event)
        self.state = session.step(self.state, event)
        return True

    async def stored(self, shot: Shot) -> dict[str, str]:
        return {c: self.originals.keep(o) for c, o in shot.originals.items()}


def shot(
    number: int, *, plate: bool = False, knock: tuple[float, float] = (0.0, 0.0)
) -> tuple[Shot, ShotReport]:
    frames, sizes = {}, {}
    for camera, seed in (("left", 1), ("right", 2)):
        image = Blobs(seed).picture(knock if camera == "right" else (0.0, 0.0), seed=100 * number + seed)
        tall = np.vstack([image, image[-32:]])
        data = cv2.imencode(".png", tall)[1].tobytes()
        frames[camera], sizes[camera] = FrameBytes(camera, f"{camera}.png", 0.0, data=data), (640, 512)
    name = f"scene {number}"
    seen: dict[str, object] = dict.fromkeys(frames, Nothing("no lattice"))
    if plate:
        seen["left"] = PLATE
    report = ShotReport(number, name, 1000.0 * number, False, seen, {}, {}, sizes, {})  # type: ignore[arg-type]
    return Shot(number, name, 1000.0 * number, frames, single=False), report


def session_at(home: Path, tmp_path: Path) -> Bench:
    with Journal.read_only(home / "fork") as journal:
        state = session.replay(journal.events())
    return Bench(state, Originals(tmp_path / "originals", preview_of=preview_of_file, png_of=png_of_file))


PLATE: object = None


def test_a_series_then_a_recheck_by_it(home: Path, tmp_path: Path) -> None:
    global PLATE  # noqa: PLW0603 - a real sighting, from the session itself
    bench = session_at(home, tmp_path)
    PLATE = bench.state.entries[0].view.sightings["left"]
    loop = StillLoop(bench)  # type: ignore[arg-type]
    wanted = int(limit("scene_series_frames"))

    async def live() -> None:
        loop.begin()
        assert loop.running
        await loop.take(*shot(1, plate=True))
        assert loop.state is not None
        assert (loop.state.taken, loop.state.why) == (0, "plate")
        for number in range(2, 2 + wanted):
            assert loop.running
            await loop.take(*shot(number))
        assert not loop.running
        kept = [e for e in bench.events if isinstance(e, ev.SceneKept)]
        assert len(kept) == 1
        floors = kept[0].reference.floors
        assert set(floors) == {"left", "right"}
        assert all(f.frames == wanted and 0.003 < f.random_px < 0.03 for f in floors.values())
        told = scene_state(bench.state, None)
        assert told is not None
        assert told.meaning is not None
        assert 0.1 < told.meaning.in_plane_um < 20
        for number in (20, 21, 22):
            assert await loop.recheck(*shot(number))
        for number in (30, 31, 32):
            assert await loop.recheck(*shot(number, knock=(0.5, 0.0)))
        assert not await loop.recheck(*shot(40, plate=True)), "a plate in sight is looked at by the plate"
        results = [e.result for e in bench.events if isinstance(e, ev.Rechecked)]
        assert [(r.moved, r.camera) for r in results] == [(False, None), (True, "right")]
        assert bench.state.withdrawn is not None

    asyncio.run(live())
