"""What a broker keeps for the collector: whose session it is, and what is said when the broker has lost it."""

from __future__ import annotations

import json
import subprocess
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

import dashboard
from ingest.settings import BadInput, Settings
from ingest.store import Store
from ingest.wire.sessions import Connection, Sessions, client_id, lost, lost_in_words
from tests.conftest import Mosquitto, Running, count, publish, publisher, senml, tarnlight_here, utc, wait_for

LOG = "tarnlight/heron-point/main/log"
MESSAGES = 3000
T = utc("2026-11-20 08:00:00")
H = timedelta(hours=1)


def packs(n: int) -> list[str]:
    start = datetime.now(UTC).replace(microsecond=0) - timedelta(days=2)
    return [senml(start + timedelta(seconds=30 * s), battery=12.0) for s in range(n)]


def of_doctor(store: Path) -> dict[str, str]:
    done = tarnlight_here(store, "doctor", "--json")
    return next(one for one in json.loads(done.stdout) if one["check"] == "kept while away")


# Whose session it is -----------------------------------------------------------------------------


def test_where_the_broker_enforces_no_names_a_guessed_id_takes_nothing(mosquitto: Mosquitto, collector: Running):
    assert collector.terminate() == 0
    publish(mosquitto.port, LOG, *packs(MESSAGES)[:2000])
    for taken in ("tarnlight-collector", "collector") * 2:
        with publisher(mosquitto.port, client_id=taken, clean_session=True):
            pass
    publish(mosquitto.port, LOG, *packs(MESSAGES)[2000:])
    collector.start()
    store = collector.client()
    wait_for(lambda: count(store, "reading") >= MESSAGES, 60, f"all is kept; {count(store, 'reading')} are")
    assert count(store, "reading") == MESSAGES
    assert count(store, "lost_session") == 0


def test_the_id_is_a_secret_of_each_store_and_stays_over_restarts(mosquitto, collector: Running, tmp_path):
    path = collector.settings.client_id_file
    first = path.read_text()
    assert path.stat().st_mode & 0o777 == 0o600
    assert len(first.strip()) == 23 and first.strip().isalnum()
    assert collector.process is not None
    listed = subprocess.run(
        ["ps", "-ww", "-o", "args=", "-p", str(collector.process.pid)], capture_output=True, text=True, check=True)
    assert first.strip() not in listed.stdout + collector.log.read_text()
    assert f" {first.strip()} " in (mosquitto.folder / "log").read_text().replace("as ", " ")  # and it is used
    assert collector.terminate() == 0
    collector.start()
    assert path.read_text() == first
    assert client_id(Settings(store=tmp_path / "other.duckdb")) != first.strip()
    assert client_id(Settings(store=tmp_path / "other.duckdb", client_id="named")) == "named"


@pytest.mark.parametrize("content", ["", "tarnlight-collector\n", "x" * 22, "x" * 24, "\N{SNOWMAN}"])
def test_a_file_that_holds_no_id_is_refused(tmp_path, content):
    settings = Settings(store=tmp_path / "s.duckdb")
    settings.client_id_file.write_text(content, encoding="utf-8")
    with pytest.raises(BadInput, match="client id"):
        client_id(settings)


# A session that the broker has lost --------------------------------------------------------------


def forget(mosquitto: Mosquitto) -> None:
    """The broker restarts without what it had kept."""
    mosquitto.stop()
    (mosquitto.folder / "mosquitto.db").unlink()
    mosquitto.start()


@pytest.fixture
def fresh_page() -> Iterator[None]:
    st.cache_resource.clear()
    yield
    st.cache_resource.clear()


def test_a_broker_that_lost_the_session_is_told_by_doctor_status_and_page(
    mosquitto: Mosquitto, collector: Running, monkeypatch, fresh_page
):
    store_path, store = collector.settings.store, collector.client()
    publish(mosquitto.port, LOG, *packs(20))
    wait_for(lambda: count(store, "reading") == 20, 10, "the readings are kept")
    assert of_doctor(store_path)["ok"]
    assert "messages may be lost" not in tarnlight_here(store_path, "status").stderr
    before = datetime.now(UTC)
    assert collector.terminate() == 0
    publish(mosquitto.port, LOG, senml(datetime.now(UTC), battery=12.0))  # accepted, and lost with the session
    forget(mosquitto)
    collector.start()
    store = collector.client()
    wait_for(lambda: count(store, "lost_session") == 1, 10, "it is noted")
    found = store.ask("SELECT * FROM lost_session").iloc[0]
    assert found["broker"] == mosquitto.url
    assert found["since"] <= before  # not after the last that is stored,
    assert before < found["until"] <= datetime.now(UTC)  # up to the new connection
    words = f"From {found['since']:%Y-%m-%d %H:%M} to "
    doctor = of_doctor(store_path)
    assert not doctor["ok"]
    assert words in doctor["found"] and "tarnlight load" in doctor["found"]
    told = tarnlight_here(store_path, "status", "--json")
    assert words in told.stderr
    assert isinstance(json.loads(told.stdout), list)
    monkeypatch.setenv("TARNLIGHT_STORE", str(store_path))
    app = AppTest.from_file(str(Path(dashboard.__file__).with_name("app.py")), default_timeout=60).run()
    assert words in " ".join(one.proto.body for one in app.get("html"))
    app._page_hash = app.session_state["pages"]["system"]._script_hash
    assert words in " ".join(one.proto.body for one in app.run().get("html"))
    # Nothing more is said of connections at which the broker still knew it.
    assert collector.terminate() == 0
    publish(mosquitto.port, LOG, senml(datetime.now(UTC), battery=12.0))
    collector.start()
    store = collector.client()
    wait_for(lambda: count(store, "reading") == 21, 10, "what came meanwhile is kept")
    assert count(store, "lost_session") == 1


