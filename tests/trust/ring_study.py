"""A session with many cameras: looked at, kept, solved and shown; what it costs.

``python -m trust.ring_study`` prints one JSON object for two and for eight cameras.
"""

from __future__ import annotations

import asyncio
import dataclasses
import json
import tempfile
import time
from pathlib import Path

import numpy as np

from holdstill import session
from holdstill.archive import Journal, Originals
from holdstill.loop.deck import LoopDeck
from holdstill.loop.runner import Parts, Runner
from holdstill.loop.worker import do, look_at
from holdstill.records import CameraDescription, Estimate, FrameBytes, Shot, ShotReport
from holdstill.records import events as ev
from holdstill.web.views import PAGES, Renderer
from solve.sighting_rigs import LENSES, REFERENCE, Truth, camera_poses, plate_poses, views_of
from trust.made_up import PLATE, Here, Silent, think

VIEWS = 6


def cost_of(cameras: int, folder: Path) -> tuple[float, Estimate]:
    """CPU seconds of a session's whole loop with so many cameras, and its calibration."""
    names = tuple(f"cam{n}" for n in range(cameras))
    truth = Truth(PLATE, (LENSES * 4)[:cameras], camera_poses(cameras, 20.0 / (cameras - 1)), names)
    described = tuple(CameraDescription(n, 2448, 2048, 3.45, 25.0) for n in names)
    rig = dataclasses.replace(REFERENCE, cameras=described)
    rng = np.random.default_rng(3)
    views = views_of(truth, plate_poses(rng, VIEWS, PLATE, spread_mm=15.0, depth_mm=25.0), rng)

    def look(shot: Shot) -> ShotReport:
        seen = dict(views[shot.number - 1].sightings)
        sizes, depths = dict.fromkeys(names, (2448, 2048)), dict.fromkeys(names, 8)
        return ShotReport(shot.number, shot.name, shot.taken_at_ms, True, seen, {}, {}, sizes, depths)

    class Source(Silent):
        def __init__(self) -> None:
            super().__init__()
            self.cameras = names

    async def run() -> Estimate:
        journal = Journal.create(folder)
        journal.append(ev.SessionOpened(0.0, "ring", "ab", PLATE, rig, names, True))
        originals = Originals(folder / "originals", preview_of=lambda p: b"", png_of=lambda p: b"")
        parts = Parts(journal, originals, Source(), Here({look_at: look}), Here({do: think}), lambda: 1.0,
                      lambda state: session.NO_COVERAGE, lambda state: [])  # fmt: skip
        runner = Runner(parts)
        deck = LoopDeck(runner, plate_words="dots", originals=originals, handover_folder=folder,
                        storage=lambda: None)  # fmt: skip
        await runner.start()
        for number in range(1, VIEWS + 1):
            frames = {n: FrameBytes(n, f"{n}.png", 1.0, data=f"{n}{number}".encode()) for n in names}
            runner.arrive(Shot(number, f"{number:04d}", 1.0, frames, single=True))
        end = time.monotonic() + 60.0
        while len(runner.state.estimate_from) < VIEWS:
            assert time.monotonic() < end, (runner.message, runner.state.failure, runner.state.file_messages)
            await asyncio.sleep(0.005)
        html = Renderer().fragments(deck.snapshot(), PAGES["bench"])
        assert all(name in html["eyes"] for name in names)
        estimate = runner.state.estimate
        await runner.stop()
        assert estimate is not None
        return estimate

    began = time.process_time()
    estimate = asyncio.run(run())
    return time.process_time() - began, estimate


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as place:
        out = {}
        cost_of(8, Path(place) / "warm")
        for count in (2, 8):
            cpu_s, estimate = cost_of(count, Path(place) / str(count))
            names = [c.name for c in estimate.cameras]
            out[str(count)] = {"cpu_s": cpu_s, "rms_px": estimate.rms_px, "names": names,
                               "pairs": len(estimate.pairs)}  # fmt: skip
        print(json.dumps(out))
