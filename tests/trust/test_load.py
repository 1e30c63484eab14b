"""Many phones, a slow one among them; long sessions, many sessions, many cameras."""

from __future__ import annotations

import asyncio
import json
import os
import re
import socket
import statistics
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import httpx
import pytest
from starlette.websockets import WebSocket
from websockets.asyncio.client import ClientConnection, connect

from archive.examined_session import made
from holdstill.archive.latest import newest_named, note_opened
from holdstill.archive.sessions import sessions
from web.fake_deck import TOKEN, Bench, bench
from web.scenes import scenes

TESTS = Path(__file__).parents[1]
PATHS = {
    **os.environ,
    "PYTHONPATH": os.pathsep.join((str(TESTS), str(TESTS.parent / "server"))),
    "OMP_NUM_THREADS": "1",
}
SCENES = scenes()


def cookie(served: Bench, token: str) -> dict[str, str]:
    with httpx.Client(base_url=served.origin) as client:
        client.get("/join", params={"token": token})
        return {"Cookie": "; ".join(f"{k}={v}" for k, v in client.cookies.items())}


async def arrivals(
    served: Bench, lines: list[ClientConnection], rounds: int, gap_s: float, name: str
) -> list[list[float]]:
    """Seconds from each change to its arrival on each line."""
    out = []
    for line in lines:
        await line.recv()
    for number in range(rounds):
        words = f"{name} {number}"
        snapshot = replace(SCENES["lean-top"], session_name=words)

        async def heard(line: ClientConnection, words: str = words) -> float:
            while not re.search(rf"{words}\b", str(await line.recv())):
                pass
            return time.perf_counter()

        hearing = [asyncio.create_task(heard(line)) for line in lines]
        await asyncio.sleep(gap_s)
        began = time.perf_counter()
        served.loop.call_soon_threadsafe(served.deck.show, snapshot)
        out.append([at - began for at in await asyncio.wait_for(asyncio.gather(*hearing), 60)])
    return out


def a_line_that_is_never_read(served: Bench, headers: dict[str, str]) -> socket.socket:
    """A phone that has opened its line and then takes nothing from it."""
    plain = socket.socket()
    plain.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    plain.connect(("127.0.0.1", served.port))
    lines = ["GET /live/cues?page=bench HTTP/1.1", f"Host: 127.0.0.1:{served.port}",
             f"Origin: {served.origin}", f"Cookie: {headers['Cookie']}", "Connection: Upgrade",
             "Upgrade: websocket",
             "Sec-WebSocket-Version: 13", "Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA=="]  # fmt: skip
    plain.sendall(("\r\n".join(lines) + "\r\n\r\n").encode())
    return plain


def waiting_bytes(served: Bench) -> int:
    """Most bytes that wait in the server for any one connection."""
    found = []

    def look() -> None:
        for connection in served.server.server_state.connections:
            found.append(connection.transport.get_write_buffer_size())

    served.call(look)
    return max(found, default=0)


@pytest.fixture
def sendings(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, str]]:
    """What the server sends down its lines, in order: whose cookie, which words."""
    noted: list[tuple[str, str]] = []
    send = WebSocket.send_text

    async def noting(self: WebSocket, data: str) -> None:
        noted.append((self.headers.get("cookie", ""), data))
        await send(self, data)

    monkeypatch.setattr(WebSocket, "send_text", noting)
    return noted