def test_a_broker_that_restarts_without_its_sessions_under_a_running_collector_is_told_of(
    mosquitto: Mosquitto, collector: Running
):
    store = collector.client()
    publish(mosquitto.port, LOG, *packs(5))
    wait_for(lambda: count(store, "reading") == 5, 10, "the readings are kept")
    forget(mosquitto)
    wait_for(lambda: count(store, "lost_session") == 1, 30, "it is noted")
    assert "messages may be lost" in tarnlight_here(collector.settings.store, "status").stderr


def test_a_broker_that_restarts_with_its_sessions_is_not(mosquitto: Mosquitto, collector: Running):
    store = collector.client()
    publish(mosquitto.port, LOG, *packs(5))
    wait_for(lambda: count(store, "reading") == 5, 10, "the readings are kept")
    mosquitto.stop()
    mosquitto.start()
    wait_for(lambda: collector.log.read_text().count("connected to the broker") == 2, 30, "it connects again")
    time.sleep(0.5)  # for what might be noted
    assert count(store, "lost_session") == 0


# From when to when -------------------------------------------------------------------------------


@pytest.fixture
def follow(held: Store) -> Callable[[str], Sessions]:
    return lambda broker: Sessions(held.con, broker)


def stretches(store: Store) -> list[tuple[datetime, datetime]]:
    found = store.ask("SELECT since, until FROM lost_session ORDER BY since")
    return [(one.since.to_pydatetime(), one.until.to_pydatetime()) for one in found.itertuples()]


def test_the_first_connection_of_all_loses_nothing(held, follow):
    assert follow("mqtt://a").connected([Connection(T, False)]) == []
    assert stretches(held) == []


def test_in_the_middle_of_a_backlog_the_stretch_begins_where_the_readings_had_got_to(held, follow):
    one = follow("mqtt://a")
    one.connected([Connection(T, False)])
    one.heard(T + 2 * H, now=T + 50 * H)  # two days old, and just come
    one.heard(T + 1 * H, now=T + 50 * H)  # out of order: no step back
    one.save()
    told = follow("mqtt://a").connected([Connection(T + 51 * H, False)])  # another process, later
    since = T + 2 * H - timedelta(minutes=5)  # a logger's clock may be five minutes ahead
    assert stretches(held) == [(since, T + 51 * H)]
    assert told == [
        "From 2026-11-20 09:55 to 2026-11-22 11:00 UTC messages may be lost: the broker mqtt://a had forgotten the "
        "collector. Time of which no reading came counts as unheard."]


def test_a_clock_that_is_ahead_does_not_hide_what_may_be_lost(held, follow):
    one = follow("mqtt://a")
    one.connected([Connection(T, False)])
    one.heard(T + H + timedelta(minutes=4), now=T + H)
    one.connected([Connection(T + 2 * H, False)])
    assert stretches(held) == [(T + H - timedelta(minutes=5), T + 2 * H)]


def test_without_a_reading_the_stretch_begins_with_the_session(held, follow):
    one = follow("mqtt://a")
    one.connected([Connection(T, False), Connection(T + H, True), Connection(T + 2 * H, False)])
    assert stretches(held) == [(T, T + 2 * H)]


def test_a_broker_that_forgets_at_every_connection_makes_one_stretch(held, follow):
    one = follow("mqtt://a")
    one.connected([Connection(T + n * H, False) for n in range(50)])
    assert stretches(held) == [(T, T + 49 * H)]
    assert len(lost_in_words(held, T + 50 * H)) == 1


def test_a_new_broker_had_nothing_for_the_time_since_the_old_one_was_heard(held, follow):
    old = follow("mqtt://a")
    old.connected([Connection(T, False)])
    old.heard(T + 3 * H, now=T + 3 * H)
    old.save()
    new = follow("mqtt://b")
    assert len(new.connected([Connection(T + 5 * H, False)])) == 1
    assert stretches(held) == [(T + 3 * H - timedelta(minutes=5), T + 5 * H)]


def test_it_is_said_for_a_week_and_no_more_than_three_stretches_at_once(held, follow):
    one = follow("mqtt://a")
    one.connected([Connection(T, False)])
    for n in range(1, 6):
        one.heard(T + n * 4 * H, now=T + n * 4 * H)
        one.connected([Connection(T + n * 4 * H + H, False)])
    assert len(stretches(held)) == 5
    told = lost_in_words(held, T + 30 * H)
    assert len(told) == 4
    assert told[-1] == "2 more such stretches in the last 7 days."
    assert len(lost(held, T + timedelta(days=7))) == 5
    assert lost_in_words(held, T + timedelta(days=9)) == []
    assert lost_in_words(held, T) == []  # as of an instant before them


def test_a_store_of_before_is_told_that_its_old_session_is_gone(tmp_path):
    from ingest.db import engine
    from ingest.db.migrations import MIGRATIONS, migrate

    number = next(n for n, step in enumerate(MIGRATIONS) if "CREATE TABLE broker_session" in step)
    con = engine.connect(tmp_path / "old.duckdb")
    migrate(con, until=number)
    con.execute("INSERT INTO process VALUES ($at_, $at_, 1, 'mqtt://a', TRUE, 7, 7, 0, '')", {"at_": T})
    con.close()
    store = Store(tmp_path / "old.duckdb")
    assert len(Sessions(store.con, "mqtt://a").connected([Connection(T + H, False)])) == 1
    assert stretches(store) == [(T, T + H)]
    store.close()
