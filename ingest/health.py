"""Is it well? Asked over HTTP on loopback by whatever looks after the machine, where the settings ask for it.

`GET /healthz` answers 200 while messages are taken in and judged, else 503 with the reasons; `GET /metrics` gives
figures as OpenMetrics text. A thread of its own answers from the last account that the collector gave: so it asks
nothing of the store, and says so where the collector has stopped giving any. No name of a cabin, person, address or
file stands in either.
"""

from __future__ import annotations

import json
import logging
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import urlsplit

from prometheus_client import CollectorRegistry
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector as Source

from ingest.settings import BadInput, is_loopback

logger = logging.getLogger(__name__)

ACCOUNT_WITHIN_S = 15.0  # the collector gives one twice a second, or when a long batch is done
JUDGED_WITHIN_S = 60.0  # it is judged at least every two seconds; common practice, no source
ANSWER_WITHIN_S = 5.0  # for one who asks and does not read
MOST_AT_ONCE = 8  # requests


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """How the collector does at one moment.

    Attributes
    ----------
    given_s, judged_s : float
        When this was said, and when all that was owed was last judged, by `time.monotonic`. [s]
    judged_at : float
        The same instant as seconds since 1970 by the system's clock; 0: not yet. [s]
    messages, rows, refused : int
        Messages taken in, readings stored and records refused since the collector started.
    set_aside : int
        Messages that were too much to take and are kept whole.
    held : int
        Readings that wait for a clock to be right.
    queue : int
        Messages that came and are not taken in yet.
    late_s : float
        How long the oldest message of the last batch had waited when it was stored. [s]
    advisories : int
        Advisories that nobody has lifted.
    faults : int
        Units that cannot be worked out.
    """

    given_s: float
    judged_s: float
    judged_at: float
    connected: bool
    full: bool
    suspect: bool
    messages: int
    rows: int
    refused: int
    set_aside: int
    held: int
    queue: int
    late_s: float
    advisories: int
    faults: int
    disk_free_bytes: int


def reasons(account: Account | None, now_s: float) -> list[str]:
    """Why messages are not taken in and judged, in words; empty where they are.

    Parameters
    ----------
    now_s : float
        `time.monotonic`. [s]
    """
    if account is None:
        return ["the collector is starting"]
    silent_s = now_s - account.given_s
    if silent_s > ACCOUNT_WITHIN_S:
        return [f"the collector has given no account of itself for {silent_s:.0f} s"]
    out = []
    if not account.connected:
        out.append("not connected to the broker")
    if account.full:
        out.append("the disk is nearly full: nothing is taken in")
    if account.suspect:
        out.append("the collector's own clock cannot be right: nothing is judged")
    elif now_s - account.judged_s > JUDGED_WITHIN_S:
        out.append(f"nothing was judged for {now_s - account.judged_s:.0f} s")
    if account.faults:
        out.append(f"units that cannot be worked out: {account.faults}")
    return out


class _Figures(Source):
    """An account as metrics."""

    def __init__(self, account: Account | None, well: bool) -> None:
        self._account, self._well = account, well

    def collect(self) -> Iterator[CounterMetricFamily | GaugeMetricFamily]:
        """One family a figure."""
        yield GaugeMetricFamily("tarnlight_healthy", "1 while messages are taken in and judged", float(self._well))
        one = self._account
        if one is None:
            return
        for name, words, count in (
            ("messages", "Messages taken in since the collector started", one.messages),
            ("readings_stored", "Readings stored since the collector started", one.rows),
            ("records_refused", "Records refused since the collector started", one.refused),
        ):
            yield CounterMetricFamily(f"tarnlight_{name}", words, count)
        for name, words, value in (
            ("messages_set_aside", "Messages too much to take, kept whole", one.set_aside),
            ("readings_held", "Readings that wait for a clock to be right", one.held),
            ("queue_messages", "Messages that came and are not taken in yet", one.queue),
            ("intake_late_seconds", "How long the oldest message of the last batch had waited", one.late_s),
            ("last_judged_timestamp_seconds", "When all that was owed was last judged", one.judged_at),
            ("advisories_standing", "Advisories that nobody has lifted", one.advisories),
            ("units_at_fault", "Units that cannot be worked out", one.faults),
            ("disk_free_bytes", "Room beside the store", one.disk_free_bytes),
            ("disk_full", "1 while nothing is taken in for want of room", one.full),
            ("broker_connected", "1 while connected to the broker", one.connected),
            ("own_clock_suspect", "1 while the collector's own clock cannot be right", one.suspect),
        ):
            yield GaugeMetricFamily(f"tarnlight_{name}", words, float(value))


