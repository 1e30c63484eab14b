"""So many pairs through the whole loop at full speed: eye, runner, deck and pages; memory along the way.

``python -m trust.soak_study PAIRS pictures|sightings [SECONDS]`` prints one JSON object; after so many
seconds it ends with the pairs it has had.  With pictures, which the simulated bench draws (2 x 1.3 MP), the
real eye looks at them in its process; with sightings what it would report is made up, which is quicker.
"""

from __future__ import annotations

import asyncio
import json
import os
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from flow.bench_run import BenchRun
from holdstill import session
from holdstill.archive import Journal, Originals
from holdstill.loop.deck import LoopDeck
from holdstill.loop.pool import Pool, resident_bytes
from holdstill.loop.runner import Parts, Runner
from holdstill.loop.worker import look_at, open_eye
from holdstill.records import FrameBytes, Nothing, Shot, ShotReport
from holdstill.records import events as ev
from holdstill.simulate import BenchSettings
from holdstill.web.views import PAGES, Renderer
from trust import made_up
from trust.made_up import CAMERAS, RIG, Silent

BENCH = BenchSettings()
STILL = 30
"""Pairs that are drawn once, and then sent again and again, each for some pictures as if held still."""
APART = 4
"""Shots of the bench from one of them to the next: half a second, in which the simulated operator moves."""


def pictures() -> list[Mapping[str, FrameBytes]]:
    """Pairs of the simulated bench while its operator does as the coach says: plate, hands, the glare and
    the plate half out of the picture that come of it."""
    run = BenchRun(BENCH, seed=2)
    out = []
    for number in range(STILL * APART):
        run.shot()
        if number % APART == APART - 1:
            out.append(run.bench.shoot(run.now_ms))
    return out


def shots(pairs: int, drawn: Sequence[Mapping[str, FrameBytes]]) -> Iterator[Shot]:
    for number in range(1, pairs + 1):
        at_ms = 100.0 * number
        frames = {
            c: replace(f, name=f"{c}_{number}", taken_at_ms=at_ms)
            for c, f in drawn[number // 5 % STILL].items()
        }
        yield Shot(number, f"live {number}", at_ms, frames, single=False)


def sizes(eye: Pool | None) -> dict[str, int]:
    """Memory in use of this process and of the eye's (bytes)."""
    out = {"loop": resident_bytes(os.getpid()) or 0}
    for worker in (eye._executor._processes or {}).values() if eye is not None else ():
        out["eye"] = resident_bytes(worker.pid or 0) or 0
    return out


def told(story: made_up.Story, shot: Shot) -> ShotReport:
    """A made-up report, each of its poses held for some pictures, with small pictures to pass on; in nine
    of ten there is no plate, as while it is carried about or lies on the bench."""
    previews = dict.fromkeys(CAMERAS, os.urandom(30_000))
    if shot.number // 5 % 10:
        none = dict.fromkeys(CAMERAS, Nothing("no plate"))
        return replace(story.look(replace(shot, number=1)), number=shot.number, name=shot.name,
                       taken_at_ms=shot.taken_at_ms, sightings=none, previews=previews)  # fmt: skip
    held = replace(shot, number=1 + shot.number // 5 % STILL)
    report = story.look(held)
    return replace(report, number=shot.number, previews=previews)


async def soak(folder: Path, pairs: int, *, drawn: bool, longest_s: float) -> dict[str, object]:
    step = 500 if drawn else max(1000, pairs // 10)
    marks = {1000, *range(step, pairs + 1, step)}
    plate = BENCH.plate if drawn else made_up.PLATE
    rig = BENCH.rig.described(BENCH.plate, BENCH.volume_mm) if drawn else RIG
    journal = Journal.create(folder)
    journal.append(ev.SessionOpened(0.0, "soak", "ab", plate, rig, CAMERAS, False))
    story = made_up.Story(STILL)
    pool = Pool("eye", longest_s=20.0, first=open_eye, arguments=(plate,)) if drawn else None
    eye = pool or made_up.Here({look_at: lambda shot: told(story, shot)})
    mind = Pool("mind", longest_s=120.0)
    originals = Originals(folder / "originals", preview_of=lambda p: b"", png_of=lambda p: b"")
    now = [0.0]
    parts = Parts(journal, originals, Silent(single=False), eye, mind, lambda: now[0],
                  lambda state: session.NO_COVERAGE, lambda state: [])  # fmt: skip
    runner = Runner(parts)
    deck = LoopDeck(runner, plate_words="dots", originals=originals, handover_folder=folder / "hand-over",
                    storage=lambda: None)  # fmt: skip
    renderer, found, memory = Renderer(), 0, {}
    coming = shots(pairs, pictures()) if drawn else (story.shot(n, single=False) for n in range(1, pairs + 1))
    await runner.start()
    await eye.ready()
    await mind.ready()
    began = time.monotonic()
    for shot in coming:
        now[0] = shot.taken_at_ms
        runner.arrive(shot)
        while runner.live.shots < shot.number:
            await runner.changes.after(runner.changes.now)
        found += len(runner.live.sightings) == len(CAMERAS)
        if shot.number % 20 == 0:
            renderer.fragments(deck.snapshot(), PAGES["bench"])
            for camera in CAMERAS:
                assert deck.live(camera) is not None
        over = time.monotonic() - began > longest_s
        if shot.number in marks or shot.number == pairs or over:
            memory[shot.number] = sizes(pool)
            print(shot.number, memory[shot.number], runner.message, file=sys.stderr, flush=True)
        if over:
            break
    took = time.monotonic() - began
    state = runner.state
    await runner.stop()
    return {"pairs": max(memory), "seconds": round(took, 1), "plate found in": found, "events": state.events,
            "kept": len(state.entries), "eye restarts": eye.restarts, "memory": memory}  # fmt: skip


if __name__ == "__main__":
    count, drawn = int(sys.argv[1]), sys.argv[2] == "pictures"
    longest_s = float(sys.argv[3]) if len(sys.argv) > 3 else float("inf")
    with tempfile.TemporaryDirectory(prefix="soak-") as place:
        print(json.dumps(asyncio.run(soak(Path(place) / "s", count, drawn=drawn, longest_s=longest_s))))
