"""What readings mean, worked out after each commit, for the units that it touched and no others.

Everything here is derived: a pure function of what is stored, so it can always be worked out again, in any order
of arrival. A commit notes in `pending` what it owes, in its own transaction; the evaluation pays that in another.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import duckdb
import numpy as np
import pandas as pd

from ingest import faults
from ingest.daily import owe_days, pay_days
from ingest.engine import Local, by_unit, named, transaction
from ingest.intake import Touched
from ingest.registry import load_fleet
from ingest.watch import watch
from models.carry import plain_rows
from models.dose import assess
from models.fleet import Fleet, Reactor, Unit
from models.outage import Carry, held, hourly, segments, timeline

logger = logging.getLogger(__name__)

NEAR = pd.Timedelta(days=2)  # where a unit's last state before new readings nearly always lies
EARLIEST = pd.Timestamp("2000-01-01", tz="UTC")

_SEGMENT = (
    "cabin", "unit", "start", "end", "kind", "cause", "rests_on", "seconds", "drawn_l", "drawn_l_upper",
    "underdosed_l", "underdosed_l_upper", "dose_low_mj_cm2",
)
_HOURLY = (
    "cabin", "unit", "hour", "volume_l", "underdosed_l", "underdosed_l_upper", "in_spec_l", "dose_p05_mj_cm2",
    "dose_p50_mj_cm2", "lit_s", "warming_s", "weak_s", "dark_s", "unheard_s",
)

# The state to resume from: one hour further back than the last before the news, so that the hour in which
# they fall is worked out whole. `settled` states only: what comes after an unsettled one may still change it.
_RESUME = """
    SELECT owed.cabin, owed.unit, list_slice(
        list(carry.state ORDER BY carry."at" DESC) FILTER (json_extract(carry.state, '$.settled') = 'true'), 2, 2
    ) AS state
    FROM owed JOIN carry ON carry.cabin = owed.cabin AND carry.unit = owed.unit AND carry."at" < owed.since
    WHERE carry."at" >= $floor GROUP BY ALL
"""
# Units that may have new under-dosed water: drawing now, or not known to be lit, or under-dosed of late.
_SUSPECTS = """
    SELECT w.cabin, w.unit FROM worked AS w JOIN present AS p USING (cabin, unit)
    WHERE json_extract_string(p.state, '$.flow_l_min')::DOUBLE IS DISTINCT FROM 0
        OR json_extract_string(p.state, '$.lit') IS DISTINCT FROM 'true'
        OR EXISTS (
            FROM segment AS s WHERE s.cabin = w.cabin AND s.unit = w.unit
            AND s.underdosed_l_upper > 0 AND s."end" > $since)
    ORDER BY ALL
"""
# Of each unit that resumes, the link's changes since then and the last one before.
_LINK_EVENTS = """
    SELECT cabin, unit, "at", up FROM (
        SELECT l.*, s."from", lead(l."at") OVER (PARTITION BY l.cabin, l.unit ORDER BY l."at") AS following
        FROM link_event AS l JOIN resume AS s ON l.cabin = s.cabin AND l.unit = s.unit)
    WHERE following IS NULL OR following > "from" ORDER BY "at"
"""
# All readings after the state that each unit resumes from.
_READINGS = """
    SELECT r.* FROM reading AS r JOIN resume AS s ON r.cabin = s.cabin AND r.unit = s.unit AND r."at" > s."from"
    WHERE r."at" > $floor ORDER BY r.cabin, r.unit, r."at"
"""


def owe(con: duckdb.DuckDBPyConnection, touched: Touched) -> None:
    """Note what the evaluation owes; the caller holds the transaction."""
    for (cabin, unit), (since, until) in touched.items():
        con.execute("INSERT INTO pending VALUES ($cabin, $unit, $since, $until)", {
            "cabin": cabin, "unit": unit, "since": since.to_pydatetime(), "until": until.to_pydatetime()})


def owe_all(con: duckdb.DuckDBPyConnection, units: Iterable[tuple[str, str]]) -> None:
    """Note that these units are to be worked out from their first reading."""
    owe(con, dict.fromkeys(units, (EARLIEST, EARLIEST)))


@dataclass(frozen=True, slots=True)
class _Derived:
    """One unit's part of what an evaluation writes."""

    segments: pd.DataFrame
    carries: pd.DataFrame
    hourly: pd.DataFrame


