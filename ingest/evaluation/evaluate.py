"""What readings mean, worked out after each commit, for the units that it touched and no others.

Everything here is derived: a pure function of what is stored, so it can always be worked out again, in any order
of arrival. A commit notes in `pending` what it owes, in its own transaction; the evaluation pays that in another.
All units that are owed go through together: one read and one write a table.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import duckdb
import numpy as np
import pandas as pd

from ingest.db import past
from ingest.db.engine import Local, named, transaction
from ingest.db.frames import frame
from ingest.db.intake import Touched
from ingest.evaluation import faults
from ingest.evaluation.daily import owe_days, pay_days
from ingest.evaluation.judging import STATE_SQL, UnitColumns, holding, with_doses
from ingest.evaluation.pace import Pace
from ingest.evaluation.play import Past, loaded_past, play
from ingest.evaluation.sensor_checks import Checked
from ingest.evaluation.watch import watch
from ingest.record.advisory_log import FOREVER
from ingest.registry.tables import load_fleet, load_whole_fleet, load_whole_history
from models.exposure import cut, exposure, hourly, instants, microseconds, segments
from models.exposure.instants import NEVER, Bools, Floats, Ints
from models.exposure.resume import STATE_COLUMNS
from models.fleet import Fleet

logger = logging.getLogger(__name__)

NEAR = pd.Timedelta(days=2)  # where a unit's last states before new readings nearly always lie
SINCE_EVER = pd.Timestamp("2000-01-01", tz="UTC")
EARLIEST_US = SINCE_EVER.value // 1000

_SEGMENT = (
    "cabin", "unit", "start", "end", "kind", "cause", "rests_on", "seconds", "drawn_l", "drawn_l_upper",
    "underdosed_l", "underdosed_l_upper", "dose_low_mj_cm2", "severity",
)
_UNDERDOSED = (
    "cabin", "unit", "start", "end", "kind", "cause", "underdosed_l", "underdosed_l_upper", "dose_low_mj_cm2",
    "severity")
_HOURLY = (
    "cabin", "unit", "hour", "volume_l", "volume_l_upper", "underdosed_l", "underdosed_l_upper", "in_spec_l",
    "dose_p05_mj_cm2", "dose_p50_mj_cm2", "lit_s", "warming_s", "weak_s", "dark_s", "unheard_s",
)

# One row per state that an owed unit might be taken up from: few columns of some 48 rows a unit.
_STATES_BEFORE = """
    SELECT o.unit_no, s.at_us, s.tick_at_us, s.total_l_at_us, s.lamp_hours
    FROM owed AS o JOIN resume_state AS s ON s.cabin = o.cabin AND s.unit = o.unit AND s."at" < o.touched
    WHERE s."at" >= $floor ORDER BY o.unit_no, s.at_us
"""
# Of each owed unit, whether what is read from where the news begins to matter holds a running total, and a lamp's
# counter.
_NEWS = """
    SELECT o.unit_no, bool_or(r.total_l IS NOT NULL) AS totals, bool_or(r.lamp_hours IS NOT NULL) AS counts
    FROM owed AS o JOIN whole_reading AS r ON r.cabin = o.cabin AND r.unit = o.unit AND r."at" >= o.touched
    WHERE r."at" >= $floor GROUP BY ALL
"""
# Of each owed unit what was read between its last state before the news and the news.
_BEFORE_NEWS = """
    SELECT o.unit_no, epoch_us(r."at") AS at_us, r.total_l IS NOT NULL AS totals, r.lamp_hours
    FROM before AS o JOIN whole_reading AS r
        ON r.cabin = o.cabin AND r.unit = o.unit AND r."at" > o.state_at AND r."at" < o.touched
    WHERE r."at" > $floor AND r."at" < $until ORDER BY o.unit_no, r."at"
