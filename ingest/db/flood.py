"""What a topic that floods costs: of its refused payloads few are stored whole, and the rest are counted.

Up to `WHOLE_A_MINUTE` refused payloads of a topic are stored whole in a minute. Past that, and for as long as the
flood goes on, the first of each minute is, and for each kind of reason one row holds the last and the number of all
in between. So no number is lost, and one sender can push nobody else's refused records out of quarantine.
"""

from __future__ import annotations

import re
import uuid
from collections import Counter
from collections.abc import Iterable
from copy import deepcopy
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

import duckdb
import numpy as np
import pandas as pd

from ingest.db.engine import Asks, named
from ingest.db.quarantine import source_of

# Refused payloads of a topic stored whole in a minute: a faulty logger sends one or two. Common practice, no
# source.
WHOLE_A_MINUTE = 20
# A record that is refused for its time alone may be good, and a person may release it (`ingest.db.held`): of these
# two weeks of minutes are stored whole a day and topic, so that a backlog under a wrong clock is.
FOR_TIME_A_DAY = 20_000
KINDS = 5  # kinds of reason that are counted apart, of a topic and minute
# Messages a minute that nobody needs to say how a cabin is (a logger sends one or two); a backlog of some days
# comes as fast, so only what goes on for several minutes is called a flood. Common practice, no source.
MANY_A_MINUTE = 6_000
MINUTES_OF_MANY = 3
STRANGERS = 200  # topics of no enrolled unit that are told apart; the others share one bound
TOLD_FOR = timedelta(days=7)
SAME_FLOOD = timedelta(hours=1)  # what floods again within it is told as one

_MINUTE = timedelta(minutes=1)
_VARIES = re.compile(r"'[^']*'|\"[^\"]*\"|\d[\d.,:+TZe-]*")
_OTHERS = ""  # key of the topics that are not told apart

_COUNT = """
    UPDATE quarantine AS q SET times = q.times + m.times, payload = m.payload, reason = m.reason,
        source = m.source, arrived_at = m.arrived_at
    FROM more AS m WHERE q.counted = m.counted RETURNING q.counted
"""
_BEGIN = """
    INSERT INTO quarantine (arrived_at, source, cabin, unit, payload, reason, times, counted, since)
    SELECT arrived_at, source, cabin, unit, payload, reason, times, counted, since FROM more
    WHERE NOT list_contains($there::VARCHAR[], counted)
"""


@dataclass(slots=True)
class _Topic:
    """What one topic's refused payloads came to."""

    minute: datetime
    enrolled: bool
    refused: int = 0
    was_over: bool = False  # in the minute before
    rows: dict[str, tuple[str, datetime]] = field(default_factory=dict)  # kind -> its counted row, since when
    day: date | None = None
    for_time: int = 0


@dataclass(slots=True)
class _Run:
    """A flood, and its messages in the minute that had most."""

    id: str
    since: datetime
    until: datetime
    most_a_minute: int = 0


@dataclass(slots=True)
class _Messages:
    """How many messages of a topic came in a minute, and for how many minutes before they were many."""

    count: int = 0
    minutes: int = 0


