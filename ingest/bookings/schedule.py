"""The collector's side of the calendars: a thread that has them read by the clock, and keeps what it finds.

The thread never touches the store, and what reads a feed is a process of its own: no feed holds up the intake.
"""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable
from datetime import date, datetime

import duckdb

from ingest.bookings import kept
from ingest.bookings.addresses import Allowed
from ingest.bookings.readings import Feed, Reading, readings
from models.fleet import Fleet

logger = logging.getLogger(__name__)

LOOK_S = 1.0
STOP_WITHIN_S = 5.0

Order = tuple[list[Feed], tuple[date, date]]


class Schedule:
    """Reads each calendar when the collector starts, when its address changes, and by the clock."""

    def __init__(
        self, con: duckdb.DuckDBPyConnection, allowed: Allowed, fleet: Callable[[], Fleet],
        now: Callable[[], datetime],
    ) -> None:
        self._con, self._allowed, self._load, self._now = con, allowed, fleet, now
        self._fleet: Fleet | None = None
        self._due: dict[str, tuple[str, float]] = {}  # by cabin: the feed's mark, and when it is to be read again
        self._troubled: set[str] = set()
        self._look_due = 0.0
        self._orders: queue.SimpleQueue[Order | None] = queue.SimpleQueue()
        self._found: queue.SimpleQueue[tuple[Reading, tuple[date, date]]] = queue.SimpleQueue()
        self._stopped = threading.Event()
        self._idle = threading.Event()
        self._idle.set()
        self._thread = threading.Thread(target=self._run, name="bookings", daemon=True)

    def start(self) -> None:
        """Begin to read."""
        self._thread.start()

    def forget(self) -> None:
        """The registry may be another now."""
        self._fleet, self._look_due = None, 0.0

    def turn(self) -> None:
        """Keep what was read, and have read what is due; takes no time of its own."""
        while not self._found.empty():
            found, days = self._found.get()
            self._note(found)
            kept.keep(self._con, found, self._now(), days)
        if time.monotonic() < self._look_due or not self._idle.is_set():
            return
        self._look_due = time.monotonic() + LOOK_S
        if self._fleet is None:
            self._fleet = self._load()
            kept.forget_others(self._con, self._fleet)
        if feeds := self._due_feeds(self._fleet):
            self._idle.clear()
            self._orders.put((feeds, kept.window(self._now())))

    def close(self) -> None:
        """End, and whatever is being read with it."""
        self._stopped.set()
        self._orders.put(None)
        if self._thread.is_alive():
            self._thread.join(STOP_WITHIN_S)

    def _due_feeds(self, fleet: Fleet) -> list[Feed]:
        """What is to be read now; those that gave trouble come last, so that they hold up no other."""
        out = []
        for one in kept.feeds_of(fleet):
            mark, at = self._due.get(one.cabin, ("", 0.0))
            if mark != kept.mark_of(one) or time.monotonic() >= at:
                self._due[one.cabin] = kept.mark_of(one), time.monotonic() + kept.EVERY.total_seconds()
                out.append(one)
        return sorted(out, key=lambda one: one.cabin in self._troubled)

    def _note(self, found: Reading) -> None:
        """Log where a calendar begins to give trouble, and where it ends."""
        cabin = found.feed.cabin
        if found.trouble and cabin not in self._troubled:
            logger.warning("bookings of %s are not known: %s", cabin, found.trouble)
        elif not found.trouble and cabin in self._troubled:
            logger.info("bookings of %s are known again", cabin)
        (self._troubled.add if found.trouble else self._troubled.discard)(cabin)

    def _run(self) -> None:
        while (order := self._orders.get()) is not None:
            feeds, days = order
            try:
                for found in readings(feeds, self._allowed, *days, stopped=self._stopped.is_set):
                    self._found.put((found, days))
            except OSError:  # no process can be started; the next round tries again
                logger.exception("calendars could not be read")
            self._idle.set()
