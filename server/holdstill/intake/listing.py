"""What lies in a folder: its picture files, and whether the folder is on a network."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from .formats import SUFFIXES
from .refusals import bad_input, words

_DEEPEST = 4
"""Folders within folders that are looked into."""
_NETWORK = (
    "nfs",
    "cifs",
    "smb",
    "fuse",
    "9p",
    "vboxsf",
    "davfs",
    "afs",
    "ceph",
    "gluster",
    "prl_fs",
    "drvfs",
)


@dataclass(frozen=True, slots=True)
class Found:
    """A picture file: its name relative to the folder (``/`` between), where it is, size and time."""

    name: str
    path: Path
    size: int
    written_ns: int


@dataclass(frozen=True, slots=True)
class Refused:
    """A file that must not be opened, with the reason in words."""

    name: str
    message: str


def check_folder(path: Path) -> Path:
    """The folder itself, resolved. Raises BadInput for what is missing, a file, or closed."""
    try:
        if not path.exists():
            raise bad_input("folder-missing", path=str(path))
        if not path.is_dir():
            raise bad_input("folder-is-file", path=str(path))
        os.scandir(path).close()
        return path.resolve()
    except PermissionError:
        raise bad_input("folder-closed", path=str(path)) from None
    except OSError as trouble:
        reason = trouble.strerror or "unknown trouble"
        raise bad_input("folder-lost", path=str(path), reason=reason) from None


def is_wanted(name: str) -> bool:
    """True for names of pictures that are neither hidden nor somebody's half-done work.

    >>> is_wanted("left/0001.TIF"), is_wanted(".cache/0001.tif"), is_wanted("notes.txt")
    (True, False, False)
    """
    parts = name.split("/")
    hidden = any(part.startswith((".", "~")) for part in parts)
    return not hidden and len(parts) <= _DEEPEST and os.path.splitext(parts[-1])[1].lower() in SUFFIXES


def look(root: Path, path: Path) -> Found | Refused | None:
    """One file of the folder `root` (resolved); None when it is gone or no picture by its name."""
    name = path.relative_to(root).as_posix()
    if not is_wanted(name):
        return None
    try:
        real = path.resolve()
        if not real.is_relative_to(root):
            return Refused(name, words("outside", name=name))
        facts = real.stat()
    except OSError:
        return None
    return Found(name, real, facts.st_size, facts.st_mtime_ns)


def scan(root: Path) -> Iterator[Found | Refused]:
    """Every picture file below `root` (resolved), linked folders left out. Raises OSError for `root`."""
    folders = [(root, 1)]
    while folders:
        folder, depth = folders.pop()
        try:
            with os.scandir(folder) as entries:
                listed = sorted(entries, key=lambda entry: entry.name)
        except OSError:
            if folder == root:
                raise
            continue
        for entry in listed:
            if entry.name.startswith((".", "~")):
                continue
            if entry.is_dir(follow_symlinks=False):
                if depth < _DEEPEST:
                    folders.append((Path(entry.path), depth + 1))
            elif (found := look(root, Path(entry.path))) is not None:
                yield found


def on_network(path: Path, mounts: Path = Path("/proc/mounts")) -> bool:
    """True when `path` lies on a network (or otherwise foreign) file system, whose changes the
    system does not tell of; False where that can't be found out."""
    try:
        lines = mounts.read_text("utf-8", "replace").splitlines()
    except OSError:
        return False
    best, kind = -1, ""
    for line in lines:
        parts = line.split(" ")
        if len(parts) < 3:
            continue
        place = Path(parts[1].replace("\\040", " "))
        if path.is_relative_to(place) and len(place.parts) > best:
            best, kind = len(place.parts), parts[2]
    return kind.startswith(_NETWORK)
