"""What working out costs: a round of many units, and a late backlog.

`pytest -m bench tests/bench/test_bench_evaluate.py -s`
"""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from ingest.db.engine import Local, transaction
from ingest.db.schema import rounded
from ingest.evaluation.evaluate import derive, owe
from ingest.registry.tables import load_fleet, read_fleet, save_fleet
from ingest.store import Store
from models.exposure import STATE_QUANTITIES
from tests.conftest import REACTOR, cabin_toml
from tests.ingest.ingest_streams import commit

UNITS, ROUNDS, NEWS_MIN, TIMES = 1000, 12, 5, 3
AGAIN = timedelta(minutes=35)  # on the average of an hour, so much before the news is judged again with it
BEFORE_MIN = 12 * 60 + 3
UNIT_MS = 0.5  # the figure to hold, of an otherwise idle core
BACKLOG_DAYS, DAY_MIN = 30, 1440
START = pd.Timestamp("2026-09-01T00:00Z")


def log(cabins: list[str], first_min: int, last_min: int, seed: int) -> pd.DataFrame:
    """A reading a minute of each cabin's unit, lit, water drawn in a tenth of them; all quantities of a well."""
    rng = np.random.default_rng(seed)
    minutes = last_min - first_min
    n = minutes * len(cabins)
    minute = np.tile(np.arange(first_min, last_min), len(cabins))
    flow = np.where(rng.random(n) < 0.1, rng.integers(1, 20, n), 0).astype(float)
    return rounded(pd.DataFrame({
        "cabin": np.repeat(cabins, minutes), "unit": "main",
        "at": (START + pd.to_timedelta(minute, unit="min")).as_unit("us"), "lamp_on": True, "power_on": True,
        "intensity_w_m2": 45.0 + rng.integers(0, 20, n) / 10, "flow_l_min": flow, "total_l": 1000.0 + 2.0 * minute,
        "lamp_hours": np.round(minute / 60, 2)}))


@pytest.fixture
def enrolled_store(tmp_path) -> Callable[[list[str]], Store]:
    def make(cabins: list[str]) -> Store:
        store = Store(tmp_path / "many.duckdb")
        fleet = read_fleet(REACTOR + "".join(cabin_toml(cabin, "main") for cabin in cabins))
        transaction(store.con, lambda: save_fleet(store.con, fleet, valid_from=datetime.now(UTC)))
        return store

    return make


def derived_s(store: Store) -> tuple[float, float]:
    """What is owed, worked out: by the wall's clock and by the processor's. [s]"""
    fleet = load_fleet(Local(store.con))
    wall, cpu = time.perf_counter(), time.process_time()
    derive(store.con, fleet)
    return time.perf_counter() - wall, time.process_time() - cpu


def bare_pass_s(store: Store, since: datetime) -> float:
    """The columns of what is judged again, read out of the store and summed by numpy, nothing else. [s]"""
    begun = time.perf_counter()
    columns = store.con.execute(
        f'SELECT cabin, unit, "at", lamp_on, power_on, {", ".join(STATE_QUANTITIES)} FROM reading '  # noqa: S608
        'WHERE "at" > $since ORDER BY cabin, unit, "at"', {"since": since}).fetchnumpy()
    for name in STATE_QUANTITIES:
        np.nansum(np.ma.filled(columns[name].astype(float), np.nan))
    return time.perf_counter() - begun


@pytest.mark.bench
@pytest.mark.timeout(600)
def test_a_round_of_a_thousand_units(enrolled_store):
    cabins = [f"cabin-{number}" for number in range(UNITS)]
    store = enrolled_store(cabins)
    commit(store, log(cabins, 0, BEFORE_MIN, seed=1))
    first_s = derived_s(store)[0]
    ms: dict[str, list[float]] = {"wall": [], "cpu": [], "bare": []}
    for number in range(ROUNDS):  # an hour's worth, since what is done again goes back to the hour's border
        last = BEFORE_MIN + number * NEWS_MIN
        since = (START + pd.Timedelta(minutes=last)).to_pydatetime()
        commit(store, log(cabins, last, last + NEWS_MIN, seed=2 + number))
        took = []
        for _ in range(TIMES):  # the same work each time; the least is what it costs beside nothing else
            took.append((*derived_s(store), bare_pass_s(store, since - AGAIN)))
            owe(store.con, {(cabin, "main"): (since, since) for cabin in cabins})
        for name, values in zip(ms, zip(*took, strict=True), strict=True):
            ms[name].append(min(values) / UNITS * 1e3)
    print(f"\nfirst load, {UNITS * BEFORE_MIN} rows: {first_s:.1f} s")
    for name, values in ms.items():
        print(f"{name:5} ms a unit: least {min(values):.3f}, mean {np.mean(values):.3f}, most {max(values):.3f}")
    store.close()
    # the processor's time, since the wall's says more of the machine's other work
    assert np.mean(ms["cpu"]) <= UNIT_MS


@pytest.mark.bench
@pytest.mark.timeout(600)
def test_a_late_backlog_costs_no_more_than_a_fresh_load_of_its_days(enrolled_store):
    pairs = [(f"fresh-{number}", f"late-{number}") for number in range(3)]
    store = enrolled_store([one for pair in pairs for one in pair])
    days = BACKLOG_DAYS * DAY_MIN
    took: dict[str, list[float]] = {"fresh": [], "late": []}
    for seed, (fresh, late) in enumerate(pairs):
        commit(store, log([fresh, late], 0, DAY_MIN, seed))
        commit(store, log([late], DAY_MIN + days, 2 * DAY_MIN + days, seed))
        derived_s(store)
        for name, cabin in (("fresh", fresh), ("late", late)):
            commit(store, log([cabin], DAY_MIN, DAY_MIN + days, seed))
            took[name].append(derived_s(store)[1])
    store.close()
    print(f"\n{BACKLOG_DAYS} days of minutes, processor's s: " + ", ".join(
        f"{name} {min(values):.2f} to {max(values):.2f}" for name, values in took.items()))
    assert min(took["late"]) <= 1.5 * min(took["fresh"])  # the day after it is done again, too
