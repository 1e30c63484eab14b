"""Revisions that can be waited for: each phone takes the newest and skips what it missed."""

from __future__ import annotations

import asyncio


class Revisions:
    """A number that counts up, and a way to wait until it has."""

    def __init__(self) -> None:
        self.now = 0
        self._waiting: set[asyncio.Future[None]] = set()

    def bump(self) -> int:
        """Count up and wake everybody who waits. Call on the event loop's thread."""
        self.now += 1
        waiting, self._waiting = self._waiting, set()
        for future in waiting:
            if not future.done():
                future.set_result(None)
        return self.now

    async def after(self, since: int) -> int:
        """Wait until the number is larger than `since`; the newest."""
        while self.now <= since:
            future: asyncio.Future[None] = asyncio.get_running_loop().create_future()
            self._waiting.add(future)
            try:
                await future
            finally:
                self._waiting.discard(future)
        return self.now