"""
_STATES = f"""
    SELECT p.unit_no, {STATE_SQL} FROM resume_state AS s
    JOIN resume AS p ON s.cabin = p.cabin AND s.unit = p.unit AND s."at" = p."from" WHERE s."at" >= $floor
    ORDER BY p.unit_no
"""  # noqa: S608  (names from our own list)
# Units that may have new under-dosed water: drawing now, or not known to be lit, or under-dosed of late; and those
# with an open advisory or an unexplained gap.
_SUSPECTS = """
    SELECT w.cabin, w.unit FROM worked AS w JOIN present AS p USING (cabin, unit)
    WHERE p.flow_l_min IS DISTINCT FROM 0 OR p.lamp <> 1
        OR EXISTS (FROM to_watch AS t WHERE t.cabin = w.cabin AND t.unit = w.unit)
        OR EXISTS (FROM underdosed AS u WHERE u.cabin = w.cabin AND u.unit = w.unit AND u."end" > $since)
    ORDER BY ALL
"""
# Of each unit that is taken up, the link's changes since then and the last one before.
LINK_EVENTS = """
    SELECT unit_no, "at", up FROM (
        SELECT l.*, s.unit_no, s."from",
            lead(l."at") OVER (PARTITION BY l.cabin, l.unit ORDER BY l."at") AS following
        FROM link_event AS l JOIN resume AS s ON l.cabin = s.cabin AND l.unit = s.unit)
    WHERE following IS NULL OR following > "from"
"""
# All readings after the state that each unit is taken up from.
READINGS = """
    SELECT s.unit_no, r.* EXCLUDE (cabin, unit, arrived_at) FROM whole_reading AS r
    JOIN resume AS s ON r.cabin = s.cabin AND r.unit = s.unit AND r."at" > s."from"
    WHERE r."at" > $floor AND r."at" <= $until ORDER BY s.unit_no, r."at"
"""
WATER_TESTS = """
    SELECT s.unit_no, e."at", e.value AS uvt_pct FROM service_done AS e
    JOIN resume AS s ON e.cabin = s.cabin AND e.unit = s.unit
    WHERE e.kind = 'water-tested' AND e."at" <= $until ORDER BY s.unit_no, e."at"
"""
# All checks of these units' sensors: one made later than a reading says what the sensor read then.
SENSOR_CHECKS = """
    SELECT s.unit_no, e.kind, e."at", e.value, e.who FROM service_done AS e
    JOIN resume AS s ON e.cabin = s.cabin AND e.unit = s.unit
    WHERE e.kind IN ('sensor-checked', 'uvt-sensor-checked')
