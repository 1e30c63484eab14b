"""Who may look and who may act: joining, the cookie, and the checks on Host and Origin."""

from __future__ import annotations

import hashlib
import hmac
from collections import deque
from collections.abc import Callable, Mapping
from enum import StrEnum
from http.cookies import CookieError, SimpleCookie


class Role(StrEnum):
    """An operator may act; a watcher may look."""

    OPERATOR = "operator"
    WATCHER = "watcher"
    SENDER = "sender"
    """A script that sends frames, and may do nothing else."""


class Access:
    """The keys of the house.

    token
        Secret that makes whoever presents it once an operator. `watcher_token`: the same for
        watchers; None when there are none.
    hosts
        Names under which this server may be addressed: ``"127.0.0.1"`` (any port) or
        ``"192.168.7.2:8765"`` (that port only). Anything else in the Host header is refused,
        which stops a foreign page that points its own name at this machine.
    secure
        True when served over https: the cookie then never travels without it.
    clock
        Seconds, rising; only for slowing down guesses: at most `tries_per_minute` wrong tokens.
    """

    def __init__(
        self,
        token: str,
        hosts: frozenset[str],
        *,
        clock: Callable[[], float],
        watcher_token: str | None = None,
        secure: bool = False,
        tries_per_minute: int = 20,
    ) -> None:
        if len(token) < 16:
            raise ValueError("an access token shorter than 16 letters can be guessed")
        self._tokens = {Role.OPERATOR: token}
        if watcher_token is not None:
            self._tokens[Role.WATCHER] = watcher_token
        self._hosts = frozenset(host.lower() for host in hosts)
        self._clock = clock
        self._tries_per_minute = tries_per_minute
        self._wrong_at: deque[float] = deque(maxlen=tries_per_minute)
        self.secure = secure
        self.cookie_name = "holdstill-" + hashlib.sha256(token.encode()).hexdigest()[:8]

    def role_of_token(self, token: str) -> Role | None:
        """Role that a token gives, or None. Compared in constant time."""
        found = None
        for role, wanted in self._tokens.items():
            if hmac.compare_digest(token.encode(), wanted.encode()):
                found = role
        if found is None:
            self._wrong_at.append(self._clock())
        return found

    @property
    def sender_token(self) -> str:
        """The secret with which frames are sent."""
        return sender_token_of(self._tokens[Role.OPERATOR])

    def may_send(self, authorization: str | None) -> bool:
        """True when an Authorization header carries the sender's token (RFC 6750, section 2.1)."""
        scheme, _, token = (authorization or "").partition(" ")
        right = hmac.compare_digest(token.strip().encode(), self.sender_token.encode())
        if scheme.lower() == "bearer" and right:
            return True
        self._wrong_at.append(self._clock())
        return False

    def must_wait(self) -> bool:
        """True when too many wrong tokens came within the last minute."""
        return (
            len(self._wrong_at) == self._tries_per_minute
            and self._clock() - self._wrong_at[0] < 60.0  # the minute of `tries_per_minute`
        )

    def cookie_value(self, role: Role) -> str:
        """What the cookie of a role holds: made from the token, which can't be had back from it."""
        key = self._tokens[role].encode()
        return hmac.new(key, f"holdstill cookie, {role.value}".encode(), hashlib.sha256).hexdigest()

    def role_of_cookies(self, header: str | None) -> Role | None:
        """Role that a Cookie header proves, or None."""
        if not header:
            return None
        try:
            morsel = SimpleCookie(header).get(self.cookie_name)
        except CookieError:
            return None
        if morsel is None:
            return None
        found = None
        for role in self._tokens:
            if hmac.compare_digest(morsel.value.encode(), self.cookie_value(role).encode()):
                found = role
        return found

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


def sender_token_of(token: str) -> str:
    """The secret with which frames are sent: made from the house's token, which can't be had back from
    it, so that a script's file gives away no more than the right to send."""
    return hmac.new(token.encode(), b"holdstill frames", hashlib.sha256).hexdigest()[:40]


def _without_port(host: str) -> str:
    if host.startswith("["):
        return host.partition("]")[0] + "]"
    return host.partition(":")[0]
