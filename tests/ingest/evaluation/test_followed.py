"""How much dosed water followed an interval, and on how many days: held against plain sums, hour by hour."""

from __future__ import annotations

import time
from datetime import timedelta

import numpy as np
import pandas as pd
import pytest

from ingest.evaluation.exposed import _FOLLOWED
from ingest.record.advisory_log import asked
from ingest.store import Store
from tests.conftest import utc

START = utc("2026-10-01T00:00:00")
NOW = START + timedelta(days=18, minutes=7)
UNITS = [("heron-point", "main"), ("otter-cove", "main"), ("otter-cove", "annex")]  # nothing is heard of the last


def fill(store: Store, rng: np.random.Generator) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Hours of which some are missing, without litres or without a number; and intervals that end at any minute."""
    hours = pd.DataFrame([
        (*key, START + timedelta(hours=hour), rng.choice([np.nan, 0.0, rng.uniform(0.1, 9)], p=[0.1, 0.5, 0.4]))
        for key in UNITS[:2] for hour in range(24 * 20) if rng.random() < 0.5],
        columns=["cabin", "unit", "hour", "in_spec_l"])
    ends = [START + timedelta(hours=at / 2 if at % 2 else at, minutes=at % 7 * 11)
            for at in rng.integers(-40, 24 * 20, 300).tolist()]
    gone = pd.DataFrame({
        "cabin": [UNITS[n % 3][0] for n in range(300)], "unit": [UNITS[n % 3][1] for n in range(300)], "end": ends})
    store.con.register("hours", hours)
    store.con.execute("INSERT INTO hourly BY NAME SELECT * FROM hours")
    store.con.register("gone", gone)
    store.con.execute("""
        INSERT INTO underdosed BY NAME
        SELECT cabin, unit, "end" - INTERVAL 1 HOUR AS start, "end", 'unheard' AS kind, 'unheard' AS cause,
            1.0 AS underdosed_l_upper
        FROM gone""")
    return hours, gone


def test_days_and_litres_that_followed_are_those_of_a_plain_sum(held: Store) -> None:
    hours, gone = fill(held, np.random.default_rng(5))
    before = START + timedelta(days=15)
    found = held.ask(_FOLLOWED, {**asked(UNITS), "before": before, "now": NOW})
    wanted = gone[gone["end"] < before].drop_duplicates()
    assert len(found) == len(wanted) > 100
    told = found.set_index(["cabin", "unit", "end"])
    for key in wanted.itertuples(index=False, name=None):
        later = hours[(hours["cabin"] == key[0]) & (hours["unit"] == key[1]) & (hours["hour"] >= key[2])
                      & (hours["hour"] <= NOW) & (hours["in_spec_l"] > 0)]
        row = told.loc[key]
        assert row["days"] == later["hour"].dt.date.nunique()
        assert row["litres"] == pytest.approx(later["in_spec_l"].sum())
    assert told["days"].max() > 15 and told["days"].min() == 0


def test_ten_years_of_silence_are_counted_in_two_seconds(held: Store) -> None:
    held.con.execute("""
        INSERT INTO hourly BY NAME
        SELECT 'heron-point' AS cabin, 'main' AS unit, $now - INTERVAL (n) HOUR AS hour, 0.0 AS in_spec_l
        FROM range(87_600) AS t(n)""", {"now": NOW})
    held.con.execute("""
        INSERT INTO underdosed BY NAME
        SELECT cabin, unit, hour AS start, hour + INTERVAL 1 HOUR AS "end", 'unheard' AS kind, 'unheard' AS cause,
            1.0 AS underdosed_l_upper
        FROM hourly""")
    begun = time.process_time()
    found = held.ask(_FOLLOWED, {**asked(UNITS), "before": NOW - timedelta(days=30), "now": NOW})
    assert time.process_time() - begun < 2.0  # a running count with a filter alone took 5
    assert len(found) > 86_000
    assert found["days"].max() == found["litres"].max() == 0
