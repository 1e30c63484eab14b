"""The pages: what a phone and the bench's own screen show, and the taps that come back."""

from .access import Access, Role
from .app import PageSettings, create_app
from .deck import Deck
from .join import join_link, new_token, qr_text, sender_header
from .tls import Certificate, certificate

__all__ = [
    "Access", "Certificate", "Deck", "PageSettings", "Role", "certificate", "create_app", "join_link",
    "new_token", "qr_text", "sender_header",
]  # fmt: skip
