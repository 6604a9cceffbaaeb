"""The advisories, kept in step with the evidence: raised by the program, lifted only by a named person.

Runs after each evaluation for the units that it touched, and on the clock for those of which something ripens with
time alone (power steady for half an hour, a silence that no backlog explained). All together: one read a table.
Appends events; rewrites nothing.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import cast

import duckdb
import numpy as np
import pandas as pd

from ingest.db.engine import Local, transaction
from ingest.db.frames import frame
from ingest.evaluation import faults
from ingest.evaluation.exposed import at_once, unanswered
from ingest.evaluation.judging import PRESENT, tails_table, unit_states
from ingest.evaluation.proofs_now import proofs_now, ripens_at
from ingest.evaluation.vulnerable import drunk_by_them, marked_stays
from ingest.record.advisory_log import FOREVER, Con, KeptAdvisory, Key, append_all, asked, latest_of, new_advisory
from ingest.record.laboratory import samples_that_count
from ingest.registry.tables import load_history
from models.advisory import (
    Advisory,
    Event,
    Exposed,
    Raised,
    Remeasured,
    State,
    advance,
    advanced,
    exposure_event,
    new_proofs,
)
from models.advisory.exposures import exposure_of
from models.advisory.pieces import GRACE, Intervals
from models.exposure import UnitState
from models.fleet import Fleet
from models.shortfall import Severity

logger = logging.getLogger(__name__)

@dataclass(frozen=True, slots=True)
class _Seen:
    """What the store holds of some units: under-dosed water that nobody answered, and what is so now."""

    states: Mapping[Key, UnitState]
    rows: Mapping[Key, Intervals]  # that ask for an advisory, with what is so since the latest reading
    going_on: frozenset[Key]  # of which units such water may still be passing
    graced_until: Mapping[Key, datetime]  # when a silence that a backlog may explain is explained by nothing


def watch(con: Con, fleet: Fleet, now: datetime, touched: Iterable[Key]) -> list[tuple[str, str, Event]]:
    """Raise, re-measure and prove; returns what was appended, as (advisory, unit, event).

    All units in one transaction; where that fails, each in one of its own, so that one that cannot be weighed is
    noted (`ingest.evaluation.faults`) and does not hold up the others. Not to be called within a transaction.
    """
    due = con.execute("SELECT cabin, unit FROM to_watch WHERE due <= $now", {"now": now}).fetchall()
    keys = sorted(key for key in {*touched, *due} if fleet.has_unit(*key))
    if not keys:
        return []
    at_fault = faults.standing(con, faults.ADVISORY)
    apart = [key for key in keys if key in at_fault]
    together = [key for key in keys if key not in at_fault]
    out: list[tuple[str, str, Event]] = []
    try:
        out += _weigh(con, fleet, now, together)
    except duckdb.FatalException:
        raise
    except Exception:  # of one unit, but all were weighed together: now each alone
        logger.warning("units could not be weighed together: now each alone")
        apart = keys
    for key in apart:

        def work(key: Key = key) -> None:
            out.extend(_weigh(con, fleet, now, [key]))

        faults.attempt(con, faults.ADVISORY, key, now, work)
    return out


def _weigh(con: Con, fleet: Fleet, now: datetime, keys: Sequence[Key]) -> list[tuple[str, str, Event]]:
    """Weigh these units and append what follows."""
    known = latest_of(Local(con), keys)
    seen = _seen(con, fleet, keys, now, known)
    events: dict[Key, list[Event]] = {}
    standing: dict[Key, Advisory] = {}
    for key in keys:
        kept = known.get(key)
        advisory = kept.advisory if kept and kept.advisory.state is not State.LIFTED else None
        found = _exposure_event(fleet, key, seen, kept, now)
        if found is not None:
            events[key] = [found]
            advisory = advance(advisory, found)
        if advisory is not None:
            standing[key] = advisory
    for key, found_proofs in proofs_now(Local(con), fleet, standing, seen.states, now).items():
        fresh: list[Event] = [*new_proofs(standing[key], found_proofs)]
        if fresh or key in events:  # only then can a sample that was taken begin to count
            fresh += samples_that_count(con, key, advanced(standing[key], fresh), now)
        if fresh:
            events[key] = [*events.get(key, []), *fresh]
    due = {key: _next_look(fleet, standing.get(key), seen, key, now) for key in keys}

    def work() -> list[tuple[str, str, Event]]:
        out = [one for key, found in events.items() for one in _append_all(con, key, known.get(key), found, now)]
        _look_again(con, due)
        return out

    return transaction(con, work)


def _append_all(
    con: Con, key: Key, kept: KeptAdvisory | None, events: Sequence[Event], now: datetime
) -> list[tuple[str, str, Event]]:
    if kept is not None and kept.advisory.state is not State.LIFTED:
        number, seq = kept.id, kept.next_seq
    else:
        number, seq = new_advisory(con, key, events[0]), 1
    append_all(con, number, seq, events, now)
    for event in events:
        logger.info("advisory %s of %s/%s: %s", number, *key, event.kind)
    return [(number, f"{key[0]}/{key[1]}", event) for event in events]


def _seen(con: Con, fleet: Fleet, keys: Sequence[Key], now: datetime, known: Mapping[Key, KeptAdvisory]) -> _Seen:
    store = Local(con)
    present = frame(con.execute(f"""
        WITH asked AS (SELECT unnest($cabins) AS cabin, unnest($units) AS unit)
        {PRESENT} SEMI JOIN asked USING (cabin, unit)""", asked(keys)))
    tail = tails_table(present, load_history(store), now, while_heard=True)
    stored = unanswered(store, fleet, keys, now)
    if len(tail):
        tail = tail[(tail["kind"] != "unheard") & (tail["underdosed_l_upper"] > 0)]
        tail = tail[~_only_to_watch(tail, stored, fleet, known, marked_stays(store, fleet, now))]
    graced = stored["graced"].to_numpy(bool)
    held_back = graced | stored["to_note"].to_numpy(bool) | stored["to_watch"].to_numpy(bool)
    asks = stored[~held_back | named_by(stored, held_back, known)]
    parts = [part for part in (asks, tail) if len(part)]
    waiting = stored[graced & (stored["end"] > pd.Timestamp(now - GRACE))].groupby(["cabin", "unit"])["end"].min()
    return _Seen(
        unit_states(present, fleet), Intervals.by_unit(pd.concat(parts, ignore_index=True)) if parts else {},
        frozenset(zip(tail["cabin"], tail["unit"], strict=True)),
        {cast(Key, key): end.to_pydatetime() + GRACE for key, end in waiting.items()})


def _only_to_watch(
    tail: pd.DataFrame, stored: pd.DataFrame, fleet: Fleet, known: Mapping[Key, KeptAdvisory], stays: pd.DataFrame
) -> np.ndarray:
    """Which intervals since the latest reading are marginal, of a unit of which that asks for no advisory."""
    risen = stored[(stored["severity"] == Severity.MARGINAL) & ~stored["to_watch"].astype(bool)]
    asking = set(zip(risen["cabin"], risen["unit"], strict=True)) | {
        key for key, kept in known.items()
        if kept.advisory.state is not State.LIFTED and kept.advisory.severity is Severity.MARGINAL}
    marginal = (tail["severity"] == Severity.MARGINAL).to_numpy(bool)
    asked_for = [key in asking or at_once(fleet, key) for key in zip(tail["cabin"], tail["unit"], strict=True)]
    return np.asarray(marginal & ~np.array(asked_for, bool) & ~drunk_by_them(tail, stays))


def named_by(stored: pd.DataFrame, held_back: np.ndarray, known: Mapping[Key, KeptAdvisory]) -> np.ndarray:
    """Which of the intervals held back an open advisory has named: water does not go away by waiting."""
    pieces = pd.DataFrame(
        [(*key, one.start, one.end) for key, kept in known.items() if kept.advisory.state is not State.LIFTED
         for one in kept.advisory.exposure.known_pieces], columns=["cabin", "unit", "piece_start", "piece_end"])
    out = np.zeros(len(stored), bool)
    if held_back.any() and len(pieces):
        rows = stored[held_back].assign(row=np.flatnonzero(held_back)).merge(pieces, on=["cabin", "unit"])
        out[rows.loc[(rows["piece_start"] < rows["end"]) & (rows["piece_end"] > rows["start"]), "row"]] = True
    return out


def _exposure_event(
    fleet: Fleet, key: Key, seen: _Seen, kept: KeptAdvisory | None, now: datetime, *, exactly: bool = False
) -> Raised | Exposed | Remeasured | None:
    """What a unit's under-dosed water asks of its latest advisory, or of a new one."""
    advisory = kept.advisory if kept is not None else None
    standing = advisory if advisory is not None and advisory.state is not State.LIFTED else None
    rows = seen.rows.get(key)
    if key not in seen.states or (rows is None and standing is None):
        return None
    unit = fleet.unit(*key)
    exposure = exposure_of(
        rows, dose_target_mj_cm2=unit.dose_target_mj_cm2, known=standing.exposure if standing else None,
        going_on=key in seen.going_on, now=now)
    if exposure is None:
        return None
    late = ""
    if kept is not None and advisory is not None and advisory.lifted is not None:
        late = kept.id if exposure.start < advisory.lifted.at else ""
    return exposure_event(
        advisory, exposure, at=max(now, advisory.updated_at) if advisory else now, hot_tank_l=unit.hot_tank_l,
        policy=fleet.policy, after_lift=late, exactly=exactly)


