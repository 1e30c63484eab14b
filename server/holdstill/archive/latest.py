"""Which session of a name is gone on with: the one last opened, whatever the machine's clock says."""

from __future__ import annotations

import contextlib
import json
from pathlib import Path

from holdstill.errors import StorageTrouble
from holdstill.records import events as ev

from .disk import write_whole
from .journal import FILE_NAME, Journal

NOTE_NAME = "last-opened.json"
_MOST_NAMES = 200


def note_opened(home: Path, name: str, folder: Path) -> None:
    """Remember that the session in `folder` is the one called `name` that was opened last."""
    notes = {k: v for k, v in _notes(home).items() if k != name}
    newest = list(notes.items())[-_MOST_NAMES + 1 :]
    with contextlib.suppress(OSError):  # only a memory: without it the newest file decides
        write_whole(home / NOTE_NAME, json.dumps({**dict(newest), name: folder.name}).encode())


def newest_named(home: Path, name: str) -> Path | None:
    """Folder of the session called `name` that was opened last, or None.

    Where nothing is noted: of those of that name, the one whose journal was written last.
    """
    noted = home / _notes(home).get(name, "")
    if noted.parent == home and _name_of(noted) == name:
        return noted
    folders = [p for p in home.iterdir() if p.name[0] != "." and (p / FILE_NAME).is_file()]
    for folder in sorted(folders, key=_written_at, reverse=True):
        if _name_of(folder) == name:
            return folder
    return None


def _written_at(folder: Path) -> float:
    """When its journal was last written; SQLite's WAL is newer than the file it belongs to."""
    times = []
    for name in (FILE_NAME, FILE_NAME + "-wal"):
        with contextlib.suppress(OSError):
            times.append((folder / name).stat().st_mtime)
    return max(times, default=0.0)


def _name_of(folder: Path) -> str | None:
    try:
        with Journal.read_only(folder) as journal:
            first, _ = journal.first_and_last()
    except StorageTrouble:
        return None
    return first.name if isinstance(first, ev.SessionOpened) else None


def _notes(home: Path) -> dict[str, str]:
    try:
        told = json.loads((home / NOTE_NAME).read_bytes())
    except (OSError, ValueError):
        return {}
    whole = isinstance(told, dict) and all(isinstance(v, str) for v in told.values())
    return told if whole else {}
