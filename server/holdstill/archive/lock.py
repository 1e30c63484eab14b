"""One writer at a time: a lock the system lets go when its process ends, however it ends."""

from __future__ import annotations

import contextlib
import errno
import os
import sys
from pathlib import Path
from typing import Self

from .trouble import storage_trouble


class Lock:
    """An exclusive lock on a small file; the file names the process that has it."""

    def __init__(self, handle: int) -> None:
        self._handle: int | None = handle

    @classmethod
    def take(cls, path: Path) -> Self:
        """Take the lock at once. Raises StorageTrouble naming the holder, or OSError."""
        handle = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_CLOEXEC", 0), 0o644)
        try:
            _lock(handle)
        except OSError as trouble:
            holder = os.read(handle, 64).decode("ascii", "replace").strip() or "unknown"
            os.close(handle)
            if trouble.errno in (errno.EAGAIN, errno.EACCES, errno.EDEADLK):
                raise storage_trouble("locked", path=str(path.parent), holder=holder) from None
            raise
        with contextlib.suppress(OSError):  # the name is a courtesy: a full disk must not keep us out
            os.ftruncate(handle, 0)
            os.write(handle, f"process {os.getpid()}\n".encode("ascii"))
        return cls(handle)

    def release(self) -> None:
        """Let go; a second call does nothing."""
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None


if sys.platform == "win32":
    import msvcrt

    def _lock(handle: int) -> None:
        os.lseek(handle, 1 << 20, os.SEEK_SET)  # far behind the name, which others must be able to read
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        os.lseek(handle, 0, os.SEEK_SET)

else:
    import fcntl

    def _lock(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