def exposure_now(
    con: Con, key: Key, fleet: Fleet, kept: KeptAdvisory | None, now: datetime, *, exactly: bool = False
) -> Raised | Exposed | Remeasured | None:
    """What `watch` would record of the unit's under-dosed water now; nothing is recorded.

    Parameters
    ----------
    kept : Kept or None
        The unit's latest advisory.
    exactly : bool
        Any difference to the record, as before a lift.
    """
    seen = _seen(con, fleet, [key], now, {key: kept} if kept is not None else {})
    return _exposure_event(fleet, key, seen, kept, now, exactly=exactly)


def _next_look(
    fleet: Fleet, advisory: Advisory | None, seen: _Seen, key: Key, now: datetime
) -> datetime | None:
    """When something ripens by time alone; `FOREVER` for an open advisory of which nothing does; None: no need."""
    due = [seen.graced_until[key]] if key in seen.graced_until else []
    if advisory is not None:
        ripe = ripens_at(fleet, advisory, seen.states[key], now) if key in seen.states else None
        due.append(ripe or FOREVER)
    return min((one for one in due if one > now), default=FOREVER if due else None)


def _look_again(con: Con, due: Mapping[Key, datetime | None]) -> None:
    """Keep when each of these units is to be weighed again without a message; the caller holds the transaction."""
    con.register("watched", pd.DataFrame(
        [(*key, at) for key, at in due.items()], columns=["cabin", "unit", "due"]).astype({
            "due": "datetime64[us, UTC]"}))
    con.execute("DELETE FROM to_watch USING watched AS w WHERE to_watch.cabin = w.cabin AND to_watch.unit = w.unit")
    con.execute("INSERT INTO to_watch SELECT cabin, unit, due FROM watched WHERE due IS NOT NULL")
    con.unregister("watched")
