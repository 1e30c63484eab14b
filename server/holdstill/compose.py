"""Puts a running session together: journal, workers, source, pages, access. Wiring only."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import secrets
import signal
import socket
import sys
import threading
import time
from collections.abc import Callable, Generator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import uvicorn

from holdstill import plan, session, target
from holdstill.archive import Journal, Originals, average_bytes, new_folder, storage
from holdstill.archive.bug_report import write_report
from holdstill.archive.disk import make_folder, write_whole
from holdstill.archive.handover import hand_over
from holdstill.archive.latest import newest_named, note_opened
from holdstill.archive.trouble import from_os_error
from holdstill.errors import BadInput, StorageTrouble
from holdstill.intake.folder import FolderSource
from holdstill.intake.preview import png_of_file, preview_of_file
from holdstill.intake.pushed import PushedSource
from holdstill.intake.source import Source
from holdstill.loop.carrying import CarryingPool
from holdstill.loop.clock import SteadyClock
from holdstill.loop.deck import LoopDeck
from holdstill.loop.offline import opened
from holdstill.loop.pool import Pool
from holdstill.loop.runner import Parts, Runner
from holdstill.loop.warm import warm_mind
from holdstill.loop.worker import open_eye
from holdstill.records import Coverage, Plate, Rig, Step, Storage
from holdstill.records import events as ev
from holdstill.session import State
from holdstill.settings import Value
from holdstill.web import (
    Access,
    PageSettings,
    Phones,
    Role,
    TimedCodes,
    certificate,
    create_app,
    harden,
    join_link,
    sender_header,
)
from holdstill.web.crowd import Door, Speaking
from holdstill.web.private import is_private
from holdstill.web.tls import CIPHERS

LOOPBACK = "127.0.0.1"
SHOT_LONGEST_S = 20.0
"""A shot that takes the eye longer than this is given up: a hundred times the usual."""
WORK_LONGEST_S = 120.0
"""A solve that takes longer than this is given up."""
GRACE_S = 2
"""How long open sockets may take to close when the server ends."""


def default_home() -> Path:
    """Where sessions live unless told otherwise: the user's data folder."""
    base = os.environ.get("XDG_DATA_HOME") or str(Path.home() / ".local" / "share")
    return Path(base) / "holdstill"


def now_ms() -> float:
    """Wall clock, ms since the epoch."""
    return time.time() * 1000.0


def passed_s() -> float:
    """Seconds that only rise, while the machine sleeps too where the system can tell."""
    boot = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic() if boot is None else time.clock_gettime(boot)


def reports_folder(home: Path) -> Path:
    """Where reports on bugs are written."""
    return home / "reports"


@dataclass(slots=True)
class Serving:
    """How to serve: where sessions live, the session's name, and who may reach it."""

    home: Path
    name: str
    initials: str = ""
    port: int = 8765
    lan: bool = False
    tls: bool = False
    fresh: bool = False
    """Begin a new session even if one of this name can be gone on with."""
    settings: dict[str, Value] = field(default_factory=dict)
    first_step: Step = Step.POSES


def coverage_of(state: State) -> Coverage:
    """What the views so far cover."""
    if state.opened is None:
        return session.NO_COVERAGE
    return plan.coverage(state.plate, state.rig, state.estimate, state.standing(proof=False))


def open_journal(serving: Serving, plate: Plate, rig: Rig, source: Source) -> tuple[Journal, bool]:
    """The session's journal, and whether it goes on from before.

    A session of the same name is gone on with when it has the same plate and kind of source;
    otherwise a new one begins, so that nothing kept is ever mixed up.
    """
    try:
        make_folder(serving.home)
    except OSError as trouble:
        raise from_os_error(trouble, "session", serving.home) from trouble
    if not serving.fresh:
        old = newest_named(serving.home, serving.name)
        if old is not None:
            journal = Journal.open(old)
            first = next(iter(journal.events()), None)
            same = isinstance(first, ev.SessionOpened) and first.plate == plate
            if same and isinstance(first, ev.SessionOpened) and first.single_shots == source.single:
                note_opened(serving.home, serving.name, old)
                return journal, True
            journal.close()
    journal = Journal.create(new_folder(serving.home, serving.name, now_ms()))
    event = opened(plate, rig, source.cameras, name=serving.name, at_ms=now_ms(), single_shots=source.single)
    journal.append(
        ev.SessionOpened(
            event.at_ms,
            event.name,
            serving.initials,
            plate,
            rig,
            event.cameras,
            event.single_shots,
            event.limits,
            serving.settings,
            event.versions,
        )
    )
    note_opened(serving.home, serving.name, journal.folder)
    if serving.first_step is not Step.POSES:
        journal.append(ev.StepEntered(now_ms(), serving.first_step))
    return journal, False


