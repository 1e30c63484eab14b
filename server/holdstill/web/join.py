"""Links and codes with which a phone joins."""

from __future__ import annotations

import io
from urllib.parse import quote

import segno

from .access import sender_token_of


def join_link(origin: str, code: str) -> str:
    """The link that joins: ``https://192.168.7.2:8765/join?token=...``, good as long as its code."""
    return f"{origin.rstrip('/')}/join?token={quote(code, safe='')}"


def sender_header(key: str) -> str:
    """The header with which a script sends frames to the house of that key."""
    return f"Authorization: Bearer {sender_token_of(key)}"


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
