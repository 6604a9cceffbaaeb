"""Where somebody is, and the light is off: told at once, before water is drawn; and when it is on again.

Both follow from each unit's present state and from what is in line already, so a kill loses neither and no outage
is told twice.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import pandas as pd

from ingest.bookings.kept import occupancy
from ingest.db import past
from ingest.db.engine import Local, named, transaction
from ingest.evaluation.judging import PRESENT, Key, unit_states
from ingest.notification.audience import audience
from ingest.notification.message_log import OLD_SILENCE, Con, put_in_line, told_of
from ingest.notification.stays import guests_there, is_reached
from ingest.queries import status
from models.advisory.call_order import Told
from models.advisory.notices_due import BACKLOG_RESTS, FLAPS_WITHIN, NoticeDue, power_back, power_off, told_on_again
from models.evidence import warm_now
from models.exposure import UnitState
from models.fleet import Contact, Fleet
from models.verdict import Word

# One row per unit of which was told that its light is off, and not yet that it is on again: the notice of it.
_OPEN = """
    SELECT cabin, unit, arg_max(event, queued_at) AS event FROM notification
    WHERE kind IN ('power-off', 'power-back') GROUP BY ALL HAVING arg_max(kind, queued_at) = 'power-off'
"""
# One row per unit of which that was told lately: how often.
_TIMES_OFF = """
    SELECT cabin, unit, count(DISTINCT event) AS times FROM notification
    WHERE kind = 'power-off' AND queued_at > $since GROUP BY ALL
"""
# One row per unit: when its latest reading arrived.
_ARRIVED = """
    SELECT r.cabin, r.unit, max(r.arrived_at) AS arrived_at
    FROM whole_reading AS r JOIN present AS p USING (cabin, unit, "at")
    WHERE (p.power = 0 OR p.lamp = 0) AND r."at" >= $since AND r."at" <= $until GROUP BY ALL