def forecast(session_folder: Path, originals_folder: Path, cameras: int) -> Storage | None:
    """How many more views the disk takes; None until a first one tells how large they are."""
    each = average_bytes(originals_folder, cameras)
    return storage(session_folder, each) if each else None


def dealt_with(journal: Journal) -> list[str]:
    """Names of the shots that the session has kept or refused, so that files which are still in
    the folder are not taken twice."""
    names = []
    for event in journal.events():
        if isinstance(event, ev.ViewKept):
            names.append(event.view.name)
        elif isinstance(event, ev.ShotRefused):
            names.append(event.shot_name)
    return names


def house_key(home: Path) -> str:
    """The house's secret, of which codes, cookies' names and the sender's token are made: kept beside
    the sessions, readable by its owner only. One that others could read is replaced."""
    path = home / "access-key"
    try:
        known = path.read_text("ascii").strip()
        if len(known) >= 16 and is_private(path):
            return known
    except (OSError, UnicodeDecodeError):
        pass
    key = secrets.token_urlsafe(24)
    try:
        make_folder(home)
        write_whole(path, key.encode(), 0o600)
    except OSError as error:
        raise StorageTrouble(
            f"{path} can't be written ({error.strerror}): choose another place with --home."
        ) from error
    return key


@dataclass(frozen=True, slots=True)
class Greeting:
    """What whoever starts a server is told: its address, links to join as operator and as watcher and
    how long they are good, the header for scripts that send frames, and whether the session goes on."""

    address: str
    link: str
    watch_link: str
    minutes: int
    sender: str
    resumed: bool


def greeting(address: str, key: str, *, resumed: bool = False) -> Greeting:
    """The greeting of a server with that key, now."""
    codes = TimedCodes(key, time.time)
    links = [join_link(address, codes.now(role)) for role in (Role.OPERATOR, Role.WATCHER)]
    return Greeting(address, links[0], links[1], int(codes.minutes_left()), sender_header(key), resumed)


def lan_address() -> str:
    """This machine's address on the network its traffic leaves by; nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # TEST-NET-1 (RFC 5737): no packet goes out for a UDP connect
            return str(probe.getsockname()[0])
        except OSError as error:
            raise BadInput(
                "this machine has no network address: join the lab network first, or leave out --lan."
            ) from error


def bind(host: str, port: int) -> socket.socket:
    """A listening socket. Raises BadInput, with the next step, when the port is taken."""
    listener = Door(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
        listener.listen(128)  # a phone that comes before the pages are up waits, and is not refused
    except OSError as error:
        listener.close()
        raise BadInput(
            f"port {port} on {host} can't be used ({error.strerror}): another Holdstill may be running. "
            f"End it, or choose another port, for example --port {port + 1 if port < 65535 else 8765}."
        ) from error
    return listener


def build_runner(serving: Serving, source: Source, plate: Plate, rig: Rig) -> tuple[Runner, LoopDeck, bool]:
    """A runner with its deck, and whether the session goes on from before."""
    journal, resumed = open_journal(serving, plate, rig, source)
    if isinstance(source, FolderSource):
        source.already(dealt_with(journal))
    originals = Originals(journal.folder / "originals", preview_of=preview_of_file, png_of=png_of_file)
    handover_folder = journal.folder / "hand-over"
    clock = SteadyClock(now_ms, passed_s, journal.first_and_last()[1] or 0.0)
    parts = Parts(
        journal=journal,
        originals=originals,
        source=source,
        eye=CarryingPool("eye", longest_s=SHOT_LONGEST_S, first=open_eye, arguments=(plate,)),
        mind=Pool("mind", longest_s=WORK_LONGEST_S, first=warm_mind),
        now_ms=clock,
        coverage=coverage_of,
        hand_over=lambda state: hand_over(state, originals, handover_folder, clock()),
        report=lambda error, facts: write_report(reports_folder(serving.home), error, facts),
    )
    runner = Runner(parts)
    deck = LoopDeck(
        runner,
        plate_words=target.words(plate),
        originals=originals,
        handover_folder=handover_folder,
        storage=lambda: forecast(journal.folder, originals.folder, len(runner.state.cameras)),
    )
    return runner, deck, resumed


SERVING_NAME = "serving.json"
"""Where the address last served from a home stands, for ``holdstill join``."""
RENEW_EVERY_S = 3600.0


async def _renew(config: uvicorn.Config, folder: Path, hosts: list[str]) -> None:
    """While a server runs for weeks: a new certificate before the old one ends, for new connections."""
    context = config.ssl
    if context is None:
        return
    harden(context)
    while True:
        await asyncio.sleep(RENEW_EVERY_S)
        with contextlib.suppress(OSError):  # a full disk: the old one holds for days yet
            made = await asyncio.to_thread(certificate, folder, hosts)
            context.load_cert_chain(made.chain, made.key)


LEAVING = ("SIGINT", "SIGTERM", "SIGHUP")
"""What asks the program to end: Ctrl-C, ``kill`` or the system's shutdown, a terminal that is closed."""


