"""Frames of several cameras that belong together. No I/O: each frame comes with its time."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from holdstill.limits import limit

from .camera import Grab


@dataclass(frozen=True, slots=True, eq=False)
class Stamped:
    """A frame with its time on this machine's monotonic clock and the exposure it was taken with
    (None: not known for certain)."""

    grab: Grab
    at_s: float
    exposure_ms: float | None
    gain_db: float | None


Together = dict[str, Stamped]


class ByTime:
    """Pairs the frames that were taken nearest to each other.

    Two cameras that run free at one rate have a fixed lag; a frame is paired at once with a partner
    no more than half a period away, as no later one can be nearer.  `window_s`: the most that may
    lie between the frames of one shot.
    """

    def __init__(self, cameras: Sequence[str]) -> None:
        self._waiting: dict[str, deque[Stamped]] = {c: deque(maxlen=4) for c in cameras}
        self.unpaired = 0

    def add(self, camera: str, frame: Stamped, window_s: float, among: Sequence[str]) -> Together | None:
        """The frames of one shot of the cameras `among` when `frame` completes it."""
        mine = self._waiting[camera]
        if len(mine) == mine.maxlen:
            self.unpaired += 1
        mine.append(frame)
        shot: Together = {}
        for name in among:
            waiting = self._waiting[name]
            nearest = min(waiting, key=lambda f: abs(f.at_s - frame.at_s), default=None)
            if nearest is None or abs(nearest.at_s - frame.at_s) > window_s:
                return None
            shot[name] = nearest
        shot[camera] = frame
        for name, chosen in shot.items():
            waiting = self._waiting[name]
            while waiting:
                passed = waiting.popleft()
                if passed is chosen:
                    break
                self.unpaired += 1
        return shot

    def forget(self) -> None:
        """Drop what waits."""
        for waiting in self._waiting.values():
            waiting.clear()


class ByNumber:
    """Pairs frames of the same number: videos and sequences that were recorded together."""

    def __init__(self, cameras: Sequence[str]) -> None:
        self._waiting: dict[str, dict[int, Stamped]] = {c: {} for c in cameras}
        self.unpaired = 0

    def add(self, camera: str, frame: Stamped, window_s: float, among: Sequence[str]) -> Together | None:
        """The frames of one shot when `frame` completes it."""
        del window_s, among
        number = frame.grab.number if frame.grab.number is not None else -1
        self._waiting[camera][number] = frame
        if any(number not in waiting for waiting in self._waiting.values()):
            most = int(limit("feed_frames_waiting_most"))
            while len(self._waiting[camera]) > most:
                del self._waiting[camera][min(self._waiting[camera])]
                self.unpaired += 1
            return None
        shot = {name: waiting[number] for name, waiting in self._waiting.items()}
        for waiting in self._waiting.values():
            for old in [n for n in waiting if n <= number]:
                del waiting[old]
                self.unpaired += old != number
        return shot

    def forget(self) -> None:
        """Drop what waits."""
        for waiting in self._waiting.values():
            waiting.clear()


def apart_ms(shot: Together) -> float:
    """How far apart the frames of a shot were taken, ms."""
    times = [f.at_s for f in shot.values()]
    return 1000.0 * (max(times) - min(times))
