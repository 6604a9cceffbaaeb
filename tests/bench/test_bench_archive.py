"""What a year of minutes of 13 units takes in the store and in files, and what asking and archiving it cost.

Run by `pytest -m bench -s tests/bench/test_bench_archive.py`; some five minutes, mostly for the year itself.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest

from ingest import queries
from ingest.archiving import Archiving
from ingest.db import archive
from ingest.evaluation.evaluate import evaluate, owe
from ingest.store import Store
from tests.conftest import REACTOR, cabin_toml
from tests.ingest.db.archived_months import month

UNITS, MONTHS, KEPT = 13, 12, 2

_MONTH = """
    INSERT INTO reading BY NAME
    SELECT 'cabin-' || u AS cabin, 'main' AS unit, "at", true AS lamp_on, true AS power_on,
        round(40 + 5 * random(), 2) AS intensity_w_m2,
        CASE WHEN random() < 0.1 THEN round(12 * random(), 1) ELSE 0 END AS flow_l_min,
        round((epoch("at") - 1.7e9) / 1000, 1) AS total_l, round(80 + 3 * random(), 1) AS uvt_pct,
        round(5 + random(), 1) AS water_temp_c, round(12 + random(), 2) AS battery_v,
        round((epoch("at") - 1.7e9) / 3600, 1) AS lamp_hours, "at" + INTERVAL 5 SECOND AS arrived_at
    FROM (SELECT unnest(generate_series($begin::TIMESTAMPTZ, $end::TIMESTAMPTZ, INTERVAL 1 MINUTE)) AS "at"),
        range($units) AS t(u) WHERE "at" < $end::TIMESTAMPTZ ORDER BY "at"
"""


def median_ms(work: Callable[[], object], times: int = 7) -> float:
    took = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        took.append(time.perf_counter() - begun)
    return 1000 * statistics.median(took)


@pytest.mark.bench
def test_a_year_of_thirteen_units(tmp_path):
    store = Store(tmp_path / "year.duckdb")
    store.act("enroll", {"text": REACTOR + "".join(cabin_toml(f"cabin-{n}", "main") for n in range(UNITS))})
    con = store.con
    con.execute("SELECT setseed(0.5)")
    for back in range(MONTHS, -1, -1):
        begin, end = month(back), month(back - 1) if back else datetime.now(UTC)
        con.execute(_MONTH, {"begin": begin, "end": end, "units": UNITS})
        owe(con, {(f"cabin-{n}", "main"): (begin, end) for n in range(UNITS)})  # type: ignore[misc]
        evaluate(con, end)
    now = datetime.now(UTC)
    asked = {
        "status": lambda: queries.status(store, now),
        "status --at, seven months ago": lambda: queries.status(store, month(7) + timedelta(days=9), as_of=True),
        "chart of the last week": lambda: queries.readings(store, "cabin-3", "main", now - timedelta(days=7), now),
        "chart of a month, seven months ago": lambda: queries.readings(
            store, "cabin-3", "main", month(7), month(6)),
        "chart of the year": lambda: queries.readings(store, "cabin-3", "main", month(MONTHS), now)}
    before = {name: median_ms(work) for name, work in asked.items()}
    used = _used_mib(store)

    archiving = Archiving(con, store.path, KEPT, store.now)
    archiving.start()
    archiving.order({"keep_months": KEPT})
    begun, held = time.perf_counter(), []
    while archiving.order({"goes_on": True})["running"]:
        turn = time.perf_counter()
        archiving.turn()
        held.append(time.perf_counter() - turn)
        time.sleep(0.005)
    took = time.perf_counter() - begun
    archiving.close()
    told = archiving.order({"goes_on": True})
    assert told["archived"] == UNITS * (MONTHS - KEPT) and not told["trouble"], told
    held = sorted(one for one in held if one > 0.001)

    after = {name: median_ms(work) for name, work in asked.items()}
    files = sum(one.bytes for one in archive.listed(con)) / 2**20
    print(f"\nin use in the store {used:.1f} MiB, then {_used_mib(store):.1f} and {files:.1f} in "
          f"files; the store's file itself {store.path.stat().st_size / 2**20:.1f} MiB")
    print(f"{told['archived']} unit-months in {took:.1f} s, a month of {UNITS} units "
          f"{took / (MONTHS - KEPT):.1f} s; the intake held {1000 * statistics.median(held):.0f} ms in the median, "
          f"{1000 * held[int(0.95 * len(held))]:.0f} in 19 of 20, {1000 * held[-1]:.0f} at most")
    for name in asked:
        print(f"{name}: {before[name]:.0f} ms before, {after[name]:.0f} after")
    assert held[int(0.95 * len(held))] < 0.5
    assert _used_mib(store) + files < used
    assert after["status"] < 2 * before["status"] + 50
    store.close()


def _used_mib(store: Store) -> float:
    """Blocks of the store's file that hold something."""
    store.con.execute("CHECKPOINT")
    found = store.con.execute("SELECT used_blocks * block_size FROM pragma_database_size()").fetchone()
    assert found is not None
    return float(found[0]) / 2**20
