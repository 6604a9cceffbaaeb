"""Each unit's days: what a lamp's trend is fitted to, kept by the evaluation.

A day of UTC is worked out when it is over (the unit was heard on a later one) and again when something of it
changes. What a day says follows from that day's readings and the kinds of its intervals alone, so neither the order
of arrival nor the length of the history matters to it.
"""

from __future__ import annotations

import logging
from datetime import UTC, datetime

import duckdb
import numpy as np
import pandas as pd

from ingest.db import past
from ingest.db.engine import Local, named, transaction
from ingest.db.frames import frame
from ingest.evaluation import faults
from models.exposure import IntervalKind
from models.fleet import Fleet
from models.lamp.sensor_faults import FLOWING_L_MIN, STUCK_H, STUCK_READINGS, daily_signal, sensor_faults

logger = logging.getLogger(__name__)

DAYS_AT_ONCE = 400  # unit-days read at once: 576,000 rows of a minute's cadence, some 100 MB
LAMP_OF = {str(one): one is not IntervalKind.DARK for one in (
    IntervalKind.LIT, IntervalKind.WEAK, IntervalKind.WARMING, IntervalKind.DARK)}
JOINT = "\n"  # between a unit and its day where one name must hold both; no slug can hold it
COLUMNS = (
    "cabin", "unit", "day", "intensity_w_m2", "readings", "values_read", "lamp_hours", "lit_h", "volume_l",
    "uvt_pct", "water_temp_c", "fault", "fault_evidence",
)

# One row per unit and day that is not owed already: from the first one touched on, because the lamp's state then
# holds until the next word of it. Costs one look at a table of a row or two per unit.
_OWE = """
    INSERT INTO daily_owed
    SELECT DISTINCT cabin, unit, day FROM (
        SELECT n.cabin, n.unit, unnest(generate_series(
            n.since::DATE, greatest(n.until, p."at")::DATE, INTERVAL 1 DAY))::DATE AS day
        FROM pending AS n SEMI JOIN worked AS w ON n.cabin = w.cabin AND n.unit = w.unit
        LEFT JOIN present AS p ON n.cabin = p.cabin AND n.unit = p.unit WHERE n.since >= $real
        UNION ALL
        SELECT r.cabin, r.unit, r."at"::DATE FROM whole_reading AS r
        JOIN (SELECT DISTINCT cabin, unit FROM pending SEMI JOIN worked USING (cabin, unit)
            WHERE since < $real) AS whole
        ON r.cabin = whole.cabin AND r.unit = whole.unit)
    ANTI JOIN daily_owed USING (cabin, unit, day)
"""
# Days that are over, as far as the unit was heard.
_DUE = """
    SELECT o.cabin, o.unit, o.day FROM daily_owed AS o JOIN present AS p ON o.cabin = p.cabin AND o.unit = p.unit
    WHERE o.day < p."at"::DATE ORDER BY o.cabin, o.unit, o.day LIMIT $most
"""
# One row per reading of the days due. Bounded by the days.
_READINGS = """
    SELECT r.cabin, r.unit, due.day, r."at", r.intensity_w_m2, r.flow_l_min, r.lamp_hours, r.uvt_pct,
        r.water_temp_c
    FROM whole_reading AS r JOIN due ON r.cabin = due.cabin AND r.unit = due.unit AND r."at"::DATE = due.day
    WHERE r."at" >= $since AND r."at" < $until ORDER BY r."at"
"""
# One row per interval that begins on the days due or the day before: intervals are cut at every hour heard.
_SEGMENTS = """
    SELECT s.cabin, s.unit, s.start AS "at", s."end", s.kind
    FROM segment AS s JOIN (SELECT DISTINCT cabin, unit FROM due) AS d ON s.cabin = d.cabin AND s.unit = d.unit
    WHERE s.start >= $before AND s.start < $until ORDER BY s.start
"""
# One row per unit and day due: sums of its hours.
_HOURS = """
    SELECT due.cabin, due.unit, due.day, sum(h.lit_s + h.weak_s + h.warming_s) / 3600.0 AS lit_h,
        sum(h.volume_l) AS volume_l
    FROM due JOIN hourly AS h ON h.cabin = due.cabin AND h.unit = due.unit AND h.hour::DATE = due.day
    WHERE h.hour >= $since AND h.hour < $until GROUP BY ALL
"""


