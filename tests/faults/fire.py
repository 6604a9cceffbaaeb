"""Honest loggers under fire: what they published, what the broker acknowledged, what the store holds of it.

Every reading has an instant of its own and a value that follows from its number, so a store is held against what
was sent reading by reading. The store is read from its file, once its collector has ended.
"""

from __future__ import annotations

import threading
import time
from collections import defaultdict, deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import numpy as np
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from tests.conftest import REACTOR, cabin_toml, senml, wait_for

HONEST = ("alder", "birch", "cedar", "dogwood", "elder", "fir", "ginkgo", "hazel", "ironwood", "juniper")
HOSTILE = "knotweed"
FLEET = REACTOR + "".join(cabin_toml(slug, "main") for slug in (*HONEST, HOSTILE))
IN_FLIGHT = 500

Key = tuple[str, int]  # cabin, and instant in ms of Unix time


def volts(number: int) -> float:
    """The battery's voltage that a logger's reading of that number carries. [V]"""
    return round(10.0 + number % 500 / 100, 2)


@dataclass
class Logger:
    """One honest logger with a connection of its own; sends again what is not acknowledged."""

    cabin: str
    port: int
    user: str | None = None
    password: str | None = None
    sent: dict[Key, float] = field(default_factory=dict)
    _by_mid: dict[int, deque[Key]] = field(default_factory=lambda: defaultdict(deque))
    _told: deque[int] = field(default_factory=deque)
    _acknowledged: set[Key] = field(default_factory=set)
    _last_ms: int = 0

    def __post_init__(self) -> None:
        self.client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id=f"{self.cabin}-logger", clean_session=False)
        if self.user is not None:
            self.client.username_pw_set(self.user, self.password)
        self.client.max_inflight_messages_set(IN_FLIGHT)
        self.client.max_queued_messages_set(0)
        self.client.reconnect_delay_set(1, 2)
        # a number is free again once it is acknowledged, so the oldest reading of a number is meant
        self.client.on_publish = lambda _c, _u, mid, _r, _p: self._told.append(mid)

    def connect(self) -> None:
        self.client.connect("127.0.0.1", self.port)
        self.client.loop_start()
        wait_for(self.client.is_connected, 20, f"the logger of {self.cabin} is connected")

    def leave(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def send(self) -> None:
        """One reading of now, at QoS 1."""
        self._last_ms = max(self._last_ms + 1, round(time.time() * 1000))
        key, value = (self.cabin, self._last_ms), volts(len(self.sent))
        self.sent[key] = value
        info = self.client.publish(f"tarnlight/{self.cabin}/main/log", senml(
            datetime.fromtimestamp(self._last_ms / 1000, UTC), lamp=True, power=True, intensity=52.5, flow=0.0,
            lit=4321.0, total=5.0, battery=value), qos=1)
        self._by_mid[info.mid].append(key)

    def acknowledged(self) -> set[Key]:
        """What the broker has acknowledged so far."""
        while self._told:
            mid = self._told[0]
            if not self._by_mid[mid]:
                break  # `send` is about to note it
            self._told.popleft()
            self._acknowledged.add(self._by_mid[mid].popleft())
        return self._acknowledged


@dataclass
class Load:
    """Honest loggers that send in turn, at so many readings a second all together."""

    loggers: list[Logger]
    _stop: threading.Event = field(default_factory=threading.Event)

    @property
    def sent(self) -> dict[Key, float]:
        return {key: value for one in self.loggers for key, value in one.sent.items()}

    @property
    def acknowledged(self) -> set[Key]:
        return {key for one in self.loggers for key in one.acknowledged()}

    def send(self, readings: int, a_second: float) -> None:
        """So many, in turn; behind its time it hurries."""
        begun = time.monotonic()
        for n in range(readings):
            self.loggers[n % len(self.loggers)].send()
            early_s = begun + (n + 1) / a_second - time.monotonic()
            if early_s > 0.002 and self._stop.wait(early_s):
                return

    @contextmanager
    def running(self, a_second: float) -> Iterator[None]:
        """Sends all the while; at the end all of it is acknowledged."""
        self._stop.clear()
        thread = threading.Thread(target=self.send, args=(10**9, a_second))
        thread.start()
        try:
            yield
        finally:
            self._stop.set()
            thread.join(60)
        self.settle()

    def settle(self) -> None:
        """Wait until the broker has acknowledged everything."""
        wait_for(lambda: len(self.acknowledged) == sum(len(one.sent) for one in self.loggers), 120,
                 "all that was published is acknowledged")


@contextmanager
def honest(port: int, cabins: Iterable[str] = HONEST, passwords: dict[str, str] | None = None) -> Iterator[Load]:
    """Connected loggers, one a cabin."""
    loggers = [
        Logger(cabin, port, *((f"{cabin}/main", passwords[f"{cabin}/main"]) if passwords else ()))
        for cabin in cabins]
    for one in loggers:
        one.connect()
    try:
        yield Load(loggers)
    finally:
        for one in loggers:
            one.leave()


# What became of it -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Row:
    """What one fault did to the honest loggers' readings."""

    fault: str
    published: int
    acknowledged: int
    stored: int
    lost: int  # acknowledged by the broker and not stored
    doubled: int
    changed: int  # stored with another value than was sent, or never sent
    refused: int
    worst_s: float  # from a reading's own time to the commit that holds it,
    p99_s: float
    broker_lost: int = 0  # of `lost`: what a broker had acknowledged and forgot
    note: str = ""

    @property
    def whole(self) -> bool:
        """Nothing lost but by the broker itself, nothing doubled, changed or refused."""
        return self.lost == self.broker_lost and not (self.doubled or self.changed or self.refused)


def in_file(path: Path, cabins: Iterable[str]) -> tuple[list[tuple[str, int, float]], np.ndarray, int]:
    """Of these cabins: rows (cabin, ms, battery), seconds from reading to commit, and records refused."""
    with duckdb.connect(str(path), read_only=True) as con:
        given = {"cabins": list(cabins)}
        rows = con.execute("""
            SELECT cabin, epoch_ms("at"), battery_v, epoch(arrived_at) - epoch("at") FROM reading
            WHERE list_contains($cabins, cabin)""", given).fetchall()
        refused = con.execute(
            "SELECT coalesce(sum(times), 0) FROM quarantine WHERE list_contains($cabins, cabin)", given).fetchone()
        waiting = con.execute("SELECT (SELECT count(*) FROM held_reading WHERE list_contains($cabins, cabin))",
                              given).fetchone()
    assert refused is not None and waiting is not None
    assert waiting[0] == 0, f"{waiting[0]} readings are still held"
    return ([(cabin, ms, value) for cabin, ms, value, _ in rows], np.array([late for *_, late in rows]),
            int(refused[0]))


def reckon(fault: str, load: Load, path: Path, note: str = "",
           broker_lost: Callable[[Key], bool] = lambda _: False) -> Row:
    """Hold the store's file against what was sent."""
    sent, acknowledged = load.sent, load.acknowledged
    rows, late_s, refused = in_file(path, {one.cabin for one in load.loggers})
    stored = {(cabin, ms) for cabin, ms, _ in rows}
    lost = acknowledged - stored
    return Row(
        fault, len(sent), len(acknowledged), len(stored & sent.keys()), len(lost), len(rows) - len(stored),
        sum(sent.get((cabin, ms)) != round(value, 2) for cabin, ms, value in rows), refused,
        float(late_s.max(initial=0.0)), float(np.quantile(late_s, 0.99)) if len(late_s) else 0.0,
        sum(map(broker_lost, lost)), note)


def table(rows: Iterable[Row]) -> str:
    """What people read."""
    head = (f"{'fault':46}{'published':>10}{'acknowl.':>9}{'stored':>8}{'lost':>6}{'doubled':>8}{'refused':>8}"
            f"{'late s: worst':>14}{'p99':>8}")
    out = [head]
    for one in rows:
        out.append(
            f"{one.fault:46}{one.published:10}{one.acknowledged:9}{one.stored:8}{one.lost - one.broker_lost:6}"
            f"{one.doubled:8}{one.refused:8}{one.worst_s:14.1f}{one.p99_s:8.1f}")
        if one.broker_lost:
            out.append(f"    the broker's own loss: {one.broker_lost} that it had acknowledged and then forgot")
        if one.note:
            out.append(f"    {one.note}")
    return "\n".join(out)
