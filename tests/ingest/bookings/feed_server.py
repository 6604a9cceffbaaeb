"""Servers of feeds on loopback, good and bad, with what they were asked."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

Answer = Callable[[BaseHTTPRequestHandler], None]
DRIPS_S = 60.0


def booked(*days: str, summary: str = "Guests") -> bytes:
    """A feed of stays of one night, by first day like 20261125."""
    events = "".join(
        f"BEGIN:VEVENT\nUID:{day}@test\nDTSTART;VALUE=DATE:{day}\nSUMMARY:{summary}\nEND:VEVENT\n" for day in days)
    whole = f"BEGIN:VCALENDAR\nVERSION:2.0\nPRODID:-//test//EN\n{events}END:VCALENDAR\n"
    return whole.replace("\n", "\r\n").encode()


def serves(body: bytes, status: int = 200, **headers: str) -> Answer:
    """An answer as it should be."""

    def answer(handler: BaseHTTPRequestHandler) -> None:
        handler.send_response(status)
        for name, value in headers.items():
            handler.send_header(name.replace("_", "-"), value)
        handler.send_header("Content-Length", str(len(body)))
        handler.end_headers()
        handler.wfile.write(body)

    return answer


def leads_to(address: str) -> Answer:
    """A redirect."""
    return serves(b"", 302, Location=address)


def drips_headers(handler: BaseHTTPRequestHandler) -> None:
    """A byte every fifth of a second, and never a whole line."""
    end = time.monotonic() + DRIPS_S
    with contextlib.suppress(OSError):
        while time.monotonic() < end:
            handler.wfile.write(b"H")
            time.sleep(0.2)


def drips_body(handler: BaseHTTPRequestHandler) -> None:
    """A body that comes a byte at a time."""
    handler.send_response(200)
    handler.end_headers()
    drips_headers(handler)


@dataclass
class Feeds:
    """One server."""

    host: str
    port: int
    answers: dict[str, Answer] = field(default_factory=dict)
    asked: list[tuple[str, str]] = field(default_factory=list)  # path and Host

    def url(self, path: str, host: str = "") -> str:
        return f"http://{host or self.host}:{self.port}{path}"


@contextlib.contextmanager
def serving(host: str = "127.0.0.1", port: int = 0) -> Iterator[Feeds]:
    """A server on an address of loopback."""

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            found.asked.append((self.path, self.headers.get("Host", "")))
            found.answers.get(self.path, serves(b"", 404))(self)

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    server = ThreadingHTTPServer((host, port), Handler)
    server.daemon_threads = True
    found = Feeds(host, server.server_address[1])
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)
    thread.start()
    try:
        yield found
    finally:
        server.shutdown()
        server.server_close()