def evaluate(con: duckdb.DuckDBPyConnection, now: datetime) -> list[tuple[str, str]]:
    """Pay what is owed, then see what it means for the advisories of the units touched.

    Parameters
    ----------
    con : connection
        The store's, held by this process alone.
    now : datetime
        The store's present instant.

    Returns
    -------
    list of (cabin, unit)
        The units worked out.
    """
    fleet = load_fleet(Local(con))
    since = con.execute("SELECT min(since) AS since FROM pending").df()["since"].iloc[0]
    keys = derive(con, fleet, now)
    if keys:
        watch(con, fleet, now, _suspects(con, keys, since.to_pydatetime()))
    pay_days(con, fleet, now)  # after the advisories: nobody waits for a lamp's trend
    return keys


def _suspects(
    con: duckdb.DuckDBPyConnection, keys: list[tuple[str, str]], since: datetime
) -> list[tuple[str, str]]:
    """Of the units worked out, those whose water there is anything to weigh of.

    Not the many that burn while nobody draws water and that were under-dosed at no time since a day before the
    news; units with an open advisory or an unexplained gap are weighed anyhow (`ingest.watch`).
    """
    con.register("worked", pd.DataFrame(keys, columns=["cabin", "unit"]))
    found = con.execute(_SUSPECTS, {"since": since - timedelta(days=1)}).fetchall()
    con.unregister("worked")
    return [(cabin, unit) for cabin, unit in found]


def derive(con: duckdb.DuckDBPyConnection, fleet: Fleet, now: datetime | None = None) -> list[tuple[str, str]]:
    """Work out intervals, states and hours of every unit to which something is owed; the units done.

    A unit that cannot be worked out stays owed, is noted (`ingest.faults`), and does not hold up the others.
    """
    owed = con.execute(
        "SELECT cabin, unit, min(since) AS since FROM pending GROUP BY ALL ORDER BY ALL").df()
    if owed.empty:
        return []
    now = now or datetime.now(UTC)
    at_fault = faults.standing(con, faults.EVALUATION)
    apart = np.array([(one.cabin, one.unit) in at_fault for one in named(owed)])
    done: list[tuple[str, str]] = []
    if not apart.all():
        try:
            done = _derive_all(con, fleet, owed[~apart].reset_index(drop=True))
        except duckdb.FatalException:
            raise
        except Exception:  # of one unit, but all were worked out together: now each alone
            logger.warning("units could not be worked out together: now each alone")
            apart[:] = True
    for number in np.flatnonzero(apart).tolist():
        alone = owed.iloc[[number]].reset_index(drop=True)
        key = (alone["cabin"].iloc[0], alone["unit"].iloc[0])

        def work(alone: pd.DataFrame = alone) -> None:
            _derive_all(con, fleet, alone)

        if faults.attempt(con, faults.EVALUATION, key, now, work):
            done.append(key)
    return sorted(done)


def _derive_all(con: duckdb.DuckDBPyConnection, fleet: Fleet, owed: pd.DataFrame) -> list[tuple[str, str]]:
    """The same for these units, all or none."""
    carries = _resume_from(con, owed)
    resume = pd.DataFrame({
        "cabin": owed["cabin"], "unit": owed["unit"],
        "from": [pd.Timestamp(carry.at) if carry else EARLIEST for carry in carries]})
    found = _readings(con, resume)
    tests, links = _water_tests(con, owed), _link_events(con, resume)
    derived = []
    keys = [(one.cabin, one.unit) for one in named(owed)]
    for (cabin, unit), carry in zip(keys, carries, strict=True):
        readings = found.get((cabin, unit))
        if readings is not None:
            derived.append(_derive(
                readings, fleet, (cabin, unit), carry, tests.get((cabin, unit)), links.get((cabin, unit))))

    def write() -> None:
        _write(con, resume, derived)
        con.register("worked", owed)
        owe_days(con, EARLIEST)
        con.execute(
            "DELETE FROM pending USING worked AS w WHERE pending.cabin = w.cabin AND pending.unit = w.unit")
        con.unregister("worked")

    transaction(con, write)
    return keys


