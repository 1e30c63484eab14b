"""What the doctor looks at on a machine."""

from __future__ import annotations

import importlib
import os
import re
import shutil
import socket
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime
from importlib import metadata
from multiprocessing import get_context
from pathlib import Path

from holdstill.archive.disk import make_folder, write_whole
from holdstill.archive.findings import Finding, fine, note, wrong
from holdstill.archive.sessions import SessionSummary, sessions
from holdstill.compose import LOOPBACK, now_ms, reports_folder
from holdstill.errors import BadInput, StorageTrouble
from holdstill.intake.listing import on_network
from holdstill.limits import limit
from holdstill.web.app import static_folder

Findings = Iterator[Finding]
_PAGES = ("look.css", "page.js", "vendor/htmx.min.js", "vendor/hx-ws.min.js", "vendor/ORIGIN.json")
_WORKER_S = 60.0


def machine(home: Path, port: int) -> list[Finding]:
    """Everything about this machine that a session needs."""
    found: list[Finding] = []
    looks: tuple[Callable[[], Findings], ...] = (
        _python, _packages, _imports, _power, lambda: _home(home), _pages, lambda: _keys(home),
        lambda: _port(port), _worker, lambda: _kept(home),
    )  # fmt: skip
    for look in looks:
        found += look()
    return found


def _python() -> Findings:
    version = ".".join(str(n) for n in sys.version_info[:3])
    yield fine("python", version=version) if sys.version_info >= (3, 11) else wrong(
        "python", "old", version=version
    )


def _numbers(version: str) -> tuple[int, ...]:
    """``"2025.1.0rc1"`` -> (2025, 1, 0)."""
    return tuple(int(n) for n in re.findall(r"\d+", re.split(r"[a-z+]", version)[0]))


def too_old(needs: list[str], installed: Callable[[str], str]) -> list[str]:
    """Of requirements like ``numpy>=2``, those that are missing or older than they must be."""
    out = []
    for need in needs:
        name = re.split(r"[<>=!~ ;\[]", need)[0]
        least = re.search(r">=\s*([\d.]+)", need)
        try:
            have = installed(name)
        except metadata.PackageNotFoundError:
            out.append(name)
            continue
        if least and _numbers(have) < _numbers(least.group(1)):
            out.append(f"{name} {have}, wanted {least.group(1)}")
    return out


def _packages() -> Findings:
    try:
        needs = [n for n in metadata.requires("holdstill") or [] if "extra ==" not in n]
    except metadata.PackageNotFoundError:
        yield note("packages", "unknown")
        return
    bad = too_old(needs, metadata.version)
    yield wrong("packages", "other", names="; ".join(bad)) if bad else fine("packages", count=len(needs))


def _imports() -> Findings:
    for name in ("numpy", "scipy", "numba", "cv2"):
        try:
            loaded = importlib.import_module(name)
        except Exception as trouble:  # whatever a broken library raises while it loads
            yield wrong("imports", "broken", name=name, reason=str(trouble)[:200])
            return
    yield fine("imports", version=str(loaded.__version__))


def _power() -> Findings:
    cores = os.cpu_count() or 1
    try:
        memory_mb = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") // 10**6
    except (ValueError, OSError, AttributeError):
        return
    small = cores < 2 or memory_mb < 3500
    yield (note if small else fine)("power", "small" if small else "fine", cores=cores, memory_mb=memory_mb)


def _home(home: Path) -> Findings:
    try:
        make_folder(home)
        write_ms = []
        for _ in range(3):
            began = time.perf_counter()
            write_whole(home / ".doctor", b"may be deleted")
            write_ms.append(1000.0 * (time.perf_counter() - began))
        (home / ".doctor").unlink()
        free_mb = shutil.disk_usage(home).free // 10**6
    except OSError as trouble:
        yield wrong("home", "closed", path=str(home), reason=trouble.strerror or "")
        return
    took = sorted(write_ms)[1]
    if free_mb < limit("free_disk_mb"):
        yield wrong("home", "full", path=str(home), free_mb=free_mb)
    elif took > limit("slow_write_ms"):
        yield wrong("home", "slow", path=str(home), write_ms=took)
    else:
        yield fine("home", path=str(home), free_mb=free_mb, write_ms=took)
    if on_network(home.resolve()):
        yield note("share", "network", path=str(home))
    yield _database(home)


