"""A watched folder: whatever program writes the files, every shot is delivered once and in order."""

from __future__ import annotations

import contextlib
import logging
import queue
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from watchdog.events import FileSystemEvent, FileSystemEventHandler
from watchdog.observers import Observer
from watchdog.observers.api import BaseObserver

from holdstill.errors import BadFrame
from holdstill.limits import limit
from holdstill.records import Advice, FrameBytes, FrameFile, Original, Shot, SimState

from .decode import check, read_bytes
from .grouping import Grouping
from .listing import Found, Refused, check_folder, look, on_network, scan
from .names import given_pattern, natural
from .pairing import Complaint
from .refusals import Unfinished, bad_input, words
from .source import Complain, Deliver

log = logging.getLogger("holdstill")
logging.getLogger("watchdog").setLevel(logging.CRITICAL)  # it logs an error when it is stopped in time

_RESCAN_S = 2.0
"""How often the folder is looked through although the system tells of changes: some get lost."""
_STEADY_S = 0.05
"""Time between two looks at a file that nobody has told us is closed."""

_IN_ORDER_S = 0.2
"""Longest time that a whole file waits for one that came before it and is not whole yet."""


@dataclass(slots=True)
class _Settling:
    """A file not yet taken: as last seen, when first and last looked at, when patience ends."""

    found: Found
    seen_s: float
    looked_s: float
    until_s: float
    ready: bool = False


