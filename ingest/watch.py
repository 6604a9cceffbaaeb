"""The advisories, kept in step with the evidence: raised by the program, lifted only by a named person.

Runs after each evaluation for the units that it touched, and on the clock for those with an open advisory (a proof
such as "power steady for 30 minutes" ripens without a message). Appends events; rewrites nothing.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import duckdb
import pandas as pd

from ingest import faults
from ingest.engine import Local, frame, transaction
from ingest.judging import PRESENT, tails, unit_states
from ingest.laboratory import samples_that_count
from ingest.registry import load_history
from models.advisory import (
    Advisory,
    Event,
    Exposed,
    Exposure,
    Proof,
    Raised,
    Remeasured,
    State,
    advance,
    exposure_event,
    from_json,
    new_proofs,
    proofs,
    replay,
    to_json,
)
from models.advisory_events import OF_PEOPLE, Cause
from models.exposure import UnitState
from models.fleet import Fleet, Unit
from models.plumbing import REPLACED, Plumbing, flush_cold_l, flush_hot_l

logger = logging.getLogger(__name__)

# A gap in what was heard may still be explained by a logger's backlog, which comes minutes after the link;
# until then the verdict says so and no advisory is raised. Common practice, no source.
GRACE = timedelta(minutes=15)
# Exposures found in old logs raise nothing once they are this old and the plumbing has since been replaced many
# times over with dosed water. Common practice, no source; both must hold.
OLD = timedelta(days=30)
FLUSHES_SINCE = 3.0
# Plug flow would be flushed by one pipe volume; branches and dead legs are not. A house's pipes are taken as this
# much dispersed, which asks for about two and a half. Common practice, no source for the number.
FLUSH_PECLET = 20.0
MORE_L, MORE_SHARE = 5.0, 0.1  # by which an exposure that goes on has to grow to be recorded again

# Worst first: (kind, cause of the segment) -> cause of the advisory.
_CAUSES: tuple[tuple[str, str, Cause], ...] = (
    ("dark", "no-power", Cause.POWER_CUT),
    ("dark", "", Cause.LAMP_FAILURE),
    ("unheard", "no-power", Cause.POWER_CUT),
    ("unheard", "", Cause.UNHEARD),
    ("weak", "", Cause.LOW_DOSE),
    ("warming", "", Cause.WARM_UP_DRAW),
)

# One row per under-dosed segment that no lifted advisory has answered.
_EXPOSED = """
    SELECT start, "end", kind, cause, underdosed_l, underdosed_l_upper, dose_low_mj_cm2
    FROM segment WHERE cabin = $cabin AND unit = $unit AND underdosed_l_upper > 0 AND "end" > $answered
    ORDER BY start
"""
# One row per event of the unit's latest lifted advisory.
LIFTED_EVENTS = """
    SELECT body FROM advisory_event WHERE advisory = (
        SELECT arg_max(a.id, e."at") FROM advisory AS a JOIN advisory_event AS e ON e.advisory = a.id
        WHERE a.cabin = $cabin AND a.unit = $unit AND json_extract_string(e.body, '$.kind') = 'lifted')
    ORDER BY seq
"""
# The dose has been good since the end of the last segment that was not lit; water metered since.
_GOOD_SINCE = """
    SELECT max("end") AS since FROM segment
    WHERE cabin = $cabin AND unit = $unit AND kind <> 'lit' AND "end" > $since
"""
_METERED = """
    SELECT sum(drawn_l) FROM segment
    WHERE cabin = $cabin AND unit = $unit AND kind = 'lit' AND start >= $since
"""
# When the meter had counted so many litres: the end of the stretch in which it did, never too early.
_FLUSHED_AT = """
    WITH counted AS (
        SELECT "end", sum(drawn_l) OVER (ORDER BY start) AS litres FROM segment
        WHERE cabin = $cabin AND unit = $unit AND kind = 'lit' AND start >= $since)
    SELECT min("end") FILTER (litres >= $cold) AS cold, min("end") FILTER (litres >= $both) AS "both" FROM counted
"""
_IN_SPEC = """
    SELECT coalesce(sum(in_spec_l), 0) FROM hourly WHERE cabin = $cabin AND unit = $unit AND hour > $since