"""


def tell_power(con: Con, fleet: Fleet, now: datetime) -> int:
    """Put in line that the light is off, or on again; the number of messages."""
    store = Local(con)
    dark = con.execute("SELECT 1 FROM present WHERE power = 0 OR lamp = 0 LIMIT 1").fetchone()
    open_ = {(cabin, unit): event for cabin, unit, event in con.execute(_OPEN).fetchall()}
    if dark is None and not open_:
        return 0  # as at most looks: the rest costs several times as much
    table = store.ask(f"{PRESENT} WHERE power = 0 OR lamp = 0")
    states = unit_states(table, fleet)
    # where only the sensor shows it, `stated_since` tells nothing of this outage
    stated = table[table["lamp_stated"] == 0]
    dated = set(zip(stated["cabin"], stated["unit"], strict=True))
    off = {key: one for key, one in states.items() if key not in open_ and fleet.has_unit(*key)}
    off = _without_backlog(con, fleet, _where_somebody_is(store, fleet, off, now), now)
    out: list[tuple[NoticeDue, list[Told]]] = []
    who = audience(con, fleet, now)
    out += [
        (_off(fleet, *key, one, contacts=who.contacts, dated=key in dated), []) for key, one in off.items()]
    waiting = {key: event for key, event in open_.items() if key not in states and fleet.has_unit(*key)}
    out += _on_again(con, fleet, waiting, now)
    if not out:
        return 0
    return transaction(con, lambda: sum(put_in_line(con, who.first(one, told, now), now) for one, told in out))


def _where_somebody_is(
    store: Local, fleet: Fleet, off: dict[Key, UnitState], now: datetime
) -> dict[Key, UnitState]:
    """Those where somebody may be; of units that nobody has heard for days, those where somebody is known to be.

    Logs of the past alone are no news. But whoever comes to a cabin whose logger said that the light went off, and
    nothing since, is not to find it out at the tap.
    """
    if not off:
        return {}
    known, unknown = _taken(store, fleet, {cabin for cabin, _ in off}, now)
    return {
        key: one for key, one in off.items()
        if key[0] in known or (key[0] in unknown and now - one.at <= OLD_SILENCE)}


def _without_backlog(
    con: Con, fleet: Fleet, off: dict[Key, UnitState], now: datetime
) -> dict[Key, UnitState]:
    """Leave out, for now, those whose latest reading is old and came just now."""
    old = {key for key, one in off.items() if now - one.at > timedelta(seconds=fleet.unit(*key).overdue_s)}
    if not old:
        return off
    last = [off[key].at for key in old]  # bounds of time, or each look would read all of the past
    span = {"since": min(last), "until": max(last)}
    found = past.ask(Local(con), _ARRIVED, span, **span, spans=[(*key, off[key].at, off[key].at) for key in old])
    came = {(row.cabin, row.unit): None if pd.isna(row.arrived_at) else row.arrived_at.to_pydatetime()
            for row in named(found)}
    return {
        key: one for key, one in off.items()
        if key not in old or (at := came.get(key)) is None or now >= at + BACKLOG_RESTS}


def maybe_taken(store: Local, fleet: Fleet, cabins: Iterable[str], now: datetime) -> set[str]:
    """Those of these cabins in which somebody may be today: all of whose bookings are not known, too.

    The days of arrival and departure count whole: nobody knows the hour.
    """
    known, unknown = _taken(store, fleet, cabins, now)
    return known | unknown


def _taken(store: Local, fleet: Fleet, cabins: Iterable[str], now: datetime) -> tuple[set[str], set[str]]:
    """Cabins in which somebody is by what is known, and those of which it is not known."""
    some = [fleet.cabin(slug) for slug in cabins]
    day = timedelta(days=1)
    found = occupancy(
        store, replace(fleet, cabins=tuple(some)), now.date() - day, now.date() + day, now)
    days = {one.slug: now.astimezone(one.zone).date() for one in some}
    booked = {
        str(cabin) for cabin, first, last, _ in found.bookings.itertuples(index=False, name=None)
        if cabin in days and first <= days[cabin] <= last}
    typed = {slug for one in guests_there(store.con, fleet, now) for slug in one.cabins if slug in days}
    return booked | typed, {slug for slug in days if slug in found.unread or slug in found.without}


def _off(
    fleet: Fleet, slug: str, unit: str, state: UnitState, *, contacts: Sequence[Contact], dated: bool
) -> NoticeDue:
    cabin = fleet.cabin(slug)
    dark = state.power_since if state.power_on is False else state.stated_since if dated else None
    return power_off(
        cabin, fleet.unit(slug, unit), since=dark or state.at, power_on=state.power_on,
        guests_told=is_reached(contacts, cabin), contacts=fleet.contacts)


def _on_again(
    con: Con, fleet: Fleet, waiting: dict[tuple[str, str], str], now: datetime
) -> list[tuple[NoticeDue, list[Told]]]:
    """Of units that are no longer dark: those that are lit and warm, and of whose water it is known what to say."""
    if not waiting:
        return []
    out: list[tuple[NoticeDue, list[Told]]] = []
    states = unit_states(Local(con).ask(PRESENT), fleet)
    times = {(cabin, unit): int(n) for cabin, unit, n in con.execute(
        _TIMES_OFF, {"since": now - FLAPS_WITHIN}).fetchall()}
    warm = {
        key for key in waiting if (state := states.get(key)) is not None and state.lit
        and warm_now(state, fleet.reactor(fleet.unit(*key).reactor), now)
        and told_on_again(times_off=times.get(key, 0), lit_for=state.at - (state.lit_from or state.at))}
    for one in status(Local(con), now, units=warm) if warm else ():
        key = (one.cabin.slug, one.unit.slug)
        dosed = one.verdict.verdict in (Word.CLEAR, Word.WATCH)
        if not one.heard or not (dosed or one.standing is not None):
            continue
        event = waiting[key]
        out.append((
            power_back(
                one.cabin, one.unit, since=one.state.lamp_since if one.state else None,
                advisory=one.standing.id if one.standing else None, mark=event.rsplit(":", 1)[1], now=now),
            told_of(con, event)))
    return out
