"""Joining codes: short, good for some minutes, the same for every process that knows the house's key."""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Callable
from typing import Protocol

from holdstill.limits import limit

from .roles import Role

LETTERS = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
"""32 signs that can't be taken for one another when read aloud (no I, L, O, U)."""
LENGTH = 8
_MEANT = str.maketrans("OIL", "011", " -")
JOINING = (Role.OPERATOR, Role.WATCHER)
"""Roles that a code can give."""


class Codes(Protocol):
    """Which code gives which role."""

    def now(self, role: Role) -> str:
        """The code to show for `role`."""
        ...

    def minutes_left(self) -> float:
        """How long the codes shown now are good, at least."""
        ...

    def role_of(self, code: str) -> Role | None:
        """The role that a code gives, or None."""
        ...


class TimedCodes:
    """Codes that change every `code_minutes`; the one before stays good until the next change.

    key: the house's secret.  wall_s: the wall clock, in seconds.  A code is the first 40 bits of an
    HMAC-SHA-256 of role and time step, as in RFC 6238 (TOTP) with letters instead of digits.
    """

    def __init__(self, key: str, wall_s: Callable[[], float]) -> None:
        self._key = key.encode()
        self._wall_s = wall_s

    def now(self, role: Role) -> str:
        """The code to show for `role`: eight letters and digits."""
        return self._code(role, self._step())

    def minutes_left(self) -> float:
        """How long the codes shown now are good (minutes)."""
        each = limit("code_minutes")
        return 2.0 * each - (self._wall_s() / 60.0) % each

    def role_of(self, code: str) -> Role | None:
        """The role that a code gives, however it was typed; None for a wrong or stale one."""
        typed = code.strip().upper().translate(_MEANT).encode()
        step, found = self._step(), None
        for role in JOINING:
            for then in (step, step - 1):
                if hmac.compare_digest(typed, self._code(role, then).encode()):
                    found = role
        return found

    def _step(self) -> int:
        return int(self._wall_s() // (60.0 * limit("code_minutes")))

    def _code(self, role: Role, step: int) -> str:
        told = f"holdstill code {role.value} {step}".encode()
        number = int.from_bytes(hmac.new(self._key, told, hashlib.sha256).digest()[:5], "big")
        return "".join(LETTERS[number >> 5 * place & 31] for place in range(LENGTH))


def spaced(code: str) -> str:
    """A code as it is shown: ``K7QF 2M9D``."""
    return f"{code[:4]} {code[4:]}"
