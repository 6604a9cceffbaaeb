"""`tarnlight lamps` as a person or a program runs it."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from datetime import date
from pathlib import Path

import icalendar
import pytest

from tests import lamp_fleet
from tests.conftest import environment, tarnlight_here
from tests.lamp_fleet import NAMES, lamp_store, slug

KEYS = {  # what other programs read of `lamps --json`
    "cabin", "unit", "lamp_hours", "lamp_loss_pct_per_1000h", "sleeve_loss_pct_per_1000h", "intensity_w_m2",
    "threshold_w_m2", "crosses_p10", "crosses_p50", "crosses_p90", "cause", "action", "act_by"}


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("lamps") / "tarnlight.duckdb"
    lamp_store(path)
    return path


def lamps(path: Path, *words: str) -> str:
    found = tarnlight_here(path, "lamps", *words)
    assert found.returncode == 0, found.stderr
    return found.stdout


def test_json_is_one_array_with_every_unit_and_all_keys(fleet: Path) -> None:
    rows = json.loads(lamps(fleet, "--json"))
    assert sorted(one["cabin"] for one in rows) == sorted(slug(name) for name in NAMES)
    for one in rows:
        assert one.keys() >= KEYS
        dates = [one[f"crosses_p{share}"] for share in (10, 50, 90)]
        known = [date.fromisoformat(day) for day in dates if day]
        assert known == sorted(known) and dates[len(known):] == [None] * (3 - len(known))
        assert one["threshold_w_m2"] >= 29.0  # the reactor's alarm intensity
        assert (one["act_by"] is None) == (one["action"] == "none")


def test_the_most_urgent_comes_first_and_is_said_in_words(fleet: Path) -> None:
    rows = json.loads(lamps(fleet, "--json"))
    margin = [one["intensity_w_m2"] / one["threshold_w_m2"] - 1 for one in rows]
    below = [one for one in margin if one < 0]
    assert margin[:len(below)] == sorted(below)  # what is below its need comes first, the least margin first
    now, today = lamp_fleet.NOW.date(), [one["act_by"] for one in rows[len(below):]]
    due = [day is not None and (date.fromisoformat(day) - now).days <= 30 for day in today]
    assert due == sorted(due, reverse=True) and any(due)  # then what is due, by our own figure of 30 days
    for group in (True, False):
        told = [one for one, is_due in zip(margin[len(below):], due, strict=True) if is_due is group]
        assert told == sorted(told)
    text = lamps(fleet)
    assert "lamps need" in text.splitlines()[0] or "lamp needs" in text.splitlines()[0]
    assert "local health authority" in text and "held out" in text


def test_csv_says_the_same_as_json(fleet: Path) -> None:
    rows = list(csv.DictReader(io.StringIO(lamps(fleet, "--csv"))))
    told = json.loads(lamps(fleet, "--json"))
    for name in ("cabin", "act_by", "crosses_p50", "action"):
        assert [row[name] for row in rows] == [one[name] or "" for one in told]


def test_ics_is_a_calendar_that_another_program_reads(fleet: Path) -> None:
    told = [one for one in json.loads(lamps(fleet, "--json")) if one["act_by"]]
    raw = tarnlight_bytes(fleet, "lamps", "--ics")
    events = icalendar.Calendar.from_ical(raw).walk("VEVENT")
    assert sorted(event["DTSTART"].dt.isoformat() for event in events) == sorted(one["act_by"] for one in told)
    assert all({"UID", "DTSTAMP", "SUMMARY"} <= set(event) for event in events)
    again = icalendar.Calendar.from_ical(lamps(fleet, "--ics")).walk("VEVENT")
    assert [event["UID"] for event in again] == [event["UID"] for event in events]  # an import updates, not doubles
    # RFC 5545 section 3.1: CRLF, and no line over 75 octets without its line end
    lines = raw.split(b"\r\n")
    assert b"\n" not in raw.replace(b"\r\n", b"") and max(len(line) for line in lines) <= 75


def tarnlight_bytes(path: Path, *words: str) -> bytes:
    """Standard output as it is, line ends included."""
    return subprocess.run(
        [sys.executable, "-m", "dashboard.cli", *words], env=environment(path), capture_output=True, timeout=120,
        cwd=path.parent, check=True).stdout


def test_backtest_says_how_good_the_dates_were(fleet: Path) -> None:
    [found] = json.loads(lamps(fleet, "--backtest", "--json"))
    assert 1 <= found["units"] <= len(NAMES) and 0 <= found["coverage_of_80_pct"] <= 1
    text = lamps(fleet, "--backtest")
    assert f"{found['coverage_of_80_pct']:.0%}" in text and "in the median" in text


def test_an_instant_of_the_past_needs_a_zone(fleet: Path) -> None:
    found = tarnlight_here(fleet, "lamps", "--at", "2026-11-01T00:00:00")
    assert found.returncode == 2 and "Z or an offset" in found.stderr
    early = json.loads(lamps(fleet, "--json", "--at", "2026-06-01T00:00:00Z"))
    assert all(one["last_heard_day"] == "2026-05-31" for one in early)


def test_without_any_day_nothing_is_foretold(enrolled: Path) -> None:
    assert "No lamp has a forecast yet" in lamps(enrolled)
    assert json.loads(lamps(enrolled, "--backtest", "--json")) == []
    assert icalendar.Calendar.from_ical(lamps(enrolled, "--ics")).walk("VEVENT") == []


# SOURCES.md section 2: 1.20 passes, 1.21 fails
@pytest.mark.parametrize(("ratio", "words"), [("1.20", "within the limit"), ("1.21", "above the limit")])
def test_a_recorded_sensor_check_is_judged_at_once(enrolled: Path, ratio: str, words: str) -> None:
    found = tarnlight_here(enrolled, "service", "record", "sensor-checked", "--cabin", "heron-point",
                           "--unit", "main", "--at", "2026-10-01T10:00:00Z", "--who", "Ann Lund", "--value", ratio)
    assert found.returncode == 0 and words in found.stdout


def test_a_reading_given_for_the_ratio_is_refused(enrolled: Path) -> None:
    found = tarnlight_here(enrolled, "service", "record", "sensor-checked", "--cabin", "heron-point",
                           "--unit", "main", "--at", "2026-10-01T10:00:00Z", "--who", "Ann Lund", "--value", "44.1")
    assert found.returncode == 2 and "ratio of 0.1 to 10" in found.stderr
