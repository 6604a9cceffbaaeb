"""Rows into a real store: each once, none lost, the empty cells filled by later records."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from ingest.db.engine import transaction
from ingest.db.intake import Kept, Message, decode, keep
from ingest.db.schema import QUANTITY_COLUMNS, reasons, rounded, split
from ingest.store import Store
from tests.conftest import count, utc

T0 = utc("2026-11-25T07:00:00")
NOW = utc("2026-11-25T12:00:00")


def batch(*rows: dict[str, object]) -> pd.DataFrame:
    """Rows as `keep` takes them; `s` is seconds after T0."""
    frame = pd.DataFrame(
        [
            {
                "cabin": "heron-point",
                "unit": "main",
                **row,
                "at": pd.Timestamp(T0 + timedelta(seconds=float(row.get("s", 0)))),
            }
            for row in rows
        ]
    )
    return rounded(frame.assign(at=frame["at"].astype("datetime64[us, UTC]")))


def put(store: Store, *rows: dict[str, object]) -> Kept:
    return transaction(store.con, lambda: keep(store.con, rows=batch(*rows), arrived=NOW))


def kept(store: Store) -> pd.DataFrame:
    return store.ask('SELECT * FROM reading ORDER BY cabin, unit, "at"')


def test_a_batch_that_comes_twice_adds_nothing(held):
    rows = [{"s": n, "intensity_w_m2": 40 + n} for n in range(5)]
    first, second = put(held, *rows), put(held, *rows)
    assert (first.rows, first.filled, first.already) == (5, 0, 0)
    assert (second.rows, second.filled, second.already) == (0, 0, 5)
    assert second.touched == {}
    assert kept(held)["intensity_w_m2"].tolist() == [40, 41, 42, 43, 44]


def test_a_later_record_of_the_same_instant_fills_what_is_empty_and_the_worse_of_two_values_is_kept(held):
    put(held, {"intensity_w_m2": 41.0, "lamp_on": False})
    told = put(held, {"intensity_w_m2": 10.0, "flow_l_min": 3.0, "lamp_on": True, "power_on": False})
    assert (told.rows, told.filled, told.already) == (0, 1, 0)
    assert told.touched == {("heron-point", "main"): (pd.Timestamp(T0), pd.Timestamp(T0))}
    row = kept(held).iloc[0]
    assert (row["intensity_w_m2"], row["flow_l_min"], row["lamp_on"], row["power_on"]) == (10.0, 3.0, False, False)
    again = put(held, {"flow_l_min": 1.0})  # less flow than is stored: the stored one is the worse
    assert (again.filled, again.already, again.refused) == (0, 1, 1)
    assert kept(held)["flow_l_min"].tolist() == [3.0]
    refused = held.con.execute("SELECT reason, decode(payload) FROM quarantine ORDER BY reason").fetchall()
    assert [reason.split(":")[0] for reason, _ in refused] == [
        "flow_l_min = 1.0", "intensity_w_m2 = 41.0", "lamp_on = True"]
    assert all("the worse of the two counts" in reason for reason, _ in refused)
    assert '"intensity_w_m2": 41.0' in refused[1][1]


def test_zero_and_false_are_values_that_fill_and_are_not_filled_over(held):
    put(held, {"flow_l_min": 0.0, "lamp_on": False})
    put(held, {"lamp_on": True, "intensity_w_m2": 0.0})
    row = kept(held).iloc[0]
    assert (row["flow_l_min"], row["lamp_on"], row["intensity_w_m2"]) == (0.0, False, 0.0)


def test_duplicates_within_a_batch_become_one_row_with_the_worse_value_of_each(held):
    told = put(
        held,
        {"s": 1, "intensity_w_m2": 41.0},
        {"s": 1, "intensity_w_m2": 5.0, "flow_l_min": 2.0},
        {"s": 2, "flow_l_min": 1.0},
        {"s": 1, "power_on": True},
    )
    assert (told.rows, told.already) == (2, 2)
    row = kept(held).iloc[0]
    assert (row["intensity_w_m2"], row["flow_l_min"], row["power_on"]) == (5.0, 2.0, True)
    assert told.refused == 1  # 41.0


def test_the_same_instant_of_other_units_is_another_row(held):
    told = put(
        held,
        {"flow_l_min": 1.0},
        {"flow_l_min": 1.0, "cabin": "otter-cove"},
        {"flow_l_min": 1.0, "cabin": "otter-cove", "unit": "annex"},
    )
    assert told.rows == 3
    assert set(told.touched) == {("heron-point", "main"), ("otter-cove", "main"), ("otter-cove", "annex")}


def test_late_rows_find_their_place_and_their_duplicates(held):
    put(held, *({"s": n, "flow_l_min": 1.0} for n in range(0, 100, 10)))
    told = put(held, {"s": 95, "flow_l_min": 2.0}, {"s": -500_000, "flow_l_min": 2.0}, {"s": 50, "flow_l_min": 1.0})
    assert (told.rows, told.already) == (2, 1)
    assert told.touched["heron-point", "main"] == (
        pd.Timestamp(T0 - timedelta(seconds=500_000)),
        pd.Timestamp(T0 + timedelta(seconds=95)),
    )
    assert len(kept(held)) == 12


@pytest.mark.parametrize("seed", [0, *(pytest.param(one, marks=pytest.mark.slow) for one in range(1, 4))])
def test_any_shuffle_and_any_split_of_the_rows_keeps_the_same_table(tmp_path, seed):
    rng = np.random.default_rng(seed)
    rows = [
        {"s": int(s), column: float(s % 7)} for s in range(40) for column in ("flow_l_min", "battery_v", "uvt_pct")
    ]
    tables = []
    for turn in range(2):
        store = Store(tmp_path / f"{turn}.duckdb")
        order = rng.permutation(len(rows)) if turn else np.arange(len(rows))
        for part in np.array_split(order, 1 + int(rng.integers(1, 20))):
            put(store, *(rows[n] for n in part))
            put(store, *(rows[n] for n in part[::2]))  # and some again
        tables.append(kept(store))
        store.close()
    pd.testing.assert_frame_equal(*tables)


def test_nothing_of_a_batch_stays_if_its_transaction_fails(held):
    def work():
        keep(held.con, rows=batch({"flow_l_min": 1.0}), arrived=NOW)
        raise RuntimeError("power cut")

    with pytest.raises(RuntimeError, match="power cut"):
        transaction(held.con, work)
    assert count(held, "reading") == 0


def test_a_retained_link_that_comes_again_is_no_event(held):
    def links(*told: tuple[int, bool]) -> None:
        frame = pd.DataFrame(
            [
                {"cabin": "heron-point", "unit": "main", "at": pd.Timestamp(T0 + timedelta(seconds=s)), "up": up}
                for s, up in told
            ]
        )
        transaction(held.con, lambda: keep(held.con, rows=batch({"s": 0}).iloc[:0], links=frame, arrived=NOW))

    links((0, True))
    links((1, True), (2, True))
    links((3, False), (4, True), (5, True))
    links((6, True))
    assert held.ask('SELECT up FROM link_event ORDER BY "at"')["up"].tolist() == [True, False, True]


def test_a_link_event_of_a_unit_leaves_that_of_another_alone(held):
    frame = pd.DataFrame(
        {
            "cabin": ["heron-point", "otter-cove", "heron-point"],
            "unit": "main",
            "at": pd.to_datetime([T0, T0, T0 + timedelta(seconds=1)]),
            "up": [True, False, False],
        }
    )
    transaction(held.con, lambda: keep(held.con, rows=batch({"s": 0}).iloc[:0], links=frame, arrived=NOW))
    assert count(held, "link_event") == 3


def test_what_was_refused_lies_in_quarantine_with_topic_payload_arrival_and_reason(held):
    topic = "tarnlight/heron-point/main/log"
    payload = b"\x00\xff binary"
    decoded = decode([Message(topic, payload, NOW)], {("heron-point", "main")}, pd.Timestamp(NOW))
    told = transaction(held.con, lambda: keep(held.con, rows=decoded.rows, refused=decoded.refused, arrived=NOW))
    assert told.refused == 1
    row = held.ask("SELECT * FROM quarantine").iloc[0]
    assert (row["source"], bytes(row["payload"]), row["arrived_at"]) == (topic, payload, pd.Timestamp(NOW))
    assert "not UTF-8" in row["reason"]


def test_a_value_out_of_range_is_quarantined_with_its_value_and_the_rest_of_its_row_kept(held):
    pack = json.dumps(
        [{"bt": T0.timestamp(), "n": "battery", "v": 12.0}, {"n": "uvt", "v": 1.2}, {"n": "intensity", "v": -3.0}]
    ).encode()
    decoded = decode(
        [Message("tarnlight/heron-point/main/log", pack, NOW)], {("heron-point", "main")}, pd.Timestamp(NOW)
    )
    assert decoded.rows[["battery_v", "uvt_pct", "intensity_w_m2"]].notna().to_numpy().tolist() == [
        [True, False, False]
    ]
    assert sorted(decoded.refused["reason"].str.split(" is out").str[0]) == [
        "intensity_w_m2 = -3.0",
        "uvt_pct = 120.0",
    ]
    assert json.loads(decoded.refused["payload"].iloc[0])["at_ms"] == T0.timestamp() * 1000


@pytest.mark.parametrize(
    ("column", "good", "bad"),
    [
        ("intensity_w_m2", [0, 5000], [-0.01, 5000.01]),
        ("flow_l_min", [0, 100_000], [-1, 100_001, np.inf]),
        ("uvt_pct", [0.01, 100], [0, 100.01, -5]),
        ("water_temp_c", [-40, 120], [-40.01, 120.01]),
        ("total_l", [0, 1e11], [-1, 1e12, np.inf]),
        ("battery_v", [0, 1000], [-0.001, 1001]),
        ("lamp_hours", [0, 9e6], [-1, 1e7]),
    ],
)
def test_each_column_has_its_bounds_and_a_bad_cell_costs_its_row_nothing_else(column, good, bad):
    rows = batch(*({"s": n, column: value, "power_on": True} for n, value in enumerate([*good, *bad])))
    valid, refused = split(rows, pd.Timestamp(NOW))
    assert len(valid) == len(rows)
    assert valid[column].notna().tolist() == [True] * len(good) + [False] * len(bad)
    assert refused["column"].tolist() == [column] * len(bad)
    assert all(reason.startswith(f"{column} = ") for reason in reasons(rows, refused))


def test_a_row_left_without_any_value_goes_whole(held):
    valid, refused = split(batch({"uvt_pct": 500.0}), pd.Timestamp(NOW))
    assert valid.empty
    assert len(refused) == 1


def test_a_column_that_nobody_knows_is_refused_loudly():
    rows = batch({"flow_l_min": 1.0}).assign(pressure_kpa=1.0)
    with pytest.raises(Exception, match="pressure_kpa"):
        split(rows, pd.Timestamp(NOW))


def test_an_empty_batch_is_no_trouble(held):
    decoded = decode([], set(), pd.Timestamp(NOW))
    told = transaction(
        held.con,
        lambda: keep(
            held.con, rows=decoded.rows, links=decoded.links, refused=decoded.refused, arrived=datetime.now(UTC)
        ),
    )
    assert (told.rows, told.refused) == (0, 0)
    assert list(decoded.rows.columns)[3:] == list(QUANTITY_COLUMNS)
