"""The gate in front of every page, picture, socket and tap."""

from __future__ import annotations

import base64
import contextlib
import hashlib
import logging
from collections.abc import Callable
from html import escape

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import HTMLResponse, JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from holdstill.phrases import say
from holdstill.records import Say

from .access import Access, Role

_LOG = logging.getLogger(__name__)

POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' blob:",
        "font-src 'self'",
        "connect-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
        "manifest-src 'self'",
    )
)
"""Nothing from elsewhere, nothing inline."""

_PLAIN_STYLE = (
    "body{background:#0d1216;color:#f4f1ea;font:22px/1.4 system-ui,sans-serif;margin:12vh auto;"
    "max-width:30em;padding:0 1.2em}a{color:#7cc9f2}h1{font-size:1.7em;line-height:1.1}"
    "form{margin-top:2em}input,button{box-sizing:border-box;width:100%;margin:.4em 0;padding:.5em .6em;"
    "font:600 1.3em ui-monospace,monospace;letter-spacing:.08em;color:inherit;background:#161d22;"
    "border:2px solid #4a545c;border-radius:12px}button{letter-spacing:0;background:#2a343b}"
)
_PLAIN_POLICY = POLICY.replace(
    "style-src 'self'",
    f"style-src 'sha256-{base64.b64encode(hashlib.sha256(_PLAIN_STYLE.encode()).digest()).decode()}'",
)
_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",  # none at all would make a form of our own say Origin: null
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
}


FRAMES = "/frames/"
"""What scripts reach with a token of their own."""


def told_sender(key: str, status: int) -> JSONResponse:
    """A refusal for a script: the outcome, and the two sentences of a `plain_page`."""
    words = f"{say(Say(key))} {say(Say(key + '.more'))}"
    return JSONResponse({"outcome": "refused", "words": words}, status)


def address_of(scope: Scope) -> str:
    """Address that a request came from; empty where the server does not tell."""
    client = scope.get("client")
    return str(client[0]) if client else ""


def _plain(path: str) -> str:
    """A path for the log: nothing in it that a terminal would act upon, and not long."""
    return "".join(c if c.isprintable() else "?" for c in path)[:120]


def plain_page(key: str, status: int, **values: float | int | str) -> HTMLResponse:
    """A page of two sentences that needs nothing else: refusals and breakdowns.

    `key` names the headline; ``<key>.more`` the sentence below it. Where joining helps, a field for a
    code stands below them.
    """
    headline, more = say(Say(key, values)), say(Say(f"{key}.more", values))
    form = _form() if key in ("refused.join", "refused.token", "join.title") else ""
    html = (
        f'<!doctype html><html lang="en"><meta charset="utf-8"><title>{escape(headline)}</title>'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        f"<style>{_PLAIN_STYLE}</style><main><h1>{escape(headline)}</h1><p>{escape(more)}</p>{form}</main></html>"
    )
    return HTMLResponse(html, status, headers={"Content-Security-Policy": _PLAIN_POLICY})


def _from_within_another_page(headers: Headers) -> bool:
    """True when a browser says that another page asks for this as a part of itself (Fetch Metadata, W3C):
    it may lead somebody here, and no more. Browsers that say nothing are dealt with by cookie and Origin."""
    site, goes_to = headers.get("sec-fetch-site", "none"), headers.get("sec-fetch-dest", "document")
    return site not in ("none", "same-origin") and goes_to != "document"


def _form() -> str:
    """A field for a joining code."""
    code, join = escape(say(Say("join.code"))), escape(say(Say("join.do")))
    return (
        f'<form method="post" action="/join"><label>{code}<input name="code" autocomplete="off" '
        'autocapitalize="characters" spellcheck="false" maxlength="12" required></label>'
        f'<button type="submit">{join}</button></form>'
    )


