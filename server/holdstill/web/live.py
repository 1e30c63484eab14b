"""The two live sockets: cues as fragments, pictures as bytes. Both run from server to page only."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import Sequence

from starlette.websockets import WebSocket, WebSocketDisconnect

from holdstill.records import LivePicture

from .deck import Deck
from .phones import Line
from .views import PAGES, Renderer, Words
from .views.focus import gauge_data

BEAT_S = 0.7
"""A page that has heard nothing for 2 s says so; three beats fit in that."""
SMALLEST_GAP_S = 0.04
"""Changes that come faster than this are told together."""
WATCHERS_WAIT_S = 0.03
"""How long those who only watch wait after a change, so that it is with the operators first."""
WATCHERS_GAP_S = 0.2
"""The same as `SMALLEST_GAP_S`, for those who only watch."""
MOST_UNACKNOWLEDGED = 2
_GONE = (WebSocketDisconnect, RuntimeError, ConnectionError)


async def tell_cues(
    socket: WebSocket,
    deck: Deck,
    renderer: Renderer,
    page: str,
    line: Line,
    *,
    first: bool,
) -> None:
    """Send a page's fragments: all of them at once, then each only when it differs from the last
    one sent; a beat in between, so that the page knows the line is alive.

    line: tells when this one has to close.
    first: an operator's line, which is served before those that only watch.
    """
    names = PAGES.get(page)
    if names is None:
        await socket.close(1008)
        return
    await socket.accept()
    listening = asyncio.create_task(_until_closed(socket))
    telling = asyncio.create_task(_tell(socket, deck, renderer, names, first=first))
    await _first_of(listening, telling, asyncio.create_task(_until_ended(socket, line)))


async def _tell(
    socket: WebSocket, deck: Deck, renderer: Renderer, names: Sequence[str], *, first: bool
) -> None:
    sent: dict[str, str] = {}
    revision = deck.revision()
    while True:
        if sent and not first:
            await asyncio.sleep(WATCHERS_WAIT_S)
        fragments = renderer.fragments(deck.snapshot(), names)
        news = {name: html for name, html in fragments.items() if sent.get(name) != html}
        if news:
            await socket.send_text("\n".join(news.values()))
            sent.update(news)
            await asyncio.sleep(SMALLEST_GAP_S if first else WATCHERS_GAP_S)
        while True:
            try:
                revision = await asyncio.wait_for(deck.changed(revision), BEAT_S)
                break
            except TimeoutError:
                await socket.send_text('{"beat":1}')


class Window:
    """How many messages are on their way, and a wait for room."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._underway = 0
        self._room = asyncio.Event()
        self._room.set()

    async def take(self) -> None:
        """Wait until fewer than `most` are on their way, then count one more."""
        await self._room.wait()
        self._underway += 1
        if self._underway >= self._most:
            self._room.clear()

    def arrived(self) -> None:
        """One was acknowledged; more acknowledgements than messages count for nothing."""
        self._underway = max(0, self._underway - 1)
        self._room.set()


async def tell_pictures(
    socket: WebSocket, deck: Deck, line: Line, *, first: bool
) -> None:
    """Send each camera's newest live picture; at most two are on their way unacknowledged, to those who
    only watch one. `line`, `first`: see ``tell_cues``.

    A message is a 4-byte big-endian length, that many bytes of JSON, the JPEG, and after it the
    PNG of the saturated places if there is one. The page answers ``{"ack": 1}`` for each.
    """
    await socket.accept()
    window = Window(MOST_UNACKNOWLEDGED if first else 1)
    listening = asyncio.create_task(_count_acknowledgements(socket, window))
    sending = asyncio.create_task(_send_pictures(socket, deck, window))
    await _first_of(listening, sending, asyncio.create_task(_until_ended(socket, line)))


async def _send_pictures(socket: WebSocket, deck: Deck, window: Window) -> None:
    sent: dict[str, int] = {}
    newest, due = -1, list[LivePicture]()
    while True:
        await window.take()
        while not due:
            due = _unsent(deck, sent)
            if not due:
                newest = await deck.live_changed(newest)
        picture = due.pop(0)
        sent[picture.camera] = picture.number
        more = sum(p.number == picture.number for p in due)
        await socket.send_bytes(pack_picture(picture, more=more))


async def _count_acknowledgements(socket: WebSocket, window: Window) -> None:
    with contextlib.suppress(*_GONE):
        while True:
            await socket.receive_text()
            window.arrived()


def _unsent(deck: Deck, sent: dict[str, int]) -> list[LivePicture]:
    """The newest pictures not yet sent, gathered at one moment, so that those of one shot go together;
    the camera that has waited longest first."""
    waiting = []
    for camera in deck.snapshot().cameras:
        picture = deck.live(camera.name)
        if picture is not None and picture.number > sent.get(camera.name, -1):
            waiting.append(picture)
    return sorted(waiting, key=lambda p: (p.number, sent.get(p.camera, -1)))


def pack_picture(picture: LivePicture, *, more: int = 0) -> bytes:
    """A live picture as one message (see ``tell_pictures``). `more`: so many of the same shot follow,
    with which it is to be shown."""
    png = picture.saturated_png or b""
    header: dict[str, object] = {
        "camera": picture.camera,
        "number": picture.number,
        "more": more,
        "at_ms": picture.taken_at_ms,
        "size": picture.size_px,
        "outline": [[round(x, 1), round(y, 1)] for x, y in picture.outline_px],
        "mark": picture.mark,
        "sharpness": picture.sharpness,
        "best": picture.sharpness_best,
        "jpeg": len(picture.jpeg),
        "png": len(png),
    }
    if picture.gauge is not None:
        header["gauge"] = gauge_data(picture.gauge, picture.turned, Words())
    if picture.glare:
        header["glare"] = [[g.x, g.y, g.radius] for g in picture.glare]
    if picture.box is not None:
        header["box"] = picture.box
    if picture.centre:
        header["centre"] = True
    text = json.dumps(header).encode()
    return len(text).to_bytes(4, "big") + text + picture.jpeg + png


async def _until_closed(socket: WebSocket) -> None:
    """Read and forget: nothing that a page sends down this line is acted upon."""
    with contextlib.suppress(*_GONE):
        while True:
            await socket.receive_text()


async def _until_ended(socket: WebSocket, line: Line) -> None:
    await line.ended.wait()
    await socket.close(line.code)


async def _first_of(*tasks: asyncio.Task[None]) -> None:
    """Wait for the first task to end, end the others; a page that has gone is no error."""
    try:
        await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in tasks:
            task.cancel()
        for outcome in await asyncio.gather(*tasks, return_exceptions=True):
            if isinstance(outcome, Exception) and not isinstance(outcome, _GONE):
                raise outcome
