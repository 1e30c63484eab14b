"""A camera that goes slow, jumps in time, falls silent, hangs or surprises: what its feed makes of it."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

import numpy as np
import pytest

from holdstill.intake import drain as drain_room
from holdstill.intake.camera import CameraTrouble, Grab, Losses, Opened
from holdstill.intake.drain import Drain
from holdstill.intake.matching import Stamped
from holdstill.limits import limit
from holdstill.phrases import say

HANG_S = 2.0
"""Longer than a busy machine holds up a thread that does not hang."""
PICTURE = np.full((4, 6), 7, np.uint8)


class Scripted:
    """A camera that does as a test says: its period, its clock, whether it answers."""

    address = "scripted"

    def __init__(self) -> None:
        self.period_s = 0.02
        self.rate_hz: float | None = 50.0
        self.ahead_s = 1000.0
        self.silent = False
        self.hang = threading.Event()
        self.surprise: Exception | None = None
        self.opens = self.closes = 0
        self.number = 0
        self.exposures: list[float] = []

    def open(self) -> Opened:
        self.opens += 1
        return Opened("scripted", (6, 4), 10.0, (0.1, 100.0), 0.0, (0.0, 20.0), rate_hz=self.rate_hz)

    def read(self, timeout_s: float) -> Grab | None:
        if self.hang.is_set():
            threading.Event().wait(120.0)
        if self.surprise is not None:
            raise self.surprise
        if self.silent:
            time.sleep(min(timeout_s, 0.05))
            return None
        time.sleep(self.period_s)
        self.number += 1
        now_s = time.monotonic()
        return Grab(PICTURE, 255, now_s, now_s + self.ahead_s, self.number)

    def close(self) -> None:
        self.closes += 1

    def set_exposure(self, exposure_ms: float) -> float:
        self.exposures.append(exposure_ms)
        return exposure_ms

    def set_gain(self, gain_db: float) -> float:
        return gain_db

    def trigger(self) -> None:
        raise CameraTrouble("gone", address=self.address)

    def losses(self) -> Losses:
        return Losses(packets=10 * self.number, frames=self.number)


class Watched:
    """A feed over scripted cameras; each new driver is the next of them."""

    def __init__(self, *cameras: Scripted) -> None:
        self.frames: list[Stamped] = []
        waiting = list(cameras)
        self.drain = Drain("left", "scripted", lambda: waiting.pop(0), lambda d, f: self.frames.append(f))
        self.drain.start()

    def until(self, done: Callable[[], bool], seconds: float = 30.0) -> None:
        end = time.monotonic() + seconds
        while not done():
            assert time.monotonic() < end, self.state()
            self.drain.check(time.monotonic())
            time.sleep(0.01)

    def state(self) -> str:
        return f"{self.drain.state(time.monotonic())}"

    def trouble(self) -> str:
        told = self.drain.state(time.monotonic()).trouble
        return say(told) if told is not None else ""


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Patience that fits a test."""
    shorter = {
        "feed_silent_s": 0.3, "feed_reopen_s": 0.8, "feed_hang_s": HANG_S, "feed_retry_s": 0.05,
        "feed_close_s": 0.2,
    }  # fmt: skip
    monkeypatch.setattr(drain_room, "limit", lambda name: shorter.get(name, limit(name)))


def test_a_rate_that_collapses_is_told_with_both_figures() -> None:
    camera = Scripted()
    watched = Watched(camera)
    watched.until(lambda: len(watched.frames) > 20 and watched.trouble() == "")
    camera.period_s = 0.2
    watched.until(lambda: "of 50.0 pictures a second" in watched.trouble())
    camera.period_s = 0.02
    watched.until(lambda: watched.trouble() == "")
    watched.drain.stop()


def test_a_clock_that_jumps_is_told_and_frames_go_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(drain_room, "_SETTLED_S", 1e9)  # no rate is usual, so none is a trouble here
    camera = Scripted()
    camera.rate_hz = None
    watched = Watched(camera)
    watched.until(lambda: len(watched.frames) > 40)
    camera.ahead_s = -5000.0
    count = len(watched.frames)
    watched.until(lambda: len(watched.frames) > count + 40)
    assert "clock" in watched.trouble()
    newest = watched.frames[-1]
    assert newest.at_s == pytest.approx(newest.grab.arrived_s, abs=0.05)
    watched.drain.stop()


@pytest.mark.usefixtures("quick")
def test_a_camera_that_falls_silent_is_said_so_then_opened_again_with_its_exposure() -> None:
    camera = Scripted()
    again = Scripted()
    watched = Watched(camera, again)
    watched.until(lambda: len(watched.frames) > 5)
    watched.drain.set_exposure(4.0)
    camera.silent = True
    watched.until(lambda: "sends nothing" in watched.trouble())
    watched.until(lambda: len(camera.exposures) >= 2)
    camera.silent = False
    count = len(watched.frames)
    watched.until(lambda: watched.drain.running and len(watched.frames) > count + 5)
    assert camera.opens >= 2
    assert set(camera.exposures) == {4.0}
    assert watched.frames[-1].exposure_ms in (4.0, None)
    watched.drain.stop()
    assert camera.closes >= 2


@pytest.mark.usefixtures("quick")
def test_a_driver_that_hangs_is_left_behind_and_replaced() -> None:
    stuck, fresh = Scripted(), Scripted()
    watched = Watched(stuck, fresh, Scripted())
    watched.until(lambda: len(watched.frames) > 5)
    stuck.hang.set()
    watched.until(lambda: fresh.opens == 1)
    count = len(watched.frames)
    watched.until(lambda: len(watched.frames) > count + 5)
    assert watched.drain.running
    watched.drain.stop()
    assert stuck.hang.is_set()  # it hangs to this moment, and nobody has waited for it
    assert stuck.closes == 0


@pytest.mark.usefixtures("quick")
def test_silence_is_told_while_the_driver_still_holds_its_thread_up() -> None:
    camera = Scripted()
    watched = Watched(camera)
    watched.until(lambda: len(watched.frames) > 5)
    camera.hang.set()
    end = time.monotonic() + 20.0
    while watched.drain.state(time.monotonic()).state != "silent":  # nobody looks after the driver here
        assert time.monotonic() < end, watched.state()
        time.sleep(0.01)
    assert "sends nothing" in watched.trouble()
    assert camera.opens == 1
    watched.drain.stop()


@pytest.mark.usefixtures("quick")
def test_a_drivers_surprise_is_one_cameras_trouble() -> None:
    camera = Scripted()
    watched = Watched(camera)
    watched.until(lambda: len(watched.frames) > 5)
    camera.surprise = ZeroDivisionError("inside a driver")
    watched.until(lambda: "driver" in watched.trouble())
    camera.surprise = None
    watched.until(lambda: watched.drain.running)
    watched.drain.stop()


@pytest.mark.usefixtures("quick")
def test_a_recording_that_is_over_is_not_opened_again() -> None:
    before = set(threading.enumerate())
    camera = Scripted()
    watched = Watched(camera)
    watched.until(lambda: len(watched.frames) > 5)
    camera.surprise = CameraTrouble("ended", for_good=True, address="scripted")
    watched.until(lambda: watched.drain.ended)
    watched.until(lambda: camera.closes == 1)
    watched.drain.check(time.monotonic() + 100.0)
    watched.until(lambda: set(threading.enumerate()) <= before)  # nobody is left who could
    assert camera.opens == 1
    watched.drain.stop()
