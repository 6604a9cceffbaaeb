"""What is derived is a function of what is stored: in any order of arrival, however it was cut."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

from ingest.db.engine import Local
from ingest.db.schema import rounded
from ingest.evaluation.evaluate import derive, evaluate, owe_all
from ingest.registry.tables import load_fleet
from ingest.store import Store
from tests.conftest import FLEET_TOML, utc
from tests.ingest.ingest_streams import commit, minutes, steady, troubled

START = utc("2026-11-20T05:20:00")
UNITS = [("heron-point", "main"), ("otter-cove", "annex")]
DERIVED = {
    "segment": 'cabin, unit, start, "end", kind',
    "hourly": "cabin, unit, hour",
    "resume_state": 'cabin, unit, "at"',
    "present": "cabin, unit",
}


def derived(store: Store) -> dict[str, pd.DataFrame]:
    return {table: store.ask(f"SELECT * FROM {table} ORDER BY {order}") for table, order in DERIVED.items()}  # noqa: S608


def from_scratch(store: Store) -> dict[str, pd.DataFrame]:
    for table in DERIVED:
        store.con.execute(f"DELETE FROM {table}")  # noqa: S608
    owe_all(store.con, UNITS)
    derive(store.con, load_fleet(Local(store.con)))
    return derived(store)


def assert_same(one: dict[str, pd.DataFrame], other: dict[str, pd.DataFrame]) -> None:
    for table in DERIVED:
        # sums of the same numbers in another order differ in their last digits
        pd.testing.assert_frame_equal(one[table], other[table], rtol=0, atol=0, obj=table)


@pytest.fixture
def store(tmp_path):
    store = Store(tmp_path / "x.duckdb")
    store.act("enroll", {"text": FLEET_TOML})
    yield store
    store.close()


def both_units(seed: int, n: int = 700) -> pd.DataFrame:
    return pd.concat(
        [troubled(START, n, seed, *UNITS[0]), troubled(START + minutes(37), n, seed + 100, *UNITS[1])],
        ignore_index=True,
    )


@pytest.mark.parametrize("seed", [0, pytest.param(1, marks=pytest.mark.slow)])
def test_readings_in_order_in_any_split_give_what_all_at_once_gives(store, seed):
    rng = np.random.default_rng(seed)
    rows = both_units(seed).sort_values("at", kind="stable", ignore_index=True)
    fleet = load_fleet(Local(store.con))
    cuts = np.sort(rng.integers(0, len(rows), 10))
    for part in (rows.iloc[a:b] for a, b in pairwise([0, *cuts, len(rows)])):
        commit(store, part)
        derive(store.con, fleet)
    incremental = derived(store)
    assert len(incremental["segment"]) > 50
    assert set(incremental["segment"]["kind"]) >= {"lit", "dark", "warming", "weak"}
    assert_same(incremental, from_scratch(store))


def thinned(rows: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Totals and counters read out in steps, at some rows only, or not at all."""
    rows = rows.copy()
    for name, steps in (("total_l", (0.1, 1.0, 10.0)), ("lamp_hours", (0.01, 0.1, 1.0))):
        step = float(rng.choice(steps))
        at = np.arange(len(rows)) % int(rng.choice([1, 7, 150, len(rows) + 1])) == int(rng.integers(2))
        rows[name] = (np.floor(rows[name] / step) * step).where(at)
    return rounded(rows)


@pytest.mark.parametrize("seed", [0, *(pytest.param(one, marks=pytest.mark.slow) for one in range(1, 4))])
def test_coarse_and_seldom_totals_and_counters_reach_back_as_far_as_they_tell(store, seed):
    rng = np.random.default_rng(seed + 90)
    rows = pd.concat([thinned(troubled(START, 700, seed + 20 + n, *unit), rng) for n, unit in enumerate(UNITS)],
                     ignore_index=True)
    order = rng.permutation(len(rows)) if seed % 2 else np.argsort(rows["at"].to_numpy(), kind="stable")
    fleet = load_fleet(Local(store.con))
    for part in np.array_split(order, 9):
        commit(store, rows.iloc[part])
        derive(store.con, fleet)
    assert_same(derived(store), from_scratch(store))


@pytest.mark.parametrize("seed", [0, pytest.param(1, marks=pytest.mark.slow)])
def test_readings_shuffled_late_and_doubled_give_what_all_at_once_gives(store, seed):
    rng = np.random.default_rng(seed + 50)
    rows = both_units(seed + 7, 400)
    fleet = load_fleet(Local(store.con))
    order = rng.permutation(len(rows))
    for part in np.array_split(order, 8):
        commit(store, rows.iloc[np.append(part, rng.choice(order, 5))])
        derive(store.con, fleet)
    assert_same(derived(store), from_scratch(store))


