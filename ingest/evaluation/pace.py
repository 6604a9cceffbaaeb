"""How often one unit's long past is worked out anew, so that who sends old readings holds up no other.

News of the present is worked out at once. News of days ago asks for all rows since: a backlog does that once, a
logger that sends old readings again and again would have it done for each message.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import datetime, timedelta

import duckdb

from ingest.record.advisory_log import Key

LONG = timedelta(days=1)  # how far news may reach back and cost little; ours
LEAST_S = 1.0  # what took less holds up nobody
REST = 3.0  # times as long as it took does the next one wait, so that it has a quarter of the collector at most
MOST_S = 60.0  # but no longer: its present readings wait too, and what they say must not be a minute late; ours
_LONG = 'SELECT cabin, unit FROM pending GROUP BY ALL HAVING min(since) < $before'


class Pace:
    """Whose long past has to wait; as long as the process lives."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._not_before: dict[Key, float] = {}
        self._held: frozenset[Key] = frozenset()
        self._long: frozenset[Key] = frozenset()
        self._begun = 0.0

    def begin(self, con: duckdb.DuckDBPyConnection, now: datetime) -> frozenset[Key]:
        """Units that are owed a long past and must wait; what is worked out until `end` is timed."""
        self._begun = self._clock()
        found = con.execute(_LONG, {"before": now - LONG}).fetchall()
        self._long = frozenset((cabin, unit) for cabin, unit in found)
        self._held = frozenset(key for key in self._long if self._begun < self._not_before.get(key, 0.0))
        return self._held

    def end(self) -> None:
        """All that had not to wait was worked out or failed, all together: what fails takes its time too."""
        ended = self._clock()
        took = ended - self._begun
        for key in self._long - self._held:
            self._not_before[key] = ended + (min(REST * took, MOST_S) if took >= LEAST_S else 0.0)
        self._not_before = {key: at for key, at in self._not_before.items() if at > ended}

    def due(self) -> bool:
        """Whether a unit that had to wait no longer has to."""
        now = self._clock()
        return any(now >= self._not_before.get(key, 0.0) for key in self._held)
