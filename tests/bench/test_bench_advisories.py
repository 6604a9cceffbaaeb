"""What open advisories cost: nothing between messages, and one pass for all of them when news comes.

`pytest -m bench tests/bench/test_bench_advisories.py -s`
"""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta

import pandas as pd
import pytest

from ingest.db.engine import Local, transaction
from ingest.db.schema import rounded
from ingest.evaluation.evaluate import derive
from ingest.evaluation.watch import watch
from ingest.registry.tables import load_fleet, read_fleet, save_fleet
from ingest.store import Store
from tests.conftest import REACTOR, cabin_toml
from tests.ingest.ingest_streams import commit

pytestmark = pytest.mark.bench
OPEN = 1000
START = pd.Timestamp("2026-09-01T00:00Z")
LOOK_EVERY_S = 2.0  # ingest.collector.BEAT_S
SHARE = 0.02  # of a core between messages: the figure to hold


def rows(cabins: list[str], first_min: int, last_min: int, **values) -> pd.DataFrame:
    minutes = range(first_min, last_min)
    at = [START + pd.Timedelta(minutes=one) for one in minutes]
    given = {"lamp_on": True, "power_on": True, "intensity_w_m2": 55.0, "flow_l_min": 4.0, **values}
    return rounded(pd.DataFrame({
        "cabin": [cabin for cabin in cabins for _ in minutes], "unit": "main",
        "at": pd.Series(at * len(cabins)).astype("datetime64[us, UTC]"), **given}))


def test_a_thousand_open_advisories_cost_nothing_between_messages(tmp_path):
    cabins = [f"cabin-{number:04d}" for number in range(OPEN)]
    store = Store(tmp_path / "many.duckdb")
    fleet = read_fleet(REACTOR + "".join(cabin_toml(cabin, "main") for cabin in cabins))
    transaction(store.con, lambda: save_fleet(store.con, fleet, valid_from=datetime.now(UTC)))
    fleet = load_fleet(Local(store.con))
    keys = [(cabin, "main") for cabin in cabins]
    dark = {"lamp_on": False, "power_on": False, "intensity_w_m2": 0.0}
    for part in (rows(cabins, 0, 10), rows(cabins, 10, 15, **dark), rows(cabins, 15, 60)):
        commit(store, part)
    derive(store.con, fleet)
    now = (START + pd.Timedelta(minutes=60)).to_pydatetime()
    begun = time.perf_counter()
    raised = watch(store.con, fleet, now, keys)
    first_s = time.perf_counter() - begun
    assert sum(event.kind == "raised" for *_, event in raised) == OPEN

    commit(store, rows(cabins, 60, 61))
    derive(store.con, fleet)
    begun, cpu = time.perf_counter(), time.process_time()
    watch(store.con, fleet, now + timedelta(minutes=1), keys)
    again_s, again_cpu_s = time.perf_counter() - begun, time.process_time() - cpu

    cpu, looks = time.process_time(), 50
    for look in range(looks):
        assert watch(store.con, fleet, now + timedelta(minutes=1, seconds=look * LOOK_EVERY_S), []) == []
    each_s = (time.process_time() - cpu) / looks
    store.close()
    print(f"{OPEN} units: raised in {first_s:.2f} s, weighed again with a reading each in {again_s:.2f} s "
          f"({again_cpu_s:.2f} s of processor); a look between messages {1000 * each_s:.2f} ms, "
          f"{100 * each_s / LOOK_EVERY_S:.2f} % of a core")
    assert each_s <= SHARE * LOOK_EVERY_S
