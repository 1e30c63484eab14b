"""Joining, and the list of those who have joined."""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from holdstill.limits import limit

from .access import Access
from .codes import JOINING, spaced
from .guard import address_of, plain_page
from .join import join_link, qr_svg
from .phones import DAY_S, Phone
from .roles import Role
from .views import Renderer

_LONGEST_CODE = 40


def join_routes(app: FastAPI, access: Access, origin: str | None, renderer: Renderer) -> None:
    """Add the routes. `origin`: the address under which other phones reach this bench, or None."""

    def let_in(request: Request, code: str) -> Response:
        address = address_of(request.scope)
        if access.must_wait(address):
            return plain_page("refused.slowly", 429)
        role = access.role_of_code(code[:_LONGEST_CODE], address)
        if role is None:
            return plain_page("refused.token", 403)
        here = access.phone_of_cookies(request.headers.get("cookie"))
        if here is not None and here.role is role:  # the same device once more
            return RedirectResponse("/", 303)
        if here is not None:  # it takes its new role, not a second place
            access.phones.remove(here.number)
        cookie = access.phones.join(role, request.headers.get("user-agent", ""))
        if cookie is None:
            return plain_page("refused.full", 403)
        response = RedirectResponse("/", 303)
        response.set_cookie(
            access.cookie_name, cookie, max_age=int(limit("phone_days") * DAY_S), path="/",
            secure=access.secure, httponly=True, samesite="strict",
        )  # fmt: skip
        return response

    @app.get("/join")
    async def join(request: Request, token: str = "") -> Response:
        if not token:
            return plain_page("join.title", 200)
        return let_in(request, token)

    @app.post("/join")
    async def join_typed(request: Request) -> Response:
        fields = await request.form(max_files=0, max_fields=4, max_part_size=1024)
        typed = fields.get("code")
        return let_in(request, typed if isinstance(typed, str) else "")

    @app.get("/join/code.svg")
    async def code(request: Request, role: str = Role.OPERATOR.value) -> Response:
        wanted = next((r for r in JOINING if r.value == role), None)
        if origin is None or wanted is None or request.state.role is not Role.OPERATOR:
            return plain_page("refused.missing", 404)
        return Response(qr_svg(join_link(origin, access.codes.now(wanted))), media_type="image/svg+xml")

    @app.get("/phones")
    async def phones(request: Request) -> Response:
        if request.state.role is not Role.OPERATOR:
            return plain_page("refused.watching", 403)
        ways = [] if origin is None else [way(access, origin, role) for role in JOINING]
        now_s = access.phones.now_s()
        listed = [line(access, phone, request.state.phone, now_s) for phone in access.phones.all()]
        minutes = int(access.codes.minutes_left())
        html = renderer.page("phones.html", phones=listed, ways=ways, minutes=minutes)
        return HTMLResponse(html)

    @app.post("/phones/remove")
    async def remove(request: Request) -> Response:
        fields = await request.form(max_files=0, max_fields=4, max_part_size=1024)
        number = fields.get("number")
        if not (isinstance(number, str) and number.isascii() and number.isdigit() and len(number) < 10):
            return plain_page("refused.no-phone", 404)
        if not access.phones.remove(int(number)):
            return plain_page("refused.no-phone", 404)
        return RedirectResponse("/phones", 303)


def way(access: Access, origin: str, role: Role) -> dict[str, Any]:
    """How to join as `role`, for the page."""
    code = access.codes.now(role)
    return {"role": role.value, "code": spaced(code), "origin": f"{origin}/join"}


def line(access: Access, phone: Phone, mine: int | None, now_s: float) -> dict[str, Any]:
    """A phone's line, for the page."""
    return {
        "number": phone.number,
        "kind": phone.kind,
        "role": phone.role.value,
        "mine": phone.number == mine,
        "open": access.phones.lines(phone.number) > 0,
        "minutes": max(int((now_s - phone.seen_s) // 60), 0),
    }
