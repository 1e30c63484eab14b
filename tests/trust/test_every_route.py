"""Every route under schemathesis, as a stranger, a watcher and an operator: no crash, no server error,
nobody answered who may not be."""

from __future__ import annotations

import asyncio
import os
from collections import Counter
from collections.abc import Iterator
from typing import Any

import pytest
import requests
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from websockets.asyncio.client import connect
from websockets.exceptions import WebSocketException

from holdstill.intake.pushed import PushedSource
from holdstill.records import TapKind
from web.fake_deck import TOKEN, Bench
from web.scenes import digest_of, scenes

SHORT, LONG = 12, int(os.environ.get("HOLDSTILL_EXAMPLES", "300"))
OPEN_TO_STRANGERS = {("GET", "/join"), ("POST", "/join")}
FOR_OPERATORS = {"/phones", "/join/code.svg"}


@pytest.fixture(scope="module")
def served() -> Iterator[Bench]:
    made = Bench(scenes()["ready"])
    made.frames = PushedSource(("left", "right"), single=True)
    made.start()
    yield made
    made.stop()


@pytest.fixture(scope="module")
def keys(served: Bench) -> dict[str, requests.Session]:
    """A session for each kind of caller."""
    made = {}
    for who, token in (("stranger", ""), ("watcher", served.watcher_token), ("operator", TOKEN)):
        made[who] = requests.Session()
        made[who].headers["Origin"] = served.origin
        if token:
            made[who].get(f"{served.origin}/join", params={"token": token}, allow_redirects=False)
            assert made[who].cookies
    made["sender"] = requests.Session()
    made["sender"].headers["Authorization"] = f"Bearer {served.access.sender_token}"
    yield made
    for session in made.values():
        session.close()


def described(served: Bench) -> dict[str, Any]:
    """The app's own description, with the bodies that its forms take and values that lead somewhere."""
    told = served.app.openapi()
    forms = {
        "/tap": {"kind": {"enum": [k.value for k in TapKind] + ["x"]}, "cue": {"type": "string"},
                 "view_id": {"type": "string"}, "step": {"type": "string"}, "value_mm": {"type": "string"},
                 "faces_cameras": {"enum": ["yes", "no", "?"]}},
        "/join": {"code": {"type": "string"}},
        "/phones/remove": {"number": {"enum": ["77", "-1", "9" * 30, "x"]}},
    }  # fmt: skip
    for path, fields in forms.items():
        body = {"schema": {"type": "object", "properties": fields}}
        kinds = ("application/x-www-form-urlencoded", "multipart/form-data")
        told["paths"][path]["post"]["requestBody"] = {"content": dict.fromkeys(kinds, body)}
    hints = {"digest": [digest_of(0, "left"), "0" * 64], "name": ["start", "stereo.yml", "threats.md"],
             "camera": ["left", "right"]}  # fmt: skip
    for ways in told["paths"].values():
        for operation in ways.values():
            for parameter in operation.get("parameters", ()):
                if parameter["in"] == "path":
                    words = hints.get(parameter["name"], [])
                    parameter["schema"] = {"anyOf": [{"enum": words}, {"type": "string"}]}
    return told


def refused(who: str, method: str, path: str, status: int) -> bool:
    """Whether an answer of this status keeps `who` out as it should."""
    if who == "stranger" and (method, path) not in OPEN_TO_STRANGERS:
        return status in (403, 404, 421, 429)
    if path.startswith("/frames/") and who != "sender":
        return status in (403, 429)
    if who == "sender" and not path.startswith("/frames/") and (method, path) not in OPEN_TO_STRANGERS:
        return status in (403, 404, 421, 429)
    if who == "watcher" and path in FOR_OPERATORS:
        return status in (403, 404, 405)
    if who == "watcher" and method not in ("GET", "HEAD") and (method, path) not in OPEN_TO_STRANGERS:
        return status == 403
    return True


def try_everything(
    served: Bench, keys: dict[str, requests.Session], who: str, examples: int
) -> Counter[int | str]:
    """How many answers of each status, and on each path how many were 200."""
    statuses: Counter[int | str] = Counter()
    schema = schemathesis.openapi.from_dict(described(served))
    for found in schema.get_all_operations():
        try_one(served, keys[who], who, found.ok(), examples, statuses)
    return statuses


