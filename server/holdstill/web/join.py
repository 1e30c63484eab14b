"""Links and codes with which a phone joins."""

from __future__ import annotations

import io
import secrets
from urllib.parse import quote

import segno

from .access import sender_token_of


def new_token() -> str:
    """A fresh access token (132 bits, safe in a link)."""
    return secrets.token_urlsafe(16)


def join_link(origin: str, token: str) -> str:
    """The link that joins: ``https://192.168.7.2:8765/join?token=...``."""
    return f"{origin.rstrip('/')}/join?token={quote(token, safe='')}"


def sender_header(token: str) -> str:
    """The header with which a script sends frames to the house of an access token."""
    return f"Authorization: Bearer {sender_token_of(token)}"


def qr_text(link: str) -> str:
    """A QR code of the link as terminal text (two rows a line), dark on the terminal's light."""
    out = io.StringIO()
    segno.make(link, error="l", micro=False).terminal(out, border=2, compact=True)
    return out.getvalue()


def qr_svg(link: str) -> bytes:
    """A QR code of the link as an SVG picture."""
    out = io.BytesIO()
    segno.make(link, error="m", micro=False).save(out, kind="svg", scale=6, border=3, light="#ffffff")
    return out.getvalue()