"""


def owe(con: duckdb.DuckDBPyConnection, touched: Touched) -> None:
    """Note what the evaluation owes; the caller holds the transaction."""
    if not touched:
        return
    con.register("touched", pd.DataFrame(
        [(cabin, unit, since, until) for (cabin, unit), (since, until) in touched.items()],
        columns=["cabin", "unit", "since", "until"]))
    con.execute("INSERT INTO pending SELECT cabin, unit, since, until FROM touched")
    con.unregister("touched")


def owe_all(con: duckdb.DuckDBPyConnection, units: Iterable[tuple[str, str]]) -> None:
    """Note that these units are to be worked out from their first reading."""
    owe(con, dict.fromkeys(units, (SINCE_EVER, SINCE_EVER)))


def evaluate(
    con: duckdb.DuckDBPyConnection, now: datetime, pace: Pace | None = None
) -> list[tuple[str, str]]:
    """Pay what is owed, then see what it means for the advisories of the units touched.

    Parameters
    ----------
    con : connection
        The store's, held by this process alone.
    now : datetime
        The store's present instant.
    pace : Pace, optional
        Has units wait whose long past was worked out a moment ago; None: nobody waits.

    Returns
    -------
    list of (cabin, unit)
        The units worked out.
    """
    waiting = pace.begin(con, now) if pace is not None else frozenset()
    fleet = load_fleet(Local(con))
    since = frame(con.execute("SELECT min(since) AS since FROM pending"))["since"].iloc[0]
    past = loaded_past(con)
    keys = derive(con, fleet, now, waiting)
    if keys:
        suspects = [key for key in _suspects(con, keys, since.to_pydatetime()) if fleet.has_unit(*key)]
        play(con, fleet, now, sorted(set(past) & set(suspects)), Past(known_at=now))
        watch(con, fleet, now, suspects)
    pay_days(con, load_whole_fleet(Local(con)), now)  # after the advisories: nobody waits for a lamp's trend
    if pace is not None:
        pace.end()
    return keys


def _suspects(
    con: duckdb.DuckDBPyConnection, keys: list[tuple[str, str]], since: datetime
) -> list[tuple[str, str]]:
    """Of the units worked out, those whose water there is anything to weigh of.

    Not the many that burn while nobody draws water and that were under-dosed at no time since a day before the
    news.
    """
    con.register("worked", pd.DataFrame(keys, columns=["cabin", "unit"]))
    found = con.execute(_SUSPECTS, {"since": since - timedelta(days=1)}).fetchall()
    con.unregister("worked")
    return [(cabin, unit) for cabin, unit in found]


def derive(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, now: datetime | None = None,
    waiting: frozenset[tuple[str, str]] = frozenset(),
) -> list[tuple[str, str]]:
    """Work out intervals, states and hours of every unit to which something is owed; the units done.

    A unit that cannot be worked out stays owed, is noted (`ingest.evaluation.faults`), and does not hold up the
    others. Those that are `waiting` stay owed too.
    """
    owed = frame(con.execute(
        "SELECT cabin, unit, min(since) AS since FROM pending GROUP BY ALL ORDER BY ALL"))
    if waiting:
        waits = [(one.cabin, one.unit) in waiting for one in named(owed)]
        owed = owed[~np.array(waits, bool)].reset_index(drop=True)
    if owed.empty:
        return []
    now = now or datetime.now(UTC)
    at_fault = faults.standing(con, faults.EVALUATION)
    apart = np.array([(one.cabin, one.unit) in at_fault for one in named(owed)])
    done: list[tuple[str, str]] = []
    if not apart.all():
        try:
            done = _derive_all(con, owed[~apart].reset_index(drop=True))
        except duckdb.FatalException:
            raise
        except Exception:  # of one unit, but all were worked out together: now each alone
            logger.warning("units could not be worked out together: now each alone")
            apart[:] = True
    for number in np.flatnonzero(apart).tolist():
        alone = owed.iloc[[number]].reset_index(drop=True)
        key = (alone["cabin"].iloc[0], alone["unit"].iloc[0])

        def work(alone: pd.DataFrame = alone) -> None:
            _derive_all(con, alone)

        if faults.attempt(con, faults.EVALUATION, key, now, work):
            done.append(key)
    return sorted(done)


def _derive_all(con: duckdb.DuckDBPyConnection, owed: pd.DataFrame) -> list[tuple[str, str]]:
    """The same for these units, all or none."""
    keys = [(one.cabin, one.unit) for one in named(owed)]
    units = UnitColumns.of(load_whole_history(Local(con)), keys)  # what comes late of a retired one is on record
    owed = owed.assign(unit_no=np.arange(len(owed)))
    from_us = _resume_from(con, owed, units.look_ahead_us)
    resume = owed[["cabin", "unit", "unit_no"]].assign(**{"from": instants(from_us)})
    floor = {"floor": resume["from"].min().to_pydatetime()}
    con.register("resume", resume)
    try:
        states = frame(con.execute(_STATES, floor))
        if len(states) != np.count_nonzero(from_us != EARLIEST_US):
            raise ValueError("a state to take up from is not as it was written")
        readings = past.ask(
            Local(con), READINGS, {**floor, "until": FOREVER}, since=floor["floor"], spans=_from(resume, "from"))
        links, tests = frame(con.execute(LINK_EVENTS)), frame(con.execute(WATER_TESTS, {"until": FOREVER}))
        sensors = Checked.of(frame(con.execute(SENSOR_CHECKS)))
        has = np.zeros(len(keys), bool)
        has[readings["unit_no"].to_numpy(np.int64)] = True
        states = states[has[states["unit_no"].to_numpy(np.int64)]].reset_index(drop=True)
        dosed = with_doses(readings, units, tests, states, sensors)
        rows = dosed.rows
        pieces, found = exposure(
            rows, dose_low_mj_cm2=dosed.dose_low_mj_cm2, dose_low_at_peak_mj_cm2=dosed.dose_low_at_peak_mj_cm2,
            dose_mj_cm2=dosed.tested_mj_cm2, dose_at_peak_mj_cm2=dosed.tested_at_peak_mj_cm2, links=links)
        parts = cut(pieces, units.period)
        start_us = np.full(len(keys), NEVER, np.int64)
        start_us[states["unit_no"].to_numpy(np.int64)] = states["at_us"].to_numpy(np.int64)
        written = (
            segments(parts, units.period, rows.hour_ends),
            _whole_hours(hourly(parts, units.period), start_us, units.period),
            found[found["at_us"].to_numpy() > start_us[found["unit_no"].to_numpy()]].reset_index(drop=True))
        transaction(con, lambda: _write(con, units, floor, owed, *written))
    finally:
        con.unregister("resume")
    return keys


def _whole_hours(hours: pd.DataFrame, start_us: Ints, period: Ints) -> pd.DataFrame:
    """Without the period in which a state stands that was taken up from: that one was whole before."""
    unit_no = hours["unit_no"].to_numpy(np.int64)
    each = period[unit_no]
    whole: pd.DataFrame = hours[microseconds(hours["hour"]) // each > start_us[unit_no] // each]
    return whole


def _resume_from(con: duckdb.DuckDBPyConnection, owed: pd.DataFrame, look_ahead_us: Ints) -> Ints:
    """Per owed unit the state that it is taken up from; the earliest instant where it has no such history.

    The news can change what lies before it, from the last row before it that does not look ahead to it, and as far
    back as a running total and a lamp's counter still had to tell: from there on all is worked out again. The state
    taken up from stands before that row, so that the interval that begins at it, and with it the period in which it
    stands, is as it was.
    """
    touched = microseconds(owed["since"]) - look_ahead_us
    owed = owed.assign(touched=instants(touched))
    out, totals, counts = np.full(len(owed), NEVER), np.zeros(len(owed), bool), np.zeros(len(owed), bool)
    try:
        con.register("owed", owed)
        first = owed["touched"].min().to_pydatetime()
        news = past.ask(Local(con), _NEWS, {"floor": first}, since=first, spans=_from(owed, "touched"))
        i = news["unit_no"].to_numpy(np.int64)
        totals[i], counts[i] = news["totals"].to_numpy(dtype=bool), news["counts"].to_numpy(dtype=bool)
        for floor in (owed["touched"].min() - NEAR, SINCE_EVER):
            left = owed[out == NEVER]
            con.register("owed", left)
            before = _Before.of(frame(con.execute(_STATES_BEFORE, {"floor": floor.to_pydatetime()})), len(owed))
            before.read(_before_news(con, left, before.state_at(touched)[out == NEVER]))
            out = np.where(out == NEVER, before.resume_from(touched, totals, counts), out)
            if (out != NEVER).all():
                break
    finally:
        con.unregister("owed")
    return np.where(out == NEVER, EARLIEST_US, out)


def _from(units: pd.DataFrame, column: str) -> Iterator[past.Span]:
    """Each unit with all the time from the instant in that column on."""
    return (
        (str(cabin), str(unit), at.to_pydatetime(), past.FOREVER)
        for cabin, unit, at in zip(units["cabin"], units["unit"], units[column], strict=True))


def _before_news(con: duckdb.DuckDBPyConnection, owed: pd.DataFrame, state_at: Ints) -> pd.DataFrame:
    """Of the units that have such a state, what was read after it and before the news."""
    has = state_at != NEVER
    before = owed[has].assign(state_at=instants(state_at[has]))
    if before.empty:
        return pd.DataFrame({"unit_no": [], "at_us": [], "totals": [], "lamp_hours": []})
    con.register("before", before)
    try:
        given = {
            "floor": before["state_at"].min().to_pydatetime(), "until": before["touched"].max().to_pydatetime()}
        return past.ask(Local(con), _BEFORE_NEWS, given, since=given["floor"], spans=_from(before, "state_at"))
    finally:
        con.unregister("before")


@dataclass(slots=True)
class _Before:
    """Of many units what stands before their news: states, and what was read since the last of them.

    Each instant says when the counter had last moved up to there, and when a total was last read: of a state that
    is known, of a row after the last one too. Sorted by unit and instant.
    """

    units: Ints
    number: Ints
    at: Ints
    tick_at: Ints
    total_at: Ints
    is_state: Bools
    lamp_hours: Floats

    @classmethod
    def of(cls, states: pd.DataFrame, units: int) -> _Before:
        """Of a table of states."""
        number, at, tick_at, total_at = (
            states[name].to_numpy(np.int64) for name in ("unit_no", "at_us", "tick_at_us", "total_l_at_us"))
        return cls(
            np.arange(units), number, at, tick_at, total_at, np.ones(len(states), bool),
            states["lamp_hours"].to_numpy(dtype=float))

    def state_at(self, instant: Ints) -> Ints:
        """Per unit its last state before that instant; `NEVER` where there is none."""
        i = holding(self.number[self.is_state], self.at[self.is_state], self.units, instant - 1)
        return np.append(self.at[self.is_state], NEVER)[i]

    def read(self, rows: pd.DataFrame) -> None:
        """Add what was read after each unit's last state."""
        if rows.empty:
            return
        number = np.concatenate([self.number, rows["unit_no"].to_numpy(np.int64)])
        at = np.concatenate([self.at, rows["at_us"].to_numpy(np.int64)])
        order = np.lexsort((at, number))
        index = np.arange(order.size)
        never = np.full(len(rows), NEVER)
        self.number, self.at = number[order], at[order]
        self.is_state = (np.arange(order.size) < self.is_state.size)[order]
        starts = np.append(True, self.number[1:] != self.number[:-1])
        first = np.maximum.accumulate(np.where(starts, index, 0))

        def last(valid: Bools) -> Ints:
            return np.maximum(np.maximum.accumulate(np.where(valid, index, 0)), first)

        totals = np.concatenate([np.zeros(self.total_at.size, bool), rows["totals"].to_numpy(dtype=bool)])[order]
        total_at = np.where(totals, self.at, np.concatenate([self.total_at, never])[order])
        self.total_at = total_at[last(totals | self.is_state)]
        hours = np.concatenate([self.lamp_hours, rows["lamp_hours"].to_numpy(dtype=float)])[order]
        known = last(~np.isnan(hours))
        before = np.append(np.nan, hours[known][:-1])
        ticks = ~np.isnan(hours) & (hours != before) & ~self.is_state
        tick_at = np.where(ticks, self.at, np.concatenate([self.tick_at, never])[order])
        self.tick_at, self.lamp_hours = tick_at[last(ticks | self.is_state)], hours

    def resume_from(self, touched: Ints, totals: Bools, counts: Bools) -> Ints:
        """Per unit the last state before all that its news can change; `NEVER` where there is none.

        What lies within one step of the counter, or between two totals, is judged together: the one may reach
        further back into the other, until both have begun.
        """
        i = holding(self.number, self.at, self.units, touched - 1)
        floor = np.append(self.at, NEVER)[i]
        while True:
            i = holding(self.number, self.at, self.units, floor)
            tick, total = np.append(self.tick_at, NEVER)[i], np.append(self.total_at, NEVER)[i]
            further = np.where(counts & (tick != NEVER), np.minimum(floor, tick), floor)
            further = np.where(totals & (total != NEVER), np.minimum(further, total), further)
            if (further == floor).all():
                return self.state_at(floor)
            floor = further


