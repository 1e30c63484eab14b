"""A stretch of network between a page and its bench, which can go silent as a wireless one does."""

from __future__ import annotations

import contextlib
import select
import socket
import threading
from collections.abc import Iterator


class Relay:
    """Passes bytes both ways until told to be silent; then nothing gets through, and nobody is told."""

    def __init__(self, port: int) -> None:
        self._to = port
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._open = threading.Event()
        self._open.set()
        self._ended = False
        self._threads: list[threading.Thread] = []
        self._begin(self._accept)

    @property
    def origin(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def silent(self) -> None:
        self._open.clear()

    def back(self) -> None:
        self._open.set()

    def close(self) -> None:
        self._ended = True
        self._open.set()
        self._listener.close()
        for thread in self._threads:
            thread.join(5)

    def _begin(self, work, *values: object) -> None:  # type: ignore[no-untyped-def]
        thread = threading.Thread(target=work, args=values, daemon=True)
        self._threads.append(thread)
        thread.start()

    def _accept(self) -> None:
        while not self._ended:
            ready, _, _ = select.select([self._listener], [], [], 0.2)
            if ready and not self._ended:
                with contextlib.suppress(OSError):
                    self._begin(self._pass_on, self._listener.accept()[0])

    def _pass_on(self, here: socket.socket) -> None:
        self._open.wait()
        with here, contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self._to)) as there:
            ways = {here: there, there: here}
            while not self._ended:
                ready, _, _ = select.select(list(ways), [], [], 0.2)
                for end in ready:
                    self._open.wait()
                    data = end.recv(65536)
                    if not data:
                        return
                    ways[end].sendall(data)


@contextlib.contextmanager
def relayed(port: int) -> Iterator[Relay]:
    """A relay to a port while the block runs."""
    relay = Relay(port)
    try:
        yield relay
    finally:
        relay.close()
