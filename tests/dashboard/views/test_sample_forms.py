"""Laboratory results and water tests through the pages' forms, on a real store held by a real collector."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path

import pandas as pd
import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

import dashboard
from ingest import queries
from ingest.actions import transaction
from ingest.db.intake import keep
from ingest.db.schema import rounded
from ingest.evaluation.evaluate import evaluate, owe
from ingest.settings import Settings
from ingest.store import Client, Store
from models.advisory.events import Step
from tests.conftest import FLEET_TOML, Running, free_port, wait_for

APP = str(Path(dashboard.__file__).with_name("app.py"))
NAME = "Heron-Point, main"


@pytest.fixture
def collector(tmp_path: Path) -> Iterator[Running]:
    """A collector of the small fleet, whose broker does not answer; Heron Point ran well for three hours."""
    path = tmp_path / "tarnlight.duckdb"
    store = Store(path)
    store.act("enroll", {"text": FLEET_TOML})
    now = store.now()
    at = pd.date_range(now.replace(second=0, microsecond=0) - timedelta(hours=3), now, freq="60s", tz="UTC")
    rows = pd.DataFrame({
        "cabin": "heron-point", "unit": "main", "at": at, "lamp_on": True, "power_on": True, "intensity_w_m2": 60.0,
        "flow_l_min": 12.0})
    transaction(store.con, lambda: owe(store.con, keep(store.con, rows=rounded(rows), arrived=now).touched))
    evaluate(store.con, now)
    store.close()
    one = Running(Settings(store=path, broker=f"mqtt://127.0.0.1:{free_port()}"), tmp_path / "collector.log")
    one.start(connected=False)
    yield one
    one.kill()


@pytest.fixture
def page(collector: Running, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[str], AppTest]]:
    """Opens a page of Heron Point."""
    def open_page(name: str) -> AppTest:
        app = AppTest.from_file(APP, default_timeout=60).run()
        app._page_hash = app.session_state["pages"][name]._script_hash
        app.query_params.update(cabin="heron-point", unit="main")
        return app.run()

    st.cache_resource.clear()
    monkeypatch.setenv("TARNLIGHT_STORE", str(collector.settings.store))
    yield open_page
    st.cache_resource.clear()


def told(app: AppTest) -> str:
    assert not app.exception, app.exception
    return "\n".join(one.proto.body for one in app.get("html") if "<style>" not in one.proto.body)


def fill(app: AppTest, **fields: object) -> None:
    """Fill fields by the beginning of their label, spaces written as `_`; the last one of that name."""
    for label, value in fields.items():
        found = [one for one in (*app.text_input, *app.number_input, *app.selectbox)
                 if one.label.lower().startswith(label.replace("_", " "))]
        found[-1].set_value(value)


def press(app: AppTest, label: str) -> AppTest:
    (button,) = [one for one in app.button if one.label == label]
    return button.click().run()


def test_a_failing_result_is_recorded_on_the_cabins_page_and_raises(page, collector):
    app = page("cabin")
    fill(app, what_was_done="sampled", who="Ann Lund", total_coliforms="many")
    app = press(app, f"Record for {NAME}")
    assert "total_coliforms must be a count per 100 mL of at least 0" in told(app)
    fill(app, total_coliforms="30", laboratory="Lakes Lab", sample_number="W-17")
    next(one for one in app.text_input if one.label == "E. coli per 100 mL").set_value("12")
    app = press(app, f"Record for {NAME}")
    text = told(app)
    assert "Not satisfactory, unsafe to drink unboiled: E. coli 12, total coliforms 30 per 100 mL." in text
    assert "Advisory: a1: raised, because this sample was not satisfactory." in text
    text = told(page("cabin"))
    assert "unsatisfactory, E. coli 12, total coliforms 30, Lakes Lab, number W-17" in text
    assert "A boil advisory stands because of a water sample that was not satisfactory" in text
    assert "E. coli 12, total coliforms 30 per 100 mL" in told(page("after-cut"))
    assert "Advisory: " not in told(page("cabin"))  # what was recorded is said once


def test_the_same_button_pressed_twice_is_one_record(page, collector):
    app = page("cabin")
    fill(app, what_was_done="sampled", who="Ann Lund", total_coliforms="30")
    app = press(press(app, f"Record for {NAME}"), f"Record for {NAME}")
    assert "It was recorded before; nothing was stored twice." in told(app)
    assert len(collector.client().ask("SELECT * FROM service_event")) == 1


@pytest.mark.parametrize(("button", "value"), [(f"Record 88 % for {NAME}", 88.0), ("It really is 0.88 %", 0.88)])
def test_a_water_test_typed_as_a_ratio_is_offered_as_per_cent(page, collector, button, value):
    app = page("cabin")
    fill(app, what_was_done="water-tested", who="Ann Lund", value=0.88)
    app = press(app, f"Record for {NAME}")
    assert "0.88: did you mean 88 %? A water test is given in per cent." in told(app)
    assert collector.client().ask("SELECT * FROM service_event").empty
    app = press(app, button)
    assert "Recorded" in told(app) and "did you mean" not in told(app)
    assert collector.client().ask("SELECT value FROM service_event")["value"].tolist() == [value]


def test_the_step_form_takes_counts_and_a_failed_sample_begins_again(page, collector):
    client = collector.client()
    unit = {"cabin": "heron-point", "unit": "main", "who": "Bo Reed"}
    begun = (client.now() - timedelta(days=2.6)).isoformat()
    for kind, days, found in (
            ("sampled", 3, {"e_coli": 1}), ("flushed", 2.5, {"from": begun}), ("chlorinated", 2, {})):
        at = (client.now() - timedelta(days=days)).isoformat()
        client.act("record-service", {**unit, **found, "kind": kind, "at": at})
    wait_for(lambda: first_open(client) is Step.SAMPLE_1, 20, "the sensors have proven theirs")
    app = page("after-cut")
    press_step = f"Record the first sample, for {NAME}"
    next(one for one in app.text_input if one.key == "name-a1-sample_1").set_value("Ann Lund")
    app = press(app, press_step)
    assert "Say whether the laboratory found the sample satisfactory, or give its counts." in told(app)
    counts(app, 0, e_coli="0", coliforms="3")
    app = press(app, press_step)
    text = told(app)
    assert "Sample again: E. coli 0, total coliforms 3 per 100 mL." in text
    assert "Advisory: a1: kept, but it ticks no sample step." in text
    assert first_open(client) is Step.SAMPLE_1


def first_open(client: Client) -> Step:
    return queries.advisories(client)[0].advisory.open_steps[0]


def counts(app: AppTest, form: int, *, e_coli: str, coliforms: str) -> None:
    """The counts of that form of the page."""
    for label, value in (("E. coli per 100 mL", e_coli), ("Total coliforms per 100 mL", coliforms)):
        [one for one in app.text_input if one.label == label][form].set_value(value)


def test_a_failed_sample_is_recorded_with_its_counts_and_begins_cleaning_again(page, collector):
    client = collector.client()
    at = (client.now() - timedelta(days=3)).isoformat()
    client.act("record-service", {
        "cabin": "heron-point", "unit": "main", "who": "Bo Reed", "kind": "sampled", "e_coli": 1, "at": at})
    app = page("after-cut")
    counts(app, -1, e_coli="4", coliforms="9")
    next(one for one in app.text_input if one.key.startswith("name-a1-failed")).set_value("Ann Lund")
    app = press(app, f"Record the failed sample, for {NAME}")
    assert "Advisory: a1: cleaning and both samples start again." in told(app)
    found = client.ask("SELECT e_coli, total_coliforms, advisory FROM laboratory_result ORDER BY taken_at")
    assert found.to_dict("records")[-1] == {"e_coli": "4", "total_coliforms": "9", "advisory": "a1"}