class Guard:
    """ASGI middleware: Host, Origin and cookie checked before anything else; headers set after.

    Pages and pictures are refused with 403 in words; sockets are closed with 1008 before a byte is
    sent over them. The role found stands in ``scope["state"]["role"]``, the phone's number beside it.
    `report` writes a report on a bug and gives its reference.
    """

    def __init__(self, app: ASGIApp, access: Access, report: Callable[[BaseException], str]) -> None:
        self._app = app
        self._access = access
        self._report = report

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it here."""
        if scope["type"] == "http":
            await self._http(scope, receive, send)
        elif scope["type"] == "websocket":
            await self._socket(scope, receive, send)
        else:
            await self._app(scope, receive, send)

    async def _http(self, scope: Scope, receive: Receive, send: Send) -> None:
        headers = Headers(scope=scope)
        sent = self._with_headers(send, scope["path"])
        refusal = self._refusal(scope, headers)
        if refusal is not None:
            await refusal(scope, receive, sent)
            return
        started = False

        async def watched(message: Message) -> None:
            nonlocal started
            started = started or message["type"] == "http.response.start"
            await sent(message)

        try:
            await self._app(scope, receive, watched)
        except Exception as error:
            reference = self._broke(error, scope)
            if not started:
                await plain_page("page.broke", 500, reference=reference)(scope, receive, sent)

    def _refusal(self, scope: Scope, headers: Headers) -> HTMLResponse | JSONResponse | None:
        """Why a request is not let through; None when it is. Notes the role in its scope."""
        if not self._access.host_is_ours(headers.get("host")):
            return plain_page("refused.host", 421)
        if scope["path"].startswith(FRAMES):
            return self._of_sender(scope, headers)
        role = self._know(scope, headers)
        if _from_within_another_page(headers):
            return plain_page("refused.origin", 403)
        if scope["path"] == "/join" and scope["method"] in ("GET", "HEAD"):
            return None
        if scope["path"] == "/join" and scope["method"] == "POST" and self._access.origin_is_ours(headers):
            return None
        if role is None:
            return plain_page("refused.join", 403)
        if scope["method"] not in ("GET", "HEAD"):
            foreign = not self._access.origin_is_ours(headers)
            if foreign:
                return plain_page("refused.origin", 403)
            if role is not Role.OPERATOR:
                return plain_page("refused.watching", 403)
        return None

    def _know(self, scope: Scope, headers: Headers) -> Role | None:
        """The role that the request's cookie gives; noted in the scope with the phone's number."""
        phone = self._access.phone_of_cookies(headers.get("cookie"))
        state = scope.setdefault("state", {})
        state["role"] = None if phone is None else phone.role
        state["phone"] = None if phone is None else phone.number
        return None if phone is None else phone.role

    def _of_sender(self, scope: Scope, headers: Headers) -> JSONResponse | None:
        """Why a script's frame is not let through. Its token comes with each request and never by
        itself, as a cookie would: a foreign page can't send in its name."""
        address = address_of(scope)
        if not self._access.may_send(headers.get("authorization"), address):
            waits = self._access.must_wait(address)
            return told_sender("refused.slowly", 429) if waits else told_sender("refused.sender", 403)
        scope.setdefault("state", {})["role"] = Role.SENDER
        return None

    async def _socket(self, scope: Scope, receive: Receive, send: Send) -> None:
        headers = Headers(scope=scope)
        ours = self._access.host_is_ours(headers.get("host"))
        if scope["path"].startswith(FRAMES):
            let_in = ours and self._of_sender(scope, headers) is None
        else:
            let_in = ours and self._access.origin_is_ours(headers) and self._know(scope, headers) is not None
        if not let_in:
            await receive()
            await send({"type": "websocket.accept"})
            await send({"type": "websocket.close", "code": 1008})
            return
        try:
            await self._app(scope, receive, send)
        except Exception as error:
            self._broke(error, scope)
            with contextlib.suppress(RuntimeError, OSError):
                await send({"type": "websocket.close", "code": 1011})

    def _broke(self, error: Exception, scope: Scope) -> str:
        """Report a bug; its reference. The path is told without what follows a question mark."""
        reference = self._report(error)
        _LOG.error("page trouble %s at %s", reference, _plain(scope["path"]), exc_info=error)
        return reference

    def _with_headers(self, send: Send, path: str) -> Send:
        async def sent(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers[name] = value
                if self._access.secure:  # by name, this host is never asked without TLS (RFC 6797)
                    headers["Strict-Transport-Security"] = "max-age=1209600"
                headers.setdefault("Content-Security-Policy", POLICY)
                headers.setdefault("Cache-Control", "no-cache" if path.startswith("/static/") else "no-store")
            await send(message)

        return sent
