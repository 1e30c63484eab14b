"""A clock that never jumps: wall time at the start, and what has passed since."""

from __future__ import annotations

from collections.abc import Callable


class SteadyClock:
    """Milliseconds since the epoch, never falling.

    The machine's wall clock may be set back or forth at any time (a time server after hours without
    a network, a hand, daylight saving on a machine that keeps local time); what is recorded and what
    waits for a time to pass must not follow it.  So the wall clock is read once.

    wall_ms
        The wall clock, ms since the epoch.
    passed_s
        Seconds that only rise, also while the machine sleeps where the system can tell.
    not_before_ms
        The last time a session has on record: a wall clock behind it is not believed, so that the
        order of a session's times is the order of its events.
    """

    def __init__(
        self, wall_ms: Callable[[], float], passed_s: Callable[[], float], not_before_ms: float = 0.0
    ) -> None:
        self._passed_s = passed_s
        self._from_s = passed_s()
        self._from_ms = max(wall_ms(), not_before_ms)

    def __call__(self) -> float:
        """Now, ms since the epoch."""
        return self._from_ms + 1000.0 * (self._passed_s() - self._from_s)