"""

NEVER = pd.Timestamp("2000-01-01", tz="UTC").to_pydatetime()
FOREVER = pd.Timestamp("2200-01-01", tz="UTC").to_pydatetime()


@dataclass(frozen=True, slots=True)
class Kept:
    """A unit's latest advisory as the store has it."""

    id: str
    cabin: str
    unit: str
    advisory: Advisory
    next_seq: int


def latest(found: pd.DataFrame) -> dict[tuple[str, str], Kept]:
    """Each unit's latest advisory, from rows `advisory, cabin, unit, seq, body` in order of number and sequence."""
    out: dict[tuple[str, str], Kept] = {}
    for number, group in found.groupby("advisory", sort=False):
        cabin, unit = group["cabin"].iloc[0], group["unit"].iloc[0]
        events = [from_json(body) for body in group["body"]]
        out[cabin, unit] = Kept(str(number), cabin, unit, replay(events), int(group["seq"].max()) + 1)
    return out


# One row per event of each unit's latest advisory; few, however long the history.
LATEST_EVENTS = """
    WITH newest AS (
        SELECT cabin, unit, arg_max(id, raised_at) AS advisory FROM advisory
        WHERE raised_at <= $now GROUP BY ALL)
    SELECT e.advisory, n.cabin, n.unit, e.seq, e.body
    FROM newest AS n JOIN advisory_event AS e USING (advisory) WHERE e."at" <= $now
    ORDER BY e.advisory, e.seq
"""


# One row per event of one advisory.
_EVENTS_OF = """
    SELECT a.id AS advisory, a.cabin, a.unit, e.seq, e.body
    FROM advisory AS a JOIN advisory_event AS e ON e.advisory = a.id WHERE a.id = $number ORDER BY e.seq
"""


def kept_advisory(con: duckdb.DuckDBPyConnection, number: str) -> Kept | None:
    """The advisory of that number."""
    found = latest(con.execute(_EVENTS_OF, {"number": number}).df())
    return next(iter(found.values()), None)


def open_advisory(con: duckdb.DuckDBPyConnection, key: tuple[str, str]) -> Kept | None:
    """The unit's open advisory."""
    found = con.execute(
        "SELECT arg_max(id, raised_at) FROM advisory WHERE cabin = $cabin AND unit = $unit", _names(key)).fetchone()
    kept = kept_advisory(con, found[0]) if found and found[0] else None
    return kept if kept is not None and kept.advisory.state is not State.LIFTED else None


def watch(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, now: datetime, touched: Iterable[tuple[str, str]],
) -> list[tuple[str, str, Event]]:
    """Raise, re-measure and prove; returns what was appended, as (advisory, unit, event).

    Each unit in a transaction of its own, so that one that cannot be weighed is noted (`ingest.faults`) and does
    not hold up the others; not to be called within a transaction.
    """
    # whatever the clock says: one set back must not hide an advisory and raise it a second time
    known = latest(con.execute(LATEST_EVENTS, {"now": FOREVER}).df())
    open_units = {key for key, kept in known.items() if kept.advisory.state is not State.LIFTED}
    graced = set(con.execute("""
        SELECT DISTINCT cabin, unit FROM segment
        WHERE kind = 'unheard' AND underdosed_l_upper > 0 AND "end" > $recent
    """, {"recent": now - 4 * GRACE}).fetchall())
    out: list[tuple[str, str, Event]] = []
    for key in sorted({*touched, *open_units, *graced}):
        try:
            unit = fleet.unit(*key)
        except KeyError:
            continue

        def work(key: tuple[str, str] = key, unit: Unit = unit) -> None:
            out.extend(transaction(con, lambda: _watch_unit(
                con, key, unit, fleet, known.get(key), now)))

        faults.attempt(con, faults.ADVISORY, key, now, work)
    return out