def test_a_backlog_of_two_days_reopens_the_gap_and_closes_it(store):
    rows = steady(START, 4000, total_l=np.cumsum(np.full(4000, 6.0)))
    fleet = load_fleet(Local(store.con))
    gap = (rows["at"] >= pd.Timestamp(START + minutes(300))) & (rows["at"] < pd.Timestamp(START + minutes(3300)))
    commit(store, rows[~gap])
    derive(store.con, fleet)
    before = derived(store)["segment"]
    assert before.loc[before["kind"] == "unheard", "seconds"].sum() == pytest.approx(3000 * 60, abs=181)
    commit(store, rows[gap])
    derive(store.con, fleet)
    after = derived(store)
    assert set(after["segment"]["kind"]) == {"lit"}
    assert_same(after, from_scratch(store))


def test_cells_filled_later_are_worked_out_as_if_they_had_come_at_once(store):
    rows = troubled(START, 300, 3)
    fleet = load_fleet(Local(store.con))
    for columns in (["intensity_w_m2"], ["flow_l_min", "lamp_on"], ["power_on", "total_l", "lamp_hours"]):
        others = [name for name in rows.columns if name not in (*columns, "cabin", "unit", "at")]
        part = rows.assign(**dict.fromkeys(others, np.nan)).dropna(subset=columns, how="all")
        commit(store, rounded(part.reset_index(drop=True)))
        derive(store.con, fleet)
    assert_same(derived(store), from_scratch(store))


def test_only_units_with_news_are_worked_out(store):
    commit(store, steady(START, 10))
    assert evaluate(store.con, START + minutes(10)) == [("heron-point", "main")]
    assert evaluate(store.con, START + minutes(10)) == []


def test_what_a_killed_evaluation_owed_is_still_owed(store):
    commit(store, steady(START, 10))
    with pytest.raises(RuntimeError):
        derive_failing(store)
    assert derived(store)["segment"].empty
    assert derive(store.con, load_fleet(Local(store.con))) == [("heron-point", "main")]


def derive_failing(store: Store) -> None:
    """An evaluation that is cut off within its transaction."""
    store.con.execute("BEGIN")
    store.con.execute("DELETE FROM pending")
    store.con.execute("ROLLBACK")
    raise RuntimeError("killed")


def test_a_new_water_test_reopens_the_time_after_it_alone(store):
    commit(store, steady(START, 600, intensity_w_m2=48.0, flow_l_min=12.0))
    derive(store.con, load_fleet(Local(store.con)))
    before = store.ask("SELECT * FROM hourly ORDER BY hour")
    tested = START + minutes(300)
    store.act(
        "record-service",
        {
            "kind": "water-tested",
            "cabin": "heron-point",
            "unit": "main",
            "at": tested.isoformat(),
            "who": "Kim",
            "value": 55.0,
        },
    )
    after = store.ask("SELECT * FROM hourly ORDER BY hour")
    earlier = before["hour"] < pd.Timestamp(tested).floor("h")
    pd.testing.assert_frame_equal(before[earlier], after[earlier])
    later = before["hour"] > pd.Timestamp(tested)
    assert (after.loc[later, "dose_p50_mj_cm2"] < before.loc[later, "dose_p50_mj_cm2"]).all()
    assert_same(derived(store), from_scratch(store))


def test_water_tests_recorded_in_any_order_give_the_same(store):
    commit(store, steady(START, 400))
    for offset, value in ((300, 60.0), (100, 90.0), (200, 70.0)):
        store.act(
            "record-service",
            {
                "kind": "water-tested",
                "cabin": "heron-point",
                "unit": "main",
                "at": (START + minutes(offset)).isoformat(),
                "who": "Kim",
                "value": value,
            },
        )
    doses = store.ask("SELECT DISTINCT dose_low_mj_cm2 FROM segment")
    assert len(doses) >= 3
    assert_same(derived(store), from_scratch(store))


def test_the_intervals_tile_the_time_without_gap_or_overlap(store):
    commit(store, both_units(9))
    derive(store.con, load_fleet(Local(store.con)))
    for _, found in derived(store)["segment"].groupby(["cabin", "unit"]):
        ordered = found.sort_values("start")
        assert (ordered["start"].iloc[1:].to_numpy() == ordered["end"].iloc[:-1].to_numpy()).all()
