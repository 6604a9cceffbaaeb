"""Months past go to files (`ingest.db.archive`) off the intake: a thread writes, the collector moves in between.

One unit's month at a time, so that what the collector does itself of it, comparing and deleting rows, takes some
hundredths of a second. Where no collector runs, whoever holds the store does the same without a thread.
"""

from __future__ import annotations

import logging
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

import duckdb

from ingest.db import archive, archive_files
from ingest.db.archive import Due, Written
from ingest.db.engine import could_not_write
from ingest.settings import ArchiveUnavailable, BadInput, months_of

logger = logging.getLogger(__name__)

ARCHIVE, BRING_BACK = "archive", "bring-back"  # what is asked for by these names
FIRST_LOOK_S, LOOK_S = 60.0, 3600.0
AT_ONCE_S = 2.0  # of work for one answer, where no collector runs

Con = duckdb.DuckDBPyConnection


class Archiving:
    """The collector's side: looks once an hour for months that are to be archived, and when a person asks."""

    def __init__(self, con: Con, store: Path, keep_months: int, now: Callable[[], datetime]) -> None:
        self._con, self._folder = con, archive_files.folder_of(store)
        self._keep_months, self._now = keep_months, now
        self._ordered: int | None = None  # months to keep by who asked
        self._by_hand = False  # whether what is done is what was asked for
        self._due: deque[Due] = deque()
        self._job: Future[Any] | None = None
        self._cursor: Con | None = None
        self._done, self._waits, self._trouble = 0, 0, ""
        self._look_due = float("inf")
        self._began = self._rest_until = 0.0
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="archive")

    def start(self) -> None:
        """Clear away what a kill left; from now on this process writes."""
        archive_files.remove_parts(self._folder)
        archive.clean_up(self._con, self._now())
        self._look_due = time.monotonic() + FIRST_LOOK_S

    def turn(self) -> None:
        """A step, if one is due; at rest a look at the time."""
        if self._job is not None:
            if not self._job.done():
                return
            self._finish(self._job)
        if time.monotonic() < self._rest_until:
            return
        if self._due:
            one = self._due.popleft()
            self._submit(archive.write, one, archive.begin(self._con, one, self._now()))
        elif self._ordered is not None or time.monotonic() >= self._look_due:
            self._look()

    def order(self, body: dict[str, Any]) -> dict[str, Any]:
        """Have a person's wish seen to (`keep_months`), or say how that goes (`goes_on`)."""
        if not body.get("goes_on"):
            self._ordered = wished(body)
            self._done, self._waits, self._trouble = 0, 0, ""
        return {"running": self._ordered is not None or self._by_hand, "archived": self._done,
                "left": len(self._due), "waits": self._waits, "trouble": self._trouble}

    def close(self) -> None:
        """End; what is being written is not kept."""
        self._pool.shutdown(wait=True, cancel_futures=True)
        if self._cursor is not None:
            self._cursor.close()

    def _submit(self, work: Callable[..., Any], *given: Any) -> None:
        self._began = time.monotonic()
        self._cursor = self._con.cursor()  # here: a connection is no thread's but its own
        self._job = self._pool.submit(work, self._cursor, *given)

    def _look(self) -> None:
        self._look_due = time.monotonic() + LOOK_S
        keep, self._by_hand = self._ordered or self._keep_months, self._ordered is not None
        self._ordered = None
        now = self._now()
        archive.clean_up(self._con, now)
        until = archive.horizon(self._con, keep, now)
        if until is None:
            self._by_hand = False
            return
        if self._by_hand:
            archive.stay_no_longer(self._con, until)
        self._submit(partial(archive.due, until=until, now=now, by_hand=self._by_hand))

    def _finish(self, job: Future[Any]) -> None:
        """Take up what the thread did."""
        self._job = None
        if self._cursor is not None:
            self._cursor.close()
            self._cursor = None
        try:
            found = job.result()
        except duckdb.FatalException:
            raise
        except (OSError, duckdb.Error, BadInput) as error:
            self._trouble = f"months could not be archived: {str(error).splitlines()[0]}"
            logger.error("%s; again in an hour", self._trouble)
            self._due.clear()
        else:
            if isinstance(found, Written):
                self._move(found)
            else:
                self._due.extend(found)
        if not self._due:
            self._by_hand = False
        self._rest_until = 2 * time.monotonic() - self._began  # as long as it took: others want the machine too

    def _move(self, found: Written) -> None:
        if archive.move(self._con, found, self._now()):
            self._done += 1
            logger.info("archived %s", found.part.words)
        else:  # something came late
            self._waits += 1
            archive.clean_up(self._con, self._now())


def wished(body: dict[str, Any]) -> int:
    """How many months a person wants kept.

    Raises
    ------
    BadInput
        If that is no number of months.
    """
    keep = months_of("keep-months", body.get("keep_months"))
    if not keep:
        raise BadInput("nothing is archived while all months are kept: set keep_months, or give --keep-months N")
    return keep


def archive_some(con: Con, body: dict[str, Any], now: datetime, path: Path) -> dict[str, Any]:
    """Archive some unit-months of before the last `keep_months`, where no collector runs to do it beside all else.

    Answers with what was done; `running` while more is to be done by asking again (`goes_on`).
    """
    keep = wished(body)
    archive_files.remove_parts(archive_files.folder_of(path))
    archive.clean_up(con, now)
    until = archive.horizon(con, keep, now)
    if until is None:
        return {"running": False, "archived": 0, "left": 0, "waits": 0, "trouble": ""}
    if not body.get("goes_on"):
        archive.stay_no_longer(con, until)
    some, begun, done = archive.due(con, until, now, by_hand=True), time.monotonic(), 0
    for one in some:
        if time.monotonic() > begun + AT_ONCE_S:
            break
        try:
            written = archive.write(con, one, archive.begin(con, one, now))
        except (OSError, duckdb.Error) as error:
            if isinstance(error, duckdb.FatalException):
                raise
            lacks = "the disk is full, or cannot be written" if could_not_write(error) else str(error)
            return {"running": False, "archived": done, "left": len(some) - done, "waits": 0,
                    "trouble": f"months could not be archived: {lacks.splitlines()[0]}"}
        archive.move(con, written, now)  # nobody else writes meanwhile
        done += 1
    return {"running": done < len(some), "archived": done, "left": len(some) - done, "waits": 0, "trouble": ""}


def bring_back_next(con: Con, body: dict[str, Any], now: datetime, path: Path) -> dict[str, Any]:
    """Bring back the next unit of a month (`month`, like 2026-03), after the file last brought (`after`).

    One at a time, so that a collector takes in between two. The month stays until a person archives it again.
    """
    month, after = archive.month_of(str(body.get("month"))), str(body.get("after") or "")
    files = sorted(archive.listed(con, month, month), key=lambda one: one.file)
    if not after:
        if not files:
            known = archive.in_words(archive.listed(con))
            raise BadInput(f"nothing of {month:%Y-%m} is archived; archived is: {known or 'nothing'}")
        archive.let_stay(con, month)
    one = next((one for one in files if one.file > after), None)
    if one is None:
        return {"file": None, "rows": 0, "trouble": ""}
    try:
        archive.bring_back_whole(con, one, now)
    except ArchiveUnavailable as error:
        return {"file": one.file, "rows": 0, "trouble": str(error)}
    return {"file": one.file, "rows": one.rows, "trouble": ""}