def owe_days(con: duckdb.DuckDBPyConnection, earliest: pd.Timestamp) -> None:
    """Note the days that `pending` touches, of the units in `worked`, a view of the caller's.

    The caller holds the transaction and has not yet emptied it. Of a unit that could not be worked out the days
    come with it, once it can: what cannot be had of one must not hold up the others.

    Parameters
    ----------
    earliest : Timestamp
        Rows that begin there mean the unit's whole history.
    """
    real = {"real": (earliest + pd.Timedelta(days=1)).to_pydatetime()}
    whole = con.execute(
        "SELECT DISTINCT cabin, unit FROM pending SEMI JOIN worked USING (cabin, unit) WHERE since < $real", real
    ).fetchall()
    past.ask(Local(con), _OWE, real, since=past.EVER, spans=[(*key, past.EVER, past.FOREVER) for key in whole])


def pay_days(con: duckdb.DuckDBPyConnection, fleet: Fleet, now: datetime | None = None) -> int:
    """Work out every day that is owed and over; how many unit-days that were.

    A day that cannot be worked out is struck and noted as its unit's fault: a lamp's trend can do without it, and
    the verdict does not rest on it.
    """
    done = 0
    while True:
        due = frame(con.execute(_DUE, {"most": DAYS_AT_ONCE}))
        if due.empty:
            return done
        try:
            _pay(con, fleet, due)
        except duckdb.FatalException:
            raise
        except Exception:  # of one day, but all were worked out together: now each alone
            logger.warning("days could not be worked out together: now each alone")
            for number in range(len(due)):
                _pay_alone(con, fleet, due.iloc[[number]].reset_index(drop=True), now or datetime.now(UTC))
        done += len(due)


def _pay_alone(con: duckdb.DuckDBPyConnection, fleet: Fleet, due: pd.DataFrame, now: datetime) -> None:
    key = (due["cabin"].iloc[0], due["unit"].iloc[0])
    if faults.attempt(con, faults.DAYS, key, now, lambda: _pay(con, fleet, due)):
        return
    con.execute("DELETE FROM daily_owed WHERE cabin = $cabin AND unit = $unit AND day = $day", {
        "cabin": key[0], "unit": key[1], "day": due["day"].iloc[0].date()})


def _pay(con: duckdb.DuckDBPyConnection, fleet: Fleet, due: pd.DataFrame) -> None:
    """Replace the rows of these days, and strike them from what is owed."""
    since, until = due["day"].min(), due["day"].max() + pd.Timedelta(days=1)
    span = {"since": since.tz_localize("UTC").to_pydatetime(), "until": until.tz_localize("UTC").to_pydatetime()}
    before = (since - pd.Timedelta(days=1)).tz_localize("UTC").to_pydatetime()
    con.register("due", due)
    readings = _with_kind(
        past.ask(Local(con), _READINGS, span, **span, spans=_spans(due)), frame(con.execute(
            _SEGMENTS, {"before": before, "until": span["until"]})))
    hours = frame(con.execute(_HOURS, span))
    days = days_of(readings, fleet).merge(hours, on=["cabin", "unit", "day"], how="left")[list(COLUMNS)]

    def write() -> None:
        con.execute("""
            DELETE FROM daily USING due WHERE daily.cabin = due.cabin AND daily.unit = due.unit
            AND daily.day = due.day""")
        con.register("days", days)
        con.execute("INSERT INTO daily BY NAME SELECT * REPLACE (day::DATE AS day) FROM days")
        con.unregister("days")
        con.execute("""
            DELETE FROM daily_owed AS o USING due WHERE o.cabin = due.cabin AND o.unit = due.unit
            AND o.day = due.day""")

    try:
        transaction(con, write)
    finally:
        con.unregister("due")


def _spans(due: pd.DataFrame) -> list[past.Span]:
    """Each unit with the time of its days."""
    days = due.groupby(["cabin", "unit"])["day"].agg(["min", "max"]).reset_index()
    return [(
        str(one.cabin), str(one.unit), one.min.tz_localize("UTC").to_pydatetime(),
        (one.max + pd.Timedelta(days=1)).tz_localize("UTC").to_pydatetime()) for one in named(days)]


