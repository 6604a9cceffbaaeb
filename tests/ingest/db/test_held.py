"""Rows that are held for their time: how many, how they come back, and what a person releases."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from ingest.db import held as waiting
from ingest.db.engine import transaction
from ingest.db.intake import Message, decode, keep
from ingest.db.schema import rounded
from ingest.store import Store
from tests.conftest import count, senml, tarnlight_here

NOW = datetime.now(UTC).replace(microsecond=0)
CLOCK = {"boot": "this", "basis_s": 1000.0}
HERON = ("heron-point", "main")
NO_LINKS = pd.DataFrame({"cabin": [], "unit": [], "at": pd.to_datetime([], utc=True), "up": []})


def readings(at: pd.DatetimeIndex, cabin: str = "heron-point", *, relative: bool = False) -> pd.DataFrame:
    return rounded(pd.DataFrame({
        "cabin": cabin, "unit": "main", "at": at.as_unit("us"), "battery_v": np.arange(len(at)) % 50.0,
    })).assign(relative=relative)


def ahead(many: int, first_s: float = 3600.0) -> pd.DatetimeIndex:
    return pd.DatetimeIndex(pd.Timestamp(NOW) + pd.to_timedelta(first_s + np.arange(many), unit="s"))


def hold(store: Store, rows: pd.DataFrame, links: pd.DataFrame = NO_LINKS, clock=CLOCK) -> pd.DataFrame:
    now_held = waiting.Held.of(store.con, clock)
    return transaction(store.con, lambda: now_held.hold(store.con, rows, links, arrived=NOW, clock=clock))


def take(store: Store, now: datetime, clock=CLOCK) -> waiting.Taken:
    def work() -> waiting.Taken:
        taken = waiting.take(store.con, now, clock)
        keep(store.con, rows=taken.rows, links=taken.links, refused=taken.refused, arrived=now)
        return taken
    return transaction(store.con, work)


def test_each_row_goes_in_once_when_its_time_has_come(held: Store):
    hold(held, readings(ahead(100)))
    hold(held, readings(ahead(50)))  # some were sent twice
    assert not waiting.Held.of(held.con, CLOCK).due(NOW)
    take(held, NOW)
    assert count(held, "reading") == 0
    later = NOW + timedelta(seconds=3600 - 300 + 9.5)
    assert waiting.Held.of(held.con, CLOCK).due(later)
    take(held, later)
    assert count(held, "reading") == 10
    take(held, NOW + timedelta(hours=2))
    assert count(held, "reading") == 100
    assert count(held, "held_reading") == count(held, "quarantine") == 0
    assert not waiting.Held.of(held.con, CLOCK).due(NOW + timedelta(days=1))


def test_no_unit_holds_more_than_its_share_and_what_is_too_many_is_counted(held: Store, monkeypatch):
    monkeypatch.setattr(waiting, "MOST_ROWS", 100)
    over = hold(held, pd.concat([readings(ahead(80)), readings(ahead(30), "otter-cove")], ignore_index=True))
    assert over.empty
    over = hold(held, pd.concat([readings(ahead(80, 7200)), readings(ahead(30, 7200), "otter-cove")],
                                ignore_index=True))
    assert over[["cabin", "times"]].values.tolist() == [["heron-point", 60]]
    assert "100 readings of this unit wait already" in over["reason"].iloc[0]
    found = waiting.per_unit(held).set_index("cabin")["rows"]
    assert found.to_dict() == {"heron-point": 100, "otter-cove": 60}
    # the newest are those that are refused
    latest = held.ask("SELECT max(\"at\") AS at FROM held_reading WHERE cabin = 'heron-point'")["at"].iloc[0]
    assert latest == pd.Timestamp(NOW) + pd.Timedelta(seconds=7200 + 19)


def test_what_was_told_by_our_clock_moves_with_it_and_is_not_guessed_after_a_restart(held: Store):
    links = pd.DataFrame({
        "cabin": "heron-point", "unit": "main", "at": pd.DatetimeIndex([NOW, NOW + timedelta(seconds=9)]),
        "up": [False, True]})
    hold(held, readings(pd.DatetimeIndex([NOW]), relative=True), links)
    hold(held, readings(pd.DatetimeIndex([NOW]), "otter-cove", relative=True), clock={**CLOCK, "boot": "before"})
    later = NOW + timedelta(hours=2)
    take(held, later, {**CLOCK, "basis_s": 1000.0 + 3600.0})
    found = held.ask('SELECT cabin, "at" FROM reading')
    assert found.values.tolist() == [["heron-point", pd.Timestamp(NOW + timedelta(hours=1))]]
    assert held.ask('SELECT "at", up FROM link_event ORDER BY "at"')["at"].tolist() == [
        pd.Timestamp(NOW + timedelta(hours=1)), pd.Timestamp(NOW + timedelta(hours=1, seconds=9))]
    assert "started again" in held.ask("SELECT reason FROM quarantine")["reason"].iloc[0]


def test_a_link_that_nobody_can_place_counts_from_now_the_last_of_it(held: Store):
    links = pd.DataFrame({
        "cabin": "heron-point", "unit": "main", "at": pd.DatetimeIndex([NOW, NOW + timedelta(seconds=9)]),
        "up": [True, False]})
    hold(held, readings(ahead(0)), links, clock={**CLOCK, "boot": "before"})
    take(held, NOW + timedelta(hours=2))
    assert held.ask('SELECT "at", up FROM link_event').values.tolist() == [
        [pd.Timestamp(NOW + timedelta(hours=2)), False]]


def test_what_is_days_ahead_of_a_clock_that_is_right_is_refused(held: Store):
    hold(held, readings(ahead(3, 8 * 86_400.0)))
    take(held, NOW)
    assert count(held, "held_reading") == count(held, "reading") == 0
    assert held.ask("SELECT times, reason FROM quarantine").values.tolist() == [
        [3, "it lies more than 7 days after its arrival: the logger's clock is wrong"]]


def refuse(store: Store, *at: datetime) -> None:
    """Messages that came to a clock that said `NOW`, and were refused for their time."""
    messages = [Message("tarnlight/heron-point/main/log", senml(one, battery=12.5, flow=1e-4).encode(), NOW)
                for one in at]
    decoded = decode(messages, {HERON}, pd.Timestamp(NOW))
    keep(store.con, rows=decoded.rows, refused=decoded.refused, arrived=NOW)
    assert count(store, "reading") == 0
    store.close()


def run(store: Store, *words: str):
    return tarnlight_here(store.path, "quarantine", *words)


RELEASE = ("release", "--cabin", "heron-point", "--unit", "main", "--by", "Ann Lund", "--shift")


def test_what_was_refused_for_its_time_is_released_with_a_correction_by_name(held: Store):
    refuse(held, NOW + timedelta(hours=1), NOW + timedelta(hours=1, minutes=1))
    listed = json.loads(run(held, "list", "--json").stdout)
    assert [(one["cabin"], one["held"], one["rows"]) for one in listed] == [("heron-point", False, 2)]
    assert "heron-point/main  2 readings refused for their time" in run(held, "list").stdout
    early = run(held, *RELEASE, "-60", "--refused")
    assert early.returncode == 2
    assert "2 of 2 ahead of now" in early.stderr
    done = run(held, *RELEASE, "-3600", "--refused")
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("2 readings taken in, 0 already there, 0 refused")
    assert "health authority" in done.stdout
    store = Store(held.path)
    found = store.ask('SELECT "at", battery_v, flow_l_min FROM reading ORDER BY "at"')
    assert found["at"].tolist() == [pd.Timestamp(NOW), pd.Timestamp(NOW + timedelta(minutes=1))]
    assert found[["battery_v", "flow_l_min"]].values.tolist() == [[12.5, 6.0]] * 2
    assert count(store, "quarantine") == count(store, "pending") == 0
    assert store.ask("SELECT who, note FROM service_event").values.tolist() == [
        ["Ann Lund", "released 2 readings that were set aside for their time, moved by -3,600 s"]]
    store.close()
    again = run(held, *RELEASE, "-3600", "--refused")
    assert again.returncode == 2
    assert "no reading that was refused for its time is kept" in again.stderr


def test_a_clock_that_was_never_set_can_be_put_right_too(held: Store):
    refuse(held, datetime(1990, 1, 1, tzinfo=UTC))
    shift = str((NOW - datetime(1990, 1, 1, tzinfo=UTC)).total_seconds())
    done = run(held, *RELEASE, shift, "--refused")
    assert done.returncode == 0, done.stderr
    store = Store(held.path)
    assert store.ask('SELECT "at" FROM reading')["at"].tolist() == [pd.Timestamp(NOW)]
    store.close()


@pytest.mark.parametrize(("words", "told"), [
    ((*RELEASE[:5], "--by", " ", "--shift", "0"), "by must name the person"),
    (("release", "--cabin", "nowhere", "--unit", "main", "--by", "Ann", "--shift", "0"), "enrolled are:"),
    ((*RELEASE, "nan"), "shift must be in seconds"),
    ((*RELEASE, "1e12"), "shift must be in seconds"),
    ((*RELEASE, "0"), "no reading is held"),
    ((*RELEASE, "0", "--since", "2026-01-01T00:00:00Z"), "give --refused"),
])
def test_what_cannot_be_meant_is_refused(held: Store, words, told):
    held.close()
    found = run(held, *words)
    assert found.returncode == 2
    assert told in found.stderr


def test_an_advisory_of_a_unit_whose_readings_wait_is_not_lifted(held: Store):
    held.act("advisory-raise", {"cabin": "heron-point", "unit": "main", "by": "Ann Lund"})
    number = held.ask("SELECT id FROM advisory")["id"].iloc[0]
    hold(held, readings(ahead(1)))
    held.close()
    found = tarnlight_here(held.path, "advisory", "lift", str(number), "--by", "Ann Lund", "--reason", "seen to")
    assert found.returncode == 2
    assert "are held and not judged" in found.stderr
