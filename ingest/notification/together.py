"""Messages in line as they are sent: those of one shared event to one person over one channel go together, and what
changes nothing that the person does goes in a report of the morning or the evening.

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
from ingest.language.catalogue import translations
from ingest.notification.message_log import Con, Waiting
from models.advisory.call_order import after_quiet
from models.advisory.folding import Waits, changes_what_they_do, fold, goes_now, holding, next_report, report
from models.advisory.notices_due import NoticeKind
from models.advisory.shared_event import BEFORE, SharedEvent, concerns
from models.fleet import Contact, Fleet
from models.wording import Translation

BACK = timedelta(days=1)  # an event that is asked for began no longer before its first notice
LOOKS_BACK = timedelta(days=30)  # for what somebody was told that still holds, where no event bounds it
TO_BE_HELD = (NoticeKind.SILENT, NoticeKind.HEARD)  # of what nobody shares, these alone may change nothing
NOON_H = 12
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
        out: list[Waiting] = []
        reports: dict[tuple[str, str], list[tuple[Waiting, Waits]]] = {}
        for some in bundles.values():
            found, rest = _bundle(con, fleet, some, self._events.get(some[0].key), now)
            if found is not None:
                out.append(found)
            for held in rest:
                reports.setdefault((held[0].contact, held[0].channel), []).append(held)
        return out + [_report(fleet, some, now) for some in reports.values()]


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
) -> tuple[Waiting | None, list[tuple[Waiting, Waits]]]:
    """Messages of one event to one person as one, or None: they wait. And those whose report is due."""
    waits = [_waits(fleet, one) for one in some]
    told, last = _told(con, waits, some[0], event, now)
    held = [
        (one, wait) for one, wait in zip(some, waits, strict=True)
        if fleet.has_cabin(one.cabin) and not changes_what_they_do(wait, told.get(wait.cabin, ()))]
    again = len(held) < len(some) and any(one.failures for one in some)
    if again or goes_now(waits, shared=event is not None, told=told, last_told=last, now=now):
        return _one(fleet, some, waits, event), []
    return None, [(one, wait) for one, wait in held if now >= wait.report_at]


def _waits(fleet: Fleet, one: Waiting) -> Waits:
    """A message with when it would go in a report: by its cabin's clock, outside of its reader's quiet hours."""
    report_at = one.due_at
    if fleet.has_cabin(one.cabin):
        zone = fleet.cabin(one.cabin).zone
        report_at = next_report(one.due_at, zone, fleet.reports)
        who = _contact(fleet, one.contact)
        report_at = report_at if who is None else after_quiet(who, report_at, zone)
    return Waits(key=one.key, kind=NoticeKind(one.kind), cabin=one.cabin, number=one.number, due_at=one.due_at,
                 title=one.title, body=one.body, report_at=report_at)


def _contact(fleet: Fleet, name: str) -> Contact | None:
    return next((one for one in fleet.contacts if one.name == name), None)


def _told(
    con: Con, waits: Sequence[Waits], first: Waiting, event: SharedEvent | None, now: datetime
) -> tuple[dict[str, set[NoticeKind]], datetime | None]:
    """What that person was told of each cabin over that channel, and when last; of no event, what still holds."""
    if event is None and not any(one.kind in TO_BE_HELD for one in waits):
        return {}, None
    since, cabins = (now - LOOKS_BACK, {one.cabin for one in waits}) if event is None else (
        event.start - BEFORE, event.cabins)
    at: dict[str, dict[NoticeKind, datetime]] = {}
    for cabin, kind, told_at in con.execute(_TOLD, {
            "contact": first.contact, "channel": first.channel, "since": since, "cabins": list(cabins)}).fetchall():
        at.setdefault(cabin, {})[NoticeKind(kind)] = told_at
    last = max((one for found in at.values() for one in found.values()), default=None)
    return {cabin: set(found) if event else holding(found) for cabin, found in at.items()}, last


def _one(fleet: Fleet, some: Sequence[Waiting], waits: Sequence[Waits], event: SharedEvent | None) -> Waiting:
    """Several messages of one event as one."""
    if event is None or len(some) == 1:
        return some[0]
    cabins = {one.cabin: fleet.cabin(one.cabin) for one in some}
    return _as_one(some, *fold(waits, event, cabins, _spoken(some)))


def _report(fleet: Fleet, found: Sequence[tuple[Waiting, Waits]], now: datetime) -> Waiting:
    """What one person gets in the morning or in the evening."""
    some, waits = [one for one, _ in found], [one for _, one in found]
    first = min(waits, key=lambda one: one.report_at)
    cabins = {one.cabin: fleet.cabin(one.cabin) for one in some}
    morning = first.report_at.astimezone(cabins[first.cabin].zone).hour < NOON_H
    return _as_one(some, *report(waits, cabins, morning=morning, spoken=_spoken(some)))


def _spoken(some: Sequence[Waiting]) -> Translation | None:
    return translations({some[0].language}).get(some[0].language)


def _as_one(some: Sequence[Waiting], title: str, body: str) -> Waiting:
    return replace(
        some[0], keys=tuple(key for one in some for key in one.keys), title=title, body=body,
        urgent=any(one.urgent for one in some), failures=max(one.failures for one in some))