def metrics_text(account: Account | None, now_s: float) -> bytes:
    """An account as OpenMetrics text."""
    registry = CollectorRegistry()
    registry.register(_Figures(account, not reasons(account, now_s)))
    text: bytes = generate_latest(registry)  # type: ignore[no-untyped-call]  # the library leaves it without
    return text


class Health:
    """The server, in a thread; `account` is what it answers from."""

    def __init__(self, port: int) -> None:
        """Listen on that port of loopback.

        Raises
        ------
        BadInput
            If somebody else does.
        """
        self.account: Account | None = None
        try:
            self._server = _Server(port, self)
        except OSError as error:
            raise BadInput(
                f"health_port {port} of 127.0.0.1 cannot be had: {error.strerror}; choose another") from error
        self._thread = threading.Thread(target=self._server.serve_forever, name="health", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Listen no more."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


class _Server(ThreadingHTTPServer):
    daemon_threads, block_on_close = True, False

    def __init__(self, port: int, health: Health) -> None:
        self.health = health
        self._room = threading.BoundedSemaphore(MOST_AT_ONCE)
        super().__init__(("127.0.0.1", port), _Handler)

    def process_request(self, request: Any, client_address: Any) -> None:
        if self._room.acquire(blocking=False):
            super().process_request(request, client_address)
        else:
            self.shutdown_request(request)

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        try:
            super().process_request_thread(request, client_address)
        finally:
            self._room.release()

    def handle_error(self, request: Any, client_address: Any) -> None:
        logger.debug("a request for the collector's health broke off", exc_info=True)


class _Handler(BaseHTTPRequestHandler):
    server: _Server
    timeout = ANSWER_WITHIN_S

    def do_GET(self) -> None:
        """Answer."""
        status, why = self._refusal()
        account, now_s = self.server.health.account, time.monotonic()
        if why:
            self._send(status, "text/plain; charset=utf-8", f"{why}\n".encode())
        elif self.path == "/healthz":
            told = reasons(account, now_s)
            body: dict[str, Any] = {"status": "unwell" if told else "well", "reasons": told}
            self._send(503 if told else 200, "application/json", json.dumps(body).encode() + b"\n")
        elif self.path == "/metrics":
            self._send(200, CONTENT_TYPE_LATEST, metrics_text(account, now_s))
        else:
            self._send(404, "text/plain; charset=utf-8", b"/healthz or /metrics\n")

    do_HEAD = do_GET

    def _refusal(self) -> tuple[int, str]:
        """Why a request is refused: a page of another site can have its name resolve to this machine."""
        hosts = self.headers.get_all("Host") or []
        if len(hosts) != 1 or not _is_ours(hosts[0]):
            return 421, "This answers to 127.0.0.1 and localhost alone."
        if self.headers.get("Origin") is not None:
            return 403, "This answers no page."
        return 0, ""

    def _send(self, status: int, kind: str, body: bytes) -> None:
        self.send_response(status)
        for name, value in (
            ("Content-Type", kind), ("Content-Length", str(len(body))), ("Cache-Control", "no-store"),
            ("X-Content-Type-Options", "nosniff"), ("Connection", "close"),
        ):
            self.send_header(name, value)
        self.end_headers()
        if self.command != "HEAD":
            self.wfile.write(body)

    def version_string(self) -> str:
        return "tarnlight"

    def log_message(self, format: str, *args: Any) -> None:
        logger.debug("health: %s", format % args)


def _is_ours(host: str) -> bool:
    """Whether a Host names this machine, whatever its port."""
    try:
        parts = urlsplit(f"//{host}")
        name, _ = parts.hostname or "", parts.port  # the port is only checked on reading
    except ValueError:
        return False
    return parts.netloc == host and "@" not in host and is_loopback(name)
