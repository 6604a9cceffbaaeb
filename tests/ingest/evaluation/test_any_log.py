"""Random logs of one unit, whole and live: never clear over what nobody explained, and the same in any order.

The oracle is independent of the evaluation: it looks at the rows that were sent and at nothing that was derived.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

from ingest.db.engine import Local
from ingest.db.schema import QUANTITY_COLUMNS, rounded, split
from ingest.evaluation.evaluate import derive, evaluate
from ingest.evaluation.watch import watch
from ingest.queries import status
from ingest.registry.tables import load_fleet
from ingest.store import Store
from models.advisory.pieces import GRACE
from tests.conftest import FLEET_TOML, utc
from tests.ingest.ingest_streams import commit, minutes

START = utc("2026-11-20T05:20:00")
# Cadences of a minute (models/exposure/witnesses.py): two ends cover 1.5 of them; after 3 a unit is overdue.
COVERED = pd.Timedelta(seconds=90)
OVERDUE = pd.Timedelta(minutes=3)
KEY = ("heron-point", "main")


@dataclass(frozen=True)
class Log:
    """Rows as a logger wrote them, and when each arrived."""

    rows: pd.DataFrame
    arrived: pd.Series


def random_log(seed: int, n: int = 260) -> Log:
    """A reading a minute; every second seed has neither a total nor a lamp counter to explain a gap with."""
    rng = np.random.default_rng(seed)
    at = pd.Series(pd.date_range(START, periods=n, freq="60s").astype("datetime64[us, UTC]"))
    lamp, power, lost, late = (np.ones(n, bool) for _ in range(4))
    for what in (lamp, power, lost, late):
        for _ in range(int(rng.integers(0, 3))):
            begin, length = int(rng.integers(10, n)), int(rng.integers(1, 45))
            what[begin : begin + length] = False
    lamp &= power
    flow = np.where(rng.random(n) < 0.25, rng.uniform(1, 15, n), 0.0)
    total = 1e4 + np.cumsum(flow)
    if rng.random() < 0.4:  # a meter that was changed
        total[int(rng.integers(n)):] -= 1e4
    rows = pd.DataFrame({
        "cabin": KEY[0], "unit": KEY[1], "at": at, "lamp_on": pd.array(lamp, dtype="boolean"),
        "power_on": pd.array(power, dtype="boolean"), "intensity_w_m2": np.where(lamp, rng.normal(60, 2, n), 0.0),
        "flow_l_min": flow, "total_l": total, "lamp_hours": np.cumsum(lamp) / 60.0})
    for name in QUANTITY_COLUMNS:
        if name in rows:
            rows[name] = rows[name].mask(rng.random(n) < 0.05)
    if seed % 2:
        rows[["total_l", "lamp_hours"]] = np.nan
    events = rng.random(n) < 0.05  # rows that hold a flag alone
    rows.loc[events, ["intensity_w_m2", "flow_l_min", "total_l", "lamp_hours"]] = np.nan
    arrived = at.copy()
    for begin, end in _runs(~late):  # the link was lost: all of it comes when it is back
        arrived.iloc[begin:end] = at.iloc[min(end, n - 1)]
    wrong = rng.random(n) < 0.02  # a clock that is wrong for a reading: 1970, ahead, or behind
    shift_min = np.where(wrong, rng.choice([-20_000 * 1440, 30, -40], n), 0)
    rows["at"] = (at + pd.to_timedelta(shift_min, unit="min")).astype("datetime64[us, UTC]")
    rows, arrived = rows[lost].reset_index(drop=True), arrived[lost].reset_index(drop=True)
    again = rng.choice(len(rows), 6)  # some come twice
    return Log(pd.concat([rows, rows.iloc[again]], ignore_index=True),
               pd.concat([arrived, arrived.iloc[again]], ignore_index=True))


def _runs(mask: np.ndarray) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(int), [0]])))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def valid(rows: pd.DataFrame, now: datetime) -> pd.DataFrame:
    return split(rounded(rows.reset_index(drop=True)), pd.Timestamp(now))[0]


def opened(path) -> Store:
    store = Store(path)
    store.act("enroll", {"text": FLEET_TOML})
    return store


def verdict(store: Store, now: datetime, **how: bool) -> str:
    return str(status(store, now, cabin=KEY[0], **how)[0].verdict.verdict)


def unexplained(sent: pd.DataFrame) -> bool:
    """Whether these rows leave a gap that they cannot explain: nothing that counts, on either side."""
    at = sent["at"].drop_duplicates().sort_values()
    gaps = at.diff().to_numpy() > COVERED.to_numpy()
    return bool(gaps.any()) and sent[["total_l", "lamp_hours"]].isna().all(axis=None)


def dark_draw(sent: pd.DataFrame) -> bool:
    """Whether a row says that water flows past a dark lamp."""
    return bool(((sent["lamp_on"] == False) & (sent["flow_l_min"] > 0)).any())  # noqa: E712  (NA is neither)


@pytest.mark.parametrize("seed", [0, *(pytest.param(one, marks=pytest.mark.slow) for one in range(1, 8))])
def test_after_no_prefix_of_a_live_log_is_it_clear_over_a_gap_or_a_dark_draw(tmp_path, seed):
    log = random_log(seed)
    store = opened(tmp_path / "x.duckdb")
    fleet = load_fleet(Local(store.con))
    sent = log.rows.iloc[:0]
    words = set()
    rng = np.random.default_rng(seed)
    cuts = np.sort(rng.choice(np.arange(20, len(log.rows)), 9, replace=False))
    order = np.argsort(log.arrived.to_numpy(), kind="stable")
    for first, last in pairwise([0, *cuts, len(order)]):
        part = order[first:last]
        now = log.arrived.iloc[part].max().to_pydatetime() + minutes(0.5)
        rows = valid(log.rows.iloc[part], now)
        sent = pd.concat([sent, rows], ignore_index=True)
        commit(store, rows, now)
        evaluate(store.con, now)
        # at once, within the gap's grace, and after it
        for later in (now, now + minutes(2), now + GRACE + minutes(1)):
            if later > now:
                watch(store.con, fleet, later, [KEY])
            word = verdict(store, later)
            words.add(word)
            if word != "clear":
                continue
            assert pd.Timestamp(later) - sent["at"].max() <= OVERDUE
            assert not unexplained(sent), later
            assert not dark_draw(sent), later
            under = store.ask("SELECT * FROM segment WHERE underdosed_l_upper > 0")
            assert under.empty, later  # nobody lifted anything
    assert verdict(store, now + minutes(60 * 24)) != "clear"
    assert words & {"boil", "silent"}
    store.close()


def test_the_random_logs_hold_what_they_are_meant_to_hold():
    logs = [random_log(seed) for seed in range(12)]
    now = START + minutes(60 * 24)
    sent = [valid(log.rows, now) for log in logs]
    assert sum(unexplained(one) for one in sent) >= 3
    assert sum(dark_draw(one) for one in sent) >= 4
    assert sum((log.arrived - log.rows["at"] > OVERDUE).any() for log in logs) >= 8
    assert sum(len(one) < len(log.rows) for one, log in zip(sent, logs, strict=True)) >= 6  # 1970 was refused


@pytest.mark.parametrize("seed", [0, *(pytest.param(one, marks=pytest.mark.slow) for one in range(1, 5))])
def test_the_order_of_arrival_changes_neither_intervals_nor_verdict(tmp_path, seed):
    log = random_log(seed + 100, 200)
    rng = np.random.default_rng(seed)
    now = log.rows["at"].max().to_pydatetime() + minutes(0.5)
    rows = valid(log.rows, now)
    # one value of a quantity per instant, or the first to arrive would be kept: that is the order's own doing
    rows = rows.groupby(["cabin", "unit", "at"], as_index=False).first()
    stores = []
    for number, order in enumerate((np.arange(len(rows)), rng.permutation(len(rows)))):
        store = opened(tmp_path / f"{number}.duckdb")
        for part in np.array_split(order, 1 if number == 0 else 9):
            commit(store, rows.iloc[np.append(part, rng.choice(part, 2))], now)
            derive(store.con, load_fleet(Local(store.con)))
        watch(store.con, load_fleet(Local(store.con)), now, [KEY])
        stores.append(store)
    one, other = (store.ask('SELECT * FROM segment ORDER BY start') for store in stores)
    pd.testing.assert_frame_equal(one, other, rtol=1e-9, atol=1e-9)
    found = [status(store, now, cabin=KEY[0])[0].verdict for store in stores]
    assert (found[0].verdict, found[0].since) == (found[1].verdict, found[1].since)
    for before in (30, 90, 150):
        past = now - minutes(before)
        assert verdict(stores[0], past, as_of=True) == verdict(stores[1], past, as_of=True)
    for store in stores:
        store.close()


def test_a_random_run_that_nothing_troubles_is_clear_so_that_clear_means_something(tmp_path):
    log = random_log(0)
    store = opened(tmp_path / "x.duckdb")
    at = pd.Series(pd.date_range(START, periods=120, freq="60s").astype("datetime64[us, UTC]"))
    rows = log.rows.iloc[:120].assign(
        at=at, lamp_on=pd.array([True] * 120, dtype="boolean"), power_on=pd.array([True] * 120, dtype="boolean"),
        intensity_w_m2=60.0, flow_l_min=2.0, total_l=np.nan, lamp_hours=np.nan)
    now = START + minutes(119.5)
    commit(store, valid(rows, now), now)
    evaluate(store.con, now)
    assert verdict(store, now) == "clear"
    store.close()
