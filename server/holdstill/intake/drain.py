"""A camera, drained: opened, read and, when it goes, opened again, in a thread of its own.

Frames are taken over as fast as they come, so that none grows old inside a driver; a watchdog gives
up a driver that hangs and starts another.
"""

from __future__ import annotations

import contextlib
import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from holdstill.limits import limit
from holdstill.records import ClockFit, FeedState, Picture, Say

from .camera import Camera, CameraTrouble, Grab, Losses, Opened
from .clock import Answers, CameraClock, Period, Rate
from .matching import Stamped
from .settings_past import SettingsPast

log = logging.getLogger("holdstill")

_READ_S = 0.25
"""How long one wait for a frame lasts: how soon a feed notices that it is to stop."""

_SETTLED_S = 4.0
"""After so long a stream's rate is its usual one."""


@dataclass(slots=True)
class _Run:
    """One life of a driver's thread; given up when it hangs."""

    camera: Camera
    thread: threading.Thread | None = None
    progress_s: float = 0.0
    given_up: bool = False
    gone: bool = False
    """The camera did not answer a command: no need to wait for its silence."""


class Drain:
    """Keeps one camera's feed running. All methods may be called from any thread.

    name, address
        The camera's name in the session, and how it is reached.
    make
        A new driver for it.
    on_frame
        Hears every frame, with its time and its exposure, on the feed's own thread.
    """

    def __init__(
        self, name: str, address: str, make: Callable[[], Camera], on_frame: Callable[[Drain, Stamped], None]
    ) -> None:
        self.name = name
        self.address = address
        self.turn_deg = 0
        self.slack_s = 0.05
        """How far a frame may seem off its trigger before it is taken for another trigger's."""
        self.opened: Opened | None = None
        self._make, self._on_frame = make, on_frame
        self._lock = threading.RLock()
        self._stop = threading.Event()
        self._run_now: _Run | None = None
        self._state = "opening"
        self._trouble: tuple[Say, Say] | None = None
        self._clock, self._rate, self._period = CameraClock(), Rate(), Period()
        self._past = SettingsPast()
        self._losses: list[tuple[float, Losses]] = []
        self._frames = self._opens = 0
        self._answers = Answers()
        self._size_px: tuple[int, int] | None = None
        self._triggered_s = self._unanswered_s = self._jumped_s = self._began_s = self._last_s = 0.0
        self._usual_hz = 0.0
        self._wanted: tuple[float | None, float | None] = (None, None)

    # -- life --------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin."""
        with self._lock:
            run = _Run(self._make(), progress_s=time.monotonic())
            run.thread = threading.Thread(
                target=self._live, args=(run,), name=f"camera {self.name}", daemon=True
            )
            self._run_now = run
            run.thread.start()

    def stop(self) -> None:
        """End, the camera's own settings put back; gives up on a driver that hangs."""
        self._stop.set()
        run = self._run_now
        if run is not None and run.thread is not None and run.thread is not threading.current_thread():
            run.thread.join(timeout=limit("feed_close_s"))
            run.given_up = True

    def check(self, now_s: float) -> None:
        """The watchdog: a driver that has not come back for long is left behind and replaced."""
        with self._lock:
            run = self._run_now
            if run is None or self._stop.is_set() or now_s - run.progress_s < limit("feed_hang_s"):
                return
            log.info("camera %s hangs in its driver: it is opened anew", self.name)
            run.given_up = True
            self._set("lost", CameraTrouble("hangs", camera=self.name))
            self.start()

    def _live(self, run: _Run) -> None:
        """The thread: open, read until it goes, wait a moment, again."""
        pause_s = limit("feed_retry_s")
        while not self._over(run):
            run.progress_s = time.monotonic()
            try:
                run.gone = False
                opened = run.camera.open()
                if self._over(run):
                    break
                self._begun(opened, run.camera)
                pause_s = limit("feed_retry_s")
                self._read(run)
            except CameraTrouble as trouble:
                if not run.given_up:
                    self._set("ended" if trouble.for_good else "lost", trouble)
                if trouble.for_good:
                    run.camera.close()
                    self._idle(run)
                    return
            except Exception:  # a driver's surprise is one camera's trouble, and no reason to end
                log.exception("the driver of camera %s", self.name)
                if not run.given_up:
                    self._set("lost", CameraTrouble("driver", camera=self.name))
            run.camera.close()
            self.opened = None if not run.given_up else self.opened
            self._wait(run, pause_s)
            pause_s = min(2.0 * pause_s, limit("feed_retry_most_s"))
        run.camera.close()

    def _over(self, run: _Run) -> bool:
        return run.given_up or self._stop.is_set()

    def _idle(self, run: _Run) -> None:
        """Nothing will come any more: the watchdog is told that all is as it should be."""
        run.progress_s = float("inf")

    def _wait(self, run: _Run, seconds: float) -> None:
        run.progress_s = time.monotonic() + seconds
        self._stop.wait(seconds)

    def _read(self, run: _Run) -> None:
        """Take over frames until the feed ends; raises CameraTrouble when the camera has gone."""
        self._last_s = time.monotonic()
        while not self._over(run):
            grab = run.camera.read(_READ_S)
            now = run.progress_s = time.monotonic()
            if run.given_up:
                return
            self._count(run, now)
            if grab is not None:
                self._last_s = now
                self._took(grab)
                continue
            if run.gone:
                raise CameraTrouble("gone", address=self.address)
            if self._fell_silent(now) and self._silent_s(now) > limit("feed_reopen_s"):
                raise CameraTrouble("silent", camera=self.name)

    def _silent_s(self, now_s: float) -> float:
        """How long a frame has been waited for, s."""
        waits = self.opened is not None and self.opened.triggered == "software"
        since_s = self._unanswered_s if waits else self._last_s
        return now_s - since_s if since_s else 0.0

    def _fell_silent(self, now_s: float) -> bool:
        """Whether nothing comes of it any more; it is said so. Asked from outside too: the feed's own thread
        may be held up in the driver meanwhile."""
        with self._lock:
            if self._state not in ("running", "silent") or self._silent_s(now_s) <= limit("feed_silent_s"):
                return False
            if self._packets_come():
                return False  # no frame is whole, which is another trouble than silence
            if self._state == "running":
                self._set("silent", CameraTrouble("silent", camera=self.name))
            return True

    def _begun(self, opened: Opened, camera: Camera) -> None:
        opened = self._as_before(opened, camera)
        with self._lock:
            self.opened = opened
            self._opens += 1
            self._clock, self._period, self._answers = CameraClock(), Period(), Answers()
            self._rate.forget()
            self._past.begin(opened.exposure_ms, opened.gain_db)
            self._losses.clear()
            self._usual_hz = 0.0
            self._began_s = self._last_s = time.monotonic()
            self._triggered_s = self._unanswered_s = 0.0
            self._size_px = opened.size_px or self._size_px
            self._set("running", None)

    def _as_before(self, opened: Opened, camera: Camera) -> Opened:
        """After a break: the exposure and gain that were set before it, set again."""
        exposure_ms, gain_db = self._wanted
        with contextlib.suppress(CameraTrouble):
            if exposure_ms is not None:
                opened = replace(opened, exposure_ms=camera.set_exposure(exposure_ms))
            if gain_db is not None:
                opened = replace(opened, gain_db=camera.set_gain(gain_db))
        return opened

    def _took(self, grab: Grab) -> None:
        with self._lock:
            if grab.camera_s is not None and self._clock.add(grab.camera_s, grab.arrived_s):
                self._jumped_s = grab.arrived_s
            fit = self._clock.fit() if grab.camera_s is not None else None
            at_s = fit.host_s(grab.camera_s) if fit and grab.camera_s is not None else grab.arrived_s
            self._rate.add(grab.arrived_s)
            self._period.add(at_s)
            self._frames += 1
            if self._state != "running":
                self._set("running", None)
            triggered = self.opened is not None and self.opened.triggered == "software"
            if triggered and grab.camera_s is not None:
                behind_s = self._answers.behind_s(
                    grab.camera_s, grab.arrived_s, self._triggered_s, self.slack_s
                )
                if behind_s is None:
                    return  # a frame of an earlier trigger, held up on its way
                at_s = self._triggered_s + behind_s
            if self.turn_deg:
                grab = replace(grab, image=_turned(grab.image, self.turn_deg))
            self._size_px = (grab.image.shape[1], grab.image.shape[0])
            since_s = self._triggered_s if triggered else at_s
            told = self._past.at(since_s, self._period.seconds(), sure=triggered)
            exposure_ms = grab.exposure_ms if grab.exposure_ms is not None else told[0]
            gain_db = grab.gain_db if grab.gain_db is not None else told[1]
            self._unanswered_s = 0.0
        self._on_frame(self, Stamped(grab, at_s, exposure_ms, gain_db))

    def _count(self, run: _Run, now_s: float) -> None:
        """Note the losses so far, once a second, to tell the lately lost share."""
        if not self._losses or now_s - self._losses[-1][0] >= 1.0:
            with self._lock:
                self._losses.append((now_s, run.camera.losses()))
                rate = self._rate.hz(now_s)
                if rate is not None and now_s - self._began_s > _SETTLED_S:  # a stream begins with a burst
                    self._usual_hz = max(0.998 * self._usual_hz, rate)
                over_s = limit("feed_loss_over_s")
                while len(self._losses) > 2 and now_s - self._losses[1][0] > over_s:
                    del self._losses[0]

    def _packets_come(self) -> bool:
        """Whether packets came lately, and too many of them were lost."""
        with self._lock:
            if len(self._losses) < 2 or self.lost_share() <= limit("feed_lost_share"):
                return False
            return self._losses[-1][1].packets > self._losses[-2][1].packets

    def _set(self, state: str, trouble: CameraTrouble | None) -> None:
        with self._lock:
            self._state = state
            self._trouble = (trouble.trouble, trouble.remedy) if trouble is not None else None

    # -- setting -----------------------------------------------------------------------------

    def trigger(self) -> bool:
        """Take one frame now; False when the camera would not."""
        run = self._run_now
        if run is None or self.opened is None:
            return False
        self._triggered_s = time.monotonic()
        self._unanswered_s = self._unanswered_s or self._triggered_s
        try:
            run.camera.trigger()
        except CameraTrouble:
            run.gone = True
            return False
        return True

    def set_exposure(self, exposure_ms: float) -> float:
        """Set the exposure; what the camera then has, ms. Raises CameraTrouble."""
        run, asked_s = self._running(), time.monotonic()
        got = run.camera.set_exposure(exposure_ms)
        with self._lock:
            self._past.changed(asked_s, time.monotonic(), exposure_ms=got)
            self._wanted = (got, self._wanted[1])
        return got

    def set_gain(self, gain_db: float) -> float:
        """Set the gain; what the camera then has, dB. Raises CameraTrouble."""
        run, asked_s = self._running(), time.monotonic()
        got = run.camera.set_gain(gain_db)
        with self._lock:
            self._past.changed(asked_s, time.monotonic(), gain_db=got)
            self._wanted = (self._wanted[0], got)
        return got

    def _running(self) -> _Run:
        run = self._run_now
        if run is None or self.opened is None:
            raise CameraTrouble("away", camera=self.name)
        return run

    # -- telling -----------------------------------------------------------------------------

    @property
    def running(self) -> bool:
        """Whether frames come, or would when triggered."""
        return self._state == "running"

    @property
    def expected(self) -> bool:
        """Whether a shot has to wait for this camera: it runs, or is being opened for the first time."""
        return self._state in ("running", "opening")

    @property
    def ended(self) -> bool:
        """Whether nothing will come any more."""
        return self._state == "ended"

    def answer_s(self) -> float | None:
        """How long its frames take from trigger to here at most, s; None until it is known."""
        return self._answers.longest_s if self._answers.known else None

    @property
    def settled(self) -> bool:
        """Whether it is known how long its answer to a trigger takes on its clock."""
        return self._answers.known or not self.has_clock

    @property
    def has_clock(self) -> bool:
        """Whether its frames carry the camera's own time."""
        return self._clock.fit() is not None

    def jitter_ms(self) -> float | None:
        """Scatter of its arrival times, ms; None where it tells no time of its own."""
        fit = self._clock.fit()
        return fit.jitter_ms if fit is not None else None

    def period_s(self) -> float | None:
        """The usual time between its frames, s."""
        return self._period.seconds()

    def settings(self) -> tuple[float | None, float | None]:
        """Exposure (ms) and gain (dB) as set now."""
        return self._past.now()

    def lost_share(self) -> float:
        """Packets (or frames, where packets are not counted) lost of those sent lately, 0..1."""
        with self._lock:
            if len(self._losses) < 2:
                return 0.0
            (_, first), (_, last) = self._losses[0], self._losses[-1]
        packets = last.packets - first.packets
        lost = last.packets_lost - first.packets_lost + last.packets_again - first.packets_again
        if packets + lost > 0:
            return lost / (packets + lost)
        frames, gone = last.frames - first.frames, last.frames_lost - first.frames_lost
        return gone / (frames + gone) if frames + gone > 0 else 0.0

    def state(self, now_s: float) -> FeedState:
        """The feed as it stands, in numbers and words."""
        self._fell_silent(now_s)
        with self._lock:
            opened, exposure = self.opened, self._past.now()
            trouble = self._trouble or self._passing(now_s)
            exposures = opened.exposure_range_ms if opened else None
            gains = opened.gain_range_db if opened else None
            fit: ClockFit | None = self._clock.fit()
            return FeedState(
                camera=self.name,
                address=self.address,
                what=opened.what if opened else "",
                state=self._state,
                rate_hz=self._rate.hz(now_s),
                frames=self._frames,
                lost_share=self.lost_share(),
                reconnects=max(0, self._opens - 1),
                size_px=self._size_px,
                exposure_ms=exposure[0],
                exposure_most_ms=exposures[1] if exposures else None,
                gain_db=exposure[1],
                gain_most_db=gains[1] if gains else None,
                turn_deg=self.turn_deg,
                automatic=opened.automatic if opened else (),
                clock=fit,
                trouble=trouble[0] if trouble else None,
                remedy=trouble[1] if trouble else None,
                note=opened.note if opened else None,
            )

    def _passing(self, now_s: float) -> tuple[Say, Say] | None:
        """A trouble of a feed that runs: lost packets, a rate that collapsed, a clock that jumped."""
        share = self.lost_share()
        found: CameraTrouble | None = None
        rate, wanted = self._rate.hz(now_s), (self.opened.rate_hz if self.opened else None) or self._usual_hz
        free = self.opened is not None and not self.opened.triggered
        if share > limit("feed_lost_share"):
            found = CameraTrouble("lossy", camera=self.name, percent=100.0 * share)
        elif free and rate is not None and wanted and rate < limit("feed_rate_share") * wanted:
            found = CameraTrouble("slow", camera=self.name, rate_hz=rate, wanted_hz=wanted)
        elif self._jumped_s and now_s - self._jumped_s < limit("feed_told_s"):
            found = CameraTrouble("clock", camera=self.name)
        elif self.opened is not None and self.opened.automatic and self._frames:
            what = ", ".join(self.opened.automatic)
            found = CameraTrouble("automatic", camera=self.name, what=what)
        return (found.trouble, found.remedy) if found is not None else None


def _turned(image: Picture, by_deg: int) -> Picture:
    """A picture turned anticlockwise by a multiple of 90 degrees."""
    turned: Any = np.ascontiguousarray(np.rot90(image, by_deg // 90))
    return turned  # type: ignore[no-any-return]
