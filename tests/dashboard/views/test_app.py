"""The pages on a real store held by a real collector; Streamlit runs them without a browser."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

import dashboard
from ingest.actions import transaction
from ingest.clock import monotonic_s
from ingest.db.intake import keep
from ingest.db.schema import rounded
from ingest.evaluation.evaluate import evaluate, owe
from ingest.settings import Settings
from ingest.store import Store
from tests.conftest import FLEET_TOML, REACTOR, Running, cabin_toml, count, free_port, wait_for

APP = str(Path(dashboard.__file__).with_name("app.py"))
NASTY = "<b>bold</b> **stars** [link](http://127.0.0.1)"


def fill(path: Path) -> None:
    """Heron Point runs fine; Otter Cove's main unit has been dark with the tap open; its annex was never heard."""
    store = Store(path)
    now = store.now().replace(second=0, microsecond=0)
    at = pd.date_range(now - timedelta(hours=3), now, freq="60s", tz="UTC")
    fine = pd.DataFrame({
        "cabin": "heron-point", "unit": "main", "at": at, "lamp_on": True, "power_on": True, "intensity_w_m2": 58.0,
        "flow_l_min": 0.0, "total_l": 100.0})
    dark = fine.assign(cabin="otter-cove", lamp_on=at < now - timedelta(hours=1), flow_l_min=5.0,
                       total_l=100.0 + 5.0 * np.arange(len(at)))
    dark["intensity_w_m2"] = dark["intensity_w_m2"].where(dark["lamp_on"], 0.0)
    dark["power_on"] = dark["lamp_on"]
    refused = pd.DataFrame({
        "source": ["tarnlight/heron-point/main/log"], "cabin": ["heron-point"], "unit": ["main"],
        "payload": [NASTY.encode()], "reason": ["flow: must be a number"]})

    def work() -> None:
        owe(store.con, keep(store.con, rows=rounded(pd.concat([fine, dark])), refused=refused, arrived=now).touched)

    transaction(store.con, work)
    evaluate(store.con, store.now())
    store.close()


@pytest.fixture(autouse=True)
def fresh() -> Iterator[None]:
    """No connection of another test's collector is left in the process."""
    st.cache_resource.clear()
    yield
    st.cache_resource.clear()


@pytest.fixture
def page(monkeypatch: pytest.MonkeyPatch) -> Callable[..., AppTest]:
    """Opens a page of the dashboard on that store."""
    def open_page(store: Running | Path, name: str = "now", **query: str) -> AppTest:
        monkeypatch.setenv("TARNLIGHT_STORE", str(store.settings.store if isinstance(store, Running) else store))
        app = AppTest.from_file(APP, default_timeout=60).run()
        if name != "now":  # AppTest.switch_page knows pages that are files; ours are functions
            app._page_hash = app.session_state["pages"][name]._script_hash
            app.query_params.update(query)
            app.run()
        return app

    return open_page


def told(app: AppTest) -> str:
    """All that a page says in HTML of its own."""
    assert not app.exception, app.exception
    return "\n".join(one.proto.body for one in app.get("html") if "<style>" not in one.proto.body)


def made(folder: Path, fleet: str) -> Iterator[Running]:
    """A collector of a store with that fleet; its broker does not answer."""
    path = folder / "tarnlight.duckdb"
    store = Store(path)
    if fleet:
        store.act("enroll", {"text": fleet})
    store.close()
    if fleet:
        fill(path)
    one = Running(Settings(store=path, broker=f"mqtt://127.0.0.1:{free_port()}"), folder / "collector.log")
    one.start(connected=False)
    yield one
    one.kill()


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """For tests that only read."""
    yield from made(tmp_path_factory.mktemp("reading"), FLEET_TOML)


