"""A certificate made on the spot, so that a propped phone may keep its screen awake."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import trustme
from cryptography import x509
from cryptography.hazmat.primitives import hashes

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
        _write_private(found.key, leaf.private_key_pem.bytes())
        found.chain.write_bytes(b"".join(blob.bytes() for blob in leaf.cert_chain_pems))
        found.authority.write_bytes(authority.cert_pem.bytes())
    fingerprint = x509.load_pem_x509_certificate(found.authority.read_bytes()).fingerprint(hashes.SHA256())
    return Certificate(found.chain, found.key, found.authority, fingerprint.hex(":").upper())


def _still_good(found: Certificate, names: Sequence[str], now: datetime) -> bool:
    if not (found.chain.exists() and found.key.exists() and found.authority.exists()):
        return False
    if found.key.stat().st_mode & 0o077:
        return False
    try:
        leaf = x509.load_pem_x509_certificate(found.chain.read_bytes())
        alternatives = leaf.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except (ValueError, x509.ExtensionNotFound):
        return False
    covered = {str(name.value) for name in alternatives}
    return set(names) <= covered and leaf.not_valid_after_utc - now > timedelta(days=DAYS / 3)


def _write_private(path: Path, data: bytes) -> None:
    path.unlink(missing_ok=True)
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "wb") as file:
        file.write(data)
