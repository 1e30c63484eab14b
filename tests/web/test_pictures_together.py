"""Pictures of one shot go over the line together, however slow the phone is."""

from __future__ import annotations

import asyncio
import json
from types import SimpleNamespace

import pytest

from holdstill.records import LivePicture
from holdstill.web.live import Window, _send_pictures


class QuickDeck:
    """A deck whose shots come faster than they can be sent: a new one whenever it is asked."""

    def __init__(self, cameras: tuple[str, ...]) -> None:
        self.shot = 1
        self.cameras = cameras

    def snapshot(self) -> SimpleNamespace:
        return SimpleNamespace(cameras=[SimpleNamespace(name=name) for name in self.cameras])

    def live(self, camera: str) -> LivePicture:
        return LivePicture(camera, self.shot, float(self.shot), b"jpeg", (8, 6))

    async def live_changed(self, since: int) -> int:
        await asyncio.sleep(0)
        return self.shot


class SlowSocket:
    """Takes pictures; while one is on its way three more shots come."""

    def __init__(self, deck: QuickDeck, window: Window, most: int) -> None:
        self.deck, self.window, self.most = deck, window, most
        self.got: list[dict[str, object]] = []

    async def send_bytes(self, message: bytes) -> None:
        length = int.from_bytes(message[:4], "big")
        self.got.append(json.loads(message[4 : 4 + length]))
        self.deck.shot += 3
        await asyncio.sleep(0)
        self.window.arrived()
        if len(self.got) >= self.most:
            raise asyncio.CancelledError


@pytest.mark.parametrize("cameras", [("left", "right"), ("left", "middle", "right")])
def test_a_slow_phone_gets_whole_shots(cameras: tuple[str, ...]) -> None:
    deck, window = QuickDeck(cameras), Window(1)
    socket = SlowSocket(deck, window, 3 * len(cameras))

    async def run() -> None:
        with pytest.raises(asyncio.CancelledError):
            await _send_pictures(socket, deck, window)  # type: ignore[arg-type]

    asyncio.run(run())
    for start in range(0, len(socket.got), len(cameras)):
        shot = socket.got[start : start + len(cameras)]
        assert {one["number"] for one in shot} == {shot[0]["number"]}
        assert {one["camera"] for one in shot} == set(cameras)
        assert [one["more"] for one in shot] == list(range(len(cameras)))[::-1]
    assert len({one["number"] for one in socket.got}) == 3
