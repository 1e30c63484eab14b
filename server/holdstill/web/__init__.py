"""The pages: what a phone and the bench's own screen show, and the taps that come back."""

from .access import Access, Role
from .app import PageSettings, create_app
from .codes import TimedCodes
from .deck import Deck
from .join import join_link, qr_text, sender_header
from .phones import Phones
from .tls import Certificate, certificate, harden

__all__ = [
    "Access", "Certificate", "Deck", "PageSettings", "Phones", "Role", "TimedCodes", "certificate",
    "create_app", "harden", "join_link", "qr_text", "sender_header",
]  # fmt: skip
