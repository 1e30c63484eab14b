"""The simulated rig before two cameras on the wire: a program that serves the coach over them.

    python staged_rig.py --home DIR --folder DIR [--seed N] [--size full]

A process of its own moves the simulated operator as the coach advises, and draws what the cameras
see; the cameras are programs of their own (``fake_camera.py``) and put the newest drawing on the wire
when they are triggered.  Nothing is drawn while a trigger is being answered: both cameras always see
the same instant.
"""

from __future__ import annotations

import argparse
import multiprocessing
import signal
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from multiprocessing.connection import Connection
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT / "server"), str(ROOT / "tests")]

from cameras.fakes import ADDRESSES, LEFT, RIGHT, Fake  # noqa: E402
from holdstill.commands.demo import OPERATOR, taped  # noqa: E402
from holdstill.commands.welcome import welcome  # noqa: E402
from holdstill.compose import Serving, serve  # noqa: E402
from holdstill.intake import addresses  # noqa: E402
from holdstill.intake.camera import Wishes  # noqa: E402
from holdstill.intake.live import LiveSource  # noqa: E402
from holdstill.intake.simulated import SimulatedSource  # noqa: E402
from holdstill.records import Advice, Step  # noqa: E402
from holdstill.simulate import Bench, BenchSettings  # noqa: E402

SLOTS = 4
EXPOSURE_MS = 5.0
"""What `fake_camera.USUAL_MS` is: the drawings are made for it."""


class Stage:
    """The drawings of both cameras in shared files, and which of them is on."""

    def __init__(self, folder: Path, size_px: tuple[int, int]) -> None:
        shape = (SLOTS, size_px[1], size_px[0])
        self.files = {serial: folder / f"{serial}.npy" for serial in ADDRESSES}
        self.scenes = [np.lib.format.open_memmap(path, "w+", np.uint8, shape) for path in self.files.values()]
        self.board = folder / "stage.npy"
        self.state = np.lib.format.open_memmap(self.board, "w+", np.int64, (1 + len(ADDRESSES),))

    def put_on(self, pictures: list[np.ndarray]) -> None:
        """Put the next drawings on, in a moment in which no camera is half-way through a round."""
        slot = (int(self.state[0]) + 1) % SLOTS
        for scene, picture in zip(self.scenes, pictures, strict=True):
            scene[slot] = picture
        end = time.monotonic() + 1.0
        while time.monotonic() < end:
            before = tuple(self.state[1:])
            time.sleep(0.004)
            if len(set(before)) == 1 and tuple(self.state[1:]) == before:
                break
        self.state[0] += 1


def perform(pipe: Connection, folder: Path, settings: BenchSettings, seed: int, interval_s: float) -> None:
    """The bench's process: the operator hears the advice and moves; what the cameras see is drawn."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    bench = Bench(settings, np.random.default_rng(seed))
    stage = Stage(folder, settings.rig.cameras[0].lens.size_px)
    advice: Advice | None = None
    last_s, ready = time.monotonic(), False
    while True:
        began_s = time.monotonic()
        while pipe.poll(0):
            heard = pipe.recv()
            if heard is None:
                return
            advice = heard
        bench.advance(min(began_s - last_s, 0.5), advice)
        last_s = began_s
        frames = bench.shoot(0.0)
        stage.put_on([frames[c.name].image for c in settings.rig.cameras])
        if not ready:
            ready = True
            pipe.send("ready")
        time.sleep(max(0.0, interval_s - (time.monotonic() - began_s)))


class HeardSource(LiveSource):
    """Cameras, and an operator who hears what the coach says."""

    hear: Callable[[Advice], None]

    def advise(self, advice: Advice) -> None:
        """Pass on to the operator."""
        self.hear(advice)


def main() -> int:
    """Serve until told to stop."""
    p = argparse.ArgumentParser()
    p.add_argument("--home", type=Path, required=True)
    p.add_argument("--folder", type=Path, required=True)
    p.add_argument("--seed", type=int, default=1)
    p.add_argument("--rate", type=float, default=8.0)
    p.add_argument("--step", default="poses")
    given = p.parse_args()
    given.folder.mkdir(parents=True, exist_ok=True)
    settings = BenchSettings(skill=OPERATOR)
    context = multiprocessing.get_context("spawn")
    here, there = context.Pipe()
    bench = context.Process(
        target=perform, args=(there, given.folder, settings, given.seed, 1.0 / given.rate), daemon=True
    )
    bench.start()
    assert here.recv() == "ready"
    fakes = [Fake(s, given.folder / f"{s}.npy", stage=given.folder / "stage.npy") for s in (LEFT, RIGHT)]
    try:
        for fake in fakes:
            fake.power_on()
        named = addresses.parse_all(f"gige:{LEFT},gige:{RIGHT}")
        size = settings.rig.cameras[0].lens.size_px
        wishes = addresses.resolved(
            named, Wishes(region=(0, 0, *size), exposure_ms=EXPOSURE_MS, rate_hz=given.rate)
        )
        source = HeardSource(
            [(a.given, addresses.driver(a, wishes)) for a in named],
            [c.name for c in settings.rig.cameras],
            triggered=True,
            rate_hz=given.rate,
        )
        source.hear = here.send
        serving = Serving(home=given.home, name="Fork rig on two cameras", port=0, fresh=True)
        serving.settings["auto_hand_over"] = True
        serving.first_step = Step(given.step)
        rig = replace(taped(SimulatedSource(settings, seed=given.seed)), name="fork rig")
        return serve(serving, source, settings.plate, rig, ready=welcome("coaching over two cameras"))
    finally:
        here.send(None)
        for fake in fakes:
            fake.power_off()
        bench.join(3.0)


if __name__ == "__main__":
    sys.exit(main())