def try_one(
    served: Bench,
    session: requests.Session,
    who: str,
    operation: Any,
    examples: int,
    statuses: Counter[int | str],
) -> None:
    method, path = operation.method.upper(), operation.path

    @settings(
        max_examples=examples, deadline=None, database=None, derandomize=True, phases=(Phase.generate,),
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(case=operation.as_strategy())
    def one(case: Any) -> None:
        answer = case.call(base_url=served.origin, session=session, allow_redirects=False, timeout=120)
        statuses[answer.status_code] += 1
        statuses[path] += answer.status_code == 200
        assert answer.status_code < 500, (path, case, answer.content[:200])
        assert refused(who, method, path, answer.status_code), (who, method, path, answer.status_code)
        assert "default-src 'none'" in answer.headers["content-security-policy"][0]
        assert b"Traceback" not in answer.content

    one()


WHO = ("stranger", "watcher", "operator", "sender")


@pytest.mark.parametrize("who", WHO)
def test_no_route_breaks_or_answers_who_may_not_be(
    served: Bench, keys: dict[str, requests.Session], who: str
) -> None:
    statuses = try_everything(served, keys, who, SHORT)
    print(who, dict(statuses))
    assert sum(n for status, n in statuses.items() if isinstance(status, int)) > 10 * SHORT
    if who == "operator":  # pages that take whatever is asked besides
        assert min(statuses[page] for page in ("/phone", "/bench", "/bench/far", "/phones")) > 0, statuses


@pytest.mark.long
@pytest.mark.parametrize("who", WHO)
def test_no_route_breaks_long(served: Bench, keys: dict[str, requests.Session], who: str) -> None:
    print(who, dict(try_everything(served, keys, who, LONG)))


def test_every_route_that_exists_is_described(served: Bench) -> None:
    paths = set(described(served)["paths"])
    for known in ("/", "/phone", "/bench", "/tap", "/join", "/phones", "/picture/{digest}", "/file/{name}",
                  "/help/{name}", "/frames/{camera}", "/phones/remove", "/join/code.svg"):  # fmt: skip
        assert known in paths


HEADERS = st.dictionaries(
    st.sampled_from(
        ["Host", "Origin", "Cookie", "Authorization", "X-Forwarded-For", "Content-Type", "Range"]
    ),
    st.text(st.characters(min_codepoint=33, max_codepoint=126), max_size=200),
    max_size=4,
)


@settings(max_examples=80, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(
    headers=HEADERS,
    path=st.sampled_from(["/", "/phone", "/tap", "/join", "/phones", "/frames/left", "/static/look.css"]),
    method=st.sampled_from(["GET", "POST", "HEAD", "PUT", "DELETE", "OPTIONS", "TRACE", "PATCH", "BREW"]),
)
def test_no_header_opens_anything(served: Bench, headers: dict[str, str], path: str, method: str) -> None:
    answer = requests.request(
        method, served.origin + path, headers=headers, timeout=120, allow_redirects=False
    )
    assert answer.status_code < 500
    if (method, path) not in {*OPEN_TO_STRANGERS, ("HEAD", "/join")}:
        assert answer.status_code in (400, 403, 404, 405, 421, 429)


def socket_closes(served: Bench, path: str, headers: dict[str, str], messages: list[bytes | str]) -> int:
    """Close code of a socket after these messages; 0 while it stays open."""

    async def run() -> int:
        try:
            async with connect(
                served.origin.replace("http", "ws") + path, additional_headers=headers
            ) as socket:
                for message in messages:
                    await socket.send(message)
                    await asyncio.wait_for(socket.recv(), 5)
        except (WebSocketException, TimeoutError, OSError):
            return socket.close_code or 0
        return 0

    return asyncio.run(run())


def packed(header: bytes, body: bytes = b"x") -> bytes:
    return len(header).to_bytes(4, "big") + header + body


BODIES = (
    b"", b"\xff\xff\xff\xff", packed(b"{}"), packed(b"[1]"), packed(b"[" * 100_000), packed(b"\xff"),
    packed(b'{"width": Infinity}'), packed(b'{"width": NaN, "kind": 3}'), packed(b'{"full_scale": 1e999}'),
    packed(b'{"width": 99999999999, "height": 99999999999, "kind": "application/octet-stream"}'),
    packed(b'{"shot": {"a": [1, 2]}, "pixel_format": []}', os.urandom(2000)),
)  # fmt: skip


def test_another_pages_requests_are_not_even_counted_as_tries(served: Bench) -> None:
    page = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Dest": "image", "Sec-Fetch-Mode": "no-cors"}
    for _ in range(15):
        answer = requests.get(f"{served.origin}/join?token=guess", headers=page, timeout=120)
        assert answer.status_code == 403
        assert "another page" in answer.text
    followed = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Dest": "document", "Sec-Fetch-Mode": "navigate"}
    assert requests.get(f"{served.origin}/join", headers=followed, timeout=120).status_code == 200


@pytest.mark.parametrize("number", range(len(BODIES)))
def test_a_senders_socket_answers_any_message(served: Bench, number: int) -> None:
    right = {"Authorization": f"Bearer {served.access.sender_token}"}
    assert socket_closes(served, "/frames/left/live", right, [BODIES[number]] * 2) == 0


def test_a_senders_socket_is_closed_to_others(served: Bench, keys: dict[str, requests.Session]) -> None:
    cookies = "; ".join(f"{k}={v}" for k, v in keys["operator"].cookies.items())
    for headers in ({}, {"Authorization": "Bearer x"}, {"Cookie": cookies, "Origin": served.origin}):
        assert socket_closes(served, "/frames/left/live", headers, [b"x"]) == 1008
