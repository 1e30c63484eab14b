"""A simulated rig as a source of shots: a bench that runs in a process of its own.

The picture-making stays out of the server's process, so that pages and sockets stay quick.  The
two talk over a pipe: advice and controls one way; pictures, one at a time and only when the last
was taken over, the other.  A bench whose shots are not fetched draws no more of them: the newest
is always drawn when it is wanted.
"""

from __future__ import annotations

import multiprocessing
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass
from multiprocessing.connection import Connection
from typing import Any

import numpy as np

from holdstill.errors import BadInput
from holdstill.phrases import say
from holdstill.records import Advice, FrameBytes, Rig, Say, Shot, SimState
from holdstill.simulate import Bench, BenchSettings, Change, read

from .source import Complain, Deliver

SHOTS_PER_SECOND = 8.0
"""How often the simulated cameras are triggered (chosen: two pictures of 1.3 MP take 45 ms of CPU)."""


@dataclass(frozen=True, slots=True, eq=False)
class _Taken:
    """A shot on its way from the bench's process."""

    number: int
    taken_at_ms: float
    frames: Mapping[str, FrameBytes]
    facts: Mapping[str, Any]
    state: SimState


class SimulatedSource:
    """A `Source` that runs a `Bench`: a stream of about eight shots per second.

    settings
        The rig, plate, light and operator; default: the demo's. `seed`: of all that is random.
    """

    single = False

    def __init__(
        self,
        settings: BenchSettings | None = None,
        *,
        seed: int = 1,
        shots_per_second: float = SHOTS_PER_SECOND,
    ) -> None:
        self.settings = settings or BenchSettings()
        self.cameras: tuple[str, ...] = tuple(c.name for c in self.settings.rig.cameras)
        self._seed = seed
        self._interval_s = 1.0 / shots_per_second
        self._process: multiprocessing.process.BaseProcess | None = None
        self._pipe: Connection | None = None
        self._send_lock = threading.Lock()
        self._reader: threading.Thread | None = None
        self._state = _at_rest(self.settings)
        self._stopping = threading.Event()

    def described(self) -> Rig:
        """The rig as its owner would describe it, for the session."""
        return self.settings.rig.described(self.settings.plate, self.settings.volume_mm)

    def start(self, deliver: Deliver, complain: Complain) -> None:
        """Start the bench's process and hand over its shots from a thread of this one."""
        if self._process is not None:
            raise RuntimeError("a simulated source is started once")
        context = multiprocessing.get_context("spawn")
        here, there = context.Pipe()
        self._pipe = here
        self._process = context.Process(
            target=_run,
            args=(there, self.settings, self._seed, self._interval_s),
            name="simulated-rig",
            daemon=True,
        )
        self._process.start()
        there.close()
        self._reader = threading.Thread(
            target=self._read, args=(here, deliver, complain), name="simulated-rig", daemon=True
        )
        self._reader.start()

    def stop(self) -> None:
        """End the bench's process; nothing is delivered after this returns."""
        self._stopping.set()
        self._tell(("stop", None))
        if self._process is not None:
            self._process.join(timeout=3.0)
            if self._process.is_alive():
                self._process.terminate()
                self._process.join(timeout=2.0)
        if self._reader is not None and self._reader is not threading.current_thread():
            self._reader.join(timeout=2.0)
        if self._pipe is not None:
            self._pipe.close()
            self._pipe = None

    def advise(self, advice: Advice) -> None:
        """Tell the simulated operator what the coach says."""
        self._tell(("advice", advice))

    def control(self, changes: Mapping[str, str]) -> str | None:
        """Change the bench; None when done, else why not, in words."""
        try:
            change = read(changes)
        except BadInput as refusal:
            return str(refusal)
        if not self._tell(("change", change)):
            return say(Say("simulate.stopped"))
        return None

    def sim_state(self) -> SimState:
        """The controls as of the last shot; before the first, at rest. Never None: a page that is opened
        before any shot came must know that this rig can be played with."""
        return self._state

    def _tell(self, message: tuple[str, object]) -> bool:
        with self._send_lock:
            if self._pipe is None:
                return False
            try:
                self._pipe.send(message)
            except (OSError, ValueError):
                return False
        return True

    def _read(self, pipe: Connection, deliver: Deliver, complain: Complain) -> None:
        while not self._stopping.is_set():
            try:
                if not pipe.poll(0.2):
                    continue
                taken = pipe.recv()
            except (EOFError, OSError):
                break
            if self._stopping.is_set():
                return
            self._state = taken.state
            shot = Shot(
                taken.number,
                f"bench_{taken.number:05d}",
                taken.taken_at_ms,
                taken.frames,
                self.single,
                taken.facts,
            )
            deliver(shot)
            self._tell(("next", None))
        if not self._stopping.is_set():
            complain("simulated rig", None, say(Say("simulate.stopped")))


def _at_rest(settings: BenchSettings) -> SimState:
    """The controls of a bench that nobody has touched: the plate square on, at the stand-off."""
    return SimState(
        visitor_holds=False,
        tilt_x_deg=0.0,
        tilt_y_deg=0.0,
        turn_deg=0.0,
        x_mm=0.0,
        y_mm=0.0,
        distance_mm=settings.rig.stand_off_mm,
        exposure_stops=0.0,
        focus_mm=settings.rig.cameras[0].set_focus_mm,
        glare_lamp=False,
        finger=False,
        shake=False,
    )


def _run(pipe: Connection, settings: BenchSettings, seed: int, interval_s: float) -> None:
    """The bench's process: let time pass, obey, shoot when the last shot was taken over."""
    import signal

    import cv2

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the server's business; it says stop
    cv2.setNumThreads(1)
    bench = Bench(settings, np.random.default_rng(seed))
    advice: Advice | None = None
    wanted = True
    number = 0
    last_s = time.monotonic()
    due_s = last_s
    try:
        while True:
            wait_s = max(due_s - time.monotonic(), 0.0) if wanted else 0.5
            while pipe.poll(wait_s):
                kind, what = pipe.recv()
                if kind == "stop":
                    return
                if kind == "advice":
                    advice = what
                elif kind == "change" and isinstance(what, Change):
                    bench.set(what)
                elif kind == "next":
                    wanted = True
                wait_s = max(due_s - time.monotonic(), 0.0) if wanted else 0.5
            now_s = time.monotonic()
            bench.advance(min(now_s - last_s, 0.5), advice)
            last_s = now_s
            if not wanted or now_s < due_s:
                continue
            number += 1
            now_ms = time.time() * 1e3
            frames = bench.shoot(now_ms)
            wanted = False
            pipe.send(_Taken(number, now_ms, frames, bench.facts(), bench.state()))
            due_s = max(due_s + interval_s, now_s + 0.25 * interval_s)
    except (EOFError, BrokenPipeError, ConnectionResetError):
        return  # the server is gone
