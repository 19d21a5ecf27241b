"""A relay before a server that can fall silent: calls are taken, nothing is answered."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from urllib.parse import urlsplit


class Relay:
    """Passes bytes both ways until ``mute`` is set, and counts what it passed."""

    def __init__(self, target: str) -> None:
        place = urlsplit(target)
        self.target = (place.hostname, place.port)
        self.mute = threading.Event()
        self.mute_after: int | None = None  # pieces passed
        self.passed = 0
        self.open: list[socket.socket] = []
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.address = f"http://127.0.0.1:{self.listener.getsockname()[1]}"
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        with suppress(OSError):  # closed at the end
            while True:
                near = self.listener.accept()[0]
                far = socket.create_connection(self.target)
                self.open += (near, far)
                for ends in ((near, far), (far, near)):
                    threading.Thread(target=self._pass, args=ends, daemon=True).start()

    def _pass(self, source: socket.socket, sink: socket.socket) -> None:
        with suppress(OSError):
            while piece := source.recv(65536):
                self.passed += 1
                if self.mute_after is not None and self.passed > self.mute_after:
                    self.mute.set()
                if self.mute.is_set():
                    continue  # swallowed; the connection stays open
                sink.sendall(piece)
            sink.shutdown(socket.SHUT_WR)

    def close(self) -> None:
        """Break every connection."""
        self.listener.close()
        for end in self.open:
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()


@contextmanager
def relay(target: str) -> Iterator[Relay]:
    """Run a relay to a server's address."""
    made = Relay(target)
    try:
        yield made
    finally:
        made.close()
