"""A small real deck in memory: scenes in, taps and pictures out. And a bench to look at them on."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import uvicorn

from holdstill.records import LivePicture, Nothing, Say, Sheet, Snapshot, Tap, TapKind
from holdstill.web import Access, PageSettings, Phones, Role, create_app
from holdstill.web.frames import Door
from web.scenes import scenes

TOKEN = "fake-bench-token-0123456789"


def plate_picture(tick: int, seed: int, size: tuple[int, int] = (960, 803)) -> tuple[bytes, np.ndarray]:
    """A JPEG of a tilted dot plate, and its outline in the picture's pixels."""
    width, height = size
    image = np.full((height, width), 26, np.uint8)
    turn = 0.06 * np.sin(tick / 17 + seed)
    ground = np.array([[-1, -0.72], [1, -0.72], [1, 0.72], [-1, 0.72]])
    squeeze = 1 - 0.16 * (ground[:, 0] if seed % 2 else -ground[:, 0]) + 0.06 * np.sin(tick / 23)
    corners = (
        ground * squeeze[:, None] @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    )
    corners = corners * 300 + np.array([width / 2 + 30 * np.sin(tick / 29), height / 2])
    matrix = cv2.getPerspectiveTransform(ground.astype(np.float32), corners.astype(np.float32))
    cv2.fillConvexPoly(image, corners.astype(np.int32), 60)
    grid = np.array(
        [[-0.9 + 1.8 * c / 13, -0.62 + 1.24 * r / 9] for r in range(10) for c in range(14)], np.float32
    )
    for x, y in cv2.perspectiveTransform(grid[None], matrix)[0]:
        cv2.circle(image, (int(x * 16), int(y * 16)), 12 * 16, 235, -1, cv2.LINE_AA, 4)
    image = cv2.GaussianBlur(image, (0, 0), 1.1)
    return cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, 78])[1].tobytes(), corners


def saturated_places(size: tuple[int, int] = (120, 100)) -> bytes:
    """A small mask with one saturated patch."""
    mask = np.zeros(size[::-1], np.uint8)
    cv2.ellipse(mask, (78, 34), (17, 9), 20, 0, 360, 255, -1)
    return cv2.imencode(".png", mask)[1].tobytes()


class FakeDeck:
    """Implements ``Deck``. `show` puts a scene on, `look` a live picture."""

    def __init__(self, snapshot: Snapshot, files: Path | None = None) -> None:
        self._snapshot = snapshot
        self._files = files
        self._revision = 1
        self._changed = asyncio.Event()
        self._number = 0
        self._live: dict[str, LivePicture] = {}
        self._live_changed = asyncio.Event()
        self._held = False
        self.taps: list[Tap] = []

    def show(self, snapshot: Snapshot) -> None:
        self._snapshot = snapshot
        if self._held:
            return
        self._revision += 1
        self._changed.set()
        self._changed = asyncio.Event()

    def slip(self, snapshot: Snapshot) -> None:
        """The state moves on without anybody being told."""
        self._snapshot = snapshot

    def hold(self, held: bool) -> None:
        """While held, changes are not told; then all at once."""
        self._held = held
        if not held:
            self.show(self._snapshot)

    def look(self, picture: LivePicture) -> None:
        self._number += 1
        self._live[picture.camera] = replace(picture, number=self._number)
        self._live_changed.set()
        self._live_changed = asyncio.Event()

    def snapshot(self) -> Snapshot:
        return self._snapshot

    def revision(self) -> int:
        return self._revision

    async def changed(self, since: int) -> int:
        while self._revision <= since:
            await self._changed.wait()
        return self._revision

    def live(self, camera: str) -> LivePicture | None:
        return self._live.get(camera)

    async def live_changed(self, since: int) -> int:
        while self._number <= since:
            await self._live_changed.wait()
        return self._number

    def picture(self, digest: str, *, preview: bool) -> Path | bytes | Nothing:
        del preview
        rows = [d for row in self._snapshot.views for d in row.digests.values()]
        if digest not in rows:
            return Nothing("no such picture")
        return plate_picture(rows.index(digest) * 13, rows.index(digest))[0]

    def handover_file(self, name: str) -> Path | Nothing:
        if self._files is None or name not in {f.name for f in self._snapshot.files}:
            return Nothing("no such file")
        return self._files / name

    def sheet(self, place: int) -> Sheet | Nothing:
        return Nothing("no such shot", {"place": place})

    def clipped(self, digest: str, level: float) -> bytes | Nothing:
        del level
        return Nothing("no such picture", {"digest": digest})

    async def tap(self, tap: Tap) -> Say | Nothing:
        cue = self._snapshot.advice.cue
        if tap.cue_number is not None and (cue is None or tap.cue_number != cue.number):
            return Nothing("tap.refused.passed")
        if tap.kind is TapKind.DROP_LAST and not self._snapshot.kept_count:
            return Nothing("tap.refused.nothing-to-drop")
        self.taps.append(tap)
        if tap.kind in (TapKind.PAUSE, TapKind.RESUME):
            self.show(replace(self._snapshot, paused=tap.kind is TapKind.PAUSE))
        if tap.kind is TapKind.SET_SIDE:
            self.show(replace(self._snapshot, operator_faces_cameras=tap.values["faces_cameras"] == "yes"))
        if tap.kind is TapKind.DROP_LAST:
            self.show(replace(self._snapshot, kept_count=self._snapshot.kept_count - 1))
        return Say(f"tap.done.{tap.kind.value}", dict(tap.values))


