"""Many calendars read in a process of their own, each within its time, whatever it holds."""

from __future__ import annotations

import contextlib
import json
import os
import queue
import subprocess
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date

from ingest.bookings.addresses import Allowed
from ingest.bookings.calendar import Booking
from ingest.own_python import python_of

READ_WITHIN_S = 20.0  # one feed, from its name's look-up to its last repeat; common practice, no source
START_WITHIN_S = 60.0
LOOKS_S = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Feed:
    """A cabin's calendar, to be read."""

    cabin: str
    calendar: str = field(repr=False)  # often a secret
    time_zone: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What came of reading one; `trouble` is empty where its bookings are known."""

    feed: Feed
    bookings: tuple[Booking, ...] = ()
    trouble: str = ""


def never() -> bool:
    """Nobody wants to stop."""
    return False


def readings(
    feeds: Sequence[Feed], allowed: Allowed, since: date, until: date, *, within_s: float = READ_WITHIN_S,
    all_within_s: float = float("inf"), stopped: Callable[[], bool] = never,
) -> Iterator[Reading]:
    """Read calendars one after another; each gets an answer.

    Parameters
    ----------
    feeds : sequence of Feed
    allowed : Allowed
        Where they may lie.
    since, until : date
        Days whose bookings are asked for.
    within_s : float
        The longest that one may take. [s]
    all_within_s : float
        The longest that all of them may take; those not reached are then said to be not read. [s]
    stopped : callable
        Asked many times a second whether to give up; nothing more is then answered.
    """
    left, end = list(feeds), time.monotonic() + all_within_s
    while left and not stopped():
        if time.monotonic() >= end:
            yield from (Reading(feed=one, trouble="there was no time left to read it") for one in left)
            return
        with _Reader(left, allowed, (since, until), within_s, stopped) as reader:
            lacking = "the process that reads calendars did not start"
            if reader.line(START_WITHIN_S) is not None:
                lacking = ""
                while left and (found := reader.line(min(within_s, end - time.monotonic()))) is not None:
                    yield _reading(left.pop(0), found)
            if left and not stopped():  # the one it was at has ended it, or is ended with it
                ended = "reading it broke off" if reader.ended else (
                    f"reading it took more than {within_s:g} s" if time.monotonic() < end else
                    "there was no time left to read it")
                yield Reading(feed=left.pop(0), trouble=lacking or ended)


def _reading(feed: Feed, line: str) -> Reading:
    found = json.loads(line)
    return Reading(feed=feed, trouble=found.get("trouble", ""), bookings=tuple(
        Booking(start=date.fromisoformat(start), end=date.fromisoformat(end), summary=summary, vulnerable=marked)
        for start, end, summary, marked in found.get("bookings", ())))


class _Reader:
    """One process that reads, ended for good when the block is left."""

    def __init__(
        self, feeds: Sequence[Feed], allowed: Allowed, days: tuple[date, date], within_s: float,
        stopped: Callable[[], bool],
    ) -> None:
        self._asked = json.dumps({
            "files": allowed.files, "hosts": allowed.hosts, "since": days[0].isoformat(),
            "until": days[1].isoformat(), "within_s": within_s,
            "feeds": [{"calendar": one.calendar, "time_zone": one.time_zone} for one in feeds]})
        self._stopped = stopped
        self._lines: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self.ended = False

    def __enter__(self) -> _Reader:
        # no setting goes along: some are secrets, and it needs none
        kept = {name: value for name, value in os.environ.items() if not name.startswith("TARNLIGHT_")}
        self._process = subprocess.Popen(
            python_of("ingest.bookings.reader"), env=kept, text=True, encoding="utf-8", stdin=subprocess.PIPE,
            stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)  # what it says of a fault may quote a feed
        threading.Thread(target=self._listen, name="calendars", daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self._process.wait()

    def _listen(self) -> None:
        stdin, stdout = self._process.stdin, self._process.stdout
        assert stdin is not None and stdout is not None
        with contextlib.suppress(OSError):  # it has ended
            stdin.write(self._asked)
            stdin.close()
        with stdout:
            for line in stdout:
                self._lines.put(line)
        self._lines.put(None)

    def line(self, within_s: float) -> str | None:
        """Its next line; None where it has ended, or did not say one in time."""
        until = time.monotonic() + within_s
        while not self._stopped() and (left := until - time.monotonic()) > 0:
            try:
                found = self._lines.get(timeout=min(left, LOOKS_S))
            except queue.Empty:
                continue
            self.ended = found is None
            return found
        return None
