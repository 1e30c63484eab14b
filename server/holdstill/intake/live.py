"""Cameras as a source of shots: feeds drained side by side, their frames put together."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping, Sequence

from holdstill.limits import limit
from holdstill.records import Advice, FeedsState, FrameBytes, Shot, SimState

from .camera import Camera
from .drain import Drain
from .exposing import Exposing, Setting, carry_out
from .matching import ByNumber, ByTime, Stamped, Together, apart_ms
from .refusals import words
from .source import Complain, Deliver, shot_name

Maker = tuple[str, Callable[[], Camera]]
"""How a camera is reached, in words, and what makes a driver for it."""


class LiveSource:
    """A `Source` over one or more cameras: a stream.

    makers
        One per camera, in order. `names`: the cameras' names in the session, in order.
    triggered
        True: the cameras wait for a software trigger, which this source gives them together.
    numbered
        True: the frames' own numbers tell which belong together (videos recorded together).
    rate_hz
        How many shots per second at most.
    longest_ms
        The longest exposure that may be set (motion blur, as the caller worked it out); None: only
        what frame rate and camera allow.
    turns_deg
        By how much each camera's pictures are turned, anticlockwise.
    """

    single = False

    def __init__(
        self,
        makers: Sequence[Maker],
        names: Sequence[str],
        *,
        triggered: bool = False,
        numbered: bool = False,
        rate_hz: float | None = None,
        longest_ms: float | None = None,
        turns_deg: Sequence[int] = (),
    ) -> None:
        if len(makers) != len(names) or not makers:
            raise ValueError("one name per camera is wanted, and at least one camera")
        self._names = tuple(names)
        self._drains = [
            Drain(n, address, make, self._frame) for n, (address, make) in zip(names, makers, strict=True)
        ]
        for drain, turn in zip(self._drains, turns_deg, strict=False):
            drain.turn_deg = turn
        for drain in self._drains:
            drain.slack_s = limit("feed_trigger_slack_share") / (rate_hz or limit("feed_rate_hz"))
        self._triggered, self._numbered = triggered, numbered
        self._interval_s = 1.0 / (rate_hz or limit("feed_rate_hz"))
        self._exposing = Exposing(longest_ms, self._interval_s)
        self._lock = threading.Condition()
        self._round_lock = threading.Lock()
        self._match: ByTime | ByNumber = self._matcher()
        self._waited_for: set[Drain] = set()
        self._round: dict[str, Stamped] = {}
        self._round_s = self._round_at_s = 0.0
        self._number = self._looked = 0
        self._delivered_s = 0.0
        self._to_set: list[Setting] = []
        self._apart: tuple[float | None, float | None] = (None, None)
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._deliver: Deliver = lambda shot: None
        self._complain: Complain = lambda name, camera, message: None
        self.changed: Callable[[], object] = lambda: None
        """Called when cameras were swapped or turned, so that it can be remembered."""

    # -- the source's door -------------------------------------------------------------------

    @property
    def cameras(self) -> tuple[str, ...]:
        """Camera names in order, left before right."""
        return self._names

    def start(self, deliver: Deliver, complain: Complain) -> None:
        """Open the cameras; shots come from a thread of this source."""
        self._deliver, self._complain = deliver, complain
        for drain in self._drains:
            drain.start()
        self._thread = threading.Thread(target=self._run, name="cameras", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Close the cameras, their own settings put back; nothing is delivered after this returns."""
        self._stop.set()
        with self._lock:
            self._lock.notify_all()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join()
        ending = [threading.Thread(target=d.stop, daemon=True) for d in self._drains]
        for thread in ending:
            thread.start()
        for thread in ending:
            thread.join()

    def advise(self, advice: Advice) -> None:
        """Cameras do not listen."""

    def sim_state(self) -> SimState | None:
        """Not simulated."""
        return None

    def control(self, changes: Mapping[str, str]) -> str | None:
        """Set exposure or gain, swap or turn cameras; None when done, else why not, in words.

        ``exposure``: a change in stops, or ``auto`` (back to what the cameras had);
        ``exposure_ms``, ``gain_db``: values; ``camera``: which one, default all, together.
        ``swap``: ``yes`` exchanges the first two; ``turn``: 90, 180 or 270 degrees more.
        """
        if "swap" in changes:
            return self._swap()
        chosen = [d for d in self._drains if changes.get("camera") in (None, "", d.name)]
        if not chosen:
            return words("no-such-camera", name=changes["camera"], known=", ".join(self._names))
        if "turn" in changes:
            return self._turn(chosen, changes["turn"])
        settings, why_not = self._exposing.plan(chosen, changes)
        with self._lock:
            self._to_set += settings
            self._lock.notify_all()
        return why_not

    def looked_at(self, number: int) -> None:
        """The loop is done with this shot: the next one will not have to wait."""
        with self._lock:
            self._looked = max(self._looked, number)
            self._lock.notify_all()

    def feeds(self) -> FeedsState:
        """What is told of the cameras themselves."""
        now = time.monotonic()
        pairing = "numbers" if self._numbered else "trigger" if self._triggered else "times"
        if pairing == "times" and not all(d.has_clock for d in self._drains):
            pairing = "arrival"
        return FeedsState(
            feeds=tuple(d.state(now) for d in self._drains),
            pairing=pairing if len(self._drains) > 1 else "",
            apart_ms=self._apart[0],
            apart_sure_ms=self._apart[1],
            shots=self._number,
            unpaired=self._match.unpaired,
        )

    @property
    def turns_deg(self) -> tuple[int, ...]:
        """By how much each camera's pictures are turned."""
        return tuple(d.turn_deg for d in self._drains)

    @property
    def addresses(self) -> tuple[str, ...]:
        """How the cameras are reached, in the order of `cameras`."""
        return tuple(d.address for d in self._drains)

    # -- left, right and which way up --------------------------------------------------------

    def _swap(self) -> str | None:
        if len(self._drains) < 2:
            return words("no-two-cameras")
        with self._round_lock, self._lock:
            first, second = self._drains[:2]
            first.name, second.name = second.name, first.name
            self._drains[:2] = [second, first]
            self._match = self._matcher()
            self._round.clear()
            self._waited_for.clear()
        self.changed()
        return None

    def _turn(self, chosen: Sequence[Drain], by: str) -> str | None:
        if by not in ("90", "180", "270"):
            return words("bad-turn", got=by)
        for drain in chosen:
            drain.turn_deg = (drain.turn_deg + int(by)) % 360
        self.changed()
        return None

    # -- putting frames together -------------------------------------------------------------

    def _matcher(self) -> ByTime | ByNumber:
        return ByNumber(self._names) if self._numbered else ByTime(self._names)

    def _frame(self, drain: Drain, frame: Stamped) -> None:
        """A frame of one camera, on that camera's thread."""
        with self._lock:
            if self._stop.is_set():
                return
            if self._triggered:
                if drain in self._waited_for:
                    self._waited_for.discard(drain)
                    self._round[drain.name] = frame
                    self._lock.notify_all()
                return
            among = [d.name for d in self._drains if d.expected]
            shot = self._match.add(drain.name, frame, self._window_s(), among)
        if shot is not None and set(shot) <= set(self._names):
            self._hand_on(shot)

    def _window_s(self) -> float:
        """The most that may lie between the frames of one shot: half the quickest camera's period."""
        periods = [p for d in self._drains if (p := d.period_s()) is not None]
        return 0.55 * min(periods) if periods else 0.5 * self._interval_s

    def _hand_on(self, shot: Together) -> None:
        """Deliver the frames of one instant, unless the last shot is hardly older than the rate allows."""
        with self._lock:
            now = time.monotonic()
            early = now - self._delivered_s < 0.6 * self._interval_s
            busy = self._looked < self._number and now - self._delivered_s < limit("feed_eye_wait_s")
            if self._stop.is_set() or (not self._numbered and (early or (busy and self._number > 1))):
                return
            self._number += 1
            self._delivered_s = now
            number = self._number
            self._apart = self._how_far_apart(shot)
        wall_ms = 1000.0 * (time.time() - time.monotonic())
        began_s = self._round_at_s if self._triggered else max(f.at_s for f in shot.values())
        name = shot_name(wall_ms + 1000.0 * began_s)
        frames = {
            camera: FrameBytes(
                camera,
                f"{name}_{camera}",
                wall_ms + 1000.0 * (self._round_at_s if self._triggered else shot[camera].at_s),
                image=shot[camera].grab.image,
                full_scale=shot[camera].grab.full_scale,
                exposure_ms=shot[camera].exposure_ms,
                gain_db=shot[camera].gain_db,
            )
            for camera in self._names
            if camera in shot
        }
        taken_ms = max(f.taken_at_ms for f in frames.values())
        facts = {"apart_ms": self._apart[0]} if self._apart[0] is not None else {}
        self._deliver(Shot(number, name, taken_ms, frames, self.single, facts))

    def _how_far_apart(self, shot: Together) -> tuple[float | None, float | None]:
        """How far apart the frames were taken and how sure that is, ms; None: not known."""
        if len(shot) < 2:
            return (None, None)
        if self._numbered:
            return (0.0, 0.0)
        if self._triggered and all(d.has_clock for d in self._drains if d.name in shot):
            return (apart_ms(shot), 1000.0 * self._round_s)
        jitters = [d.jitter_ms() for d in self._drains if d.name in shot]
        known = [j for j in jitters if j is not None]
        if len(known) == len(jitters):
            return (apart_ms(shot), max(known))
        if self._triggered:
            return (1000.0 * self._round_s, None)
        # arrival times alone: a frame may be a period older than it looks, and have waited in a buffer
        periods = [p for d in self._drains if (p := d.period_s()) is not None]
        older_ms = max(1000.0 * max(periods, default=self._interval_s), limit("feed_arrival_doubt_ms"))
        return (apart_ms(shot) + older_ms, None)

    # -- the thread: watchdog and trigger ----------------------------------------------------

    def _run(self) -> None:
        due_s = time.monotonic()
        while not self._stop.is_set():
            now = time.monotonic()
            for drain in list(self._drains):
                drain.check(now)
            self._set_what_waits()
            if not self._triggered:
                with self._lock:
                    self._lock.wait_for(lambda: self._stop.is_set() or bool(self._to_set), 0.2)
                continue
            with self._lock:
                waits = self._looked < self._number and now - self._delivered_s < limit("feed_eye_wait_s")
                if now < due_s or waits:
                    self._lock.wait(max(0.001, min(due_s - now, 0.1) if not waits else 0.05))
                    continue
            due_s = max(due_s + self._interval_s, now + 0.25 * self._interval_s)
            self._trigger()

    def _set_what_waits(self) -> None:
        """Carry out settings that were asked for: here, where no triggered frame is on its way."""
        with self._lock:
            waiting, self._to_set = self._to_set, []
        refused = carry_out(waiting)
        for setting in waiting:
            self._exposing.done(setting)
        if refused is not None:
            self._complain("camera", None, refused)

    def _trigger(self) -> None:
        """One round: every camera that runs takes a frame, and the frames make a shot."""
        with self._round_lock:
            with self._lock:
                opening = [d for d in self._drains if d.expected and not d.running]
                asked = [d for d in self._drains if d.opened is not None] if not opening else []
                self._round.clear()
                self._waited_for = set(asked)
            if not asked:
                self._stop.wait(0.1)
                return
            began_s = time.monotonic()
            for drain in asked:
                if not drain.trigger():
                    with self._lock:
                        self._waited_for.discard(drain)
            self._round_s, self._round_at_s = time.monotonic() - began_s, began_s
            patience_s = _patience_s(asked)
            with self._lock:
                self._lock.wait_for(lambda: not self._waited_for or self._stop.is_set(), patience_s)
                shot, self._round, self._waited_for = dict(self._round), {}, set()
        if shot and all(d.name in shot for d in asked if d.running):
            self._hand_on(shot)


def _patience_s(asked: Sequence[Drain]) -> float:
    """How long a round's frames are waited for, s: twice what they took lately and a little more; long
    while that is not known yet."""
    exposure_s = max((d.settings()[0] or 0.0 for d in asked), default=0.0) / 1000.0
    if not all(d.settled for d in asked):
        return exposure_s + limit("feed_first_round_s")
    took = [a for d in asked if (a := d.answer_s()) is not None]
    if len(took) < len(asked):
        return exposure_s + limit("feed_round_s")
    return exposure_s + min(limit("feed_round_s"), 2.0 * max(took) + limit("feed_round_least_s"))
