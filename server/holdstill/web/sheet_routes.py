"""The full-size page of a shot, what it draws, and where its pictures are saturated."""

from __future__ import annotations

import asyncio
import re

from fastapi import FastAPI, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse

from holdstill.records import Nothing

from .access import Role
from .deck import Deck
from .guard import plain_page
from .views import Renderer
from .views.sheets import sheet_json, show_sheet
from .views.words import Words

_DIGEST = re.compile(r"[0-9a-f]{16,128}")
_MOST_PLACES = 9


def _place(text: str) -> int:
    """A place in the story; 0 for anything that is none."""
    return int(text) if text.isascii() and text.isdigit() and len(text) <= _MOST_PLACES else 0


def sheet_routes(app: FastAPI, deck: Deck, renderer: Renderer) -> None:
    """Add the routes."""

    @app.get("/view/{place}")
    async def page(request: Request, place: str) -> Response:
        found = deck.sheet(_place(place))
        if isinstance(found, Nothing):
            return plain_page("refused.missing", 404)
        snapshot = deck.snapshot()
        words = Words(snapshot.operator_faces_cameras, renderer.zone)
        html = renderer.page(
            "view.html",
            session=snapshot.session_name,
            may_act=request.state.role is Role.OPERATOR,
            **show_sheet(found, words),
        )
        return HTMLResponse(html)

    @app.get("/view/{place}/drawn")
    async def drawn(place: str) -> Response:
        found = deck.sheet(_place(place))
        if isinstance(found, Nothing):
            return plain_page("refused.missing", 404)
        return JSONResponse(sheet_json(found), headers={"Cache-Control": "no-store"})

    @app.get("/view-saturated/{digest}")
    async def saturated(digest: str, level: float = 255.0) -> Response:
        if not _DIGEST.fullmatch(digest) or not 0.0 < level < 1e6:
            return plain_page("refused.missing", 404)
        found = await asyncio.to_thread(deck.clipped, digest, level)
        if isinstance(found, Nothing):
            return plain_page("refused.missing", 404)
        if not found:
            return Response(status_code=204)
        return Response(found, media_type="image/png", headers={"Cache-Control": "private, max-age=86400"})