class FixedCodes:
    """Codes that never change, for tests that join again and again."""

    def __init__(self, roles: dict[str, Role]) -> None:
        self._roles = roles

    def now(self, role: Role) -> str:
        return next(code for code, known in self._roles.items() if known is role)

    def minutes_left(self) -> float:
        return 10.0

    def role_of(self, code: str) -> Role | None:
        return self._roles.get(code)


class Bench:
    """A deck served on a real port of 127.0.0.1, in a thread with a loop of its own."""

    def __init__(
        self, snapshot: Snapshot, files: Path | None = None, port: int = 0, kind: type[FakeDeck] = FakeDeck
    ) -> None:
        self._kind = kind
        self._first = snapshot
        self._files = files
        self._port = port
        self._ready = threading.Event()
        self.deck: FakeDeck
        self.watcher_token = "fake-watcher-token-987654321"
        self.phones_file: Path | None = None
        self.frames: Door | None = None
        """Where frames that scripts send go."""

    def call(self, act: object, *values: object) -> None:
        """Do something to the deck on its own loop, and wait until it is done."""
        done = threading.Event()

        def run() -> None:
            act(*values)  # type: ignore[operator]
            done.set()

        self.loop.call_soon_threadsafe(run)
        assert done.wait(5)

    def show(self, snapshot: Snapshot) -> None:
        self.call(self.deck.show, snapshot)

    @property
    def origin(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def join(self) -> str:
        return f"{self.origin}/join?token={TOKEN}"

    def start(self) -> None:
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()), daemon=True)
        self._thread.start()
        assert self._ready.wait(20)

    def stop(self) -> None:
        self.server.should_exit = True
        self._thread.join(20)
        assert not self._thread.is_alive()

    async def _serve(self) -> None:
        self.loop = asyncio.get_running_loop()
        self.deck = self._kind(self._first, self._files)
        access = Access(
            TOKEN,
            frozenset({"127.0.0.1", "localhost"}),
            codes=FixedCodes({TOKEN: Role.OPERATOR, self.watcher_token: Role.WATCHER}),
            phones=Phones(self.phones_file, time.time),
            clock=time.monotonic,
        )
        self.access = access
        app = create_app(self.deck, access, PageSettings(join_origin="http://127.0.0.1"), self.frames)
        self.app = app
        config = uvicorn.Config(
            app, "127.0.0.1", self._port, log_level="warning", ws_per_message_deflate=False, lifespan="on",
            ws="websockets-sansio", timeout_graceful_shutdown=1,
        )  # fmt: skip
        self.server = uvicorn.Server(config)
        with contextlib.suppress(asyncio.CancelledError):
            task = asyncio.create_task(self.server.serve())
            while not self.server.started:
                await asyncio.sleep(0.01)
            self.port = self.server.servers[0].sockets[0].getsockname()[1]
            self._ready.set()
            await task


@contextlib.contextmanager
def bench(
    snapshot: Snapshot, files: Path | None = None, kind: type[FakeDeck] = FakeDeck
) -> Iterator[Bench]:
    """A bench that is served while the block runs."""
    made = Bench(snapshot, files, kind=kind)
    made.start()
    try:
        yield made
    finally:
        made.stop()


def live_pictures(made: Bench, tick: int) -> None:
    """A fresh picture of every camera."""
    advice = made.deck.snapshot().advice
    for i, state in enumerate(made.deck.snapshot().cameras):
        jpeg, outline = plate_picture(tick, i)
        scale = 2448 / 960
        mark = advice.marks.get(state.name)
        made.call(
            made.deck.look,
            LivePicture(
                state.name, 0, time.time() * 1000, jpeg, (2448, 2048),
                tuple((x * scale, y * scale) for x, y in outline) if state.found else (),
                mark.value if mark else None,
                state.measures.sharpness if state.measures else None, state.sharpness_best,
                saturated_places() if i == 1 else None,
            ),
        )  # fmt: skip


def main() -> None:
    """Serve a scene until stopped: ``python -m web.fake_deck --scene lean-top --port 8799``."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--scene", default="lean-top")
    parser.add_argument("--port", type=int, default=8799)
    parser.add_argument("--seconds", type=float, default=600)
    chosen = parser.parse_args()
    made = Bench(scenes()[chosen.scene], port=chosen.port)
    made.start()
    print(made.join, flush=True)
    until = time.monotonic() + chosen.seconds
    tick = 0
    while time.monotonic() < until:
        live_pictures(made, tick)
        tick += 1
        time.sleep(0.1)
    made.stop()


if __name__ == "__main__":
    main()
