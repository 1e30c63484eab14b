"""A session folder examined: what is wrong with it and how to mend it; and a mended copy made."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from holdstill import session
from holdstill.errors import StorageTrouble
from holdstill.limits import all_values
from holdstill.records import events as ev
from holdstill.session import State

from .disk import STAND_IN, make_folder
from .findings import Finding, fine, note, wrong
from .journal import FILE_NAME, LOCK_NAME, Journal
from .lock import Lock
from .originals import Originals
from .trouble import from_os_error, storage_trouble

_MOST_BYTES = 16 << 30
"""No journal is larger than this, whatever a damaged header says."""


@dataclass(slots=True)
class _Read:
    """What could be read of a journal."""

    state: State
    events: list[ev.Event]
    trouble: str | None = None
    """Why reading ended early."""
    skipped: int = 0
    """Entries that could not be read or did not follow."""


def examine(folder: Path) -> list[Finding]:
    """Everything that can be told about the session in `folder` without changing it."""
    if not (folder / FILE_NAME).is_file():
        return [wrong("journal", "missing", path=str(folder))]
    try:
        with _journal(folder) as (journal, trouble):
            read = _read(journal)
    except StorageTrouble as error:
        return [wrong("journal", "unreadable", reason=str(error))]
    read.trouble = read.trouble or trouble
    found = [_entries(read, folder), *_order(read.events), *_limits(read.state)]
    found += _originals(folder, read.events)
    found += _handed_over(folder, read.state)
    found += _folder(folder)
    return found


@contextlib.contextmanager
def _journal(folder: Path) -> Iterator[tuple[Journal, str | None]]:
    """The journal of a folder, read as it stands, and what is wrong with its file: one that was cut is
    read through a copy that is filled up with zeros to its size. Raises StorageTrouble."""
    try:
        journal = Journal.read_only(folder)
    except StorageTrouble as trouble:
        with tempfile.TemporaryDirectory(prefix="holdstill-") as place:
            copy = Path(place) / FILE_NAME
            try:
                shutil.copyfile(folder / FILE_NAME, copy)
                os.truncate(copy, max(copy.stat().st_size, _told_size(copy)))
            except OSError:
                raise trouble from None
            with Journal.read_only(Path(place)) as filled:
                yield filled, str(trouble)
        return
    with journal:
        yield journal, None


def _told_size(path: Path) -> int:
    """Size that a journal's own header tells (SQLite documentation, "Database File Format", section
    1.3: page size at byte 16, pages at byte 28), bytes."""
    with path.open("rb") as file:
        head = file.read(32)
    if not head.startswith(b"SQLite format 3\0") or len(head) < 32:
        return 0
    page = int.from_bytes(head[16:18], "big")
    return min((65536 if page == 1 else page) * int.from_bytes(head[28:32], "big"), _MOST_BYTES)


def _read(journal: Journal, *, past_damage: bool = False) -> _Read:
    """The events that are whole and follow one another; with `past_damage` also those behind a damaged
    one, as far as they still follow."""
    read = _Read(State(), [])
    try:
        _take_in(read, journal, past_damage)
    except StorageTrouble as trouble:  # the file itself is damaged: what came before is what there is
        read.trouble = read.trouble or str(trouble)
    return read


def _take_in(read: _Read, journal: Journal, past_damage: bool) -> None:
    for event in journal.salvage():
        if isinstance(event, str):
            read.trouble = read.trouble or event
            read.skipped += 1
            if not past_damage:
                break
            continue
        try:
            read.state = session.step(read.state, event)
        except ValueError as trouble:
            read.trouble = read.trouble or f"{type(event).__name__}: {trouble}"
            read.skipped += 1
            if not past_damage:
                break
            continue
        read.events.append(event)


def _entries(read: _Read, folder: Path) -> Finding:
    if read.trouble is not None:
        whole = len(read.events)
        return wrong("entries", "damaged", whole=whole, reason=read.trouble, session=folder.name)
    if not read.events:
        return note("entries", "empty", path=str(folder))
    views = len(read.state.standing(proof=False)) + len(read.state.standing(proof=True))
    return fine("entries", count=len(read.events), views=views)


def _order(events: list[ev.Event]) -> Iterator[Finding]:
    back = max((a.at_ms - b.at_ms for a, b in pairwise(events)), default=0.0)
    if back > 1000.0:  # two threads may write a few milliseconds out of order
        yield note("order", "back", seconds=round(back / 1000.0))


def _limits(state: State) -> Iterator[Finding]:
    if state.opened is None:
        return
    now = all_values()
    other = [name for name, value in state.opened.limits.items() if name in now and now[name] != value]
    if other:
        yield note("limits", "other", count=len(other), names=", ".join(sorted(other)[:5]))


def _originals(folder: Path, events: list[ev.Event]) -> Iterator[Finding]:
    place = folder / "originals"
    originals = Originals(place, preview_of=lambda path: b"", png_of=lambda path: b"")
    wanted: dict[str, str] = {}
    for event in events:
        if isinstance(event, ev.ViewKept | ev.SecondPlateShown):
            wanted |= dict.fromkeys(event.view.originals.values(), event.view.name)
        elif isinstance(event, ev.ShotRefused):
            wanted |= dict.fromkeys(event.originals.values(), event.shot_name)
    try:
        held = {p.name[:64] for p in place.glob("??/*.*") if not p.name.startswith(".")}
        damaged = set(originals.damaged())
    except OSError as trouble:
        yield wrong("originals", "unreadable", path=str(place), reason=trouble.strerror or "")
        return
    lost = sorted({wanted[digest] for digest in wanted.keys() - held})
    spoilt = sorted({wanted.get(digest, digest[:12]) for digest in damaged})
    if lost:
        yield wrong("originals", "lost", count=len(lost), names=_some(lost))
    if spoilt:
        yield wrong("originals", "damaged", count=len(spoilt), names=_some(spoilt))
    if not lost and not spoilt:
        yield fine("originals", count=len(wanted))
    if more := held - wanted.keys():
        yield note("originals", "more", count=len(more))


def _handed_over(folder: Path, state: State) -> Iterator[Finding]:
    if state.handed is None:
        return
    place = folder / "hand-over"
    other = [n for n, size in state.handed.files if not _has_size(place / n, size)]
    if other:
        yield wrong("handover", "other", count=len(other), names=_some(sorted(other)))
    else:
        yield fine("handover", count=len(state.handed.files))


def _has_size(path: Path, size: int) -> bool:
    try:
        return path.stat().st_size == size
    except OSError:
        return False


def _folder(folder: Path) -> Iterator[Finding]:
    stand_ins = [p for p in folder.rglob(STAND_IN + "*") if p.is_file()]
    if stand_ins:
        yield note("folder", "stand-ins", count=len(stand_ins), path=str(folder))
    if not os.access(folder, os.W_OK) or not os.access(folder / FILE_NAME, os.W_OK):
        yield wrong("folder", "read-only", path=str(folder))
        return
    try:
        lock = Lock.take(folder / LOCK_NAME)
    except StorageTrouble as trouble:
        yield note("folder", "open", reason=str(trouble))
        return
    except OSError as trouble:
        yield wrong("folder", "no-lock", path=str(folder), reason=trouble.strerror or "")
        return
    try:
        if _left_open(folder / (FILE_NAME + "-wal")):
            yield note("folder", "not-closed")
    finally:
        lock.release()


def _left_open(unmerged: Path) -> bool:
    """Whether a writer ended without merging its last entries; who only reads leaves an empty file."""
    try:
        return unmerged.stat().st_size > 0
    except OSError:
        return False


def _some(names: list[str]) -> str:
    more = f" and {len(names) - 5} more" if len(names) > 5 else ""
    return ", ".join(names[:5]) + more


def mend(folder: Path) -> tuple[Path, int, int]:
    """A mended copy beside `folder`: (its folder, entries saved, entries that could not be).

    Everything in the journal that is whole and still follows, and every original; the folder itself is
    left as it is. Raises StorageTrouble.
    """
    target, number = folder.with_name(folder.name + "-mended"), 2
    while target.exists():
        target, number = folder.with_name(f"{folder.name}-mended-{number}"), number + 1
    with _journal(folder) as (old, _):
        read = _read(old, past_damage=True)
    if not read.events:
        raise storage_trouble("nothing-whole", path=str(folder))
    try:
        make_folder(target)
        for name in ("originals", "hand-over"):
            if (folder / name).is_dir():
                shutil.copytree(folder / name, target / name)
    except OSError as trouble:
        raise from_os_error(trouble, "session", target) from trouble
    with Journal.create(target) as new:
        new.append_all(read.events)
    return target, len(read.events), read.skipped
