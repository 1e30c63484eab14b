"""The sessions kept under a home folder, newest first."""

from __future__ import annotations

import contextlib
import json
from dataclasses import asdict, dataclass
from pathlib import Path

from holdstill import session
from holdstill.errors import BadInput, StorageTrouble
from holdstill.phrases import say
from holdstill.records import Say
from holdstill.records import events as ev

from .disk import write_whole
from .journal import FILE_NAME, Journal
from .trouble import from_os_error

SUMMARY_NAME = "summary.json"


@dataclass(frozen=True, slots=True)
class SessionSummary:
    """One session in a line. Times in ms since the epoch; `verdict` is a `Ready` value.

    `trouble` says, in words, why a session can't be read; the other fields are then as far as known.
    """

    session_id: str
    folder: str
    name: str
    initials: str
    opened_at_ms: float | None
    last_at_ms: float | None
    views_kept: int
    verdict: str | None
    events: int
    trouble: str | None = None


def sessions(home: Path) -> list[SessionSummary]:
    """Every session under `home`, the one last used first. Raises StorageTrouble for `home` itself.

    A session's line is remembered beside its journal and made anew when the journal has grown.
    """
    if not home.exists():
        return []
    try:
        folders = [p for p in home.iterdir() if p.name[0] != "." and (p / FILE_NAME).is_file()]
    except OSError as trouble:
        raise from_os_error(trouble, "session", home) from trouble
    return sorted((summary(f) for f in folders), key=lambda s: -(s.last_at_ms or 0.0))


def find_session(name: str, home: Path) -> Path:
    """Folder of the session called `name`: its id under `home`, or a folder. Raises BadInput."""
    for folder in (Path(name), home / name):
        if (folder / FILE_NAME).is_file():
            return folder
    raise BadInput(say(Say("archive.no-such", {"session": name, "path": str(home)})))


def summary(folder: Path) -> SessionSummary:
    """The line of one session; what is wrong with it stands in `trouble`."""
    try:
        with Journal.read_only(folder) as journal:
            count = journal.count()
            known = _remembered(folder, count)
            if known is not None:
                return known
            made = _made(journal, folder, count)
    except (StorageTrouble, ValueError) as trouble:
        return SessionSummary(folder.name, str(folder), folder.name, "", None, None, 0, None, 0, str(trouble))
    with contextlib.suppress(OSError):  # only a memory: a read-only disk costs time, no more
        write_whole(folder / SUMMARY_NAME, json.dumps(asdict(made)).encode())
    return made


def _made(journal: Journal, folder: Path, count: int) -> SessionSummary:
    first, last_at_ms = journal.first_and_last()
    opened = first if isinstance(first, ev.SessionOpened) else None
    state = session.replay(list(journal.events()))
    return SessionSummary(
        session_id=folder.name,
        folder=str(folder),
        name=opened.name if opened else folder.name,
        initials=opened.initials if opened else "",
        opened_at_ms=opened.at_ms if opened else None,
        last_at_ms=last_at_ms,
        views_kept=len(state.standing(proof=False)) + len(state.standing(proof=True)),
        verdict=session.verdict(state).state.value if state.estimate is not None else None,
        events=count,
    )


def _remembered(folder: Path, count: int) -> SessionSummary | None:
    try:
        told = json.loads((folder / SUMMARY_NAME).read_bytes())
        known = SessionSummary(**told)
    except (OSError, ValueError, TypeError):
        return None
    fits = known.events == count and known.folder == str(folder) and known.trouble is None
    return known if fits else None
