"""What every source of shots looks like to the loop."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping
from typing import Protocol, runtime_checkable

from holdstill.records import Advice, FeedsState, Shot, SimState


def shot_name(taken_at_ms: float) -> str:
    """A name for a shot that has none, unique over restarts: ``shot_20240131_140502_123``."""
    taken = datetime.datetime.fromtimestamp(taken_at_ms / 1000.0)
    return f"{taken:shot_%Y%m%d_%H%M%S}_{taken.microsecond // 1000:03d}"


Deliver = Callable[[Shot], None]
Complain = Callable[[str, "str | None", str], None]


class Source(Protocol):
    """Where shots come from: a watched folder, a camera feed, a simulated rig.

    cameras
        Camera names in order (left before right); may be empty until known.
    single
        True: every shot is taken on purpose (files); False: a stream from which the coach picks.
    """

    @property
    def cameras(self) -> tuple[str, ...]:
        """Camera names in order, left before right; empty until known."""
        ...

    @property
    def single(self) -> bool:
        """Whether every shot is taken on purpose."""
        ...

    def start(self, deliver: Deliver, complain: Complain) -> None:
        """Begin. ``deliver(shot)`` and ``complain(file_name, camera, message)`` may be called from
        any thread; a complaint tells in words of a file that can't be used."""
        ...

    def stop(self) -> None:
        """End; nothing is delivered after it returns."""
        ...

    def advise(self, advice: Advice) -> None:
        """What the operator is told now; sources that don't care ignore it."""
        ...

    def control(self, changes: Mapping[str, str]) -> str | None:
        """Change something at the source (exposure, a simulated plate): None when done, else why not."""
        ...

    def sim_state(self) -> SimState | None:
        """A simulated rig's controls as they stand; None for real sources."""
        ...


@runtime_checkable
class Feeding(Protocol):
    """What a live source offers besides: it hears when a shot was dealt with, and tells of its cameras."""

    def looked_at(self, number: int) -> None:
        """The loop is done with the shot of this number, whatever came of it."""
        ...

    def feeds(self) -> FeedsState:
        """The cameras as they stand."""
        ...
