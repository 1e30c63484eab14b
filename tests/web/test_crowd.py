"""A crowd at the door: whoever opens connections by the hundred stops himself, and nobody else."""

from __future__ import annotations

import asyncio
import contextlib
import http.client
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import uvicorn

from flow.serving import served
from holdstill.limits import limit
from holdstill.web import crowd
from holdstill.web.crowd import Door, Speaking, open_files

COLLEAGUE, ANOTHER = "127.0.0.2", "127.0.0.3"
"""Other addresses of this machine, which are no loopback for the door."""


async def slow(scope: dict, receive: object, send) -> None:  # type: ignore[no-untyped-def, type-arg]
    """An app whose answer takes 1.5 s."""
    del scope, receive
    await asyncio.sleep(1.5)
    await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"2")]})
    await send({"type": "http.response.body", "body": b"ok"})


@contextlib.contextmanager
def at_door(most: int) -> Iterator[int]:
    """A server behind a door; its port."""
    door = Door(socket.AF_INET, socket.SOCK_STREAM, most=most)
    door.bind(("127.0.0.1", 0))
    door.listen(128)
    config = uvicorn.Config(slow, http=Speaking, log_level="warning", lifespan="off")
    server = uvicorn.Server(config)
    thread = threading.Thread(target=lambda: asyncio.run(server.serve(sockets=[door])), daemon=True)
    thread.start()
    try:
        yield door.getsockname()[1]
    finally:
        server.should_exit = True
        thread.join(20)


def come(port: int, address: str = "127.0.0.1") -> socket.socket:
    return socket.create_connection(("127.0.0.1", port), timeout=5, source_address=(address, 0))


def ended(one: socket.socket, within_s: float = 0.3) -> bool:
    """Whether the other side ends a connection."""
    one.settimeout(within_s)
    try:
        return one.recv(1) == b""
    except TimeoutError:
        return False
    except ConnectionError:
        return True


def asked(port: int) -> tuple[int, bytes]:
    line = http.client.HTTPConnection("127.0.0.1", port, timeout=15)
    line.request("GET", "/")
    answer = line.getresponse()
    told = answer.status, answer.read()
    line.close()
    return told


def test_an_address_that_comes_too_often_stops_itself_only(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(crowd, "limit", lambda name: 6 if name == "connections_of_one" else limit(name))
    with at_door(most=40) as port:
        many = [come(port, COLLEAGUE) for _ in range(10)]
        assert [ended(one) for one in many] == [False] * 6 + [True] * 4
        others = [come(port, ANOTHER) for _ in range(3)]
        assert not any(ended(one, 0.05) for one in others)
        assert asked(port) == (200, b"ok")
        for one in many:
            one.close()
        time.sleep(0.1)
        again = come(port, COLLEAGUE)
        assert not ended(again)
        for one in (*others, again):
            one.close()


def test_a_quarter_is_kept_for_this_machine() -> None:
    with at_door(most=16) as port:
        crowd_of = [come(port, COLLEAGUE) for _ in range(8)] + [come(port, ANOTHER) for _ in range(8)]
        assert sum(ended(one) for one in crowd_of) == 4
        mine = [come(port) for _ in range(4)]
        assert not any(ended(one, 0.05) for one in mine)
        mine[0].close()
        time.sleep(0.1)
        assert asked(port) == (200, b"ok")
        for one in (*crowd_of, *mine):
            one.close()


def test_one_that_says_nothing_whole_is_ended_and_one_that_waits_is_not(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(crowd, "limit", lambda name: 0.4 if name == "silent_s" else limit(name))
    with at_door(most=40) as port:
        silent, dripping, waiting = (come(port) for _ in range(3))
        waiting.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        began = time.monotonic()
        with contextlib.suppress(ConnectionError):
            for letter in b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slowly: ":
                dripping.sendall(bytes([letter]))
                time.sleep(0.06)
                if time.monotonic() - began > 1.2:
                    break
        assert ended(silent)
        assert ended(dripping)
        waiting.settimeout(5)
        assert b"200 OK" in waiting.recv(4096)  # its answer took longer than that
        for one in (silent, dripping, waiting):
            one.close()
        time.sleep(0.2)


def test_files_that_may_be_open_are_asked_for_and_the_door_keeps_to_half() -> None:
    code = (
        "import resource\n"
        "resource.setrlimit(resource.RLIMIT_NOFILE, (100, 300))\n"
        "from holdstill.web.crowd import Door\n"
        "assert Door()._most == 150\n"
        "assert resource.getrlimit(resource.RLIMIT_NOFILE) == (300, 300)\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=120)
    assert open_files() >= 256


def test_a_bench_goes_on_while_a_colleague_holds_hundreds_of_connections(tmp_path: Path) -> None:
    shots = tmp_path / "shots"
    shots.mkdir()
    words = ("serve", "--watch", str(shots), "--target", "dots 14x10 12mm")
    with served(tmp_path / "home", *words) as running:
        port = int(running.origin.rpartition(":")[2])
        files = Path(f"/proc/{running.process.pid}/fd")
        before = len(os.listdir(files))
        held = [come(port, COLLEAGUE) for _ in range(400)]
        line = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
        line.request("GET", "/join")
        assert line.getresponse().status == 200
        line.close()
        assert len(os.listdir(files)) <= before + limit("connections_of_one") + 8
        assert sum(ended(one, 0.01) for one in held) >= 400 - limit("connections_of_one")
        for one in held:
            one.close()