def _with_kind(readings: pd.DataFrame, segments: pd.DataFrame) -> pd.DataFrame:
    """Readings with the kind of the interval that each begins or lies in; sorted by unit and instant.

    Matched here and not by the engine's join for it, which falls back to trying every pair (duckdb 1.5.5; 70 times
    as slow over 90 days of one unit).
    """
    by = dict.fromkeys(("cabin", "unit"), "str")  # of a result without rows the driver makes them objects
    found = pd.merge_asof(readings.astype(by), segments.astype(by), on="at", by=list(by))
    found["kind"] = found["kind"].where(found["end"] > found["at"])
    return found.drop(columns="end").sort_values(["cabin", "unit", "at"], ignore_index=True)


def days_of(readings: pd.DataFrame, fleet: Fleet) -> pd.DataFrame:
    """One row per unit and day.

    Parameters
    ----------
    readings : DataFrame
        `cabin`, `unit`, `day`, `at`, the quantities, and `kind` of the interval at that instant (None: not known);
        sorted by unit and instant. Whole days.
    fleet : Fleet
        For warm-up times and cadences; a unit that it does not know has no row.

    Returns
    -------
    DataFrame
        `COLUMNS` without `lit_h` and `volume_l`. `intensity_w_m2` is the median of the readings of a lit, warmed
        lamp in flowing water from a sensor not at fault, NaN where there is none; `fault` the day's
        `SensorFault`s, joined by commas; `values_read` as of the function of that name.

    Notes
    -----
    Each day is judged as if it were a unit of its own: a sensor's usual values are those of that day, and a lamp
    that burns at midnight counts as warm once it was seen lit for its warm-up.
    """
    traits = pd.DataFrame(
        [(place.slug, unit.slug, fleet.reactor(unit.reactor).warm_up_s, unit.cadence_s)
         for place in fleet.cabins for unit in place.units],
        columns=["cabin", "unit", "warm_up_s", "cadence_s"])
    table = readings.merge(traits, on=["cabin", "unit"], how="inner")
    if table.empty:
        empty = pd.DataFrame(columns=[name for name in COLUMNS if name not in ("lit_h", "volume_l")])
        return empty.astype({"day": "datetime64[us]"})  # a day of no readings still meets its hours
    table["lamp_on"] = table["kind"].map(LAMP_OF).astype("boolean")
    # a name of unit and day together: each day is judged alone
    table["unit"] = table["unit"] + JOINT + table["day"].dt.strftime("%Y-%m-%d")
    days = daily_signal(
        table, warm_up_s=table["warm_up_s"].to_numpy(), cadence_s=table["cadence_s"].to_numpy())
    faults = sensor_faults(table).sort_values(["cabin", "unit", "fault"]).groupby(
        ["cabin", "unit"], as_index=False).agg(fault=("fault", ", ".join), fault_evidence=("evidence", " ".join))
    days = days.drop(columns="day").merge(faults, on=["cabin", "unit"], how="left")
    for name in ("fault", "fault_evidence"):
        days[name] = days[name].astype("str").where(days[name].notna(), "")
    days = days.merge(values_read(table), on=["cabin", "unit"], how="left")
    parts = days["unit"].str.split(JOINT, n=1, expand=True)
    days = days.assign(unit=parts[0], day=pd.to_datetime(parts[1]))
    days["readings"] = days["readings"].astype(np.int64)
    return days


def values_read(table: pd.DataFrame) -> pd.DataFrame:
    """How many different intensities a lit day held.

    Returns
    -------
    DataFrame
        `cabin`, `unit`, `values_read`, for units (here: a unit's day) whose lit readings are many enough, and long
        enough apart, through running and standing water, for an honest sensor to show more than one.
    """
    lit = table[table["lamp_on"].fillna(False).to_numpy(dtype=bool) & (table["intensity_w_m2"] > 0)]
    flows = lit["flow_l_min"] > FLOWING_L_MIN
    found = lit.assign(flows=flows, stands=~flows & lit["flow_l_min"].notna()).groupby(
        ["cabin", "unit"], as_index=False).agg(
            values_read=("intensity_w_m2", "nunique"), number=("at", "size"), first=("at", "min"),
            last=("at", "max"), flows=("flows", "any"), stands=("stands", "any"))
    enough = (found["number"] >= STUCK_READINGS) & found["flows"] & found["stands"] & (
        found["last"] - found["first"] >= pd.Timedelta(hours=STUCK_H))
    return found.loc[enough, ["cabin", "unit", "values_read"]]