def _write(
    con: duckdb.DuckDBPyConnection, units: UnitColumns, floor: dict[str, datetime], owed: pd.DataFrame,
    parts: pd.DataFrame, hours: pd.DataFrame, states: pd.DataFrame,
) -> None:
    """Replace what was derived after each unit's state, strike what was owed; the caller holds the transaction."""
    con.execute("""
        DELETE FROM segment USING resume AS s WHERE segment.cabin = s.cabin AND segment.unit = s.unit
        AND segment.start >= s."from" AND segment.start >= $floor""", floor)
    con.execute("""
        DELETE FROM underdosed AS u USING resume AS s WHERE u.cabin = s.cabin AND u.unit = s.unit
        AND u.start >= s."from" AND u.start >= $floor""", floor)
    con.execute("""
        DELETE FROM resume_state AS t USING resume AS s WHERE t.cabin = s.cabin AND t.unit = s.unit
        AND t."at" > s."from" AND t."at" > $floor""", floor)
    con.register("periods", pd.DataFrame({"unit_no": np.arange(len(units.keys)), "period_us": units.period}))
    con.execute("""
        DELETE FROM hourly USING resume AS s, periods AS p WHERE hourly.cabin = s.cabin AND hourly.unit = s.unit
        AND p.unit_no = s.unit_no AND hourly.hour >= date_trunc('hour', $floor::TIMESTAMPTZ)
        AND epoch_us(hourly.hour) // p.period_us > epoch_us(s."from") // p.period_us
    """, floor)
    con.unregister("periods")
    number = states["unit_no"].to_numpy(np.int64)
    state = states.assign(
        **units.names(number), at=instants(states["at_us"].to_numpy(np.int64)),
        latest=np.append(number[1:] != number[:-1], True)[: number.size])
    kept = ("cabin", "unit", "at", *STATE_COLUMNS)
    parts = parts.assign(**units.names(parts["unit_no"].to_numpy(np.int64)))
    for into, columns, written in (
        (("segment",), _SEGMENT, parts), (("underdosed",), _UNDERDOSED, parts[parts["underdosed_l_upper"] > 0]),
        (("hourly",), _HOURLY, hours.assign(**units.names(hours["unit_no"].to_numpy(np.int64)))),
        (("resume_state", "present"), kept, state),
    ):
        if len(written):
            _insert(con, into, columns, written)
    con.register("worked", owed)
    owe_days(con, SINCE_EVER)
    con.execute("DELETE FROM pending USING worked AS w WHERE pending.cabin = w.cabin AND pending.unit = w.unit")
    con.unregister("worked")


def _insert(
    con: duckdb.DuckDBPyConnection, into: tuple[str, ...], columns: tuple[str, ...], written: pd.DataFrame
) -> None:
    """Write these columns; into `present`, which holds one row a unit, the latest in place of the one before."""
    con.register("derived", written[[*columns, *(("latest",) if "present" in into else ())]])
    names = ", ".join(f'"{column}"' for column in columns)
    for table in into:
        if table == "present":
            con.execute(
                "DELETE FROM present USING derived AS d WHERE present.cabin = d.cabin AND present.unit = d.unit")
        only = " WHERE latest" if table == "present" else ""
        con.execute(f"INSERT INTO {table} ({names}) SELECT {names} FROM derived{only}")  # noqa: S608
    con.unregister("derived")
