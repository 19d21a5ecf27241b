"""A mail host and a web address in the test's own process, on loopback."""

from __future__ import annotations

import json
import socketserver
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer


class _Mail(socketserver.StreamRequestHandler):
    """As much of RFC 5321 as a sender needs; the message is kept as it came."""

    def handle(self) -> None:
        self._say("220 host ready")
        while line := self.rfile.readline():
            word = line.split(b":")[0].split()[0].upper() if line.strip() else b""
            if word == b"DATA":
                self._say("354 go on")
                lines = []
                while (text := self.rfile.readline()) not in (b".\r\n", b""):
                    lines.append(text.removeprefix(b".") if text[:2] == b".." else text)
                self.server.received.append(b"".join(lines))  # type: ignore[attr-defined]
                self._say("250 kept")
            elif word == b"QUIT":
                self._say("221 bye")
                return
            else:
                self.server.commands.append(line)  # type: ignore[attr-defined]
                self._say("250 ok")

    def _say(self, text: str) -> None:
        self.wfile.write(f"{text}\r\n".encode())


class _Web(BaseHTTPRequestHandler):
    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        self.server.received.append((dict(self.headers), json.loads(body)))  # type: ignore[attr-defined]
        self.send_response(self.server.answer)  # type: ignore[attr-defined]
        if self.server.answer == 302:  # type: ignore[attr-defined]
            self.send_header("Location", "/elsewhere")
        self.end_headers()

    def log_message(self, *_args: object) -> None:
        """Keep quiet."""


@contextmanager
def _served(server: socketserver.TCPServer) -> Iterator[socketserver.TCPServer]:
    thread = threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True)
    thread.start()
    try:
        yield server
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


@contextmanager
def mail_host() -> Iterator[socketserver.TCPServer]:
    """Give a mail host; ``received`` holds messages as bytes, ``commands`` what was said."""
    server = socketserver.TCPServer(("127.0.0.1", 0), _Mail)
    server.received, server.commands = [], []  # type: ignore[attr-defined]
    with _served(server):
        yield server


@contextmanager
def web_address(answer: int = 204) -> Iterator[HTTPServer]:
    """Give a web address; ``received`` holds pairs of headers and documents."""
    server = HTTPServer(("127.0.0.1", 0), _Web)
    server.received, server.answer = [], answer  # type: ignore[attr-defined]
    with _served(server):
        yield server
