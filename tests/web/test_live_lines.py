"""What goes over the wire: fragments once and then only news, a beat, pictures newest only."""

from __future__ import annotations

import asyncio
import json
import re
import time
from collections.abc import Awaitable, Callable, Iterator
from contextlib import AbstractAsyncContextManager
from dataclasses import replace

import httpx
import pytest
from websockets.asyncio.client import ClientConnection, connect

from holdstill.records import LivePicture, Order
from holdstill.web.live import MOST_UNACKNOWLEDGED, SMALLEST_GAP_S, Window, pack_picture
from holdstill.web.views import FRAGMENTS, PAGES
from web.fake_deck import TOKEN, Bench, bench, live_pictures, saturated_places
from web.scenes import scenes

SCENES = scenes()


@pytest.fixture
def served() -> Iterator[Bench]:
    with bench(SCENES["lean-top"]) as made:
        yield made


def line(served: Bench, path: str) -> AbstractAsyncContextManager[ClientConnection]:
    answer = httpx.get(served.origin + "/join", params={"token": TOKEN})
    cookie = answer.headers["set-cookie"].partition(";")[0]
    return connect(
        served.origin.replace("http", "ws") + path,
        additional_headers={"Cookie": cookie},
        origin=served.origin,  # type: ignore[arg-type]
    )


def over(served: Bench, path: str, talk: Callable[[ClientConnection], Awaitable[None]]) -> None:
    async def run() -> None:
        async with line(served, path) as socket:
            await talk(socket)

    asyncio.run(run())


async def next_news(socket: ClientConnection) -> str:
    while True:
        text = await asyncio.wait_for(socket.recv(), 30)
        if isinstance(text, str) and not text.startswith("{"):
            return text


def ids_in(text: str) -> list[str]:
    return re.findall(r'^<\w+ id="([\w-]+)"[^>]* hx-swap-oob="outerMorph"', text, re.MULTILINE)


@pytest.mark.parametrize("page", PAGES)
def test_everything_on_connect_then_only_what_changed(served: Bench, page: str) -> None:
    async def talk(socket: ClientConnection) -> None:
        first = await next_news(socket)
        assert ids_in(first) == list(PAGES[page])
        advice = SCENES["lean-top"].advice
        served.show(replace(SCENES["lean-top"], advice=replace(advice, order=Order.BACK_A_LITTLE)))
        second = await next_news(socket)
        assert set(ids_in(second)) == {"signal", "order"}
        assert "Back a little" in second

    over(served, f"/live/cues?page={page}", talk)


def test_changes_that_come_fast_are_told_together_and_the_newest_wins(served: Bench) -> None:
    async def talk(socket: ClientConnection) -> None:
        await next_news(socket)
        began = time.monotonic()
        for i in range(60):
            served.show(replace(SCENES["lean-top"], kept_count=100 + i))
        told = 0
        while True:
            text = await next_news(socket)
            told += 1
            if "159 kept" in text:
                break
        assert told <= (time.monotonic() - began) / SMALLEST_GAP_S + 2

    over(served, "/live/cues?page=phone", talk)


def test_a_quiet_line_still_beats_three_times_in_two_seconds(served: Bench) -> None:
    async def talk(socket: ClientConnection) -> None:
        await next_news(socket)
        begun, beats = time.monotonic(), 0
        while time.monotonic() - begun < 2.3:
            text = await asyncio.wait_for(socket.recv(), 30)
            assert json.loads(text) == {"beat": 1}
            beats += 1
        assert beats >= 3

    over(served, "/live/cues?page=phone", talk)


def test_a_page_that_does_not_exist_gets_no_line(served: Bench) -> None:
    answer = []

    async def run() -> None:
        try:
            async with line(served, "/live/cues?page=nothing") as socket:
                await asyncio.wait_for(socket.recv(), 30)
        except Exception as refused:
            answer.append(type(refused).__name__)

    asyncio.run(run())
    assert answer in (["InvalidStatus"], ["ConnectionClosedError"])


def test_at_most_two_pictures_are_underway_and_the_newest_comes_next(served: Bench) -> None:
    async def talk(socket: ClientConnection) -> None:
        for tick in range(6):
            await asyncio.to_thread(live_pictures, served, tick)
        got = [header_of(await asyncio.wait_for(socket.recv(), 30)) for _ in range(MOST_UNACKNOWLEDGED)]
        for tick in range(6, 9):
            await asyncio.to_thread(live_pictures, served, tick)
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(socket.recv(), 0.4)
        newest = max(served.deck.live(name).number for name in ("left", "right"))  # type: ignore[union-attr]
        await socket.send('{"ack": 1}')
        third = header_of(await asyncio.wait_for(socket.recv(), 30))
        assert third["number"] >= newest - 1
        assert {one["camera"] for one in got} <= {"left", "right"}

    over(served, "/live/pictures", talk)


def test_every_camera_gets_its_turn(served: Bench) -> None:
    async def talk(socket: ClientConnection) -> None:
        seen: list[str] = []
        for tick in range(4):
            await asyncio.to_thread(live_pictures, served, tick)
            for _ in range(2):
                seen.append(header_of(await asyncio.wait_for(socket.recv(), 30))["camera"])
                await socket.send('{"ack": 1}')
        assert seen.count("left") >= 3
        assert seen.count("right") >= 3

    over(served, "/live/pictures", talk)


def header_of(message: str | bytes) -> dict[str, object]:
    assert isinstance(message, bytes)
    length = int.from_bytes(message[:4], "big")
    header: dict[str, object] = json.loads(message[4 : 4 + length])
    assert 4 + length + int(header["jpeg"]) + int(header["png"]) == len(message)  # type: ignore[call-overload]
    return header


def test_a_picture_is_packed_so_that_it_can_be_unpacked() -> None:
    png = saturated_places()
    picture = LivePicture("left", 7, 12.5, b"\xff\xd8\xffjpeg", (10, 8), ((1.04, 2.0),), "top", 0.5, 0.9, png)
    message = pack_picture(picture)
    header = header_of(message)
    assert header["outline"] == [[1.0, 2.0]]
    assert header["mark"] == "top"
    assert message.endswith(b"\xff\xd8\xffjpeg" + png)


def test_more_acknowledgements_than_messages_open_no_wider_window() -> None:
    async def run() -> None:
        window = Window(2)
        for _ in range(5):
            window.arrived()
        for _ in range(2):
            await asyncio.wait_for(window.take(), 1)
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(window.take(), 0.05)

    asyncio.run(run())


def test_every_page_shows_known_fragments() -> None:
    assert all(name in FRAGMENTS for names in PAGES.values() for name in names)