@pytest.fixture(scope="module")
def changing(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """For tests that write, restart or disturb; none of them minds what another left."""
    yield from made(tmp_path_factory.mktemp("changing"), FLEET_TOML)


@pytest.fixture(scope="module")
def nobody(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """A store without a cabin."""
    yield from made(tmp_path_factory.mktemp("nobody"), "")


def test_without_a_collector_every_page_says_how_to_start_one_and_calls_nothing_clear(page, enrolled):
    app = page(enrolled)
    assert "The collector does not answer" in told(app)
    assert f"tarnlight collect --store {enrolled}" in told(app)
    assert "tl-clear" not in told(app)


@pytest.mark.parametrize("name", ["now", "cabin", "over-time"])
def test_a_store_without_a_cabin_says_how_to_enrol_one(page, nobody, name):
    text = told(page(nobody, name))
    assert "No cabin is enrolled yet" in text and "tarnlight enroll fleet.toml" in text and "tarnlight demo" in text


def test_the_first_page_says_which_cabins_need_somebody_worst_first_with_reason_and_action(page, running):
    text = told(page(running))
    assert "1 of 2 cabins needs you now: Otter-Cove (boil)." in text
    order = [text.index(f"{name}</a>") for name in ("Otter-Cove, main", "Otter-Cove, annex", "Heron-Point")]
    assert order == sorted(order)
    assert "The power is off, and the lamp is dark." in text and "This unit has never been heard." in text
    assert "Boil tap water before drinking" in text and "local health authority" in text
    assert "■</span> Boil" in text and "○</span> Silent" in text and "●</span> Clear" in text


def test_a_filter_leaves_only_what_was_asked_for(page, running):
    app = page(running)
    app.get("button_group")[0].select("silent").run()
    assert "Otter-Cove, annex</a>" in told(app)
    assert "Heron-Point</a>" not in told(app) and "Otter-Cove, main</a>" not in told(app)


def test_the_search_finds_by_name_and_by_reason_and_says_where_nothing_fits(page, running):
    app = page(running)
    app.text_input[0].input("OTTER annex").run()
    assert "Otter-Cove, annex</a>" in told(app) and "Otter-Cove, main</a>" not in told(app)
    assert app.query_params["find"] == "OTTER annex"
    app.text_input[0].input("lamp is dark").run()
    assert "Otter-Cove, main</a>" in told(app) and "Heron-Point</a>" not in told(app)
    app.text_input[0].input("<b>nowhere</b>").run()
    assert "No cabin fits this filter" in told(app) and "<b>nowhere" not in told(app)


def test_a_line_has_the_last_week_in_words_beside_its_picture_and_silence_is_not_drawn_as_clear(page, running):
    text = told(page(running))
    assert re.search(r'alt="Last 7 days: [^"]*dark [^"]* under target', text)
    assert 'alt="Last 7 days: nothing heard in this time"' in text  # the annex
    assert text.count('src="data:image/svg+xml,') == 2  # Heron Point is clear: a name in one line


def test_the_fleet_over_time_has_a_row_a_unit_its_month_and_the_load_of_calls(page, running):
    app = page(running, "over-time")
    text = told(app)
    assert text.count('<li class="tl-t-row') == 3 and "nothing heard in this time" in text
    assert re.search(r"In specification this month: </span>[0-9.]+ to [0-9.]+ %", text) and "no water drawn" in text
    assert "1 boil advisory raised in 30 days" in text and "EEMUA 191, from memory" in text
    assert re.search(r'href="cabin\?cabin=otter-cove&amp;unit=main&amp;at=\d{4}-', text)
    assert "local health authority" in text


def test_a_collector_without_its_broker_is_said_on_top(page, running):
    assert "No messages can arrive" in told(page(running))


def test_a_cabins_page_shows_verdict_steps_outages_with_litres_and_readings_with_age(page, running):
    app = page(running, "cabin", cabin="otter-cove", unit="main")
    text = told(app)
    assert "Otter-Cove, main</h1>" in text and "What to do now" in text
    assert "Dark, no power" in text
    # 5 L/min past a dark lamp for an hour, and for the minutes since the readings were made: at least 300 L
    low, upper = re.findall(r'"Under-dosed">([0-9.]+)(?: to ([0-9.]+))? L', text)[0]
    assert 300 <= float(low) < 330 and float(upper or low) >= 300
    assert "Plumbing disinfected with chlorine" in text and "to do" in text
    assert "UV intensity" in text and " ago" in text
    assert len(app.get("plotly_chart")) == 2  # the margin, and the readings that it is made of
    assert re.search(r"dark 1 h[^.]* under target", text)


def test_units_of_the_reader_are_used_and_kept(page, running):
    app = page(running, "cabin", cabin="otter-cove", unit="main")
    app.session_state["units"] = "us"
    app.run()
    assert " gal" in told(app) and "L/min, pressure" not in told(app)


def test_a_unit_never_heard_has_a_designed_page(page, running):
    text = told(page(running, "cabin", cabin="otter-cove", unit="annex"))
    assert "This unit has never been heard." in text and "Nothing heard yet" in text


@pytest.mark.parametrize(("cabin", "unit", "words"), [
    ("nowhere", "main", "No cabin &#x27;nowhere&#x27; is enrolled"),
    ("otter-cove", "attic", "has no unit &#x27;attic&#x27;"),
    ("<script>", "x", "&lt;script&gt;"),
])
def test_an_address_that_names_nothing_enrolled_is_told_so(page, running, cabin, unit, words):
    text = told(page(running, "cabin", cabin=cabin, unit=unit))
    assert words in text and "<script>" not in text and "tl-clear" not in text


def test_what_a_device_sent_is_shown_as_text_with_its_reason(page, running):
    for text in (told(page(running, "system")), told(page(running, "cabin", cabin="heron-point", unit="main"))):
        assert "flow: must be a number" in text
        assert "&lt;b&gt;bold&lt;/b&gt; **stars** [link](http://127.0.0.1)" in text and "<b>bold" not in text


def test_what_was_done_is_recorded_with_the_name_and_a_refusal_is_shown_as_it_is(page, changing):
    app = page(changing, "cabin", cabin="heron-point", unit="main")
    submit = next(one for one in app.button if one.label == "Record for Heron-Point, main")
    submit.click().run()
    assert "Give the name of the person who did it." in told(app)
    next(one for one in app.text_input if one.label.startswith("Who")).input("Ada Brook")
    next(one for one in app.selectbox if one.label == "What was done").select("sleeve-cleaned")
    next(one for one in app.button if one.label == "Record for Heron-Point, main").click().run()
    assert "Sleeve cleaned" in told(app) and "Ada Brook" in told(app)
    found = changing.client().ask("SELECT kind, who FROM service_event")
    assert found.to_dict("records") == [{"kind": "sleeve-cleaned", "who": "Ada Brook"}]


def test_a_wrong_record_is_withdrawn_or_corrected_by_name_and_shown_struck_through(page, changing):
    changing.client().act("record-service", {
        "kind": "water-tested", "cabin": "heron-point", "unit": "main", "at": "2026-01-05T10:00:00Z",
        "who": "Ada Brook", "value": 48.0})
    press = "Withdraw or correct, for Heron-Point, main"
    app = page(changing, "cabin", cabin="heron-point", unit="main")
    next(one for one in app.button if one.label == press).click().run()
    assert "Choose the record that is wrong." in told(app)  # none is chosen beforehand
    choice = next(one for one in app.selectbox if one.label == "Record")
    choice.select_index(next(
        number for number, line in enumerate(choice.options) if "water-tested 48 by Ada Brook" in line))
    next(one for one in app.button if one.label == press).click().run()
    assert "Give the name of the person who withdraws the record" in told(app) and "<s>" not in told(app)
    fill_in(app, "Your name", "Bo Dahl")
    fill_in(app, "Why", "a digit <b>too</b> low")
    fill_in(app, "The right value", 84.0)
    next(one for one in app.button if one.label == press).click().run()
    text = told(page(changing, "cabin", cabin="heron-point", unit="main"))
    assert "<s>Water tested</s>" in text and "<s>48</s>" in text and "84</td>" in text
    assert "<s>CORRECTED" not in text
    assert "CORRECTED by Bo Dahl (a digit &lt;b&gt;too&lt;/b&gt; low), counts no longer" in text
    found = changing.client().ask("SELECT value FROM service_done WHERE kind = 'water-tested'")
    assert found["value"].tolist() == [84.0]


def fill_in(app: AppTest, label: str, value: object) -> None:
    """Fill the field whose label begins so."""
    field = next(one for one in (*app.text_input, *app.number_input) if one.label.startswith(label))
    field.set_value(value)


def test_a_cabin_is_enrolled_by_form_and_bad_input_is_refused_with_what_is_allowed(page, changing):
    app = page(changing, "cabins")
    for label, value in (("Name", "Fern Bay"), ("Slug", "Fern Bay"), ("Time zone", "America/Toronto"),
                         ("Latitude", 45.1), ("Longitude", -79.0), ("Transmittance", 80.0), ("Most flow", 20.0)):
        fill_in(app, label, value)
    press = "Enrol this cabin"
    next(one for one in app.button if one.label == press).click().run()
    assert "Not enrolled" in told(app) and "slug must be 1 to 63 of a-z" in told(app)
    fill_in(app, "Slug", "fern-bay")
    next(one for one in app.button if one.label == press).click().run()
    assert "Fern Bay</h2>" in told(app)
    assert count(changing.client(), "unit", "cabin = 'fern-bay'") == 1


def test_a_fleet_toml_is_refused_whole_with_its_line(page, changing):
    app = page(changing, "cabins")
    app.text_area[0].input(
        '[[cabin]]\nslug = "x-1"\nname = "X"\ntime_zone = "Mars/Base"\nlatitude = 1\nlongitude = 1\n')
    next(one for one in app.button if one.label == "Enrol all of it").click().run()
    assert "the pasted text:4" in told(app) and "Mars/Base" in told(app)
    assert count(changing.client(), "cabin", "slug = 'x-1'") == 0


@pytest.mark.parametrize(("calendar", "why"), [
    ("/etc/hostname", "calendar_files"), ("http://127.0.0.1:1/key/s3cret", "calendar_hosts")])
def test_no_calendar_of_this_machine_is_enrolled_by_the_page(page, changing, calendar, why):
    app = page(changing, "cabins")
    app.text_area[0].input(REACTOR + cabin_toml("heron-point", "main", extra=f'calendar = "{calendar}"'))
    next(one for one in app.button if one.label == "Enrol all of it").click().run()
    assert "would not be read" in told(app) and why in told(app) and "s3cret" not in told(app)
    assert count(changing.client(), "cabin", "calendar <> ''") == 0


def test_the_page_finds_a_collector_that_was_started_anew(page, changing):
    assert "you now: " in told(page(changing))
    changing.kill()
    assert "The collector does not answer" in told(page(changing))
    changing.start(connected=False)
    assert "you now: " in told(page(changing))


def test_a_collector_that_stopped_moving_is_said_to_be_old(page, changing, monkeypatch):
    client = changing.client()
    wait_for(lambda: count(client, "process") == 1, 5, "the collector has beaten")

    assert "What you see is old" not in told(page(changing))
    # three minutes after a beat, by the seconds that nobody sets: by these the page sees whether it moves
    monkeypatch.setattr("ingest.queries.monotonic_s", lambda: monotonic_s() + 180.0)
    text = told(page(changing))
    assert "What you see is old" in text
    assert "3 min ago" in text and "says nothing of the time since" in text


def test_a_cabin_with_an_advisory_says_who_was_told_and_takes_the_word_that_it_was_read(page, changing):
    app = page(changing, "cabin", cabin="otter-cove", unit="main")
    assert "Who was told" in [one.value for one in app.header]
    button = next(one for one in app.button if one.label.startswith("Confirm"))
    button.click().run()
    assert "Not confirmed" in told(app)  # without a name nobody has read it
    field = next(one for one in app.text_input if one.label.startswith("I have read this advisory"))
    field.set_value("Kim <b>Aho</b>")
    next(one for one in app.button if one.label.startswith("Confirm")).click().run()
    wait_for(lambda: "Read by Kim &lt;b&gt;Aho&lt;/b&gt;" in told(app.run()), 15, "the confirmation")


def test_a_cabin_without_an_advisory_has_nobody_to_tell(page, running):
    app = page(running, "cabin", cabin="heron-point", unit="main")
    assert "Who was told" not in [one.value for one in app.header]
