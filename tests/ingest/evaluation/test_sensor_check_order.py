"""Checks and withdrawals in any order of arrival, before and after the readings: the same intervals and states."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import hypothesis
import hypothesis.strategies as st
import numpy as np
import pandas as pd
import pytest

from ingest.db.engine import Local
from ingest.evaluation.evaluate import derive, owe_all
from ingest.registry.tables import load_fleet
from ingest.store import Store
from models.dose import assess
from models.dose.water_band import band_points
from tests.conftest import FLEET_TOML, utc
from tests.ingest.ingest_streams import commit, minutes, steady, troubled

START = utc("2026-10-20T05:20:00")
KEY = ("heron-point", "main")
LENGTH = 240
DERIVED = {"segment": 'start, "end", kind', "hourly": "hour", "resume_state": '"at"', "present": '"at"'}
RATIOS = (0.8, 1.0, 1.25, 1.4, 2.0)


def derived(store: Store) -> dict[str, pd.DataFrame]:
    return {
        table: store.ask(f"SELECT * FROM {table} WHERE cabin = 'heron-point' ORDER BY {order}")  # noqa: S608
        for table, order in DERIVED.items()}


def from_scratch(store: Store) -> dict[str, pd.DataFrame]:
    for table in DERIVED:
        store.con.execute(f"DELETE FROM {table}")  # noqa: S608
    owe_all(store.con, [KEY])
    derive(store.con, load_fleet(Local(store.con)))
    return derived(store)


def assert_same(one: dict[str, pd.DataFrame], other: dict[str, pd.DataFrame]) -> None:
    for table in DERIVED:
        pd.testing.assert_frame_equal(one[table], other[table], rtol=0, atol=0, obj=table)


def check(store: Store, at: datetime, ratio: float) -> str:
    return str(store.act("record-service", {
        "kind": "sensor-checked", "cabin": KEY[0], "unit": KEY[1], "at": at.isoformat(), "who": "Ann Lund",
        "value": ratio})["id"])


@pytest.fixture(scope="module")
def one_store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    store = Store(Path(tmp_path_factory.mktemp("checks")) / "x.duckdb")
    store.act("enroll", {"text": FLEET_TOML})
    return store


@hypothesis.settings(max_examples=5)
@hypothesis.given(data=st.data())
def test_in_any_order_with_any_of_them_withdrawn_the_same_comes_out(one_store: Store, data: st.DataObject) -> None:
    store = one_store
    for table in ("reading", "service_event", "service_withdrawn", "advisory", "advisory_event", *DERIVED):
        store.con.execute(f"DELETE FROM {table}")  # noqa: S608
    readings = troubled(START, LENGTH, data.draw(st.integers(0, 5)))
    found = data.draw(st.lists(
        st.tuples(st.integers(-30, LENGTH + 30), st.sampled_from(RATIOS)), min_size=2, max_size=5,
        unique_by=lambda one: one))
    wrong = data.draw(st.lists(st.booleans(), min_size=len(found), max_size=len(found)))
    todo = data.draw(st.permutations([*range(len(found)), "first half", "second half"]))
    half = len(readings) // 2
    for one in todo:
        if isinstance(one, int):
            number = check(store, START + minutes(found[one][0]), found[one][1])
            if wrong[one]:
                store.act("withdraw-service", {"id": number, "by": "Bo Dahl", "reason": "wrong sensor"})
        else:
            commit(store, readings.iloc[:half] if one == "first half" else readings.iloc[half:])
            derive(store.con, load_fleet(Local(store.con)))
    incremental = derived(store)
    assert len(incremental["segment"]) > 3
    assert_same(incremental, from_scratch(store))


def test_withdrawn_after_all_else_gives_what_it_would_be_without(held: Store) -> None:
    commit(held, troubled(START, 500, 3))
    derive(held.con, load_fleet(Local(held.con)))
    without = derived(held)
    numbers = [check(held, START + minutes(at), ratio) for at, ratio in ((300, 1.4), (100, 1.0), (400, 2.0))]
    assert not derived(held)["segment"].equals(without["segment"])
    for number in np.random.default_rng(1).permutation(numbers):
        held.act("withdraw-service", {"id": str(number), "by": "Bo Dahl", "reason": "wrong sensor"})
    assert_same(derived(held), without)


def test_each_stretch_has_the_dose_that_arithmetic_says_mid_history(held: Store) -> None:
    """The bound of one reading by `assess`, over the ratio that holds at its instant."""
    commit(held, steady(START, 600, flow_l_min=12.0))
    derive(held.con, load_fleet(Local(held.con)))
    for at, ratio in ((450, 1.0), (150, 1.1), (300, 2.0), (250, 1.5)):
        check(held, START + minutes(at), ratio)
    reactor = load_fleet(held).reactors[0]
    low = float(assess(
        reactor, intensity_w_m2=60.0, flow_l_min=12.0, uvt_pct=82.0, uvt_live=False,
        uvt_test_points=float(band_points(reactor, np.nan))).red_low_mj_cm2)
    found = held.ask("SELECT start, kind, dose_low_mj_cm2 AS low FROM segment ORDER BY start")
    since = (found["start"] - pd.Timestamp(START)) / pd.Timedelta(minutes=1)
    before, between, after = found[since < 148], found[(since > 151) & (since < 448)], found[since > 451]
    assert min(len(before), len(between), len(after)) > 1
    assert before["low"].tolist() == pytest.approx([low] * len(before)) and set(before["kind"]) == {"lit"}
    assert between["low"].tolist() == pytest.approx([low / 2.0] * len(between)) and set(between["kind"]) == {"weak"}
    assert after["low"].tolist() == pytest.approx([low] * len(after)) and set(after["kind"]) == {"lit"}


def test_one_units_checks_leave_the_others_alone(held: Store) -> None:
    commit(held, pd.concat([steady(START, 200), steady(START, 200, "otter-cove", "annex")], ignore_index=True))
    derive(held.con, load_fleet(Local(held.con)))
    other = held.ask("SELECT * FROM segment WHERE cabin = 'otter-cove' ORDER BY start")
    check(held, START + minutes(100), 3.0)
    again = held.ask("SELECT * FROM segment WHERE cabin = 'otter-cove' ORDER BY start")
    pd.testing.assert_frame_equal(other, again)
    assert (held.ask("SELECT kind FROM segment WHERE cabin = 'heron-point'")["kind"] == "weak").any()