class FolderSource:
    """Shots from the files that camera programs drop into a folder (see ``Source``).

    A file is taken when its writer closes or renames it and its structure is whole; where nobody
    tells (network folders, files moved in), when size and time stayed the same twice.  A file that
    stays unfinished for `intake_settle_s` is delivered all the same, to be refused in words.

    path, pattern, cameras
        The folder; how names are built (worked out when None); how many cameras, when known.
    existing
        True: files that are there at the start are delivered too, in order.
    poll
        True: look at the folder again and again instead of being told; None: only on a network.
    now_s
        The wall clock, in seconds.
    Raises BadInput when the folder can't be used.
    """

    single = True

    def __init__(
        self,
        path: Path,
        pattern: str | None = None,
        *,
        cameras: int | None = None,
        existing: bool = True,
        poll: bool | None = None,
        now_s: Callable[[], float] = time.time,
    ) -> None:
        self.path = check_folder(path)
        self._poll = on_network(self.path) if poll is None else poll
        self._grouping = Grouping(self.path, pattern, cameras)
        self._existing = existing
        self._now_s = now_s
        self._told: queue.SimpleQueue[tuple[Path, bool] | None] = queue.SimpleQueue()
        self._taken: dict[str, tuple[int, int]] = {}
        self._settling: dict[str, _Settling] = {}
        self._refused: set[str] = set()
        self._already: set[str] = set()
        self._lost = False
        self._look_again_s = 0.0
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._observer: BaseObserver | None = None
        self._deliver: Deliver = lambda shot: None
        self._complain: Complain = lambda name, camera, message: None

    @property
    def cameras(self) -> tuple[str, ...]:
        """Cameras in order, left before right; empty until known."""
        return self._grouping.cameras

    def already(self, shot_names: Iterable[str]) -> None:
        """Shots that an earlier run of the session has dealt with: they are not delivered again.

        Call it before `start`.  Their numbers are counted on, so that later shots keep theirs.
        """
        self._already |= set(shot_names)

    @property
    def template(self) -> str | None:
        """How the names are built, as worked out; None until known."""
        return self._grouping.template

    def start(self, deliver: Deliver, complain: Complain) -> None:
        """Begin watching."""
        self._deliver, self._complain = deliver, complain
        self._observe()
        self._thread = threading.Thread(target=self._run, name="folder", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End watching; nothing is delivered after it returns."""
        self._stop.set()
        self._told.put(None)
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join()
        self._unobserve()

    def advise(self, advice: Advice) -> None:
        """A folder does not listen."""

    def control(self, changes: Mapping[str, str]) -> str | None:
        """Nothing can be set: the camera program is in charge."""
        return words("no-control")

    def sim_state(self) -> SimState | None:
        """Not simulated."""
        return None

    # -- being told of changes ---------------------------------------------------------------

    def _observe(self) -> None:
        if self._poll:
            return
        observer = Observer()
        try:
            observer.schedule(_Listener(self._told), str(self.path), recursive=True)
            observer.start()
        except OSError:  # the system's watches are used up: look again and again instead
            self._poll = True
            return
        self._observer = observer

    def _unobserve(self) -> None:
        if self._observer is not None:
            with contextlib.suppress(RuntimeError):
                self._observer.stop()
                self._observer.join()
            self._observer = None

    # -- the thread --------------------------------------------------------------------------

    def _run(self) -> None:
        self._first_look()
        while not self._stop.is_set():
            try:
                told = self._told.get(timeout=self._wait_s())
            except queue.Empty:
                told = None
            if self._stop.is_set():
                return
            try:
                self._turn(told)
            except Exception:  # one file's surprise must not end the watch over all others
                log.exception("a file in the watched folder could not be dealt with")

    def _turn(self, told: tuple[Path, bool] | None) -> None:
        """One round: what was told, what a look through the folder finds, what time alone brings."""
        if told is not None:
            self._heard(*told)
        now = time.monotonic()
        if now >= self._look_again_s and self._told.empty():
            self._look_again_s = now + self._pause_s()
            self._look_through()
            took = time.monotonic() - now
            self._look_again_s = time.monotonic() + max(self._pause_s(), 20 * took)
        self._look_at_unfinished()
        self._hand_on(self._grouping.tick(time.monotonic()))

    def _pause_s(self) -> float:
        return limit("intake_poll_s") if self._poll else _RESCAN_S

    def _wait_s(self) -> float:
        """How long nothing will need doing (s)."""
        waits = [self._look_again_s - time.monotonic()]
        waits += [_STEADY_S] if self._settling else []
        due = self._grouping.due_s(time.monotonic())
        waits += [due - time.monotonic()] if due is not None else []
        return max(min(waits), 0.001)

    def _heard(self, path: Path, closed: bool) -> None:
        found = look(self.path, path)
        if isinstance(found, Found):
            self._consider(found, closed=closed)
        elif isinstance(found, Refused):
            self._refuse(found)

    def _first_look(self) -> None:
        """Files that are there already: delivered in order, or known and left alone."""
        with contextlib.suppress(OSError):
            listed = _in_order(scan(self.path))
            if not self._existing:
                self._taken = {f.name: (f.size, f.written_ns) for f in listed}
            old_ns = (self._now_s() - limit("intake_settle_s")) * 1e9
            fresh = [f for f in listed if self._is_new(f)]
            self._take([f for f in fresh if f.written_ns < old_ns and _is_whole(f)])
            for found in fresh:
                self._consider(found, closed=False)

    def _look_through(self) -> None:
        """Look at every file in the folder: what was not told of is found here."""
        try:
            listed = list(scan(self.path))
        except OSError as trouble:
            if not self._lost:
                self._lost = True
                reason = trouble.strerror or "unknown trouble"
                message = words("folder-lost", path=str(self.path), reason=reason)
                self._complain(self.path.name, None, message)
            return
        if self._lost:
            self._lost = False
            self._unobserve()
            self._observe()
        for found in _in_order(listed):
            if found.name not in self._settling:
                self._consider(found, closed=False)
        for refused in listed:
            if isinstance(refused, Refused):
                self._refuse(refused)

    def _is_new(self, found: Found) -> bool:
        return self._taken.get(found.name) != (found.size, found.written_ns)

    def _refuse(self, refused: Refused) -> None:
        if refused.name not in self._refused:
            self._refused.add(refused.name)
            self._complain(refused.name, None, refused.message)

    def _consider(self, found: Found, *, closed: bool) -> None:
        """Keep an eye on a file until it is whole: at once if its writer closed it whole."""
        if not self._is_new(found):
            return
        now = time.monotonic()
        settling = self._settling.get(found.name)
        if settling is None:
            settling = _Settling(found, now, now, now + limit("intake_settle_s"))
            self._settling[found.name] = settling
        settling.found, settling.looked_s = found, now
        settling.ready = closed and _is_whole(found)
        self._take_ready(now)

    def _look_at_unfinished(self) -> None:
        now = time.monotonic()
        for name, settling in list(self._settling.items()):
            if settling.ready or now - settling.looked_s < _STEADY_S:
                continue
            found = look(self.path, self.path / name)
            if not isinstance(found, Found):
                del self._settling[name]
                continue
            steady = (found.size, found.written_ns) == (settling.found.size, settling.found.written_ns)
            if not steady:
                settling.until_s = now + limit("intake_settle_s")
            settling.found, settling.looked_s = found, now
            settling.ready = (steady and _is_whole(found)) or now >= settling.until_s
        self._take_ready(now)

    def _take_ready(self, now: float) -> None:
        """Take what is whole, first seen first: a file waits a moment for one that came before it."""
        ready: list[Found] = []
        for settling in self._settling.values():
            if settling.ready:
                ready.append(settling.found)
            elif now - settling.seen_s < _IN_ORDER_S:
                break
        self._take(ready)

    def _take(self, found: list[Found]) -> None:
        """Files that are settled go on to be grouped."""
        for one in found:
            self._settling.pop(one.name, None)
            self._taken[one.name] = (one.size, one.written_ns)
        if found:
            self._hand_on(self._grouping.add(found, time.monotonic()))

    def _hand_on(self, outcome: tuple[list[Shot], list[Complaint]]) -> None:
        shots, complaints = outcome
        if self._stop.is_set():
            return
        for complaint in complaints:
            self._complain(complaint.name, complaint.camera, complaint.message)
        for shot in shots:
            if shot.name in self._already:
                continue
            self._deliver(_with_bytes(shot) if self._grouping.overwritten else shot)


class _Listener(FileSystemEventHandler):
    """Passes on what the system tells: files closed after writing, renamed, or newly there."""

    def __init__(self, told: queue.SimpleQueue[tuple[Path, bool] | None]) -> None:
        self._told = told

    def on_closed(self, event: FileSystemEvent) -> None:
        """A writer closed a file."""
        self._pass_on(event.src_path, closed=True)

    def on_moved(self, event: FileSystemEvent) -> None:
        """A file was renamed into place."""
        if not event.is_directory:
            self._pass_on(event.dest_path, closed=True)

    def on_created(self, event: FileSystemEvent) -> None:
        """A file appeared; its writer may still be at it."""
        if not event.is_directory:
            self._pass_on(event.src_path, closed=False)

    def _pass_on(self, path: bytes | str, *, closed: bool) -> None:
        self._told.put(
            (Path(path if isinstance(path, str) else path.decode("utf-8", "surrogateescape")), closed)
        )


def _in_order(listed: Iterable[Found | Refused]) -> list[Found]:
    return sorted((f for f in listed if isinstance(f, Found)), key=lambda f: natural(f.name))


def _with_bytes(shot: Shot) -> Shot:
    """The shot with its files read now: the next one will overwrite them."""
    held: dict[str, Original] = dict(shot.originals)
    for camera, original in shot.originals.items():
        with contextlib.suppress(BadFrame):
            if isinstance(original, FrameFile):
                data = read_bytes(original.path, original.name)
                held[camera] = FrameBytes(camera, original.name, original.taken_at_ms, data=data)
    return replace(shot, originals=held)


def _is_whole(found: Found) -> bool:
    """False when the file looks half-written; what is wrong in other ways is whole enough to refuse."""
    try:
        check(read_bytes(found.path, found.name), found.name)
    except Unfinished:
        return False
    except BadFrame:
        return True
    return True


def read_folder(
    path: Path,
    pattern: str | None = None,
    *,
    complain: Complain | None = None,
    cameras: int | None = None,
) -> list[Shot]:
    """Every shot of a finished folder, in the order and grouping that a watched one would deliver.

    `complain` hears of frames without partners and files that fit nothing.  Raises BadInput for a
    folder that can't be used or holds no picture, and for a pattern that fits none.
    """
    root = check_folder(path)
    listed = list(scan(root))
    found = _in_order(listed)
    if not found:
        raise bad_input("folder-empty", path=str(path))
    if pattern is not None:
        given_pattern(pattern, [f.name for f in found], str(path))
    grouping = Grouping(root, pattern, cameras)
    shots, complaints = grouping.whole(found)
    if complain is not None:
        for refused in listed:
            if isinstance(refused, Refused):
                complain(refused.name, None, refused.message)
        for complaint in complaints:
            complain(complaint.name, complaint.camera, complaint.message)
    return shots
