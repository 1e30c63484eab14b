"""The journal: every event of a session, in order, once written never changed.

One folder a session: ``<home>/<session-id>/journal.sqlite`` beside ``originals/``.  SQLite in WAL
mode with ``synchronous=FULL``: an append has reached the disk when it returns (SQLite
documentation, "PRAGMA synchronous" and "Write-Ahead Logging").  One writer at a time, guarded by
a lock that the system lets go when the process ends, however it ends.
"""

from __future__ import annotations

import contextlib
import re
import shutil
import sqlite3
import tempfile
import threading
import unicodedata
import zlib
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import sqlalchemy as sa

from holdstill.errors import StorageTrouble
from holdstill.records import events as ev

from . import codec
from .disk import make_folder, sync_folder
from .lock import Lock
from .trouble import from_os_error, storage_trouble

FILE_NAME = "journal.sqlite"
LOCK_NAME = "journal.lock"

_META = sa.MetaData()
EVENTS = sa.Table(
    "events",
    _META,
    sa.Column("seq", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("at_ms", sa.Float, nullable=False),
    sa.Column("kind", sa.String, nullable=False),
    sa.Column("body", sa.String, nullable=False),
    sa.Column("crc32", sa.Integer, nullable=False),
)
"""`seq` counts from 1 without gaps; `body` is the event's JSON and `crc32` its check sum (UTF-8)."""


def new_folder(home: Path, name: str, at_ms: float) -> Path:
    """A folder for a new session under `home`, not yet made: day, then the name made plain.

    >>> new_folder(Path("/nowhere"), "Fork, bending #2", 0.0).name
    '1970-01-01-fork-bending-2'
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    plain = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:40].strip("-") or "session"
    day = datetime.fromtimestamp(at_ms / 1000.0, UTC).strftime("%Y-%m-%d")
    folder, number = home / f"{day}-{plain}", 2
    while folder.exists():
        folder, number = home / f"{day}-{plain}-{number}", number + 1
    return folder


class Journal:
    """A session's events on disk. Make it with `create`, `open` or `read_only`; safe from any thread."""

    def __init__(self, folder: Path, engine: sa.Engine, lock: Lock | None) -> None:
        self.folder = folder
        self._engine = engine
        self._lock = lock
        self._next = 1
        self._last_sum: int | None = None
        self._doubtful: int | None = None
        """Check sum of the entry whose writing failed last; None when the end is known."""
        self._identity = _identity(folder / FILE_NAME) if lock is not None else (0, 0)
        self._turn = threading.Lock()

    @classmethod
    def create(cls, folder: Path) -> Self:
        """A new, empty journal in `folder` (made if need be). Raises StorageTrouble."""
        path = folder / FILE_NAME
        if path.exists():
            raise storage_trouble("exists", path=str(folder))
        try:
            make_folder(folder)
            lock = Lock.take(folder / LOCK_NAME)
        except OSError as trouble:
            raise from_os_error(trouble, "session", folder) from trouble
        try:
            engine = _engine(path)
            with _in_words(path):
                with engine.begin() as connection:
                    _META.create_all(connection)
                sync_folder(folder)
            return cls(folder, engine, lock)
        except BaseException:
            lock.release()
            raise

    @classmethod
    def open(cls, folder: Path) -> Self:
        """The journal in `folder`, for writing. Raises StorageTrouble, also when another has it."""
        path = _existing(folder)
        try:
            lock = Lock.take(folder / LOCK_NAME)
        except OSError as trouble:
            raise from_os_error(trouble, "session", folder) from trouble
        try:
            journal = cls(folder, _engine(path), lock)
            with _in_words(path), journal._engine.begin() as connection:
                _META.create_all(connection)  # one that was ended while it was being made is empty
                end = sa.select(EVENTS.c.seq, EVENTS.c.crc32).order_by(EVENTS.c.seq.desc()).limit(1)
                for last in connection.execute(end):
                    journal._next, journal._last_sum = last.seq + 1, last.crc32
            return journal
        except BaseException:
            lock.release()
            raise

    @classmethod
    def read_only(cls, folder: Path) -> Self:
        """The journal in `folder`, for reading, also while another process writes it, and on a disk
        that can't be written. Raises StorageTrouble."""
        path = _existing(folder)
        journal = cls(folder, _engine(path, read_only=True), None)
        try:
            with _in_words(path), journal._engine.connect() as connection:
                if not sa.inspect(connection).has_table(EVENTS.name):
                    raise storage_trouble("never-begun", path=str(folder))
        except BaseException:
            journal.close()
            raise
        return journal

    @property
    def session_id(self) -> str:
        """Name of the session's folder."""
        return self.folder.name

    def append(self, event: ev.Event) -> int:
        """Write `event`; its number once it has reached the disk. Raises StorageTrouble.

        After a failure it may be tried again, also when a disk or share has come back meanwhile: what
        a failed writing may have left behind is then taken out, in the same stroke.
        """
        return self.append_all([event])

    def append_all(self, events: Sequence[ev.Event]) -> int:
        """Write `events` in one stroke, all or none; the last one's number. See `append`."""
        if self._lock is None:
            raise storage_trouble("read-only", path=str(self.folder))
        bodies = [codec.write(event) for event in events]
        with self._turn, _in_words(self.folder / FILE_NAME):
            self._be_ours()
            rows = [
                {"seq": seq, "at_ms": float(event.at_ms), "kind": type(event).__name__, "body": body,
                 "crc32": _sum(body)}
                for seq, (event, body) in enumerate(zip(events, bodies, strict=True), self._next)
            ]  # fmt: skip
            try:
                with self._engine.begin() as connection:
                    if self._doubtful is not None:
                        connection.execute(EVENTS.delete().where(EVENTS.c.seq >= self._next))
                    connection.execute(EVENTS.insert(), rows)
            except BaseException:
                self._doubtful = _sum(bodies[0])
                self._engine.dispose()
                raise
            self._doubtful, self._last_sum = None, _sum(bodies[-1])
            self._next += len(rows)
            return self._next - 1

    def _be_ours(self) -> None:
        """See that the file under the session's name is still the one that was opened: without that,
        a journal on a share that has vanished, or in a folder that was deleted, would seem to be written.

        One that has come back is opened anew, once it is known to end where this process left it.
        """
        path = self.folder / FILE_NAME
        if _identity(path) == self._identity:
            return
        self._engine.dispose()
        if self._lock is not None:
            self._lock.release()
        self._lock = Lock.take(self.folder / LOCK_NAME)
        with self._engine.connect() as connection:
            query = sa.select(EVENTS.c.seq, EVENTS.c.crc32).where(EVENTS.c.seq >= self._next - 1)
            found = [(seq, crc32) for seq, crc32 in connection.execute(query.order_by(EVENTS.c.seq))]
        known = [] if self._last_sum is None else [(self._next - 1, self._last_sum)]
        if found not in (known, [*known, (self._next, self._doubtful)]):
            self._lock.release()
            raise storage_trouble("replaced", path=str(path))
        self._identity = _identity(path)

    def events(self) -> Iterator[ev.Event]:
        """Every event in order. Raises StorageTrouble at the first that is missing or damaged."""
        for row in self._rows(sa.select(EVENTS).order_by(EVENTS.c.seq)):
            yield codec.read(row.body)

    def salvage(self) -> Iterator[ev.Event | str]:
        """Every entry that is whole, in order; in place of one that is not, or is missing, why (in words)."""
        path = self.folder / FILE_NAME
        wanted = 1
        with _in_words(path), self._engine.connect() as connection:
            for row in connection.execute(sa.select(EVENTS).order_by(EVENTS.c.seq)):
                try:
                    if row.seq != wanted:
                        yield str(storage_trouble("gap", path=str(path), seq=wanted))
                    wanted = row.seq + 1
                    if _sum(row.body) != row.crc32:
                        raise storage_trouble("torn", path=str(path), seq=row.seq)
                    event = codec.read(row.body)
                except (StorageTrouble, TypeError, AttributeError) as trouble:
                    yield str(trouble)
                else:
                    yield event

    def count(self, *kinds: str) -> int:
        """How many events there are, of the kinds named (all without any)."""
        query = sa.select(sa.func.count()).select_from(EVENTS)
        if kinds:
            query = query.where(EVENTS.c.kind.in_(kinds))
        with _in_words(self.folder / FILE_NAME), self._engine.connect() as connection:
            return int(connection.execute(query).scalar_one())

    def first_and_last(self) -> tuple[ev.Event | None, float | None]:
        """The first event, and the time of the last (ms)."""
        with _in_words(self.folder / FILE_NAME), self._engine.connect() as connection:
            first = connection.execute(sa.select(EVENTS.c.body).order_by(EVENTS.c.seq).limit(1)).scalar()
            query = sa.select(EVENTS.c.at_ms).order_by(EVENTS.c.seq.desc()).limit(1)
            last = connection.execute(query).scalar()
        return (codec.read(first) if first is not None else None), last

    def _rows(self, query: sa.Select[Any]) -> Iterator[Any]:
        """Rows with their numbers and check sums tested."""
        path = self.folder / FILE_NAME
        wanted = 1
        with _in_words(path), self._engine.connect() as connection:
            for row in connection.execution_options(yield_per=50).execute(query):
                if row.seq != wanted:
                    raise storage_trouble("gap", path=str(path), seq=wanted)
                if _sum(row.body) != row.crc32:
                    raise storage_trouble("torn", path=str(path), seq=row.seq)
                wanted += 1
                yield row

    def copy_to(self, path: Path) -> None:
        """A copy of the whole journal as one file, as it stands now, also while it is being written."""
        with _in_words(path), self._engine.connect() as connection:
            raw = connection.connection.driver_connection
            assert isinstance(raw, sqlite3.Connection)
            with contextlib.closing(sqlite3.connect(path)) as copy:
                raw.backup(copy)
                copy.execute("PRAGMA journal_mode=DELETE")

    def close(self) -> None:
        """Let go of the files; the journal can be opened by another process."""
        self._engine.dispose()
        if self._lock is not None:
            self._lock.release()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _identity(path: Path) -> tuple[int, int]:
    """What tells a file from another of the same name. Raises OSError."""
    facts = path.stat()
    return facts.st_dev, facts.st_ino


def _sum(body: str) -> int:
    return zlib.crc32(body.encode("utf-8"))


def _existing(folder: Path) -> Path:
    path = folder / FILE_NAME
    try:
        if not path.is_file():
            raise storage_trouble("missing", path=str(folder))
    except OSError as trouble:
        raise from_os_error(trouble, "session", folder) from trouble
    return path


def _engine(path: Path, *, read_only: bool = False) -> sa.Engine:
    """An engine whose every connection writes through to the disk before a commit returns."""

    def reach(options: str, first_words: str) -> sqlite3.Connection:
        where = path.absolute().as_uri() + options
        connection = sqlite3.connect(where, uri=True, check_same_thread=False, timeout=5.0)
        try:
            connection.execute(first_words).fetchall()
        except BaseException:
            connection.close()
            raise
        return connection

    def connect() -> sqlite3.Connection:
        if read_only:
            try:
                return reach("?mode=ro", "SELECT count(*) FROM sqlite_master")
            except sqlite3.OperationalError:
                # a folder that can't be written has no room for the WAL's shared memory; without
                # a WAL nothing can be missed by leaving it out, with one both are read in memory
                if path.with_name(path.name + "-wal").exists():
                    return _in_memory(path)
                return reach("?immutable=1", "SELECT count(*) FROM sqlite_master")
        # WAL needs shared memory, which network disks lack: SQLite then stays with its rollback
        # journal, as safe and a little slower
        connection = reach("?mode=rwc", "PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=FULL")
        return connection

    return sa.create_engine("sqlite://", creator=connect, poolclass=sa.pool.QueuePool, pool_size=2)


def _in_memory(path: Path) -> sqlite3.Connection:
    """The journal and its WAL, read through copies: for disks that can't be written."""
    with tempfile.TemporaryDirectory(prefix="holdstill-") as folder:
        for name in (path.name, path.name + "-wal"):
            shutil.copyfile(path.with_name(name), Path(folder) / name)
        memory = sqlite3.connect(":memory:", check_same_thread=False)
        with contextlib.closing(sqlite3.connect(Path(folder) / path.name)) as copy:
            copy.backup(memory)
    return memory


@contextlib.contextmanager
def _in_words(path: Path) -> Iterator[None]:
    """Turn what SQLite or the system complains of inside the block into a StorageTrouble."""
    try:
        yield
    except sa.exc.DBAPIError as error:
        raise _of_sqlite(error.orig if error.orig is not None else error, path) from error
    except sqlite3.Error as error:
        raise _of_sqlite(error, path) from error
    except OSError as error:
        raise from_os_error(error, "event", path) from error


def _of_sqlite(error: BaseException, path: Path) -> StorageTrouble:
    name = getattr(error, "sqlite_errorname", "") or ""
    if name.startswith("SQLITE_FULL"):
        return storage_trouble("full", what="the latest entry", path=str(path))
    if name.startswith(("SQLITE_READONLY", "SQLITE_PERM")):
        return storage_trouble("read-only", path=str(path))
    if name.startswith("SQLITE_CANTOPEN"):
        return storage_trouble("gone", path=str(path), reason=str(error))
    if name.startswith(("SQLITE_NOTADB", "SQLITE_CORRUPT")):
        return storage_trouble("not-a-journal", path=str(path), reason=str(error))
    if name.startswith("SQLITE_BUSY"):
        return storage_trouble("locked", path=str(path), holder="unknown")
    return storage_trouble("trouble", what="the latest entry", path=str(path), reason=str(error))
