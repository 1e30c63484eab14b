"""Writing that survives a power cut: data first, then its name, then the folder."""

from __future__ import annotations

import contextlib
import errno
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import IO

_CAN_NOT = {errno.EINVAL, errno.ENOTSUP, errno.EACCES, errno.EPERM}
"""What systems say that can't make a folder last, or may not open it."""


def sync_folder(folder: Path) -> None:
    """Make the names in `folder` last. A no-op where the system can't (Windows, some shares)."""
    if os.name == "nt":
        return
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError as trouble:
        if trouble.errno in _CAN_NOT:
            return
        raise
    try:
        os.fsync(handle)
    except OSError as trouble:
        if trouble.errno not in _CAN_NOT:
            raise
    finally:
        os.close(handle)


def make_folder(folder: Path) -> None:
    """`folder` and its parents, each lasting once this returns.

    One that stands already is made to last too: whoever made it may have been ended between making
    it and seeing to that.
    """
    if folder.is_dir():
        sync_folder(folder.parent)
        return
    make_folder(folder.parent)
    with contextlib.suppress(FileExistsError):
        folder.mkdir()
    sync_folder(folder.parent)


def make_last(file: IO[bytes], path: Path | str, mode: int) -> None:
    """What was written to the open `file` at `path`, on the disk with `mode` once this returns."""
    file.flush()
    os.chmod(path, mode)
    os.fsync(file.fileno())


@contextlib.contextmanager
def writing(path: Path, mode: int = 0o644) -> Iterator[IO[bytes]]:
    """A file to be filled in the block, which becomes `path` at its end: after a crash, or an error in the
    block, that is either as before or whole, never half.

    Raises OSError; a half-written stand-in is removed.
    """
    handle, stand_in = tempfile.mkstemp(prefix=STAND_IN, dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            yield file
            make_last(file, stand_in, mode)
        os.replace(stand_in, path)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(stand_in)
        raise
    sync_folder(path.parent)


def write_whole(path: Path, data: bytes, mode: int = 0o644) -> None:
    """Write `data` to `path`, as `writing` does. Raises OSError."""
    with writing(path, mode) as file:
        file.write(data)


STAND_IN = ".writing-"
"""How the names of half-written files begin: what is left of one after a crash is of no use."""
