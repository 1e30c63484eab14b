"""Writing that survives a power cut: data first, then its name, then the folder."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path


def sync_folder(folder: Path) -> None:
    """Make the names in `folder` last. A no-op where folders can't be opened (Windows)."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def make_folder(folder: Path) -> None:
    """`folder` and its parents, each lasting once this returns."""
    if folder.is_dir():
        return
    make_folder(folder.parent)
    with contextlib.suppress(FileExistsError):
        folder.mkdir()
    sync_folder(folder.parent)


def write_whole(path: Path, data: bytes, mode: int = 0o644) -> None:
    """Write `data` to `path`: after a crash the file is either as before or whole, never half.

    Raises OSError; a half-written stand-in is removed.
    """
    handle, stand_in = tempfile.mkstemp(prefix=".writing-", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(stand_in, mode)
        os.replace(stand_in, path)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(stand_in)
        raise
    sync_folder(path.parent)