def _watch_unit(
    con: duckdb.DuckDBPyConnection, key: tuple[str, str], unit: Unit, fleet: Fleet, kept: Kept | None,
    now: datetime,
) -> list[tuple[str, str, Event]]:
    state = _state(con, key, fleet)
    if state is None:
        return []
    carry = state[1]
    advisory = kept.advisory if kept else None
    now = max(now, advisory.updated_at) if advisory else now
    standing = advisory if advisory is not None and advisory.state is not State.LIFTED else None
    events: list[Event] = []
    asked = _exposure_event(con, key, fleet, state, advisory, now)
    if asked is not None:
        events.append(asked)
        standing = advance(standing, asked)
    if standing is not None and standing.evidence_since is not None:  # before, nothing counts
        fresh = new_proofs(standing, current_proofs(con, key, fleet, carry, standing, now))
        events += fresh
        if events:  # only then can a sample that was taken begin to count
            for proof in fresh:
                standing = advance(standing, proof)
            events += samples_that_count(con, key, standing, now)
    if not events:
        return []
    number, seq = (kept.id, kept.next_seq) if kept and advisory and advisory.state is not State.LIFTED else (
        new_advisory(con, key, events[0]), 1)
    for offset, event in enumerate(events):
        append(con, number, seq + offset, event, now)
        logger.info("advisory %s of %s/%s: %s", number, *key, event.kind)
    return [(number, f"{key[0]}/{key[1]}", event) for event in events]


def _exposure_event(
    con: duckdb.DuckDBPyConnection, key: tuple[str, str], fleet: Fleet, state: tuple[pd.DataFrame, UnitState],
    advisory: Advisory | None, now: datetime,
) -> Raised | Exposed | Remeasured | None:
    """What the unit's under-dosed water asks of its latest advisory, or of a new one."""
    standing = advisory if advisory is not None and advisory.state is not State.LIFTED else None
    exposure = _exposure(con, key, fleet, *state, standing, now)
    if exposure is None or (standing and _hardly_more(exposure, standing.exposure)):
        return None
    return exposure_event(advisory, exposure, at=now, hot_tank_l=fleet.unit(*key).hot_tank_l, policy=fleet.policy)


def exposure_now(
    con: duckdb.DuckDBPyConnection, key: tuple[str, str], fleet: Fleet, kept: Kept | None, now: datetime
) -> Raised | Exposed | Remeasured | None:
    """What `watch` would record of the unit's under-dosed water now; nothing is recorded.

    Parameters
    ----------
    kept : Kept or None
        The unit's open advisory.
    """
    state = _state(con, key, fleet)
    if state is None:
        return None
    advisory = kept.advisory if kept else None
    now = max(now, advisory.updated_at) if advisory else now
    return _exposure_event(con, key, fleet, state, advisory, now)


def _state(
    con: duckdb.DuckDBPyConnection, key: tuple[str, str], fleet: Fleet
) -> tuple[pd.DataFrame, UnitState] | None:
    """The unit's state after its latest reading, as a table of one row and as one value; None: never heard."""
    found = frame(con.execute(f"{PRESENT} WHERE cabin = $cabin AND unit = $unit", _names(key)))
    return None if found.empty else (found, unit_states(found, fleet)[key])


def _hardly_more(new: Exposure, known: Exposure) -> bool:
    """Whether an exposure that goes on has grown too little since it was recorded to record it again.

    Every reading makes it larger; the record wants its beginning, its end and its size, and the end is exact.
    """
    if new.end is not None or known.end is not None or new.cause is not known.cause:
        return False
    was, now = known.underdosed_l_upper or 0.0, new.underdosed_l_upper or 0.0
    return now - was < max(MORE_L, MORE_SHARE * was)


def append(con: duckdb.DuckDBPyConnection, number: str, seq: int, event: Event, now: datetime) -> None:
    """Add an event to an advisory's record."""
    con.execute("INSERT INTO advisory_event VALUES ($number, $seq, $at_, $body, $now)", {
        "number": number, "seq": seq, "at_": event.at, "body": to_json(event), "now": now})


def new_advisory(con: duckdb.DuckDBPyConnection, key: tuple[str, str], event: Event) -> str:
    """Begin a record; its number."""
    found = con.execute("SELECT nextval('advisory_number')").fetchone()
    number = f"a{found[0] if found else 0}"
    con.execute("INSERT INTO advisory VALUES ($number, $cabin, $unit, $at_)", {
        "number": number, **_names(key), "at_": event.at})
    return number


def exposed(
    con: duckdb.DuckDBPyConnection, key: tuple[str, str], standing: Advisory | None = None
) -> pd.DataFrame:
    """Under-dosed segments that no lifted advisory has answered.

    A lifted one answers what passed up to the last under-dosed litre it knew of; what late data tell of the time
    from then on was never answered, though it was before the lifting.
    """
    found = con.execute(LIFTED_EVENTS, _names(key)).df()
    answered = NEVER
    if len(found):
        last = replay(from_json(body) for body in found["body"])
        answered = last.evidence_since or last.updated_at
    if standing is not None and standing.exposure.cause not in OF_PEOPLE:
        answered = min(answered, standing.exposure.start)
    return con.execute(_EXPOSED, {**_names(key), "answered": answered}).df()