def _resume_from(con: duckdb.DuckDBPyConnection, owed: pd.DataFrame) -> list[Carry | None]:
    """Per owed unit the state to resume from; None where it has no history before the news."""
    con.register("owed", owed)
    states: dict[tuple[str, str], str] = {}
    for floor in (owed["since"].min() - NEAR, EARLIEST):
        for cabin, unit, state in con.execute(_RESUME, {"floor": floor.to_pydatetime()}).fetchall():
            if state:
                states.setdefault((cabin, unit), state[0])
        if len(states) == len(owed):
            break
    con.unregister("owed")
    keys = [(one.cabin, one.unit) for one in named(owed)]
    return [Carry.from_row(json.loads(states[key])) if key in states else None for key in keys]


def _readings(con: duckdb.DuckDBPyConnection, resume: pd.DataFrame) -> dict[tuple[str, str], pd.DataFrame]:
    con.register("resume", resume)
    frame = con.execute(_READINGS, {"floor": resume["from"].min().to_pydatetime()}).df()
    con.unregister("resume")
    return {
        key: group.drop(columns=["cabin", "unit"]).reset_index(drop=True) for key, group in by_unit(frame).items()}


def _link_events(con: duckdb.DuckDBPyConnection, resume: pd.DataFrame) -> dict[tuple[str, str], pd.DataFrame]:
    """Per unit its link's changes since the state resumed from, and the one that held then."""
    con.register("resume", resume)
    frame = con.execute(_LINK_EVENTS).df()
    con.unregister("resume")
    return by_unit(frame)


def _water_tests(
    con: duckdb.DuckDBPyConnection, owed: pd.DataFrame
) -> dict[tuple[str, str], tuple[np.ndarray, np.ndarray]]:
    """Per owed unit the instants (us) and transmittances of its recorded water tests, in order."""
    con.register("owed", owed)
    frame = con.execute("""
        SELECT cabin, unit, epoch_us("at") AS at_us, value FROM service_event SEMI JOIN owed USING (cabin, unit)
        WHERE kind = 'water-tested' ORDER BY cabin, unit, "at"
    """).df()
    con.unregister("owed")
    return {
        key: (group["at_us"].to_numpy(), group["value"].to_numpy()) for key, group in by_unit(frame).items()}


def with_doses(
    readings: pd.DataFrame, unit: Unit, reactor: Reactor, carry: Carry | None,
    tests: tuple[np.ndarray, np.ndarray] | None,
) -> pd.DataFrame:
    """Readings with the dose that each stands for, if lit and warm.

    Adds `dose_mj_cm2`, `dose_low_mj_cm2` at the flow measured and `dose_low_at_peak_mj_cm2` at the most that
    this supply can deliver. Quantities that a row leaves empty are held as long as a reading may speak.
    """
    still = held(readings, unit=unit, reactor=reactor, carry=carry)
    live = still["uvt_pct"].to_numpy()
    at_us = still["at"].dt.as_unit("us").astype("int64").to_numpy()
    uvt = np.where(np.isnan(live), tested_uvt(at_us, unit, tests), live)
    given: dict[str, Any] = {
        "intensity_w_m2": still["intensity_w_m2"].to_numpy(), "uvt_pct": uvt, "uvt_live": ~np.isnan(live),
        "peak_flow_l_min": unit.peak_flow_l_min}
    now = assess(reactor, flow_l_min=still["flow_l_min"].to_numpy(), **given)
    peak = assess(reactor, flow_l_min=unit.peak_flow_l_min, **given)
    return readings.assign(
        dose_mj_cm2=now.red_mj_cm2, dose_low_mj_cm2=now.red_low_mj_cm2,
        dose_low_at_peak_mj_cm2=peak.red_low_mj_cm2)


