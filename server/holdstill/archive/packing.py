"""A session as one file, and back: a zip with a table of what is in it and what it must replay to."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import shutil
import struct
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import holdstill
from holdstill import session
from holdstill.errors import BadInput, StorageTrouble
from holdstill.phrases import say
from holdstill.records import Say

from .codec import fingerprint
from .disk import STAND_IN, make_folder, make_last, sync_folder, writing
from .journal import FILE_NAME, Journal
from .trouble import from_os_error

SUFFIX = ".holdstill"
TABLE_NAME = "holdstill.json"
FORM = "holdstill session"
FORM_VERSION = 1
_KEPT = ("originals", "hand-over")
_PLACE = re.compile(
    r"journal\.sqlite|originals/[0-9a-f]{2}/[0-9a-f]{64}\.[a-z0-9.]{1,10}"
    r"|hand-over/(?:[^/\\\x00-\x1f.][^/\\\x00-\x1f]{0,200}/){0,3}[^/\\\x00-\x1f.][^/\\\x00-\x1f]{0,200}"
)
_SESSION = re.compile(r"[a-z0-9][a-z0-9_.-]{0,80}")
_TABLE_BYTES = 32 << 20
_DENSE = (".png", ".jpg", ".jpeg", ".pdf")
_CHUNK = 1 << 20
_NO_ZIP = (zipfile.BadZipFile, zipfile.LargeZipFile, zlib.error, struct.error, EOFError, RuntimeError)
"""What reading a damaged zip raises (RuntimeError: it claims a password, or a packing we don't know)."""


@dataclass(frozen=True, slots=True)
class Packed:
    """A packed session: its file, how many events, files and bytes are in it."""

    path: Path
    events: int
    files: int
    size_bytes: int


def pack(folder: Path, target: Path) -> Packed:
    """The session in `folder` as one file, also while it is being written.

    Raises StorageTrouble for a journal that can't be read or a disk that is full.
    """
    with tempfile.TemporaryDirectory(prefix="holdstill-") as place:
        copy = Path(place) / FILE_NAME
        with Journal.read_only(folder) as journal:
            journal.copy_to(copy)
        with Journal.read_only(Path(place)) as journal:
            state = session.replay(journal.events())
        files = {FILE_NAME: copy}
        for name in _KEPT:
            found = sorted(p for p in (folder / name).rglob("*") if p.is_file())
            files |= {p.relative_to(folder).as_posix(): p for p in found if not p.name.startswith(STAND_IN)}
        table = {"form": FORM, "form_version": FORM_VERSION, "session": folder.name, "events": state.events,
                 "state": fingerprint(state), "made_by": f"holdstill {holdstill.__version__}"}  # fmt: skip
        try:
            _write(target, files, table)
        except OSError as trouble:
            raise from_os_error(trouble, "pack", target) from trouble
    return Packed(target, state.events, len(files), target.stat().st_size)


def _write(target: Path, files: dict[str, Path], table: dict[str, Any]) -> None:
    """The zip, whole or not at all."""
    make_folder(target.parent)
    with writing(target) as out, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as packed:
        listed = {name: _add(packed, name, path) for name, path in files.items()}
        packed.writestr(TABLE_NAME, json.dumps({**table, "files": listed}, indent=1))


def _add(packed: zipfile.ZipFile, name: str, path: Path) -> dict[str, int | str]:
    """One file into the zip; its size and digest."""
    entry = zipfile.ZipInfo(name)
    entry.compress_type = zipfile.ZIP_STORED if path.suffix in _DENSE else zipfile.ZIP_DEFLATED
    entry.external_attr = 0o644 << 16
    digest, size = hashlib.sha256(), 0
    with path.open("rb") as source, packed.open(entry, "w", force_zip64=True) as target:
        while chunk := source.read(_CHUNK):
            digest.update(chunk)
            size += len(chunk)
            target.write(chunk)
    return {"bytes": size, "sha256": digest.hexdigest()}


def unpack(path: Path, home: Path) -> Path:
    """A packed session as a folder under `home`, checked to the last byte and replayed to the same state.

    One that is there already, in the same state, is left as it is. Raises BadInput for a file that is
    something else, damaged or made to do harm; StorageTrouble for a disk that is full.
    """
    with _opened(path) as (packed, table):
        target, number = home / str(table["session"]), 2
        while target.exists():
            if _state_of(target) == table["state"]:
                return target
            target, number = home / f"{table['session']!s}-{number}", number + 1
        wanted = sum(entry["bytes"] for entry in table["files"].values())
        try:
            make_folder(home)
            if shutil.disk_usage(home).free < wanted + (64 << 20):
                raise _bad("no-room", path=path, wanted_mb=wanted // 10**6)
            stand_in = Path(tempfile.mkdtemp(prefix=STAND_IN, dir=home))
        except OSError as trouble:
            raise from_os_error(trouble, "session", home) from trouble
        try:
            for name in table["files"]:
                _extract(packed, table, name, stand_in / name, path)
            if _state_of(stand_in) != table["state"]:
                raise _bad("other-state", path=path)
            os.chmod(stand_in, 0o755)
            os.replace(stand_in, target)
            sync_folder(home)
        except OSError as trouble:
            raise from_os_error(trouble, "session", home) from trouble
        finally:
            shutil.rmtree(stand_in, ignore_errors=True)
    return target


@contextlib.contextmanager
def journal_of(path: Path) -> Iterator[Path]:
    """A folder with the journal alone of a packed session, while the block runs."""
    with _opened(path) as (packed, table), tempfile.TemporaryDirectory(prefix="holdstill-") as place:
        _extract(packed, table, FILE_NAME, Path(place) / FILE_NAME, path)
        yield Path(place)


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[tuple[zipfile.ZipFile, dict[str, Any]]]:
    """The zip and its table, both found to be sound."""
    try:
        with zipfile.ZipFile(path) as packed:
            yield packed, _table(packed, path)
    except FileNotFoundError:
        raise _bad("missing", path=path) from None
    except _NO_ZIP as trouble:
        raise _bad("not-packed", path=path) from trouble


def _table(packed: zipfile.ZipFile, path: Path) -> dict[str, Any]:
    try:
        entry = packed.getinfo(TABLE_NAME)
        if entry.file_size > _TABLE_BYTES:
            raise _bad("not-packed", path=path)
        with packed.open(entry) as file:
            table = json.loads(file.read(_TABLE_BYTES))
        files = table["files"]
        known = table["form"] == FORM and isinstance(table["state"], str)
        plain = all(set(entry) == {"bytes", "sha256"} and entry["bytes"] >= 0 for entry in files.values())
    except (KeyError, ValueError, TypeError, AttributeError, RecursionError) as trouble:
        raise _bad("not-packed", path=path) from trouble
    if known and table.get("form_version") != FORM_VERSION:
        raise _bad("newer", path=path, got=str(table.get("form_version")), known=FORM_VERSION)
    inside = sorted(i.filename for i in packed.infolist())
    if not known or not plain or inside != sorted([*files, TABLE_NAME]) or FILE_NAME not in files:
        raise _bad("not-packed", path=path)
    for name in files:
        if not _PLACE.fullmatch(name):
            raise _bad("place", path=path, name=repr(name)[:80])
    if not isinstance(table["session"], str) or not _SESSION.fullmatch(table["session"]):
        raise _bad("place", path=path, name=repr(table["session"])[:80])
    return dict(table)


def _extract(packed: zipfile.ZipFile, table: dict[str, Any], name: str, target: Path, path: Path) -> None:
    """One file out of the zip, never more of it than its table says, lasting once this returns."""
    wanted = table["files"][name]
    make_folder(target.parent)
    mode = 0o444 if name.startswith("originals/") else 0o644
    handle = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644)
    with os.fdopen(handle, "wb") as out, packed.open(name) as source:
        if _copied(source, out, wanted["bytes"]) != wanted["sha256"]:
            raise _bad("damaged", path=path, name=name)
        make_last(out, target, mode)
    sync_folder(target.parent)


def _copied(source: IO[bytes], out: IO[bytes], most: int) -> str:
    """Digest of what was copied; of nothing when there was more or less than `most` bytes."""
    digest, left = hashlib.sha256(), most
    while left >= 0 and (chunk := source.read(min(_CHUNK, left + 1))):
        left -= len(chunk)
        digest.update(chunk)
        out.write(chunk)
    return digest.hexdigest() if left == 0 else ""


def _state_of(folder: Path) -> str | None:
    """Fingerprint of the state that a folder's journal replays to; None when it can't be read."""
    try:
        with Journal.read_only(folder) as journal:
            return fingerprint(session.replay(journal.events()))
    except (StorageTrouble, ValueError):
        return None


def _bad(key: str, *, path: Path, **values: float | int | str) -> BadInput:
    return BadInput(say(Say(f"archive.pack.{key}", {"path": str(path), **values})))
