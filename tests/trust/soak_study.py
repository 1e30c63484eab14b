"""So many pairs through the whole loop at full speed: eye, runner, deck and pages; memory along the way.

``python -m trust.soak_study PAIRS pictures|sightings`` prints one JSON object.  With pictures the real eye
looks at them in its process; with sightings what it would report is made up, which is quicker.
"""

from __future__ import annotations

import asyncio
import json
import os
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from holdstill import session
from holdstill.archive import Journal, Originals
from holdstill.loop.deck import LoopDeck
from holdstill.loop.pool import Pool, resident_bytes
from holdstill.loop.runner import Parts, Runner
from holdstill.loop.worker import look_at, open_eye
from holdstill.records import FrameBytes, Nothing, Plate, PlateKind, Shot, ShotReport
from holdstill.records import events as ev
from holdstill.web.views import PAGES, Renderer
from trust import made_up
from trust.made_up import CAMERAS, RIG, Silent

PLATE = Plate(PlateKind.DOTS, 6, 5, 16.0, dot_diameter_mm=8.0, dark_dots=False)
STILL = 30
"""Pictures that are drawn once, and then sent again and again."""


def pictures() -> list[dict[str, np.ndarray]]:
    """Small pairs: the plate at a few places, empty ones and overexposed ones among them."""
    rng = np.random.default_rng(2)
    out = []
    for number in range(STILL):
        pair = {}
        for camera in CAMERAS:
            image = np.full((104, 124), 30, np.uint8)
            if number % 10:
                shift = rng.uniform(-4, 4, 2)
                for x in range(6):
                    for y in range(5):
                        at = (int(16 * (17 + 18 * x + shift[0])), int(16 * (16 + 18 * y + shift[1])))
                        cv2.circle(image, at, 16 * 5, 200, -1, cv2.LINE_AA, 4)
            if number % 10 == 5:
                image[30:60, 40:80] = 255
            noisy = cv2.GaussianBlur(image, (0, 0), 0.8) + rng.normal(0, 1.5, image.shape)
            pair[camera] = np.clip(noisy, 0, 255).astype(np.uint8)
        out.append(pair)
    return out


def shots(pairs: int) -> Iterator[Shot]:
    drawn = pictures()
    for number in range(1, pairs + 1):
        at_ms = 100.0 * number
        images = drawn[number // 5 % STILL]
        frames = {c: FrameBytes(c, f"{c}_{number}", at_ms, image=images[c], full_scale=255) for c in CAMERAS}
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


async def soak(folder: Path, pairs: int, marks: set[int], *, drawn: bool) -> dict[str, object]:
    plate = PLATE if drawn else made_up.PLATE
    journal = Journal.create(folder)
    journal.append(ev.SessionOpened(0.0, "soak", "ab", plate, RIG, CAMERAS, False))
    story = made_up.Story(STILL)
    pool = Pool("eye", longest_s=20.0, first=open_eye, arguments=(PLATE,)) if drawn else None
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
    await runner.start()
    await eye.ready()
    await mind.ready()
    began = time.monotonic()
    for shot in shots(pairs) if drawn else (story.shot(n, single=False) for n in range(1, pairs + 1)):
        now[0] = shot.taken_at_ms
        runner.arrive(shot)
        while runner.live.shots < shot.number:
            await runner.changes.after(runner.changes.now)
        found += len(runner.live.sightings) == len(CAMERAS)
        if shot.number % 20 == 0:
            renderer.fragments(deck.snapshot(), PAGES["bench"])
            for camera in CAMERAS:
                assert deck.live(camera) is not None
        if shot.number in marks:
            memory[shot.number] = sizes(pool)
            print(shot.number, memory[shot.number], runner.message, file=sys.stderr, flush=True)
    took = time.monotonic() - began
    state = runner.state
    await runner.stop()
    return {"pairs": pairs, "seconds": round(took, 1), "plate found in": found, "events": state.events,
            "kept": len(state.entries), "eye restarts": eye.restarts, "memory": memory}  # fmt: skip


if __name__ == "__main__":
    count, drawn = int(sys.argv[1]), sys.argv[2] == "pictures"
    points = {1000, *(count * k // 10 for k in range(1, 11))}
    with tempfile.TemporaryDirectory(prefix="soak-") as place:
        print(json.dumps(asyncio.run(soak(Path(place) / "s", count, points, drawn=drawn))))