def test_twenty_phones_a_slow_one_and_the_operator_first(sendings: list[tuple[str, str]]) -> None:
    operators: list[str] = []

    async def run(served: Bench) -> tuple[list[list[float]], list[list[float]], int]:
        operator, watcher = cookie(served, TOKEN), [cookie(served, served.watcher_token) for _ in range(19)]
        slow = cookie(served, TOKEN)
        operators.append(operator["Cookie"])
        url = served.origin.replace("http", "ws") + "/live/cues?page=phone"
        lines = []
        for headers in (*watcher, operator):  # the operator joins last, and is served first
            lines.append(await connect(url, additional_headers=headers, origin=served.origin))  # type: ignore[arg-type]
        before = await arrivals(served, lines, 20, 0.25, "round")
        dead = [a_line_that_is_never_read(served, slow) for _ in range(6)]
        for number in range(120):  # more than the system's own buffers hold
            words = f"filling {number} " + "x" * 300_000
            served.loop.call_soon_threadsafe(served.deck.show, replace(SCENES["ready"], session_name=words))
            await asyncio.sleep(0.05)
            for line in lines:
                while True:
                    try:
                        await asyncio.wait_for(line.recv(), 0.0005)
                    except TimeoutError:
                        break
        held = waiting_bytes(served)
        served.loop.call_soon_threadsafe(served.deck.show, SCENES["ready"])
        await asyncio.sleep(1.5)
        after = await arrivals(served, lines, 20, 0.25, "again")
        for line in lines:
            await line.close()
        for plain in dead:
            plain.close()
        return before, after, held

    with bench(SCENES["lean-top"]) as served:
        before, after, held = asyncio.run(run(served))
    for name, rounds in (("20 phones", before), ("and six lines never read", after)):
        of_all = [1000 * s for r in rounds for s in r]
        mine = [1000 * r[-1] for r in rounds]
        p95 = statistics.quantiles(of_all, n=20)[-1]
        middle = statistics.median(of_all), p95, statistics.median(mine)
        print(name, "median {:.0f} ms, p95 {:.0f}; the operator's median {:.0f}".format(*middle))
    # who was first is told by the server: where a machine is busy, all messages are read at the same moment
    order: dict[str, list[str]] = {}
    for whose, data in sendings:
        for words in set(re.findall(r"(?:round|again) \d+", data)):
            order.setdefault(words, []).append(whose)
    first = sum(whose[0] in operators for whose in order.values())
    print(f"operator first in {first} of {len(order)}; most bytes waiting in the server: {held}")
    assert len(order) == 40
    assert first == len(order)
    assert 0 < held < 1_000_000  # one message, however many there were
    middle = [statistics.median([s for r in rounds for s in r]) for rounds in (before, after)]
    assert middle[1] < 3.0 * middle[0] + 0.1


def test_a_phone_holds_so_many_lines_and_no_more() -> None:
    async def run(served: Bench) -> list[int]:
        headers = cookie(served, TOKEN)
        url = served.origin.replace("http", "ws") + "/live/cues?page=phone"
        lines = [
            await connect(url, additional_headers=headers, origin=served.origin)  # type: ignore[arg-type]
            for _ in range(11)
        ]
        end = time.monotonic() + 60.0
        while sum(line.close_code is not None for line in lines) < 3 and time.monotonic() < end:
            await asyncio.sleep(0.02)
        await asyncio.sleep(0.3)  # and no more of them
        codes = [line.close_code or 0 for line in lines]
        for line in lines:
            await line.close()
        return codes

    with bench(SCENES["lean-top"]) as served:
        codes = asyncio.run(run(served))
    assert codes == [1013] * 3 + [0] * 8  # the oldest give way


def growth(*counts: int) -> dict[str, dict[str, float]]:
    command = [sys.executable, "-m", "trust.growth_study", *(str(c) for c in counts)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=600, env=PATHS)
    assert done.returncode == 0, done.stderr[-2000:]
    told: dict[str, dict[str, float]] = json.loads(done.stdout)
    print(json.dumps(told, indent=1))
    return told


def test_a_hundred_views_cost_a_turn_little_more_than_twenty() -> None:
    flat(20, 100)


@pytest.mark.long
def test_two_hundred_views() -> None:
    flat(20, 50, 100, 200)


def flat(*counts: int) -> None:
    told = growth(*counts)
    few, many = told[str(counts[0])], told[str(counts[-1])]
    assert many["kept kB"] < 1.05 * few["kept kB"]
    assert many["append ms"] < 3.0 * few["append ms"] + 1.0
    assert many["step ms"] < 2.0 * few["step ms"] + 0.1
    assert many["snapshot ms"] < 20.0 * few["snapshot ms"]
    assert many["solved kB"] < 12.0 * few["solved kB"]  # no faster than the views


def test_a_hundred_sessions_are_listed_and_found_at_once(tmp_path: Path) -> None:
    listed(tmp_path, 100)


@pytest.mark.long
def test_a_thousand_sessions(tmp_path: Path) -> None:
    listed(tmp_path, 1000)


def listed(home: Path, count: int) -> None:
    first = made(home / "2026-01-01-fork", views=3)
    for number in range(1, count):
        copy = home / f"2026-01-02-fork-{number}"
        copy.mkdir()
        (copy / "journal.sqlite").write_bytes((first / "journal.sqlite").read_bytes())
    began = time.process_time()
    assert len(sessions(home)) == count
    cold = time.process_time() - began
    began = time.process_time()
    assert len(sessions(home)) == count
    warm = time.process_time() - began
    note_opened(home, "fork", first)
    began = time.process_time()
    assert newest_named(home, "fork") == first
    found = time.process_time() - began
    print(
        f"{count} sessions: first list {cold:.2f} s of CPU, again {warm:.2f}; by name {1000 * found:.1f} ms"
    )
    assert found < 0.05
    assert warm < 0.006 * count
