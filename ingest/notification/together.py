"""Messages in line as they are sent: those of one shared event to one person over one channel go together.

Nothing is stored of it. What is one message follows from what is in line, from the shared events and from what was
delivered, so a kill loses none; each message of a bundle is noted as delivered with it.
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from ingest.db.engine import Local
from ingest.evaluation.shared import events_since
from ingest.notification.message_log import Con, Waiting
from models.advisory.folding import Waits, fold, goes_now
from models.advisory.notices_due import NoticeKind
from models.advisory.shared_event import BEFORE, SharedEvent, concerns
from models.fleet import Fleet

BACK = timedelta(days=1)  # an event that is asked for began no longer before its first notice
LOOK_S = 60.0  # between two looks at the events while nothing new waits

# When what a message is about began: of an advisory, when it was raised.
_BEGAN = """
    SELECT n.key, coalesce(a.raised_at, n."at") AS began FROM notification AS n LEFT JOIN advisory AS a
    ON a.id = n.advisory WHERE list_contains($keys, n.key)
"""
# What one person was told of these cabins over one channel since the event began.
_TOLD = """
    SELECT n.cabin, n.kind, max(t."at") AS told_at FROM notification AS n JOIN notification_attempt AS t USING (key)
    WHERE t.ok AND n.contact = $contact AND n.channel = $channel AND n."at" >= $since
    AND list_contains($cabins, n.cabin) GROUP BY ALL
"""


class Together:
    """Finds what goes together; keeps the events that it found while nothing new waits."""

    def __init__(self) -> None:
        self._keys: frozenset[str] = frozenset()
        self._events: dict[str, SharedEvent] = {}
        self._due = 0.0

    def ready(self, con: Con, fleet: Fleet, waiting: Sequence[Waiting], now: datetime) -> list[Waiting]:
        """What is to be sent now, bundled, in order; the rest waits for what goes with it."""
        keys = frozenset(one.key for one in waiting)
        if keys and (not keys <= self._keys or time.monotonic() >= self._due):
            self._events = _events_of(con, fleet, keys, now)
            self._keys, self._due = keys, time.monotonic() + LOOK_S
        bundles: dict[tuple[str, str, str], list[Waiting]] = {}
        for one in waiting:
            event = self._events.get(one.key)
            bundles.setdefault((one.contact, one.channel, event.id if event else one.key), []).append(one)
        return [
            found for some in bundles.values()
            if (found := _bundle(con, fleet, some, self._events.get(some[0].key), now)) is not None]


def _events_of(con: Con, fleet: Fleet, keys: Iterable[str], now: datetime) -> dict[str, SharedEvent]:
    """The shared event of each message that is of one."""
    began = dict(con.execute(_BEGAN, {"keys": sorted(keys)}).fetchall())
    cabin = dict(con.execute(
        "SELECT key, cabin FROM notification WHERE list_contains($keys, key)", {"keys": sorted(keys)}).fetchall())
    events = events_since(Local(con), fleet, now, min(began.values()) - BACK)
    of_cabin: dict[str, list[SharedEvent]] = {}
    for event in events:  # oldest first
        for slug in event.cabins:
            of_cabin.setdefault(slug, []).append(event)
    out = {}
    for key, at in began.items():
        mine = [one for one in of_cabin.get(cabin[key], ()) if concerns(one, cabin[key], at)]
        if mine and fleet.has_cabin(cabin[key]):
            out[key] = mine[-1]
    return out


def _bundle(
    con: Con, fleet: Fleet, some: Sequence[Waiting], event: SharedEvent | None, now: datetime
) -> Waiting | None:
    """Messages of one event to one person as one; None: they wait."""
    waits = [
        Waits(key=one.key, kind=NoticeKind(one.kind), cabin=one.cabin, number=one.number, due_at=one.due_at,
              title=one.title, body=one.body) for one in some]
    told: dict[str, set[NoticeKind]] = {}
    last: datetime | None = None
    if event is not None:
        for cabin, kind, at in con.execute(_TOLD, {
                "contact": some[0].contact, "channel": some[0].channel, "since": event.start - BEFORE,
                "cabins": list(event.cabins)}).fetchall():
            told.setdefault(cabin, set()).add(NoticeKind(kind))
            last = at if last is None else max(last, at)
    if not any(one.failures for one in some) and not goes_now(
            waits, shared=event is not None, told=told, last_told=last, now=now):
        return None
    if event is None or len(some) == 1:
        return some[0]
    title, body = fold(waits, event, {one.cabin: fleet.cabin(one.cabin) for one in some})
    return replace(
        some[0], keys=tuple(key for one in some for key in one.keys), title=title, body=body,
        urgent=any(one.urgent for one in some), failures=max(one.failures for one in some))