def tested_uvt(
    at_us: np.ndarray, unit: Unit, tests: tuple[np.ndarray, np.ndarray] | None
) -> np.ndarray:
    """Per instant the latest water test's transmittance; the registry's before the first. [%]"""
    if tests is None:
        return np.full(at_us.size, unit.uvt_pct)
    index = np.searchsorted(tests[0], at_us, side="right")
    return np.concatenate([[unit.uvt_pct], tests[1]])[index]


def _derive(
    readings: pd.DataFrame, fleet: Fleet, name: tuple[str, str], carry: Carry | None,
    tests: tuple[np.ndarray, np.ndarray] | None, links: pd.DataFrame | None,
) -> _Derived:
    unit = fleet.unit(*name)
    reactor = fleet.reactor(unit.reactor)
    pieces, carries = timeline(
        with_doses(readings, unit, reactor, carry, tests), unit=unit, reactor=reactor, carry=carry, links=links)
    key = {"cabin": name[0], "unit": name[1]}
    if carry is not None:  # the state resumed from stands already
        carries = carries[carries["at"] > pd.Timestamp(carry.at)]
    states = [json.dumps(row) for row in plain_rows(carries)]
    hours = hourly(pieces)
    if carry is not None:  # the hour of the state resumed from was whole before
        hours = hours[hours["hour"] > pd.Timestamp(carry.at).floor("h")]
    return _Derived(
        segments=segments(pieces).assign(**key),
        carries=pd.DataFrame({"at": pd.to_datetime(carries["at"], utc=True), "state": states}).assign(**key),
        hourly=hours.assign(**key),
    )


def _write(con: duckdb.DuckDBPyConnection, resume: pd.DataFrame, derived: list[_Derived]) -> None:
    """Replace what was derived after each unit's resumed state; the caller holds the transaction."""
    floor = {"floor": resume["from"].min().to_pydatetime()}
    con.register("resume", resume)
    con.execute("""
        DELETE FROM segment USING resume AS s WHERE segment.cabin = s.cabin AND segment.unit = s.unit
        AND segment.start >= s."from" AND segment.start >= $floor""", floor)
    con.execute("""
        DELETE FROM carry USING resume AS s WHERE carry.cabin = s.cabin AND carry.unit = s.unit
        AND carry."at" > s."from" AND carry."at" > $floor""", floor)
    con.execute("""
        DELETE FROM hourly USING resume AS s WHERE hourly.cabin = s.cabin AND hourly.unit = s.unit
        AND hourly.hour > date_trunc('hour', s."from") AND hourly.hour > date_trunc('hour', $floor::TIMESTAMPTZ)
    """, floor)
    con.unregister("resume")
    if not derived:
        return
    for table, columns, frames in (
        ("segment", _SEGMENT, [one.segments for one in derived]),
        ("carry", ("cabin", "unit", "at", "state"), [one.carries for one in derived]),
        ("hourly", _HOURLY, [one.hourly for one in derived]),
    ):
        frame = pd.concat(frames, ignore_index=True)[list(columns)]
        con.register("derived", frame)
        names = ", ".join(f'"{column}"' for column in columns)
        con.execute(f"INSERT INTO {table} ({names}) SELECT {names} FROM derived")  # noqa: S608
        con.unregister("derived")
    last = pd.concat([one.carries.tail(1) for one in derived], ignore_index=True)[["cabin", "unit", "at", "state"]]
    con.register("last", last)
    con.execute("DELETE FROM present USING last WHERE present.cabin = last.cabin AND present.unit = last.unit")
    con.execute('INSERT INTO present SELECT cabin, unit, "at", state FROM last')
    con.unregister("last")
