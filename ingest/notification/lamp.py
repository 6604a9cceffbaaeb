"""Lamps that will be too weak before the next guests have left: owner and manager are told once, beforehand.

The fit runs in a process of its own (`lamp_reader`), once a day; what it found is held against the bookings here.
"""

from __future__ import annotations

import json
import logging
import os
import subprocess
import tempfile
import time
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import IO

from ingest.bookings.kept import occupancy
from ingest.db.engine import Local, transaction
from ingest.notification.audience import audience
from ingest.notification.message_log import Con, put_in_line
from ingest.own_python import python_of
from models.advisory.next_stay import AHEAD_DAYS, weak_in_stay
from models.advisory.notices_due import NoticeDue, lamp_weak
from models.fleet import Fleet

logger = logging.getLogger(__name__)

EVERY = timedelta(days=1)  # by the store's clock: lamps are judged by whole days
FIRST_AFTER = timedelta(minutes=10)  # the collector's start, when loggers have told what they held back
FITS_WITHIN_S = 900.0  # of the wall; 1,000 units take a minute
_TOLD = "SELECT DISTINCT event FROM notification WHERE kind = 'lamp-weak'"


@dataclass(frozen=True, slots=True, kw_only=True)
class LampDates:
    """What the fit says of a lamp; `since` is when it or its sleeve was last seen to, empty where nobody knows."""

    cabin: str
    unit: str
    likely: date
    early: date
    action: str
    since: str


def tell_lamps(con: Con, fleet: Fleet, found: Iterable[LampDates], now: datetime) -> int:
    """Put in line which lamps will be too weak before their next guests have left; the number of messages.

    Of a cabin whose bookings are not known nothing is said: its lamp's dates stand on the page.
    """
    lamps = [one for one in found if fleet.has_unit(one.cabin, one.unit)]
    if not lamps:
        return 0
    day = timedelta(days=1)
    taken = occupancy(Local(con), fleet, now.date() - day, now.date() + AHEAD_DAYS * day + day, now)
    stays: dict[str, list[tuple[date, date]]] = {}
    for cabin, first, last, _ in taken.bookings.itertuples(index=False, name=None):
        stays.setdefault(str(cabin), []).append((first, last))
    told = {event for (event,) in con.execute(_TOLD).fetchall()}
    out: list[NoticeDue] = []
    for one in lamps:
        cabin = fleet.cabin(one.cabin)
        weak = None if one.cabin in taken.unread else weak_in_stay(
            stays.get(one.cabin, ()), likely=one.likely, early=one.early, today=now.astimezone(cabin.zone).date())
        if weak is None:
            continue
        notice = lamp_weak(
            cabin, fleet.unit(one.cabin, one.unit), weak, action=one.action, since=one.since, now=now)
        if notice.key not in told:
            out.append(notice)
    if not out:
        return 0
    who = audience(con, fleet, now)
    return transaction(con, lambda: sum(put_in_line(con, who.first(one, [], now), now) for one in out))


class LampLooks:
    """Has the lamps fitted once a day, and holds up nobody meanwhile."""

    def __init__(self, store: Path, started: datetime) -> None:
        self._store, self._due = store, started + FIRST_AFTER
        self._process: subprocess.Popen[bytes] | None = None
        self._answer: IO[bytes] | None = None
        self._until = 0.0

    def turn(self, now: datetime) -> list[LampDates]:
        """What a fit that has ended found; begins one where it is due."""
        if self._process is None:
            if now >= self._due:
                self._due = now + EVERY
                self._begin()
            return []
        ended = self._process.poll()
        if ended is None:
            if time.monotonic() >= self._until:
                self.close()
                logger.warning("fitting the lamps took more than %.0f s; tried again in a day", FITS_WITHIN_S)
            return []
        lines = self._lines()
        self.close()
        if ended != 0:
            logger.warning("the lamps could not be fitted; tried again in a day")
            return []
        return lines

    def close(self) -> None:
        """End a fit under way."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
        if self._answer is not None:
            self._answer.close()
        self._process = self._answer = None

    def _begin(self) -> None:
        self._answer = tempfile.TemporaryFile()  # noqa: SIM115  (closed with the process; a pipe would fill up)
        kept = {name: value for name, value in os.environ.items() if not name.startswith("TARNLIGHT_")}
        self._process = subprocess.Popen(
            python_of("ingest.notification.lamp_reader"), env=kept, stdin=subprocess.PIPE, stdout=self._answer,
            stderr=subprocess.DEVNULL)
        stdin = self._process.stdin
        assert stdin is not None
        try:
            with stdin:
                stdin.write(json.dumps({"store": str(self._store)}).encode())
        except OSError:
            logger.warning("the process that fits the lamps did not start")
        self._until = time.monotonic() + FITS_WITHIN_S

    def _lines(self) -> list[LampDates]:
        assert self._answer is not None
        self._answer.seek(0)
        return [
            LampDates(cabin=row["cabin"], unit=row["unit"], likely=date.fromisoformat(row["likely"]),
                      early=date.fromisoformat(row["early"]), action=row["action"], since=row["since"])
            for row in map(json.loads, self._answer)]
