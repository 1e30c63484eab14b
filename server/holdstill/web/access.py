"""Who may look and who may act: joining, the cookie, and the checks on Host and Origin."""

from __future__ import annotations

import hashlib
import hmac
from collections import deque
from collections.abc import Callable, Mapping
from http.cookies import CookieError, SimpleCookie

from holdstill.limits import limit

from .codes import Codes
from .phones import Phone, Phones
from .roles import Role

_MOST_ADDRESSES = 4096


class Access:
    """The keys of the house.

    key
        The house's secret, which never leaves this machine: what others hold is made from it.
    hosts
        Names under which this server may be addressed: ``"127.0.0.1"`` (any port) or
        ``"192.168.7.2:8765"`` (that port only). Anything else in the Host header is refused,
        which stops a foreign page that points its own name at this machine.
    codes
        What a phone shows to join, and the role it then has.
    phones
        The phones that have joined.
    secure
        True when served over https: the cookie then never travels without it.
    clock
        Seconds, rising; only for slowing down guesses.
    """

    def __init__(
        self,
        key: str,
        hosts: frozenset[str],
        *,
        codes: Codes,
        phones: Phones,
        clock: Callable[[], float],
        secure: bool = False,
    ) -> None:
        if len(key) < 16:
            raise ValueError("an access key shorter than 16 letters can be guessed")
        self._key = key
        self._hosts = frozenset(host.lower() for host in hosts)
        self.codes = codes
        self.phones = phones
        self.tries = Tries(clock)
        self.secure = secure
        named = "holdstill-" + hashlib.sha256(key.encode()).hexdigest()[:8]
        # a browser takes a cookie of this name only over https and from this very host (RFC 6265bis)
        self.cookie_name = "__Host-" + named if secure else named

    def role_of_code(self, code: str, address: str) -> Role | None:
        """Role that a joining code gives, or None, which counts as a wrong try from `address`."""
        role = self.codes.role_of(code)
        if role is None:
            self.tries.wrong(address)
        return role

    @property
    def sender_token(self) -> str:
        """The secret with which frames are sent."""
        return sender_token_of(self._key)

    def may_send(self, authorization: str | None, address: str = "") -> bool:
        """True when an Authorization header carries the sender's token (RFC 6750, section 2.1)."""
        scheme, _, token = (authorization or "").partition(" ")
        right = hmac.compare_digest(token.strip().encode(), self.sender_token.encode())
        if scheme.lower() == "bearer" and right:
            return True
        self.tries.wrong(address)
        return False

    def must_wait(self, address: str = "") -> bool:
        """True when too many wrong codes or tokens came within the last minute."""
        return self.tries.too_many(address)

    def phone_of_cookies(self, header: str | None) -> Phone | None:
        """The phone that a Cookie header proves, or None."""
        if not header:
            return None
        try:
            morsel = SimpleCookie(header).get(self.cookie_name)
        except CookieError:
            return None
        return None if morsel is None else self.phones.known(morsel.value)

    def host_is_ours(self, host: str | None) -> bool:
        """True when a Host header names this server."""
        if not host:
            return False
        host = host.lower()
        return host in self._hosts or _without_port(host) in self._hosts

    def origin_is_ours(self, headers: Mapping[str, str]) -> bool:
        """True when the Origin header is this very server as it was addressed."""
        origin = headers.get("origin", "").lower()
        scheme = "https" if self.secure else "http"
        return origin == f"{scheme}://{headers.get('host', '').lower()}"


class Tries:
    """Wrong tries within a minute: from one address, so that a colleague who guesses slows down only
    himself, and from all together, so that many addresses don't help."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._of: dict[str, deque[float]] = {}
        self._all: deque[float] = deque(maxlen=int(limit("code_tries_per_minute_all")))

    def wrong(self, address: str) -> None:
        """Note a wrong try."""
        now = self._clock()
        if address not in self._of and len(self._of) >= _MOST_ADDRESSES:
            self._of.pop(next(iter(self._of)))
        mine = self._of.setdefault(address, deque(maxlen=int(limit("code_tries_per_minute"))))
        mine.append(now)
        self._all.append(now)

    def too_many(self, address: str) -> bool:
        """Whether `address` has to wait."""
        return any(self._full(tries) for tries in (self._of.get(address), self._all))

    def _full(self, tries: deque[float] | None) -> bool:
        return tries is not None and len(tries) == tries.maxlen and self._clock() - tries[0] < 60.0


def sender_token_of(key: str) -> str:
    """The secret with which frames are sent: made from the house's key, which can't be had back from
    it, so that a script's file gives away no more than the right to send."""
    return hmac.new(key.encode(), b"holdstill frames", hashlib.sha256).hexdigest()[:40]


def _without_port(host: str) -> str:
    if host.startswith("["):
        return host.partition("]")[0] + "]"
    return host.partition(":")[0]


__all__ = ["Access", "Role", "Tries", "sender_token_of"]
