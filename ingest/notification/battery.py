"""A battery that will not last, where somebody may be: told before the light goes off."""

from __future__ import annotations

from datetime import datetime, timedelta

from ingest.db.engine import Local, transaction
from ingest.evaluation.battery import look
from ingest.notification.audience import audience
from ingest.notification.message_log import Con, put_in_line
from ingest.notification.power import maybe_taken
from models.advisory.notices_due import battery_low
from models.fleet import Fleet

AGAIN = timedelta(hours=24)  # one word a night; common practice, no source
_TOLD = "SELECT DISTINCT cabin, unit FROM notification WHERE kind = 'battery-low' AND queued_at > $since"


def tell_battery(con: Con, fleet: Fleet, now: datetime) -> int:
    """Look at every battery, and put in line which will not last; the number of messages."""
    found = look(con, fleet, now)
    told = {(cabin, unit) for cabin, unit in con.execute(_TOLD, {"since": now - AGAIN}).fetchall()}
    new = {key: one for key, one in found.items() if key not in told}
    if not new:
        return 0
    taken = maybe_taken(Local(con), fleet, {cabin for cabin, _ in new}, now)
    due = [
        battery_low(fleet.cabin(cabin), fleet.unit(cabin, unit), one, now=now)
        for (cabin, unit), one in new.items() if cabin in taken]
    who = audience(con, fleet, now)
    return transaction(con, lambda: sum(
        put_in_line(con, who.first(one, [], now), now) for one in due))
