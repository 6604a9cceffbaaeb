"""One event's page: cabins by steps, and one press that records or refuses each ticked cabin by itself."""

from __future__ import annotations

import json
from collections.abc import Iterator
from html import unescape
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

import dashboard
from ingest.settings import Settings
from tests.conftest import Running, free_port, tarnlight_here
from tests.dashboard.commands.test_advisory_many import CUT, store_of_three
from tests.ingest.ingest_streams import minutes

__all__ = ["store_of_three"]  # a fixture: three cabins of one line, a1 to a3, and one elsewhere, a4
ZONE = ZoneInfo("America/Toronto")  # of the cabins
APP = str(Path(dashboard.__file__).with_name("app.py"))


@pytest.fixture
def event(store_of_three: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """Its id; a collector holds the store."""
    (found,) = json.loads(tarnlight_here(store_of_three, "events", "--json").stdout)
    one = Running(
        Settings(store=store_of_three, broker=f"mqtt://127.0.0.1:{free_port()}"),
        store_of_three.with_name("collector.log"))
    one.start(connected=False)
    st.cache_resource.clear()
    monkeypatch.setenv("TARNLIGHT_STORE", str(store_of_three))
    yield str(found["id"])
    one.kill()
    st.cache_resource.clear()


def opened(event: str) -> AppTest:
    app = AppTest.from_file(APP, default_timeout=60).run()
    app._page_hash = app.session_state["pages"]["shared-event"]._script_hash
    if event:
        app.query_params["event"] = event
    return app.run()


def told(app: AppTest) -> str:
    assert not app.exception, app.exception
    return unescape(" ".join(one.proto.body for one in app.get("html") if "<style>" not in one.proto.body))


def press(app: AppTest, *ids: str, who: str = "Kim Or") -> str:
    for box in app.checkbox:
        if any(f"-{one}-" in box.key for one in ids):
            box.check()
    (name,) = (one for one in app.text_input if one.key.startswith("event-who-"))
    name.set_value(who)
    (button,) = (one for one in app.button if one.label == "Record for the ticked cabins")
    return told(button.click().run())


def test_the_table_has_the_events_cabins_alone_and_says_done_and_open_in_words(event: str) -> None:
    app = opened(event)
    said = told(app)
    assert all(f"{name}, main (a" in said for name in ("Heron-Point", "Otter-Cove", "Loon-Bay"))
    assert "(a4)" not in said and "☐ open" in said and "✓ done: the sensors, Fri 20 Nov 13:40" in said
    assert [one.label.split("(")[1] for one in app.checkbox] == ["a1)", "a2)", "a3)"]
    assert not any(one.value for one in app.checkbox)  # nobody is acted on whom the person did not tick


def test_a_step_is_recorded_for_the_ticked_alone_and_refused_singly(event: str) -> None:
    app = opened(event)
    app.selectbox(key=f"event-act-{event}").set_value("flush_cold").run()
    began, ended = ((CUT + minutes(at)).astimezone(ZONE).replace(tzinfo=None) for at in (36, 54))
    app.session_state[f"event-from-{event}-flush_cold"] = began
    app.session_state[f"event-at-{event}-flush_cold"] = ended
    app.run()
    said = press(app, "a1", "a3")
    assert "Heron-Point, main (a1): recorded by Kim Or" in said and "2 of 2 done." in said
    assert "a2): recorded" not in said and "✓ done: Kim Or, Fri 20 Nov 13:54" in said
    assert not any(one.value for one in app.checkbox)
    again = press(app, "a1", "a2")  # a1 has it already
    assert "(a1): refused: " in again and "(a2): recorded by Kim Or" in again and "1 of 2 done." in again


def test_without_a_name_or_a_tick_nothing_is_recorded(event: str) -> None:
    app = opened(event)
    assert "tick at least one cabin" in press(app)
    assert "(a2): refused: " in press(app, "a2", who=" ")
    said = press(app, "a2")
    assert "(a2): read by Kim Or" in said and "1 of 1 done." in said


def test_a_second_press_before_the_page_is_drawn_anew_does_not_hide_what_came_of_the_first(event: str) -> None:
    """The browser sends it while the first is worked on: the boxes are new by then, and empty."""
    app = opened(event)
    app.session_state["event-told"] = (event, ["Heron-Point, main (a1): read by Kim Or", "1 of 1 done."])
    said = press(app)
    assert "1 of 1 done." in said and "tick at least one cabin" not in said
    assert "tick at least one cabin" in press(app)


def test_one_that_was_ticked_and_has_no_box_any_more_is_refused_in_words(event: str) -> None:
    app = opened(event)
    app.session_state["event-shown"] = {**app.session_state["event-shown"], "a9": "Gone Bay, main (a9)"}
    app.session_state[f"event-{event}-confirm-0-a9-"] = True
    said = press(app, "a1")
    assert "(a1): read by Kim Or" in said and "Gone Bay, main (a9): refused: no advisory 'a9'" in said


def test_an_address_that_names_no_event_says_so_and_lists_those_there_are(event: str) -> None:
    for asked in ("", "20200101T000000Z.heron-point.main", "<b>"):
        app = opened(asked)
        assert ("No shared event" in told(app)) is bool(asked) and not app.checkbox
        assert any(one.proto.query_string == f"event={event}" for one in app.get("page_link"))