def _database(home: Path) -> Finding:
    try:
        with tempfile.TemporaryDirectory(prefix=".doctor-", dir=home) as place:
            trial = sqlite3.connect(Path(place) / "trial.sqlite")
            try:
                kind = trial.execute("PRAGMA journal_mode=WAL").fetchone()[0]
                trial.execute("PRAGMA synchronous=FULL")
                with trial:
                    trial.execute("CREATE TABLE trial (number INTEGER)")
            finally:
                trial.close()
    except (sqlite3.Error, OSError) as trouble:
        return wrong("database", "broken", path=str(home), reason=str(trouble))
    if kind != "wal":
        return note("database", "slow-kind", path=str(home))
    return fine("database", version=sqlite3.sqlite_version)


def _pages() -> Findings:
    folder = static_folder()
    missing = [name for name in _PAGES if not (folder / name).is_file()]
    yield wrong("pages", "missing", names=", ".join(missing)) if missing else fine("pages")


def _keys(home: Path) -> Findings:
    """Secrets must be closed to other users (Unix permissions; nothing to see elsewhere)."""
    secrets = [home / "access-key", home / "phones.json", home / "tls" / "key.pem"]
    there = [p for p in secrets if p.is_file()]
    if not there or os.name == "nt":
        yield note("keys", "none")
        return
    bad = [str(p) for p in there if p.stat().st_mode & 0o077]
    yield wrong("keys", "open", names=", ".join(bad)) if bad else fine("keys")


def _port(port: int) -> Findings:
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as trial:
        trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            trial.bind((LOOPBACK, port))
        except OSError:
            yield note("port", "taken", port=port)
            return
        except OverflowError:
            raise BadInput(f"{port} is no port: choose one from 1 to 65535.") from None
    yield fine("port", port=port)


def _worker() -> Findings:
    began = time.perf_counter()
    executor = ProcessPoolExecutor(1, mp_context=get_context("spawn"))
    try:
        executor.submit(int).result(_WORKER_S)
        yield fine("worker", seconds=time.perf_counter() - began)
    except Exception as trouble:  # however a process fails to start
        yield wrong("worker", "broken", reason=f"{type(trouble).__name__} {trouble}"[:200])
    finally:
        executor.shutdown(wait=False, cancel_futures=True)


def _kept(home: Path) -> Findings:
    """Sessions, the clock against them, and reports."""
    try:
        found = sessions(home)
    except StorageTrouble as trouble:
        yield wrong("home", "closed", path=str(home), reason=str(trouble))
        return
    yield from clock(found, now_ms())
    bad = [s.session_id for s in found if s.trouble]
    if bad:
        names = ", ".join(bad[:5])
        yield wrong("sessions", "trouble", bad=len(bad), count=len(found), names=names)
    elif found:
        yield fine("sessions", count=len(found))
    else:
        yield fine("sessions", "none")
    reports = list(reports_folder(home).glob("*.txt"))
    if reports:
        yield note("reports", "some", count=len(reports), path=str(reports_folder(home)))


def clock(found: list[SessionSummary], at_ms: float) -> Findings:
    """Whether the clock can be right, given what the sessions recorded."""
    year = datetime.fromtimestamp(at_ms / 1000.0, UTC).year
    newest = max(found, key=lambda s: s.last_at_ms or 0.0, default=None)
    behind_ms = (newest.last_at_ms or 0.0) - at_ms if newest is not None else 0.0
    if not 2025 <= year < 2100:
        yield wrong("clock", "far", year=year)
    elif newest is not None and behind_ms > 60_000.0:
        yield wrong("clock", "behind", hours=behind_ms / 3.6e6, session=newest.session_id)
    else:
        yield fine("clock")
