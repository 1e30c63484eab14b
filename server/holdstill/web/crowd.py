"""How many connections there may be, and how long one may say nothing.

Whoever reaches the port can open connections without any code. Without bounds a thousand of them use up
the files that a process may hold open (RLIMIT_NOFILE), and then no phone gets in and no view reaches the
disk.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
from typing import Any

from uvicorn.protocols.http.auto import AutoHTTPProtocol

from holdstill.limits import limit

LOOPBACK = frozenset({"127.0.0.1", "::1"})


class Door(socket.socket):
    """A listening socket that turns away whoever comes one too many, before anything is read of him.

    Of one address `connections_of_one` may be open, of all `connections_most`, and never more than half of
    the files that this process may hold open. This machine itself (`LOOPBACK`) is spared the first bound
    and has a quarter of the second for itself.
    """

    def __init__(self, *given: Any, most: int | None = None, **named: Any) -> None:
        super().__init__(*given, **named)
        self._open: list[tuple[str, socket.socket]] = []
        self._most = min(int(limit("connections_most")), open_files() // 2) if most is None else most

    def accept(self) -> tuple[socket.socket, Any]:
        """The next connection; ConnectionAbortedError, at which an event loop looks for another, when it
        is one too many."""
        taken, address = super().accept()
        who = str(address[0])
        self._open = [(other, one) for other, one in self._open if one.fileno() != -1]
        if self._too_many(who):
            taken.close()
            raise ConnectionAbortedError(f"too many connections, the last of them from {who}")
        self._open.append((who, taken))
        return taken, address

    def _too_many(self, who: str) -> bool:
        if who in LOOPBACK:
            return len(self._open) >= self._most
        others = [other for other, _ in self._open if other not in LOOPBACK]
        return others.count(who) >= limit("connections_of_one") or len(others) >= 3 * self._most // 4


class Speaking(AutoHTTPProtocol):  # type: ignore[misc, valid-type]  # one of two classes, by what is installed
    """A connection that is ended when nothing whole has been asked for a while: a request that comes drop by
    drop, or none at all. One that waits for its answer, or has become a live line, is let be."""

    def connection_made(self, transport: asyncio.Transport) -> None:
        """Begin to watch the clock."""
        super().connection_made(transport)
        self._asked_before: object = self
        self._watch()

    def _watch(self) -> None:
        self._clock = self.loop.call_later(limit("silent_s"), self._look)

    def _look(self) -> None:
        if self.transport.is_closing() or self.transport.get_protocol() is not self:
            return
        waits = self.cycle is not None and not self.cycle.response_complete
        if not waits and self._asked_before is self.cycle:
            self.transport.abort()
            return
        self._asked_before = self.cycle
        self._watch()

    def connection_lost(self, why: Exception | None) -> None:
        """Stop watching."""
        self._clock.cancel()
        super().connection_lost(why)


def open_files() -> int:
    """How many files this process may hold open, after asking for as many as it may ask for (4096 do)."""
    with contextlib.suppress(ImportError, OSError, ValueError):
        import resource

        soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
        wanted = 4096 if hard == resource.RLIM_INFINITY else min(hard, 4096)
        if 0 <= soft < wanted:
            resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))
            return wanted
        return soft if soft >= 0 else 4096
    return 1024
