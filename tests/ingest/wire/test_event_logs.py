"""Logs of events with one event a line, in words: what nobody told is asked or refused, and never guessed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from ingest.settings import BadInput
from ingest.store import Store
from ingest.wire.csv_head import HEAD_BYTES
from ingest.wire.csv_shape import event_told
from ingest.wire.csv_told import Told, told_from
from tests.conftest import tarnlight_here

LOG = """Event export
Time;Message
2026-09-01 06:00:00;Lamp fault
2026-09-01 06:05:30;Door opened
2026-09-01 06:10:00;LAMP FAULT
2026-09-01 06:20:00;Mains lost
2026-09-01 06:25:00;Mains back
2026-09-01 06:26:00;Lamp lit
"""
OF = ("--cabin", "heron-point", "--unit", "main", "--zone", "UTC", "--column", "Message=event")
TELL = ("--event", "Lamp fault=lamp_on:off", "--event", "Lamp lit=lamp_on:on", "--event", "Mains lost=power_on:off",
        "--event", "Mains back=power_on:on", "--event", "Door opened=unknown")
TRUE = [("06:00:00", False, None), ("06:10:00", False, None), ("06:20:00", None, False), ("06:25:00", None, True),
        ("06:26:00", True, None)]


@pytest.fixture
def log(tmp_path: Path) -> Path:
    file = tmp_path / "events.csv"
    file.write_text(LOG)
    return file


def stored(path: Path) -> list[tuple]:
    store = Store(path)
    rows = store.con.execute(
        "SELECT strftime(\"at\", '%H:%M:%S'), lamp_on, power_on FROM reading ORDER BY \"at\"").fetchall()
    store.close()
    return rows


def test_each_text_is_asked_for_and_nothing_is_loaded_before(enrolled, log):
    told = tarnlight_here(enrolled, "load", str(log), *OF, *TELL[:4])
    assert told.returncode == 2
    for text in ("Door opened", "Mains lost", "Mains back"):
        assert f"what '{text}' in 'Message' says: --event" in told.stderr
    assert "Lamp" not in told.stderr.split("to be told:")[1]  # whatever its case
    assert stored(enrolled) == []


def test_events_become_rows_of_what_they_say_and_a_profile_keeps_it(enrolled, log, tmp_path):
    told = tarnlight_here(enrolled, "load", str(log), *OF, *TELL, "--save-profile", "panel")
    assert told.returncode == 0, told.stdout + told.stderr
    assert "6 rows read, 5 kept, 0 already there, 0 refused" in told.stdout
    assert stored(enrolled) == TRUE
    more = tmp_path / "more.csv"
    more.write_text(LOG + "2026-09-01 07:00:00;Lamp fault\n2026-09-01 07:01:00;Pump started\n")
    told = tarnlight_here(enrolled, "load", str(more), "--profile", "panel", *OF[:4])
    assert told.returncode == 2  # it is in the file's start, so it is asked
    assert "what 'Pump started' in 'Message' says" in told.stderr
    assert stored(enrolled) == TRUE


def test_a_text_beyond_the_files_start_is_refused_with_its_line(enrolled, tmp_path):
    long = tmp_path / "long.csv"
    wide = " " * (HEAD_BYTES // 9000)
    lines = [
        f"2026-08-{1 + n // 1440:02d} {n // 60 % 24:02d}:{n % 60:02d}:00;Lamp lit{wide}" for n in range(9000)]
    long.write_text("Time;Message\n" + "\n".join([*lines, "2026-08-20 00:00:00;Pump started"]) + "\n")
    told = tarnlight_here(enrolled, "load", str(long), *OF, *TELL)
    assert told.returncode == 0, told.stderr
    assert "9001 rows read, 9000 kept, 0 already there, 1 refused" in told.stdout
    assert "line 9002: Message = 'Pump started': nobody told what it says (--event)" in told.stdout


def test_a_column_of_events_beside_one_of_the_lamp_is_refused(enrolled, tmp_path):
    both = tmp_path / "both.csv"
    both.write_text("Time;Lamp;Message\n2026-09-01 06:00:00;on;Lamp lit\n")
    told = tarnlight_here(enrolled, "load", str(both), *OF, *TELL)
    assert told.returncode == 2 and "a header fills event, and another lamp_on" in told.stderr


@pytest.mark.parametrize("text", ["Lamp fault", "=lamp_on:off", "Lamp=lamp:off", "Lamp=lamp_on:unknown",
                                  "Lamp=lamp_on", "Lamp=flow_l_min:on"])
def test_what_is_told_of_an_event_must_say_what_it_says(text):
    with pytest.raises(BadInput, match="--event must be like"):
        event_told(text)


def test_what_is_told_comes_back_from_a_profile_and_a_wrong_one_is_refused():
    events = dict(event_told(one) for one in TELL[1::2])
    assert events == {"lamp fault": ("lamp_on", False), "lamp lit": ("lamp_on", True),
                      "mains lost": ("power_on", False), "mains back": ("power_on", True), "door opened": None}
    body = json.loads(json.dumps(Told(events=events).body())) | {"columns": {"Message": {"column": "event"}}}
    assert told_from(body).events == events
    with pytest.raises(BadInput, match="the event 'x' must say one of lamp_on, power_on"):
        told_from(body | {"events": {"x": ["flow_l_min", True]}})