class Flood:
    """What of each topic was refused of late; in memory, as far as it has to be known for each batch.

    `thin` and `write` are of one commit: `done` after it, `forget` where it failed.
    """

    def __init__(self) -> None:
        self._topics: dict[str, _Topic] = {}
        self._new: dict[str, _Topic] = {}
        self._more: dict[str, dict[str, object]] = {}
        self._minute: datetime | None = None
        self._messages: dict[str, _Messages] = {}
        self._runs: dict[str, _Run] = {}

    # -- Refused payloads -----------------------------------------------------------------------------------------

    def thin(self, refused: pd.DataFrame, arrived: datetime) -> pd.DataFrame:
        """Of rows for quarantine (as `ingest.db.intake.keep` takes them) those to store whole; the others count."""
        if refused.empty:
            return refused
        whole = np.ones(len(refused), bool)
        columns = (refused[name].tolist() for name in ("source", "cabin", "unit", "reason", "payload"))
        times = refused["times"].fillna(1).astype(int).tolist() if "times" in refused else [1] * len(refused)
        for row, (source, cabin, unit, reason, payload) in enumerate(zip(*columns, strict=True)):
            one = self._topic(source, isinstance(cabin, str), arrived)
            if reason.startswith("at = ") and one.for_time < FOR_TIME_A_DAY:
                one.for_time += times[row]
                continue
            one.refused += 1
            if one.refused <= (1 if one.was_over else WHOLE_A_MINUTE):
                continue
            whole[row] = False
            kind = _VARIES.sub("...", reason)
            if kind not in one.rows:
                kind = kind if len(one.rows) < KINDS else "others"
            counted, since = one.rows.setdefault(kind, (uuid.uuid4().hex, arrived))
            before = self._more.get(counted)
            self._more[counted] = {
                "counted": counted, "since": since, "arrived_at": arrived, "source": source, "cabin": cabin,
                "unit": unit, "reason": reason, "payload": payload,
                "times": times[row] + (int(str(before["times"])) if before else 0)}
        return refused[whole] if not whole.all() else refused

    def write(self, con: duckdb.DuckDBPyConnection) -> int:
        """Add what `thin` counted to its rows; how many records. The caller holds the transaction."""
        if not self._more:
            return 0
        more = pd.DataFrame(list(self._more.values()))
        con.register("more", more)
        there = [found[0] for found in con.execute(_COUNT).fetchall()]
        con.execute(_BEGIN, {"there": there})  # also where the row was released or pruned meanwhile
        con.unregister("more")
        return int(more["times"].sum())

    def done(self) -> None:
        """What was written is committed."""
        self._topics.update(self._new)
        self.forget()

    def forget(self) -> None:
        """What was written is not committed."""
        self._new, self._more = {}, {}

    def _topic(self, source: str, enrolled: bool, arrived: datetime) -> _Topic:
        key = source
        if key not in self._topics and key not in self._new and not enrolled and self._strangers() >= STRANGERS:
            key = _OTHERS
        one = self._new.get(key)
        minute = arrived.replace(second=0, microsecond=0)
        if one is None:
            one = self._new[key] = deepcopy(self._topics.get(key)) or _Topic(minute, enrolled)
        if one.minute != minute:
            one.was_over = one.refused > WHOLE_A_MINUTE and one.minute == minute - _MINUTE
            one.minute, one.refused, one.rows = minute, 0, {}
        if one.day != arrived.date():
            one.day, one.for_time = arrived.date(), 0
        return one

    def _strangers(self) -> int:
        if len(self._topics) + len(self._new) < STRANGERS:
            return 0
        known = {**self._topics, **self._new}
        return sum(not one.enrolled for one in known.values())

    # -- Which topic it is ----------------------------------------------------------------------------------------

    def count(self, topics: Iterable[str], now: datetime) -> None:
        """Messages that were taken in, of whatever kind."""
        minute = now.replace(second=0, microsecond=0)
        if minute != self._minute:
            on = self._minute == minute - _MINUTE
            self._messages = {
                key: _Messages(0, one.minutes + 1) for key, one in self._messages.items()
                if on and one.count > MANY_A_MINUTE}
            self._topics = {
                key: one for key, one in self._topics.items()
                if one.minute >= minute - _MINUTE or (one.enrolled and one.day == now.date())}
            self._runs = {key: run for key, run in self._runs.items() if run.until > now - SAME_FLOOD}
            self._minute = minute
        for topic, times in Counter(topics).items():
            key = source_of(topic)
            known = key in self._messages or len(self._messages) < 20 * STRANGERS
            self._messages.setdefault(key if known else _OTHERS, _Messages()).count += times

    def keep(self, con: duckdb.DuckDBPyConnection, now: datetime) -> None:
        """Write down which topics flood; the caller holds the transaction. Nothing is done where none does."""
        minute, rows = self._minute, []
        for key, one in self._messages.items():
            refused = self._topics.get(key)
            thinned = refused.refused if refused is not None and refused.minute == minute else 0
            if thinned <= WHOLE_A_MINUTE and (one.count <= MANY_A_MINUTE or one.minutes < MINUTES_OF_MANY - 1):
                continue
            run = self._runs.setdefault(key, _Run(uuid.uuid4().hex, minute or now, now))
            run.until, run.most_a_minute = now, max(run.most_a_minute, one.count)
            rows.append((run.id, key, run.since, run.until, run.most_a_minute))
        if not rows:
            return
        con.register("runs", pd.DataFrame(rows, columns=["id", "source", "since", "until", "most_a_minute"]))
        con.execute('DELETE FROM topic_flood WHERE id IN (SELECT id FROM runs) OR "until" < $old',
                    {"old": now - TOLD_FOR})
        con.execute("INSERT INTO topic_flood SELECT * FROM runs")
        con.unregister("runs")


def floods(store: Asks) -> pd.DataFrame:
    """Which topics flooded of late, the last first: source, since, until, most_a_minute (messages)."""
    return store.ask('SELECT source, since, "until", most_a_minute FROM topic_flood ORDER BY "until" DESC')


def in_words(store: Asks) -> dict[str, str]:
    """Of each of them, the last of its floods as people read it."""
    found = floods(store).drop_duplicates("source")
    return {one.source or "others": (
        f"{one.source or 'topics of no enrolled unit'} sent up to {one.most_a_minute:,} messages a minute between "
        f"{one.since:%Y-%m-%d %H:%M} and {one.until:%Y-%m-%d %H:%M} UTC. Of what was refused the first and the "
        "last of each minute are kept, and the rest is counted. Look at that logger, or shut it out at the broker.")
        for one in named(found.head(5))}
