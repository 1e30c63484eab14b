"""What the disk says, in words."""

from __future__ import annotations

import errno
from pathlib import Path

from holdstill.errors import StorageTrouble
from holdstill.phrases import say
from holdstill.records import Say

_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
_READ_ONLY = {errno.EROFS, errno.EACCES, errno.EPERM}
_GONE = {errno.ENOENT, errno.ENOTDIR, errno.ESTALE, errno.ENOTCONN, errno.ENODEV, errno.ENXIO}


def storage_trouble(key: str, /, **values: float | int | str) -> StorageTrouble:
    """A `StorageTrouble` with the sentence called `key` of ``phrases.archive``."""
    return StorageTrouble(say(Say("archive." + key, values)))


def from_os_error(trouble: OSError, what: str, path: Path) -> StorageTrouble:
    """`trouble` as met when writing `what` (``"event"``, ``"original"``...) to `path`."""
    told = say(Say("archive.what." + what))
    if trouble.errno in _FULL:
        return storage_trouble("full", what=told, path=str(path))
    if trouble.errno in _READ_ONLY:
        return storage_trouble("read-only", path=str(path))
    reason = trouble.strerror or type(trouble).__name__
    if trouble.errno in _GONE:
        return storage_trouble("gone", path=str(path), reason=reason)
    return storage_trouble("trouble", what=told, path=str(path), reason=reason)
