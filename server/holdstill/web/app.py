"""The pages as an app: routes and nothing else."""

from __future__ import annotations

import asyncio
import mimetypes
import re
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import UTC, tzinfo
from pathlib import Path

from fastapi import FastAPI, Request, Response, WebSocket
from fastapi.exceptions import RequestValidationError
from fastapi.responses import FileResponse, HTMLResponse
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException

from holdstill.archive.bug_report import reference_of
from holdstill.records import Nothing

from .access import Access, Role
from .deck import Deck
from .frames import Door, frame_routes
from .guard import FRAMES, Guard, plain_page, told_sender
from .guide import Guide
from .join_routes import join_routes
from .live import tell_cues, tell_pictures
from .phones import Phones
from .rig_routes import rig_routes
from .sheet_routes import sheet_routes
from .taps import refusal, tap_of
from .views import PAGES, Renderer, Words
from .views.moment import kind_of

_DIGEST = re.compile(r"[0-9a-f]{16,128}")
_PACKAGE = Path(__file__).parent.parent


@dataclass(frozen=True, slots=True)
class PageSettings:
    """What the pages are told once.

    join_origin
        Address under which other phones reach this bench, shown with a code to join; None: not shown.
    zone
        Time zone of the bench.
    static, docs
        Folders; by default the package's own, or the checkout's ``static/``.
    report
        Writes a report on a bug; its reference.
    """

    join_origin: str | None = None
    zone: tzinfo = UTC
    static: Path | None = None
    docs: Path | None = None
    report: Callable[[BaseException], str] = reference_of


def static_folder() -> Path:
    """The browser files: inside the installed package, or in the checkout it runs from."""
    inside = _PACKAGE / "_static"
    return inside if inside.is_dir() else _PACKAGE.parent.parent / "static"


def create_app(
    deck: Deck, access: Access, settings: PageSettings | None = None, frames: Door | None = None
) -> FastAPI:
    """The pages over a deck, behind its access. Holds no global state: make as many as needed.

    frames: where frames that scripts send go; None: none are taken.
    """
    settings = settings or PageSettings()
    renderer = Renderer(settings.zone)

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        del app
        yield

    app = FastAPI(title="Holdstill", lifespan=lifespan, docs_url=None, redoc_url=None, openapi_url=None)
    app.add_middleware(Guard, access=access, report=settings.report)
    app.mount("/static", StaticFiles(directory=settings.static or static_folder()), name="static")
    join_routes(app, access, settings.join_origin, renderer)
    _page_routes(app, deck, renderer, settings)
    _file_routes(app, deck)
    rig_routes(app, deck)
    sheet_routes(app, deck, renderer)
    _live_routes(app, deck, renderer, access.phones)
    frame_routes(app, frames)
    _help_routes(app, renderer, Guide(settings.docs or _PACKAGE / "docs"))

    @app.exception_handler(HTTPException)
    async def _known(request: Request, trouble: HTTPException) -> Response:
        del request
        if trouble.status_code == 405:
            return plain_page("refused.method", 405)
        return plain_page("refused.missing", trouble.status_code)

    @app.exception_handler(RequestValidationError)
    async def _odd(request: Request, trouble: RequestValidationError) -> Response:
        del trouble  # it repeats what was sent
        if request.url.path.startswith(FRAMES):
            return told_sender("refused.odd", 422)
        return plain_page("refused.odd", 422)

    return app