def exposure_of(rows: pd.DataFrame, dose_target_mj_cm2: float) -> Exposure:
    """Under-dosed segments as one exposure that is over."""
    dose = rows["dose_low_mj_cm2"]
    return Exposure(
        cause=_worst(rows), start=rows["start"].min().to_pydatetime(), end=rows["end"].max().to_pydatetime(),
        underdosed_l=float(rows["underdosed_l"].sum(min_count=1)),
        underdosed_l_upper=float(rows["underdosed_l_upper"].sum()),
        dose_low_mj_cm2=None if dose.isna().any() else float(dose.min()),
        dose_target_mj_cm2=dose_target_mj_cm2)


def _exposure(
    con: duckdb.DuckDBPyConnection, key: tuple[str, str], fleet: Fleet, states: pd.DataFrame, carry: UnitState,
    standing: Advisory | None, now: datetime,
) -> Exposure | None:
    """All under-dosed water that no lifted advisory has answered; None if there never was any."""
    rows = exposed(con, key, standing)
    # at least a second of it, or a reading that just came would say of nothing that it goes on
    unit = fleet.unit(*key)
    until = max(min(now, carry.at + timedelta(seconds=unit.overdue_s)), carry.at + timedelta(seconds=1))
    tail = tails(states, load_history(Local(con)), until)[key]
    tail = tail[(tail["kind"] != "unheard") & (tail["underdosed_l_upper"] > 0)]
    rows = rows[~_graced(rows, now)]
    going_on = len(tail) > 0
    rows = pd.concat([rows, tail[list(rows.columns)]], ignore_index=True) if going_on else rows
    if rows.empty:
        if standing is None or standing.exposure.cause in OF_PEOPLE:
            return None
        known = standing.exposure  # late data explained all of it: the figures fall, the advisory stays
        return Exposure(
            cause=known.cause, start=known.start, end=known.end or now, underdosed_l=0.0, underdosed_l_upper=0.0,
            dose_low_mj_cm2=known.dose_low_mj_cm2, dose_target_mj_cm2=known.dose_target_mj_cm2)
    found = exposure_of(rows, unit.dose_target_mj_cm2)
    end = rows["end"].max().to_pydatetime()
    if standing is None:
        old = not going_on and end < now - OLD and _replaced_since(con, key, unit, end)
        return None if old else replace(found, end=None if going_on else end)
    known = standing.exposure
    return replace(
        found, start=min(found.start, known.start), finding=known.finding,
        end=None if going_on else end if known.end is None else max(end, known.end))


def _graced(rows: pd.DataFrame, now: datetime) -> pd.Series:
    """Parts of silences that ended within the grace; stored segments end with each hour, a silence does not."""
    unheard = rows["kind"] == "unheard"
    goes_on = unheard & unheard.shift(-1, fill_value=False) & (rows["start"].shift(-1) == rows["end"])
    silence = (~goes_on.shift(1, fill_value=False)).cumsum()
    return unheard & (rows["end"].groupby(silence).transform("max") > pd.Timestamp(now - GRACE))


def _replaced_since(con: duckdb.DuckDBPyConnection, key: tuple[str, str], unit: Unit, since: datetime) -> bool:
    found = con.execute(_IN_SPEC, {**_names(key), "since": since}).fetchone()
    cold_l, hot_l = flush_volumes(unit)
    if cold_l is None or hot_l is None:
        return False  # of plumbing that nobody enrolled, nobody knows that
    return bool(found) and found[0] >= FLUSHES_SINCE * (cold_l + hot_l)  # type: ignore[index]


def _worst(rows: pd.DataFrame) -> Cause:
    for kind, cause, worst in _CAUSES:
        if ((rows["kind"] == kind) & ((rows["cause"] == cause) | (cause == ""))).any():
            return worst
    return Cause.UNHEARD


