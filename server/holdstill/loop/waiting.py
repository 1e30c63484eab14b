"""What waits to be looked at, and how often one may complain."""

from __future__ import annotations

from collections import deque

from holdstill.limits import limit
from holdstill.records import FrameBytes, Shot


class Waiting:
    """Shots in order. From a stream the newest wins; shots taken on purpose all wait, as long as the
    memory they hold stays within bounds."""

    def __init__(self) -> None:
        self._shots: deque[Shot] = deque()
        self._bytes = 0

    def __bool__(self) -> bool:
        return bool(self._shots)

    def put(self, shot: Shot) -> int | None:
        """Add a shot; how many older ones it pushed out. None when there is no room for it."""
        if not shot.single:
            pushed_out = len(self._shots)
            self._shots.clear()
            self._shots.append(shot)
            self._bytes = in_memory(shot)
            return pushed_out
        size = in_memory(shot)
        if self._shots and self._bytes + size > 1e6 * limit("waiting_pictures_mb"):
            return None
        self._shots.append(shot)
        self._bytes += size
        return 0

    def take(self) -> Shot:
        """The shot that has waited longest. Raises IndexError when none waits."""
        shot = self._shots.popleft()
        self._bytes -= in_memory(shot)
        return shot


def in_memory(shot: Shot) -> int:
    """Bytes of a shot's pictures that wait in memory; files wait on the disk."""
    return sum(
        (o.image.nbytes if o.image is not None else len(o.data or b""))
        for o in shot.originals.values()
        if isinstance(o, FrameBytes)
    )


class Storm:
    """Lets so many messages about files through in a while: a folder full of rubbish must not fill the
    journal, and what was told of an hour ago must not keep a new trouble from being told."""

    def __init__(self) -> None:
        self._told_at_ms: deque[float] = deque()

    def lets(self, now_ms: float, told: int) -> bool:
        """Whether one more may be told, `told` having been told in this session."""
        most = int(limit("file_storm"))
        while self._told_at_ms and now_ms - self._told_at_ms[0] > limit("file_storm_ms"):
            self._told_at_ms.popleft()
        if len(self._told_at_ms) >= most or told >= most * most:
            return False
        self._told_at_ms.append(now_ms)
        return True
