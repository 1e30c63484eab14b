"""Frames in, complete shots out: grouped by what their names share, or by time. Pure."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from holdstill.limits import limit

from .names import Key
from .refusals import words

_MOST_DONE = 20000
"""Finished shots that are remembered to notice files that come twice."""


@dataclass(frozen=True, slots=True)
class Arrival:
    """One frame's file: what its name says, when it was written and when it was seen (s)."""

    name: str
    path: Path
    camera: str
    key: Key
    label: str
    written_s: float
    seen_s: float


@dataclass(frozen=True, slots=True)
class Complete:
    """A shot with a frame of every camera, in the cameras' order."""

    label: str
    frames: dict[str, Arrival]


@dataclass(frozen=True, slots=True)
class Complaint:
    """A file that can't be used as it came, in words."""

    name: str
    camera: str | None
    message: str


@dataclass(slots=True)
class _Waiting:
    frames: dict[str, Arrival] = field(default_factory=dict)
    reported: set[str] = field(default_factory=set)
    """Names that were complained of already."""


class Pairing:
    """Groups frames into shots for a fixed set of cameras.

    By number: frames with the same key are one shot.  By time (`by_time`): frames of different
    cameras written within `intake_pair_window_s` of each other are.  A frame whose partners are
    late is complained of once and still completed when they come.  `overwritten`: names carry no
    number, so a file that comes again is the next shot's.
    """

    def __init__(self, cameras: Iterable[str], *, by_time: bool = False, overwritten: bool = False) -> None:
        self.cameras = tuple(cameras)
        self.by_time = by_time
        self.overwritten = overwritten
        self._waiting: OrderedDict[Key | str, _Waiting] = OrderedDict()
        self._done: OrderedDict[tuple[Key, str], Arrival] = OrderedDict()

    def add(self, arrival: Arrival) -> tuple[list[Complete], list[Complaint]]:
        """Take a frame; the shots that it completes (one at most), or why it can't be used."""
        if arrival.camera not in self.cameras:
            known = ", ".join(self.cameras)
            return [], [_complaint("late-camera", arrival, cameras=known)]
        earlier = self._done.get((arrival.key, arrival.camera))
        if earlier is not None and not (self.by_time and earlier.name != arrival.name):
            if earlier.name != arrival.name:
                return [], [_complaint_twice(arrival, earlier)]
            if not self.overwritten:
                touched = arrival.seen_s - earlier.seen_s <= limit("intake_settle_s")
                return [], [] if touched else [_complaint("rewritten", arrival)]
        place = self._place(arrival)
        waiting = self._waiting.setdefault(place, _Waiting())
        other = waiting.frames.get(arrival.camera)
        if other is not None and other.name != arrival.name:
            return [], [_complaint_twice(arrival, other)]
        waiting.frames[arrival.camera] = arrival
        if len(waiting.frames) < len(self.cameras):
            return [], []
        del self._waiting[place]
        return [self._finish(waiting)], []

    def _place(self, arrival: Arrival) -> Key | str:
        """Which waiting shot a frame belongs to: by key, or the nearest in time that lacks it."""
        if not self.by_time:
            return arrival.key
        window = limit("intake_pair_window_s")
        near = [
            (max(abs(arrival.written_s - f.written_s) for f in w.frames.values()), place)
            for place, w in self._waiting.items()
            if arrival.camera not in w.frames
        ]
        close = [n for n in near if n[0] <= window]
        return min(close, key=lambda n: n[0])[1] if close else arrival.name

    def _finish(self, waiting: _Waiting) -> Complete:
        frames = {camera: waiting.frames[camera] for camera in self.cameras}
        for camera, frame in frames.items():
            self._done[(frame.key, camera)] = frame
        while len(self._done) > _MOST_DONE:
            self._done.popitem(last=False)
        return Complete(frames[self.cameras[0]].label, frames)

    def overdue(self, now_s: float, wait_s: float) -> list[Complaint]:
        """Frames whose partners have not come within `wait_s` of being seen; each told once."""
        late: list[Complaint] = []
        for waiting in self._waiting.values():
            missing = " and ".join(c for c in self.cameras if c not in waiting.frames)
            for frame in waiting.frames.values():
                if now_s - frame.seen_s >= wait_s and frame.name not in waiting.reported:
                    waiting.reported.add(frame.name)
                    late.append(_complaint("no-partner", frame, missing=missing, shot=frame.label))
        return late

    def next_due_s(self, wait_s: float) -> float | None:
        """When `overdue` will next have something to say; None when nothing waits."""
        due = [
            frame.seen_s + wait_s
            for waiting in self._waiting.values()
            for frame in waiting.frames.values()
            if frame.name not in waiting.reported
        ]
        return min(due, default=None)


def _complaint(key: str, arrival: Arrival, **values: float | int | str) -> Complaint:
    return Complaint(arrival.name, arrival.camera, words(key, name=arrival.name, **values))


def _complaint_twice(arrival: Arrival, earlier: Arrival) -> Complaint:
    return _complaint("twice", arrival, camera=arrival.camera, shot=arrival.label, first=earlier.name)
