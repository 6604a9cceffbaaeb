"""Guests who came, or became known, while something stands; and the managers where no guest could be reached.

Both follow from what is in line and what was delivered, so a kill loses neither and nobody is told twice.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

from ingest.db.engine import transaction
from ingest.notification.audience import Audience, audience
from ingest.notification.message_log import Con, put_in_line, record_of, told_of
from ingest.notification.stays import guests_there
from models.advisory.call_order import Due
from models.advisory.notices_due import NoticeKind, not_reached, notices_due, still_off
from models.fleet import Fleet, Role

REACHED_WITHIN = timedelta(minutes=2)  # or the manager is told to call; common practice, no source
ASKED_BACK = timedelta(days=1)  # what guests were to hear longer ago, nobody calls for any more

# One row per guest's event that stands: the light off, or a boil advisory; and to whom it was put in line.
_STANDING = """
    WITH off AS (
        SELECT cabin, unit, arg_max(event, queued_at) AS event, arg_max(kind, queued_at) AS kind
        FROM notification WHERE kind IN ('power-off', 'power-back') GROUP BY ALL)
    SELECT DISTINCT n.event, n.kind, n.advisory, n.cabin, n.unit, n."at" FROM notification AS n
    LEFT JOIN off USING (cabin, unit) LEFT JOIN told_until AS t ON t.advisory = n.advisory
    WHERE n.number = 1 AND (
        (n.kind = 'power-off' AND n.event = off.event AND off.kind = 'power-off')
        OR (n.kind = 'raised' AND NOT t.lifted))
    ORDER BY n."at", n.event
"""
# One row per event of which guests were to hear, and some of them did not in time; whether others did.
_UNHEARD = """
    WITH told AS (
        SELECT n.event, n.contact, min(n.due_at) AS due_at, coalesce(bool_or(t.ok), FALSE) AS heard
        FROM notification AS n LEFT JOIN notification_attempt AS t USING (key)
        WHERE n.role = 'guest' AND n.channel <> '' AND n.kind IN ('power-off', 'raised') AND n.due_at > $since
        GROUP BY ALL)
    SELECT event, bool_or(heard) AS others FROM told GROUP BY event HAVING bool_or(NOT heard AND due_at <= $late)
"""


def tell_guests(con: Con, fleet: Fleet, now: datetime) -> int:
    """Put in line what stands for guests who have not heard of it, and that none was reached; how many messages."""
    guests = guests_there(con, fleet, now)
    unheard: dict[str, bool] = dict(con.execute(
        _UNHEARD, {"since": now - ASKED_BACK, "late": now - REACHED_WITHIN}).fetchall())
    if not guests and not unheard:
        return 0
    who, due = audience(con, fleet, now), list[Due]()
    for event, kind, number, slug, unit, at in con.execute(_STANDING).fetchall():
        if not fleet.has_unit(slug, unit):
            continue
        here = [one for one in guests if one.cabins == (slug,)]
        due += _late(con, fleet, replace(who, contacts=tuple(here)), (event, kind, number, slug, unit, at), now)
        if event in unheard:
            due += _uncalled(con, fleet, who, (event, kind, number, slug, unit, at), now, others=unheard[event])
    return transaction(con, lambda: put_in_line(con, due, now)) if due else 0


_Row = tuple[str, str, str, str, str, datetime]


def _late(con: Con, fleet: Fleet, here: Audience, row: _Row, now: datetime) -> list[Due]:
    """What stands, for those who were not told when it began."""
    event, kind, number, slug, unit, at = row
    told = {one.contact for one in told_of(con, event)} if here.contacts else set()
    new = replace(here, contacts=tuple(one for one in here.contacts if one.name not in told))
    if not new.contacts:
        return []
    cabin = fleet.cabin(slug)
    if kind == NoticeKind.POWER_OFF:
        found = [still_off(cabin, unit, at=at, mark=event.rsplit(":", 1)[1], contacts=fleet.contacts)]
    else:
        found = [one for one in notices_due(number, cabin, unit, record_of(con, number), contacts=fleet.contacts)
                 if one.key == event]
    return [due for one in found for due in new.first(one, [], now) if due.role == Role.GUEST]


def _uncalled(
    con: Con, fleet: Fleet, who: Audience, row: _Row, now: datetime, *, others: bool
) -> list[Due]:
    """That guests there were not reached, once for each event."""
    event, kind, number, slug, unit, _ = row
    found = not_reached(fleet.cabin(slug), unit, of=NoticeKind(kind), event=event, advisory=number, now=now,
                        others=others)
    if told_of(con, found.key):
        return []
    return list(who.first(found, told_of(con, event), now))
