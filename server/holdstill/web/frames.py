"""Frames that a script or camera program sends: one POST each, or many over one socket."""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
from typing import Annotated, Any, Protocol

from fastapi import APIRouter, FastAPI, Header, Path, Request
from fastapi.openapi.utils import get_openapi
from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field
from starlette.websockets import WebSocket, WebSocketDisconnect

from holdstill.intake.pushed import ENCODED, RAW, REFUSED, TAKEN, TOO_MANY, Answer, Sent
from holdstill.limits import limit
from holdstill.phrases import say
from holdstill.records import Say

STATUS = {TAKEN: 202, TOO_MANY: 429, REFUSED: 422}
NUMBERS = {"exposure_ms": float, "gain_db": float, "full_scale": int, "width": int, "height": int}
"""Numbers that may come with a frame, by their name in a socket's header."""


class Door(Protocol):
    """Where frames go."""

    def push(self, sent: Sent) -> Answer:
        """Take a frame over. May be called from any thread."""
        ...


class Reply(BaseModel):
    """What the sender is told."""

    outcome: str = Field(description="taken, wait (send it again after Retry-After), or refused")
    words: str = Field("", description="why not, for a person")
    complete: bool = Field(False, description="the shot this frame belongs to has all its frames now")
    replaced: int = Field(0, description="shots of the stream that gave way to newer ones so far")


DESCRIPTION = """Frames of a calibration session from any script or camera program.

Send each camera's frames to `POST /frames/{camera}` with `Authorization: Bearer TOKEN` (the program
prints the line at its start). Frames of one shot carry the same `X-Shot`, or none and then come within
half a second of each other.

Many frames a second go over a WebSocket at `/frames/{camera}/live`, with the same Authorization header:
each binary message is a 4-byte big-endian length, that many bytes of JSON (`kind`, `shot`,
`exposure_ms`, `gain_db`, `full_scale`, `width`, `height`, `pixel_format`), and the picture; each is
answered by one text message like the POST's answer. Wait for it before sending the next."""


def frame_routes(app: FastAPI, door: Door | None) -> None:
    """`POST /frames/{camera}`, its socket, and what describes them."""
    router = APIRouter(tags=["frames"])

    @router.post(
        "/frames/{camera}",
        status_code=202,
        response_model=Reply,
        summary="Send one camera's frame",
        responses={
            403: {"model": Reply, "description": "no or a wrong token"},
            413: {"model": Reply, "description": "too large"},
            422: {"model": Reply, "description": "not usable, with the reason"},
            429: {"model": Reply, "description": "wait, then send it again (Retry-After)"},
        },
        openapi_extra=_body(),
    )
    async def frame(
        request: Request,
        camera: Annotated[str, Path(description="the camera's name, for example left")],
        content_type: Annotated[str, Header(description="image/tiff, image/png or " + RAW)] = "",
        x_shot: Annotated[str | None, Header(description="name of the shot", max_length=80)] = None,
        x_exposure_ms: Annotated[float | None, Header(description="exposure, ms")] = None,
        x_gain_db: Annotated[float | None, Header(description="gain, dB")] = None,
        x_full_scale: Annotated[int | None, Header(description="largest value, for example 4095")] = None,
        x_width: Annotated[int | None, Header(description="raw only: columns")] = None,
        x_height: Annotated[int | None, Header(description="raw only: rows")] = None,
        x_pixel_format: Annotated[
            str | None, Header(description="raw only: Mono8, Mono12p, Mono16 ...")
        ] = None,
    ) -> JSONResponse:
        if door is None:
            return _reply(Answer(REFUSED, _words("push-not-here")), 404)
        body = await _read(request)
        if body is None:
            most_mb = int(limit("push_bytes_max") / 1e6)
            return _reply(Answer(REFUSED, _words("push-too-large", most_mb=most_mb)), 413)
        kind = content_type.partition(";")[0].strip().lower()
        sent = Sent(camera, body, kind, x_shot or None, x_exposure_ms, x_gain_db, x_full_scale, x_width,
                    x_height, x_pixel_format)  # fmt: skip
        return _reply(await asyncio.to_thread(door.push, sent))

    app.include_router(router)

    @app.websocket("/frames/{camera}/live")
    async def frames(socket: WebSocket, camera: str) -> None:
        await _take_all(socket, camera, door)

    @app.get("/openapi.json")  # for a phone that has joined
    @app.get("/frames/openapi.json")  # for a script with its token
    async def described() -> dict[str, Any]:
        return get_openapi(
            title="Holdstill: frames", version="1", description=DESCRIPTION, routes=router.routes
        )