def flush_volumes(unit: Unit) -> tuple[float | None, float | None]:
    """Litres, rounded up, that replace 99.9 % of what stands in the cold pipes, and in the hot tank.

    None where how much stands there is not enrolled; a hot flush needs both volumes, and is 0 without a tank.
    """
    if unit.cold_plumbing_l is None:
        return None, 0.0 if unit.hot_tank_l == 0 else None
    behind = Plumbing(cold_l=unit.cold_plumbing_l, hot_tank_l=unit.hot_tank_l or 0.0, peclet=FLUSH_PECLET)
    cold_l = math.ceil(flush_cold_l(behind, REPLACED[1]))
    return cold_l, None if unit.hot_tank_l is None else math.ceil(flush_hot_l(behind, REPLACED[1]))


def current_proofs(
    con: duckdb.DuckDBPyConnection, key: tuple[str, str], fleet: Fleet, carry: UnitState, advisory: Advisory,
    now: datetime,
) -> tuple[Proof, ...]:
    """What the sensors say now of an open advisory's steps."""
    since = advisory.evidence_since
    bad_until = metered_l = None
    flushed: tuple[datetime | None, datetime | None] = (None, None)
    if since is not None:
        # .df(), because fetchone() of an instant would need another package for its time zone
        found = con.execute(_GOOD_SINCE, {**_names(key), "since": since}).df()["since"].iloc[0]
        bad_until = None if pd.isna(found) else found.to_pydatetime()
        # lit water alone is counted, so a short dark or silent stretch without a draw takes no litre back
        metered = con.execute(_METERED, {**_names(key), "since": since}).fetchone()
        metered_l = None if metered is None or metered[0] is None else float(metered[0])
        cold_l, hot_l = flush_volumes(fleet.unit(*key))
        if metered_l is not None and cold_l is not None and metered_l >= cold_l:
            both_l = math.inf if hot_l is None else cold_l + hot_l  # what is not known is never reached
            given = {**_names(key), "since": since, "cold": float(cold_l), "both": float(both_l)}
            ends = con.execute(_FLUSHED_AT, given).df().iloc[0]
            cold, both = (None if pd.isna(one) else one.to_pydatetime() for one in ends)
            flushed = cold, both
    return proofs_of(
        fleet, key, carry, advisory, now, bad_until=bad_until, metered_l=metered_l, flushed_at=flushed)


def proofs_of(
    fleet: Fleet, key: tuple[str, str], carry: UnitState, advisory: Advisory, now: datetime, *,
    bad_until: datetime | None, metered_l: float | None,
    flushed_at: tuple[datetime | None, datetime | None] = (None, None),
) -> tuple[Proof, ...]:
    """The same from what was asked of the store.

    Parameters
    ----------
    bad_until : datetime or None
        End of the last segment since `advisory.evidence_since` that was not lit; None: there was none.
    metered_l : float or None
        Litres of the lit segments since then; None: there was none, or none was metered. [L]
    flushed_at : (datetime or None, datetime or None)
        When they reached the cold flush, and both flushes; None: not known, or not yet.
    """
    unit = fleet.unit(*key)
    heard = now - carry.at <= timedelta(seconds=unit.overdue_s)
    since = advisory.evidence_since
    dose_ok_min = None
    if since is None or not heard:
        metered_l = None
    else:
        good_since = since if bad_until is None else max(since, bad_until)
        enough = carry.dose_low_at_peak_mj_cm2 is not None and (
            carry.dose_low_at_peak_mj_cm2 >= unit.dose_target_mj_cm2)
        lit = bool(carry.lit)
        dose_ok_min = (carry.at - good_since) / timedelta(minutes=1) if enough and lit else (
            None if carry.dose_low_at_peak_mj_cm2 is None else 0.0)
        if metered_l is None and carry.flow_l_min is not None:
            metered_l = 0.0
    cold_l, hot_l = flush_volumes(unit)
    return proofs(
        at=max(now, advisory.updated_at), power_on_since=carry.power_since if heard else None,
        lamp_on_since=(carry.lamp_since or carry.lit_from) if heard else None,
        power_on=carry.power_on if heard else None, lamp_on=carry.lit if heard else None,
        dose_ok_min=max(0.0, dose_ok_min) if dose_ok_min is not None else None, metered_l=metered_l,
        flush_cold_l=cold_l, flush_hot_l=hot_l, flushed_cold_at=flushed_at[0], flushed_hot_at=flushed_at[1],
        policy=fleet.policy)


def _names(key: tuple[str, str]) -> dict[str, Any]:
    return {"cabin": key[0], "unit": key[1]}