def _page_routes(app: FastAPI, deck: Deck, renderer: Renderer, settings: PageSettings) -> None:
    def shown(request: Request, page: str) -> HTMLResponse:
        snapshot = deck.snapshot()
        html = renderer.page(
            f"{page}.html",
            page=page,
            look=kind_of(snapshot.advice),
            fragments=renderer.fragments(snapshot, PAGES[page]),
            session=snapshot.session_name,
            may_act=request.state.role is Role.OPERATOR,
            join=settings.join_origin is not None,
            simulated=snapshot.sim is not None,
        )
        return HTMLResponse(html)

    @app.get("/")
    async def start() -> HTMLResponse:
        return HTMLResponse(renderer.page("start.html"))

    @app.get("/phone")
    async def phone(request: Request) -> HTMLResponse:
        return shown(request, "phone")

    @app.get("/bench")
    async def bench(request: Request) -> HTMLResponse:
        return shown(request, "bench")

    @app.get("/bench/far")
    async def far(request: Request) -> HTMLResponse:
        return shown(request, "far")

    @app.post("/tap")
    async def tap(request: Request) -> HTMLResponse:
        fields = await request.form(max_files=0, max_fields=32, max_part_size=4096)
        form = {name: value for name, value in fields.items() if isinstance(value, str)}
        asked = tap_of(form)
        done = asked if isinstance(asked, Nothing) else await deck.tap(asked)
        words = Words(deck.snapshot().operator_faces_cameras, settings.zone)
        refused = isinstance(done, Nothing)
        text = words.say(refusal(done) if isinstance(done, Nothing) else done)
        html = renderer.page("said.html", text=text, refused=refused)
        return HTMLResponse(html, 409 if refused else 200)


def _file_routes(app: FastAPI, deck: Deck) -> None:
    @app.get("/picture/{digest}")
    async def picture(digest: str, preview: bool = False) -> Response:
        if not _DIGEST.fullmatch(digest):
            return plain_page("refused.missing", 404)
        # a first look at a large picture takes a moment, which must not be every phone's
        found = await asyncio.to_thread(deck.picture, digest, preview=preview)
        if isinstance(found, Nothing):
            return plain_page("refused.missing", 404)
        headers = {"Cache-Control": "private, max-age=86400, immutable"}
        if isinstance(found, bytes):
            return Response(found, media_type=picture_type(found), headers=headers)
        with found.open("rb") as file:
            kind = picture_type(file.read(16))
        return FileResponse(found, media_type=kind, headers=headers)

    @app.get("/file/{name}")
    async def handover(name: str) -> Response:
        found = deck.handover_file(name)
        if isinstance(found, Nothing):
            return plain_page("refused.missing", 404)
        kind = mimetypes.guess_type(found.name)[0] or "application/octet-stream"
        return FileResponse(found, media_type=kind, filename=found.name)


def picture_type(start: bytes) -> str:
    """Media type from a picture's first bytes; only kinds a browser shows, else plain bytes."""
    if start.startswith(b"\x89PNG\r\n\x1a\n"):
        return "image/png"
    if start.startswith(b"\xff\xd8\xff"):
        return "image/jpeg"
    return "application/octet-stream"


def _live_routes(app: FastAPI, deck: Deck, renderer: Renderer, phones: Phones) -> None:
    @app.websocket("/live/cues")
    async def cues(socket: WebSocket, page: str = "phone") -> None:
        first = socket.state.role is Role.OPERATOR
        with phones.line(socket.state.phone) as line:
            await tell_cues(socket, deck, renderer, page, line, first=first)

    @app.websocket("/live/pictures")
    async def pictures(socket: WebSocket) -> None:
        first = socket.state.role is Role.OPERATOR
        with phones.line(socket.state.phone) as line:
            await tell_pictures(socket, deck, line, first=first)


def _help_routes(app: FastAPI, renderer: Renderer, guide: Guide) -> None:
    @app.get("/help")
    async def contents() -> HTMLResponse:
        return HTMLResponse(renderer.page("help.html", pages=guide.pages(), title="", body=""))

    @app.get("/help/{name}")
    async def page(name: str) -> Response:
        found = guide.read(name)
        if isinstance(found, Nothing):
            return plain_page("refused.missing", 404)
        if isinstance(found, Path):
            return FileResponse(found)
        return HTMLResponse(
            renderer.page("help.html", pages=guide.pages(), title=found.title, body=found.html)
        )