class _Server(uvicorn.Server):
    """The web server without its own way to leave: that would end the program by the signal itself, before
    cameras are set back and workers and journal are closed."""

    @contextlib.contextmanager
    def capture_signals(self) -> Generator[None, None, None]:
        yield


@contextlib.contextmanager
def leaving(told: Callable[[], None]) -> Generator[None, None, None]:
    """Within, whatever asks the program to end calls `told`; asked once more, it ends at once."""
    asked = False

    def leave(*_: object) -> None:
        nonlocal asked
        if asked:
            raise KeyboardInterrupt
        asked = True
        told()

    before = {}
    if threading.current_thread() is threading.main_thread():
        for number in (getattr(signal, name) for name in LEAVING if hasattr(signal, name)):
            if number == signal.SIGINT or signal.getsignal(number) != signal.SIG_IGN:  # nohup stays nohup
                before[number] = signal.signal(number, leave)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def serve(
    serving: Serving,
    source: Source,
    plate: Plate,
    rig: Rig,
    *,
    ready: Callable[[Greeting], None],
) -> int:
    """Serve until told to stop. ``ready(greeting)`` is called once pages can be opened."""
    host = "0.0.0.0" if serving.lan else LOOPBACK
    shown = lan_address() if serving.lan else LOOPBACK
    listener = bind(host, serving.port)
    port = listener.getsockname()[1]
    runner, deck, resumed = build_runner(serving, source, plate, rig)
    key = house_key(serving.home)
    hosts = {LOOPBACK, "localhost", shown}
    address = f"{'https' if serving.tls else 'http'}://{shown}:{port}"
    phones = Phones(serving.home / "phones.json", time.time)
    codes = TimedCodes(key, time.time)
    access = Access(
        key, frozenset(hosts), codes=codes, phones=phones, clock=time.monotonic, secure=serving.tls
    )
    pages = PageSettings(
        join_origin=address, zone=datetime.now().astimezone().tzinfo or UTC, report=runner.broke
    )
    app = create_app(deck, access, pages, source if isinstance(source, PushedSource) else None)
    config = uvicorn.Config(
        app,
        http=Speaking,
        log_level="warning",
        access_log=False,
        ws_per_message_deflate=False,
        server_header=False,
        proxy_headers=False,  # nobody stands in between: an address is the sender's own
        timeout_graceful_shutdown=GRACE_S,
    )
    if serving.tls:
        made = certificate(serving.home / "tls", sorted(hosts))
        config.ssl_certfile, config.ssl_keyfile = str(made.chain), str(made.key)
        config.ssl_ciphers = CIPHERS
    config.load()

    server = _Server(config)

    async def run() -> None:
        renewing = asyncio.create_task(_renew(config, serving.home / "tls", sorted(hosts)))
        await runner.start()
        try:
            write_whole(serving.home / SERVING_NAME, json.dumps({"address": address}).encode())
            ready(greeting(address, key, resumed=resumed))
            await server.serve(sockets=[listener])
        finally:
            renewing.cancel()
            await runner.stop()

    def leave() -> None:
        server.should_exit = True

    with leaving(leave), contextlib.suppress(KeyboardInterrupt):
        asyncio.run(run())
    with contextlib.suppress(OSError):  # the terminal may be gone
        print("\nstopped; everything kept is in the journal", file=sys.stderr)
    return 0
