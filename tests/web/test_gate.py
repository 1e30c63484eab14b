"""Who gets in: every page, picture, socket and tap without the cookie, from a foreign page, by a watcher."""

import asyncio
import contextlib
from collections.abc import Iterator

import httpx
import pytest
from websockets.asyncio.client import connect
from websockets.exceptions import ConnectionClosed

from web.fake_deck import TOKEN, Bench, bench
from web.scenes import digest_of, scenes

PAGES = (
    "/", "/phone", "/bench", "/bench/far", "/help", "/static/look.css", "/static/vendor/htmx.min.js",
    f"/picture/{digest_of(0, 'left')}", "/file/stereo.yml", "/join/code.svg", "/nothing-here",
)  # fmt: skip
SOCKETS = ("/live/cues?page=phone", "/live/pictures")


@pytest.fixture(scope="module")
def served() -> Iterator[Bench]:
    with bench(scenes()["ready"]) as made:
        yield made


@pytest.fixture
def client(served: Bench) -> Iterator[httpx.Client]:
    with joined(served) as made:
        yield made


@contextlib.contextmanager
def joined(served: Bench, token: str = TOKEN) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=served.origin, headers={"Origin": served.origin}) as made:
        assert made.get("/join", params={"token": token}).status_code == 303
        yield made


@pytest.mark.parametrize("path", PAGES)
def test_without_the_cookie_nothing_is_shown(served: Bench, path: str) -> None:
    answer = httpx.get(served.origin + path)
    assert answer.status_code == 403
    assert "Join first" in answer.text
    assert "Fork rig" not in answer.text


def test_without_the_cookie_no_tap_is_followed(served: Bench) -> None:
    before = len(served.deck.taps)
    answer = httpx.post(served.origin + "/tap", data={"kind": "pause"}, headers={"Origin": served.origin})
    assert answer.status_code == 403
    assert len(served.deck.taps) == before


def closed_with(served: Bench, path: str, headers: dict[str, str], origin: str | None) -> int:
    async def run() -> int:
        url = served.origin.replace("http", "ws") + path
        async with connect(url, additional_headers=headers, origin=origin) as socket:  # type: ignore[arg-type]
            try:
                await asyncio.wait_for(socket.recv(), 5)
            except ConnectionClosed:
                return socket.close_code or 0
        return 0

    return asyncio.run(run())


@pytest.mark.parametrize("path", SOCKETS)
def test_sockets_are_closed_with_1008_for_strangers_and_foreign_pages(
    served: Bench, client: httpx.Client, path: str
) -> None:
    cookie = {"Cookie": "; ".join(f"{k}={v}" for k, v in client.cookies.items())}
    assert closed_with(served, path, {}, served.origin) == 1008
    assert closed_with(served, path, cookie, "http://elsewhere.example") == 1008
    assert closed_with(served, path, cookie, None) == 1008
    assert closed_with(served, "/live/cues?page=phone", cookie, served.origin) == 0


def test_a_wrong_token_sets_no_cookie_and_guessing_is_slowed_down() -> None:
    with bench(scenes()["start"]) as made, httpx.Client(base_url=made.origin) as client:
        statuses = [client.get("/join", params={"token": f"guess-{i}"}).status_code for i in range(25)]
        assert statuses[0] == 403
        assert statuses[-1] == 429
        assert not client.cookies
        assert client.get("/join", params={"token": TOKEN}).status_code == 429


def test_the_cookie_is_closed_to_scripts_and_other_sites_and_the_link_is_left_behind(served: Bench) -> None:
    answer = httpx.get(served.origin + "/join", params={"token": TOKEN})
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "samesite=strict" in cookie.lower()
    assert TOKEN not in cookie
    assert answer.headers["location"] == "/"


def test_a_foreign_page_cannot_tap_with_the_operators_cookie(served: Bench, client: httpx.Client) -> None:
    before = len(served.deck.taps)
    for origin in ("http://elsewhere.example", "null", served.origin.replace("127.0.0.1", "localhost")):
        answer = client.post("/tap", data={"kind": "pause"}, headers={"Origin": origin})
        assert answer.status_code == 403
    client.headers.pop("Origin")
    assert client.post("/tap", data={"kind": "pause"}).status_code == 403
    assert len(served.deck.taps) == before


def test_a_watcher_may_look_and_not_act(served: Bench) -> None:
    with joined(served, served.watcher_token) as watcher:
        page = watcher.get("/phone")
        assert page.status_code == 200
        assert "watching" in page.text
        answer = watcher.post("/tap", data={"kind": "pause"})
        assert answer.status_code == 403
        assert "look" in answer.text
        assert watcher.get("/join/code.svg").status_code == 404


def test_another_host_name_is_refused(client: httpx.Client) -> None:
    answer = client.get("/phone", headers={"Host": "rebound.example"})
    assert answer.status_code == 421
    assert "Fork rig" not in answer.text


def test_every_answer_forbids_what_comes_from_elsewhere(client: httpx.Client) -> None:
    for path in ("/phone", "/bench", "/help", "/static/page.js", "/nothing-here"):
        headers = client.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "same-origin"


OUTSIDE = (
    "/file/..%2F..%2Fetc%2Fpasswd", "/file/%2Fetc%2Fpasswd", "/file/stereo.yml%00", "/picture/..%2Fjournal",
    "/picture/zz", "/static/..%2f..%2fpyproject.toml", "/help/..%2F__init__.py",
)  # fmt: skip


@pytest.mark.parametrize("path", OUTSIDE)
def test_no_path_reaches_outside(client: httpx.Client, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 404
    assert "There is nothing here" in answer.text