def _body() -> dict[str, Any]:
    binary = {"schema": {"type": "string", "format": "binary"}}
    return {"requestBody": {"required": True, "content": dict.fromkeys((*ENCODED, RAW), binary)}}


def _words(key: str, **values: float | int | str) -> str:
    return say(Say(f"intake.{key}", values))


def _reply(answer: Answer, status: int | None = None) -> JSONResponse:
    headers = {"Retry-After": str(math.ceil(answer.wait_s))} if answer.wait_s else None
    return JSONResponse(_told(answer), status or STATUS[answer.outcome], headers)


def _told(answer: Answer) -> dict[str, Any]:
    reply = Reply(
        outcome=answer.outcome, words=answer.words, complete=answer.complete, replaced=answer.replaced
    )
    return reply.model_dump() | ({"wait_s": answer.wait_s} if answer.wait_s else {})


async def _read(request: Request) -> bytes | None:
    """The body, or None once it is larger than allowed: never more than that is held."""
    most = int(limit("push_bytes_max"))
    declared = request.headers.get("content-length", "")
    if declared.isdigit() and int(declared) > most:
        return None
    parts, size = [], 0
    async for part in request.stream():
        size += len(part)
        if size > most:
            return None
        parts.append(part)
    return b"".join(parts)


async def _take_all(socket: WebSocket, camera: str, door: Door | None) -> None:
    """Frames over a socket, each answered."""
    await socket.accept()
    with contextlib.suppress(WebSocketDisconnect, RuntimeError, ConnectionError):
        while True:
            message = await socket.receive_bytes()
            if door is None:
                answer = Answer(REFUSED, _words("push-not-here"))
            else:
                sent = unpacked(message, camera)
                wrong = isinstance(sent, str)
                answer = Answer(REFUSED, str(sent)) if wrong else await asyncio.to_thread(door.push, sent)  # type: ignore[arg-type]
            await socket.send_text(json.dumps(_told(answer)))


def _is_number(value: object) -> bool:
    """Whether a value of a header is a number that can be meant (JSON as read here knows infinities)."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return math.isfinite(value) if isinstance(value, float) else abs(value) < 1 << 62


def unpacked(message: bytes, camera: str) -> Sent | str:
    """A socket's message as a frame, or what is wrong with its header, in words."""
    size = int.from_bytes(message[:4], "big")
    try:
        told = json.loads(message[4 : 4 + size].decode())
        if len(message) < 4 + size or not isinstance(told, dict):
            raise ValueError
    except (ValueError, RecursionError):
        return _words(
            "push-bad-header", name="JSON", got=f"{size} bytes", wanted="a JSON object of that length"
        )
    numbers: dict[str, Any] = {}
    for name, kind in NUMBERS.items():
        value = told.get(name)
        if value is not None and not _is_number(value):
            return _words("push-bad-header", name=name, got=str(value)[:40], wanted="a number")
        numbers[name] = kind(value) if value is not None else None
    texts: dict[str, Any] = {}
    for name in ("shot", "pixel_format"):
        texts[name] = str(told[name])[:80] if told.get(name) is not None else None
    return Sent(camera, message[4 + size :], str(told.get("kind", "")), **texts, **numbers)
