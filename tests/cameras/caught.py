"""What a source delivers, caught for a test."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace

from holdstill.intake.source import Source
from holdstill.records import Shot

WHOLE = 80
"""So many of the newest shots keep their pictures."""
PATIENCE_S = 60.0
"""How long a test waits for what must come: a busy machine is no failure."""


class Caught:
    """Shots as they come; `looks`: each is looked at at once, as an idle loop would."""

    def __init__(self, source: Source, *, looks: bool = True) -> None:
        self.source = source
        self.shots: list[Shot] = []
        self.at_s: list[float] = []
        self.complaints: list[str] = []
        self._looks = looks

    def deliver(self, shot: Shot) -> None:
        if len(self.shots) >= WHOLE:  # of older ones only the number is wanted: pictures fill the memory
            old = self.shots[-WHOLE]
            self.shots[-WHOLE] = replace(old, originals=dict.fromkeys(old.originals))
        self.shots.append(shot)
        self.at_s.append(time.monotonic())
        if self._looks:
            self.source.looked_at(shot.number)  # type: ignore[attr-defined]

    def complain(self, name: str, camera: str | None, message: str) -> None:
        self.complaints.append(message)

    def until(self, done: Callable[[], bool], what: str = "it", seconds: float = PATIENCE_S) -> float:
        """Wait for `done()`; how long that took, s."""
        began = time.monotonic()
        while not done():
            late = time.monotonic() - began >= seconds
            assert not late, f"{what} did not happen within {seconds} s: {self.told()}"
            time.sleep(0.01)
        return time.monotonic() - began

    def more(self, count: int) -> list[Shot]:
        """So many more shots."""
        before = len(self.shots)
        self.until(lambda: len(self.shots) >= before + count, f"{count} more shots")
        return self.shots[before : before + count]

    def told(self) -> str:
        """What the source tells of its cameras, for a failing test."""
        feeds = getattr(self.source, "feeds", None)
        return f"{len(self.shots)} shots, {feeds() if feeds else ''}"


@contextmanager
def running(source: Source, *, looks: bool = True) -> Iterator[Caught]:
    """The source, started, and stopped at the end."""
    caught = Caught(source, looks=looks)
    source.start(caught.deliver, caught.complain)
    try:
        yield caught
    finally:
        source.stop()
