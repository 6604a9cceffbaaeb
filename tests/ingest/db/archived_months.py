"""Stores with months of readings, and all that is asked of them, for tests of the archive."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd

from ingest import queries
from ingest.archiving import archive_some
from ingest.as_known import as_known
from ingest.db import past
from ingest.db.archive import month_after
from ingest.db.intake import keep
from ingest.evaluation.evaluate import evaluate, owe
from ingest.outlook.lamp_days import lamp_days
from ingest.registry.tables import load_fleet
from ingest.store import Store
from tests.ingest.ingest_streams import steady

KEYS = (("heron-point", "main"), ("otter-cove", "main"), ("otter-cove", "annex"))
# What the evaluation derives; `reading` itself is looked at by `all_readings`.
DERIVED = ("segment", "hourly", "daily", "underdosed", "resume_state", "present", "advisory_event")
MONTHS = 5


def first_of_now() -> datetime:
    """The month that it is by the machine's clock, which the archive goes by too."""
    return month_after(datetime.now(UTC), 0)


def month(back: int) -> datetime:
    """The first instant of the month so many before this one."""
    return month_after(first_of_now(), -back)


def now_of(store: Store) -> datetime:
    """An instant just after the last reading."""
    found = store.con.execute('SELECT max("at") FROM reading').fetchone()
    assert found is not None
    return found[0] + timedelta(seconds=30)


def commit(store: Store, rows: pd.DataFrame, arrived: datetime, *, work: bool = True) -> None:
    kept = keep(store.con, rows=rows, arrived=arrived)
    owe(store.con, kept.touched)
    if work:
        evaluate(store.con, arrived)


def some_days(key: tuple[str, str], at: datetime, seed: int) -> pd.DataFrame:
    """Two days of minutes with draws, a dark hour with water in it and a silence of 40 minutes."""
    random, count = np.random.default_rng(seed), 2 * 1440
    rows = steady(at, count, *key, uvt_pct=85.0, battery_v=12.5, lamp_hours=100.0, water_temp_c=8.0)
    rows["flow_l_min"] = np.where(random.random(count) < 0.1, np.round(random.uniform(2, 15, count), 1), 0.0)
    rows["total_l"] = np.round(np.cumsum(rows["flow_l_min"]) + 1e6 * seed, 1)
    rows["intensity_w_m2"] = np.round(random.uniform(38, 45, count), 2)
    dark = slice(700, 760)
    rows.iloc[dark, rows.columns.get_loc("lamp_on")] = False
    rows.iloc[dark, rows.columns.get_loc("intensity_w_m2")] = 0.0
    return rows.drop(rows.index[1500:1540])


def fill(store: Store) -> datetime:
    """Months of three units, worked out, a filter changed and a sensor checked long ago; an instant after all."""
    for back in range(MONTHS, -1, -1):
        # this month's lie at its beginning, and what would be ahead of the machine's clock is left out
        at = month(back) + timedelta(hours=3)
        rows = pd.concat([some_days(key, at, 10 * back + number) for number, key in enumerate(KEYS)])
        if not back:
            rows = rows[rows["at"] < pd.Timestamp(datetime.now(UTC))]
        if len(rows):
            commit(store, rows, rows["at"].max().to_pydatetime() + timedelta(seconds=20), work=back in (3, 0))
    store.con.execute("UPDATE reading SET arrived_at = \"at\" + INTERVAL 20 SECOND")
    now = now_of(store)
    evaluate(store.con, now)
    for kind, value in (("filter-changed", None), ("sensor-checked", 1.1)):
        store.act("record-service", {
            "kind": kind, "cabin": "heron-point", "unit": "main", "value": value, "who": "Kim", "note": "",
            "at": (month(MONTHS) + timedelta(days=1, hours=5)).isoformat()})
    return now


def archive_all(store: Store, now: datetime, keep_months: int = 2) -> int:
    """Archive what is due, as the command does without a collector; how many files."""
    told, done = archive_some(store.con, {"keep_months": keep_months}, now, store.path), 0
    done += told["archived"]
    while told["running"]:
        told = archive_some(store.con, {"keep_months": keep_months, "goes_on": True}, now, store.path)
        done += told["archived"]
    assert not told["trouble"]
    return done


def all_readings(store: Store) -> pd.DataFrame:
    """Every reading, wherever it lies."""
    return past.ask(
        store, 'SELECT * FROM whole_reading ORDER BY cabin, unit, "at"', since=past.EVER).reset_index(drop=True)


def derived(store: Store) -> dict[str, pd.DataFrame]:
    return {
        table: store.ask(f"SELECT * EXCLUDE (recorded_at) FROM {table} ORDER BY ALL"  # noqa: S608
                         if table == "advisory_event" else f"SELECT * FROM {table} ORDER BY ALL")  # noqa: S608
        for table in DERIVED}


def answers(store: Store, now: datetime) -> dict[str, object]:
    """What people ask: charts, verdicts of past instants, days of lamps, what was known."""
    out: dict[str, object] = {"all": all_readings(store)}
    for key in KEYS:
        for back, days, points in ((5, 2, 3000), (4, 40, 300), (1, 35, 3000)):
            since = month(back)
            out[f"chart {key} {back} {days}"] = queries.readings(
                store, *key, since, since + timedelta(days=days), points=points)
    for back, hours in ((5, 4), (5, 40), (4, 15), (3, 600), (2, 20), (0, 0)):
        at = min(month(back) + timedelta(hours=hours), now) if hours else now
        out[f"status {back} {hours}"] = [repr(one) for one in queries.status(store, at, as_of=True)] \
            if hours else [repr(one) for one in queries.status(store, now)]
    days = lamp_days(store, load_fleet(store), now)
    out["filters"] = days.filters
    with as_known(store, month(3) + timedelta(days=20), cabin="heron-point") as known:
        out["known"] = known.ask("SELECT * FROM hourly ORDER BY ALL")
        out["known readings"] = known.ask("SELECT * FROM reading ORDER BY ALL")
    return out


def require_same(found: dict[str, object], expected: dict[str, object]) -> None:
    """All answers alike, to the last bit."""
    assert found.keys() == expected.keys()
    for name, one in expected.items():
        other = found[name]
        if isinstance(one, pd.DataFrame):
            assert isinstance(other, pd.DataFrame)
            pd.testing.assert_frame_equal(other, one, obj=name, check_exact=True)
        else:
            assert other == one, name
