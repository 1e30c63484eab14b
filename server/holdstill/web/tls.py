"""A certificate made on the spot, so that a propped phone may keep its screen awake."""

from __future__ import annotations

import ssl
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import trustme
from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes, serialization

from holdstill.archive.disk import write_whole

from .private import is_private

DAYS = 30
"""How long a certificate lasts; it is renewed when a third of that is left."""


@dataclass(frozen=True, slots=True)
class Certificate:
    """Where the certificate chain and its key lie; the authority's certificate that the phone is
    asked to trust, and that certificate's fingerprint (SHA-256) to compare by eye."""

    chain: Path
    key: Path
    authority: Path
    fingerprint: str


def certificate(folder: Path, names: Sequence[str], now: datetime | None = None) -> Certificate:
    """The certificate in `folder` for these host names or addresses, made or renewed as needed.

    The key file is readable by its owner only (0600), in a folder of mode 0700. The authority's
    own key is forgotten as soon as it has signed, so that nobody can make more with it.
    """
    now = now or datetime.now(UTC)
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    folder.chmod(0o700)
    found = Certificate(folder / "chain.pem", folder / "key.pem", folder / "trust-this.pem", "")
    if not _still_good(found, names, now):
        authority = trustme.CA(organization_name="Holdstill", organization_unit_name="bench")
        leaf = authority.issue_cert(
            *names, not_before=now - timedelta(hours=1), not_after=now + timedelta(days=DAYS)
        )
        write_whole(found.key, leaf.private_key_pem.bytes(), 0o600)
        write_whole(found.chain, b"".join(blob.bytes() for blob in leaf.cert_chain_pems))
        write_whole(found.authority, authority.cert_pem.bytes())
    fingerprint = x509.load_pem_x509_certificate(found.authority.read_bytes()).fingerprint(hashes.SHA256())
    return Certificate(found.chain, found.key, found.authority, fingerprint.hex(":").upper())


def _still_good(found: Certificate, names: Sequence[str], now: datetime) -> bool:
    if not (found.chain.exists() and found.key.exists() and found.authority.exists()):
        return False
    if not is_private(found.key):
        return False
    try:
        leaf = x509.load_pem_x509_certificate(found.chain.read_bytes())
        key = serialization.load_pem_private_key(found.key.read_bytes(), None)
        if key.public_key() != leaf.public_key():  # ended between writing the one and the other
            return False
        alternatives = leaf.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except (ValueError, TypeError, UnsupportedAlgorithm, x509.ExtensionNotFound):
        return False
    covered = {str(name.value) for name in alternatives}
    return set(names) <= covered and leaf.not_valid_after_utc - now > timedelta(days=DAYS / 3)



CIPHERS = "ECDHE+AESGCM:ECDHE+CHACHA20:!aNULL:!eNULL"
"""What TLS 1.2 may use: forward secret and authenticated (RFC 9325, section 4.2)."""


def harden(context: ssl.SSLContext) -> None:
    """Nothing older than TLS 1.2, and nothing weak in it, whatever a server's own defaults are."""
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.set_ciphers(CIPHERS)
    context.options |= ssl.OP_NO_COMPRESSION | ssl.OP_NO_RENEGOTIATION
