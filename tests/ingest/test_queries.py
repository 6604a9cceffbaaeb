"""What people ask of the store: the same answer from the file and through a collector, now and of the past."""

from __future__ import annotations

import json

import pandas as pd
import pytest

from ingest import queries
from ingest.db import engine
from ingest.db.engine import Remote
from ingest.evaluation.evaluate import evaluate
from ingest.store import Store
from tests.conftest import FLEET_TOML, free_port, utc
from tests.ingest.ingest_streams import commit, minutes, steady

START = utc("2026-11-20T06:10:00")
TOKEN = "a-token-of-tests"


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """A store with three hours of two units, and the same through a server."""
    store = Store(tmp_path_factory.mktemp("queries") / "x.duckdb")
    store.act("enroll", {"text": FLEET_TOML})
    now = START + minutes(180.5)
    dark = {"lamp_on": False, "intensity_w_m2": 0.0}
    commit(
        store,
        pd.concat(
            [
                steady(START, 181, uvt_pct=85.0, battery_v=12.5, lamp_hours=100.0),
                steady(START, 100, "otter-cove", "main"),
                steady(START + minutes(100), 40, "otter-cove", "main", **dark),
                steady(START + minutes(140), 41, "otter-cove", "main"),
            ]
        ),
        now,
    )
    evaluate(store.con, now)
    port = free_port()
    engine.serve(store.con, port=port, token=TOKEN)
    yield store, Remote(f"quack:localhost:{port}", TOKEN), now
    store.con.execute("CALL quack_stop($address)", {"address": f"quack:localhost:{port}"})
    store.close()


def by_unit(found):
    return {(one.cabin.slug, one.unit.slug): one for one in found}


def test_file_and_server_answer_alike(told):
    store, remote, now = told
    for asks in (
        lambda one: [unit.to_json() for unit in queries.status(one, now)],
        lambda one: [unit.to_json() for unit in queries.status(one, START + minutes(20), as_of=True)],
        lambda one: queries.outages(one, now).to_json(date_format="iso"),
        lambda one: queries.outages(one, now, cabin="otter-cove", since=START).to_json(date_format="iso"),
        lambda one: queries.readings(one, "otter-cove", "main", START, now).to_json(date_format="iso"),
        lambda one: queries.readings(one, "otter-cove", "main", START, now, points=20).to_json(date_format="iso"),
        lambda one: queries.hours(one, "otter-cove", "main", START, now).to_json(date_format="iso"),
        lambda one: queries.service_events(one).to_json(),
        lambda one: queries.quarantined(one).to_json(),
    ):
        assert json.dumps(asks(store), default=str) == json.dumps(asks(remote), default=str)


def test_a_unit_that_was_never_heard_is_silent_and_not_one_of_its_numbers_is_0(told):
    store, _, now = told
    found = by_unit(queries.status(store, now))["otter-cove", "annex"].to_json()
    assert found["verdict"] == "silent"
    for key in (
        "dose_mj_cm2",
        "dose_low_mj_cm2",
        "intensity_w_m2",
        "flow_l_min",
        "lamp_on",
        "lamp_hours",
        "last_heard",
    ):
        assert found[key] is None
    assert set(found["log_credit"].values()) == {None}


def test_what_is_no_longer_heard_is_not_told_as_if_it_were(told):
    store, _, now = told
    found = by_unit(queries.status(store, now + minutes(30)))["heron-point", "main"].to_json()
    assert found["verdict"] == "silent"
    assert found["intensity_w_m2"] is None
    assert found["dose_low_mj_cm2"] is None
    assert found["lamp_on"] is None
    assert found["last_heard"] == START + minutes(180)


def test_units_come_worst_first(told):
    store, _, now = told
    words = [str(one.verdict.verdict) for one in queries.status(store, now)]
    assert words == sorted(words, key=["boil", "silent", "watch", "clear"].index)


@pytest.mark.parametrize(
    ("offset", "lamp_on", "word"),
    [(10, True, "clear"), (50, True, "clear"), (99, True, "clear"), (110, False, "boil"), (139.9, False, "boil")],
)
def test_a_past_instant_is_judged_by_the_readings_up_to_it(told, offset, lamp_on, word):
    store, _, _ = told
    found = by_unit(queries.status(store, START + minutes(offset), as_of=True))["otter-cove", "main"].to_json()
    assert found["lamp_on"] is lamp_on
    assert found["verdict"] == word
    assert found["last_heard"] <= START + minutes(offset)
    assert found["since"] is None or found["since"] <= START + minutes(offset)


def test_an_instant_before_the_first_reading_knows_nothing(told):
    store, _, _ = told
    for one in queries.status(store, START - minutes(1), as_of=True):
        assert str(one.verdict.verdict) == "silent"
        assert one.state is None


def test_thinned_readings_keep_every_dip_draw_and_event(told):
    store, _, now = told
    thin = queries.readings(store, "otter-cove", "main", START, now, points=30)
    whole = queries.readings(store, "otter-cove", "main", START, now)
    assert len(whole) == 181
    assert len(thin) < len(whole)
    assert thin["intensity_w_m2"].min() == whole["intensity_w_m2"].min() == 0
    changes = whole.loc[whole["lamp_on"] != whole["lamp_on"].shift(), "at"].iloc[1:]
    assert set(changes) <= set(thin["at"])


def test_a_water_test_changes_what_is_judged_from_then_on_and_not_before(tmp_path):
    store = Store(tmp_path / "x.duckdb")
    store.act("enroll", {"text": FLEET_TOML})
    commit(store, steady(START, 60))
    evaluate(store.con, START + minutes(60))
    for offset, value in ((30, 70.0), (-600, 90.0)):
        store.act(
            "record-service",
            {
                "kind": "water-tested",
                "cabin": "heron-point",
                "unit": "main",
                "who": "Kim",
                "value": value,
                "at": (START + minutes(offset)).isoformat(),
            },
        )
    for offset, uvt in ((10, 90.0), (29, 90.0), (31, 70.0), (59, 70.0)):
        found = by_unit(queries.status(store, START + minutes(offset), as_of=True))["heron-point", "main"]
        assert found.uvt_pct == uvt
    before, after = (
        by_unit(queries.status(store, START + minutes(offset), as_of=True))["heron-point", "main"]
        for offset in (29, 31)
    )
    assert before.state.dose_low_mj_cm2 > after.state.dose_low_mj_cm2
    assert before.red_low_mj_cm2 == pytest.approx(before.state.dose_low_mj_cm2)
    store.close()


def test_refused_payloads_are_text_where_they_are_text_and_harmless_where_they_are_not(tmp_path):
    store = Store(tmp_path / "store.duckdb")
    into = "INSERT INTO quarantine (arrived_at, source, cabin, unit, payload, reason) VALUES "
    for payload in (b'[{"n":"flow"}]', b"\x00\xff\x1b", "\u00e9tang".encode()):
        store.con.execute(
            into + "(now(), 'topic', 'pine', 'main', $payload, 'why')", {"payload": payload})
    store.con.execute(into + "(now(), 'topic', 'oak', 'main', 'x'::BLOB, 'why')")
    found = queries.quarantined(store, cabin="pine", unit="main")
    assert set(found["payload"]) == {'[{"n":"flow"}]', r"\x00\xFF\x1B", "\u00e9tang"}
    assert len(queries.quarantined(store)) == 4
    store.close()
