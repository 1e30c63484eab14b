"""The phones that have joined: each with a secret of its own, listed, and removable one by one."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import hmac
import json
import secrets
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from holdstill.archive.disk import write_whole
from holdstill.limits import limit

from .private import is_private
from .roles import Role

DAY_S = 86400.0
KINDS = ("phone", "tablet", "computer")


TRY_LATER = 1013
"""Close code (RFC 6455, registry): come again later."""
REMOVED = 1008
"""Close code: not let in any more; the page then loads itself anew, and is told to join."""


class Line:
    """A live line: `ended` is set when it has to close, with `code`."""

    def __init__(self) -> None:
        self.ended = asyncio.Event()
        self.code = TRY_LATER

    def end(self, code: int) -> None:
        """Have it closed with this code."""
        self.code = code
        self.ended.set()


@dataclass(frozen=True, slots=True)
class Phone:
    """A phone, tablet or computer that has joined. Times in seconds since the epoch; `digest`: SHA-256
    of the secret in its cookie, which is nowhere kept."""

    number: int
    role: Role
    kind: str
    joined_s: float
    seen_s: float
    digest: str


class Phones:
    """All phones, remembered over a restart in a file that only its owner can read.

    path: that file; None: in memory only.  wall_s: the wall clock, in seconds.
    """

    def __init__(self, path: Path | None, wall_s: Callable[[], float]) -> None:
        self._path = path
        self._wall_s = wall_s
        self._phones = _read(path)
        self._lines: dict[int, list[Line]] = {}

    def now_s(self) -> float:
        """The wall clock, in seconds."""
        return self._wall_s()

    def all(self) -> list[Phone]:
        """The phones known, the first to join first."""
        self._forget_old()
        return sorted(self._phones.values(), key=lambda phone: phone.number)

    def join(self, role: Role, agent: str = "") -> str | None:
        """A new phone; what its cookie holds. None when too many have joined.

        A full house makes room for an operator by forgetting the watcher not seen for longest.
        `agent`: the browser's User-Agent, of which only the kind of device is kept.
        """
        self._forget_old()
        if len(self._phones) >= limit("phones_most") and not self._make_room(role):
            return None
        number = 1 + max(self._phones, default=0)
        secret, now = secrets.token_urlsafe(32), self._wall_s()
        self._phones[number] = Phone(number, role, kind_of(agent), now, now, _digest(secret))
        self._write()
        return f"{number}.{secret}"

    def known(self, cookie: str) -> Phone | None:
        """The phone that a cookie proves, seen now; None for any other."""
        number, _, secret = cookie.partition(".")
        if not (number.isascii() and number.isdigit() and len(number) < 10):
            return None
        phone = self._phones.get(int(number))
        if phone is None or not hmac.compare_digest(phone.digest, _digest(secret)):
            return None
        if self._too_old(phone):
            return None
        self._phones[phone.number] = seen = replace(phone, seen_s=self._wall_s())
        return seen

    def remove(self, number: int) -> bool:
        """Forget a phone: its cookie is worth nothing from now on, and its open lines end."""
        gone = self._phones.pop(number, None)
        for line in self._lines.pop(number, ()):
            line.end(REMOVED)
        if gone is not None:
            self._write()
        return gone is not None

    @contextlib.contextmanager
    def line(self, number: int) -> Iterator[Line]:
        """A live line of a phone while the block runs. Use on one event loop only.

        One too many ends the oldest: after a break of the network that one is likely dead, and the
        phone has come back.
        """
        line = Line()
        if number not in self._phones:
            line.end(REMOVED)
        held = self._lines.setdefault(number, [])
        held.append(line)
        if len(held) > limit("lines_per_phone"):
            held.pop(0).end(TRY_LATER)
        try:
            yield line
        finally:
            if line in held:
                held.remove(line)

    def lines(self, number: int) -> int:
        """How many live lines a phone holds."""
        return len(self._lines.get(number, ()))

    def _make_room(self, role: Role) -> bool:
        watchers = [p for p in self._phones.values() if p.role is Role.WATCHER and not self.lines(p.number)]
        if role is not Role.OPERATOR or not watchers:
            return False
        return self.remove(min(watchers, key=lambda phone: phone.seen_s).number)

    def _too_old(self, phone: Phone) -> bool:
        return self._wall_s() - phone.joined_s > limit("phone_days") * DAY_S

    def _forget_old(self) -> None:
        for phone in list(self._phones.values()):
            if self._too_old(phone):
                self.remove(phone.number)

    def _write(self) -> None:
        if self._path is None:
            return
        told = [{**asdict(phone), "role": phone.role.value} for phone in self._phones.values()]
        with contextlib.suppress(OSError):  # on a full disk phones join again after a restart
            write_whole(self._path, json.dumps(told, indent=1).encode(), 0o600)


def kind_of(agent: str) -> str:
    """``"phone"``, ``"tablet"`` or ``"computer"``, by the browser's User-Agent (common practice: phones'
    browsers say Mobile)."""
    said = agent.lower()
    if "tablet" in said or "ipad" in said:
        return "tablet"
    return "phone" if "mobi" in said or "android" in said else "computer"


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


def _read(path: Path | None) -> dict[int, Phone]:
    """The phones remembered; none from a file that is missing, damaged, or open to other users."""
    if path is None:
        return {}
    try:
        if not is_private(path):
            return {}
        told = json.loads(path.read_bytes())
        phones = [Phone(**{**one, "role": Role(one["role"])}) for one in told]
    except (OSError, ValueError, TypeError, KeyError, RecursionError):
        return {}
    sound = all(type(p.number) is int and isinstance(p.digest, str) and p.kind in KINDS for p in phones)
    return {p.number: p for p in phones} if sound else {}
