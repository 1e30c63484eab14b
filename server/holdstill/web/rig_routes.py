"""The Rig step's own routes: back from a wanted field, and the rig as a file."""

from __future__ import annotations

import math

from fastapi import FastAPI, Response
from fastapi.responses import HTMLResponse

from holdstill.intake.rig_file import rig_text
from holdstill.limits import limit
from holdstill.phrases import say
from holdstill.records import Nothing, Rig, Say
from holdstill.session.paper import on_paper
from holdstill.session.paper_rows import wanted_section

from .deck import Deck
from .views import environment


def rig_routes(app: FastAPI, deck: Deck) -> None:
    """Add the routes."""

    @app.get("/rig/wanted")
    async def wanted(field_mm: str = "") -> HTMLResponse:
        low, high = limit("rig_volume_mm_min"), limit("rig_volume_mm_max")
        try:
            width = float(field_mm.strip().replace(",", "."))
        except ValueError:
            width = math.nan
        template = environment().get_template("wanted.html")
        if not low <= width <= high:
            trouble = say(Say("rig.wanted.bad", {"low": low, "high": high}))
            return HTMLResponse(template.render(trouble=trouble, section=None))
        paper = on_paper(deck.snapshot().rig or Rig(), field_mm=width)
        if isinstance(paper, Nothing) or paper.wanted is None:
            return HTMLResponse(template.render(trouble=say(Say("rig.contradicts")), section=None))
        return HTMLResponse(template.render(trouble="", section=wanted_section(paper.wanted)))

    @app.get("/rig.toml")
    async def file() -> Response:
        snapshot = deck.snapshot()
        text = rig_text(snapshot.rig or Rig(), snapshot.plate_words or None)
        headers = {"Content-Disposition": 'attachment; filename="rig.toml"'}
        return Response(text, media_type="application/toml", headers=headers)
