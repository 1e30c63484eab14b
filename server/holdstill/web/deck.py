"""What the pages need from the loop, and nothing more."""

from __future__ import annotations

from pathlib import Path
from typing import Protocol

from holdstill.records import Nothing, Say, Sheet, Snapshot
from holdstill.records.taps import LivePicture, Tap


class Deck(Protocol):
    """The loop as the pages see it. All methods but `picture` are called on the event loop's
    thread."""

    def snapshot(self) -> Snapshot:
        """The state now."""
        ...

    def revision(self) -> int:
        """Counts up with every change of `snapshot`."""
        ...

    async def changed(self, since: int) -> int:
        """Wait until the revision is larger than `since`; the newest revision (skipping any)."""
        ...

    def live(self, camera: str) -> LivePicture | None:
        """Newest live picture of a camera."""
        ...

    async def live_changed(self, since: int) -> int:
        """Wait until any camera's live picture has a number larger than `since`; the newest."""
        ...

    def picture(self, digest: str, *, preview: bool) -> Path | bytes | Nothing:
        """A kept or refused original by digest (as PNG/JPEG bytes a browser shows, or its file),
        or its small preview. Called from any thread."""
        ...

    def sheet(self, place: int) -> Sheet | Nothing:
        """A shot of the session's story (its place, from 1) with all that is known of its pictures."""
        ...

    def clipped(self, digest: str, level: float) -> bytes | Nothing:
        """PNG of an original's size, white where it reaches `level` (grey values); empty bytes where
        nothing does. May be called from any thread."""
        ...

    def handover_file(self, name: str) -> Path | Nothing:
        """A hand-over file by name (never a path)."""
        ...

    async def tap(self, tap: Tap) -> Say | Nothing:
        """Act on a tap: what was done, or why not (`why` is a key of ``phrases``)."""
        ...
