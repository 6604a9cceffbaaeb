"""One unit that this program cannot work out neither stops the others nor keeps its last 'clear'."""

from __future__ import annotations

import json
from datetime import timedelta

import pandas as pd
import pytest

from ingest.collector import Collector
from ingest.db import intake
from ingest.db.intake import Message, heard_live
from ingest.evaluation import daily, evaluate, faults, watch
from ingest.evaluation.evaluate import evaluate as work_out
from ingest.queries import advisories, outages, status, with_proofs_now
from ingest.registry.tables import load_fleet, new_revision
from ingest.settings import Settings
from ingest.store import Store
from tests.conftest import count, senml, utc
from tests.ingest.ingest_streams import commit, minutes, steady

START = utc("2026-11-20T06:00:00")
BAD, GOOD = ("heron-point", "main"), ("otter-cove", "main")


def verdicts(store: Store, now) -> dict[tuple[str, str], str]:
    return {(one.cabin.slug, one.unit.slug): str(one.verdict.verdict) for one in status(store, now)}


def take(store: Store, since, n: int) -> None:
    for key in (BAD, GOOD):
        commit(store, steady(since, n, *key, flow_l_min=2.0))


def failing(module, name: str, monkeypatch: pytest.MonkeyPatch, bad) -> None:
    """The function, failing where `bad` says so of its arguments: stands for a defect that nobody knows yet."""
    real = getattr(module, name)

    def fails(*given, **named):
        if bad(*given):
            raise ZeroDivisionError("a poisoned row")
        return real(*given, **named)

    monkeypatch.setattr(module, name, fails)


def test_a_unit_that_cannot_be_worked_out_turns_silent_and_the_others_go_on(held, monkeypatch):
    take(held, START, 30)
    work_out(held.con, START + minutes(30))
    assert verdicts(held, START + minutes(29.5))[BAD] == "clear"
    with monkeypatch.context() as patch:
        failing(evaluate, "_derive_all", patch, lambda con, owed: BAD[0] in set(owed["cabin"]))
        for n in (30, 31):
            take(held, START + minutes(n), 1)
            assert work_out(held.con, START + minutes(n + 0.5)) == [GOOD]
        found = {(one.cabin.slug, one.unit.slug): one for one in status(held, START + minutes(31.5))}
        assert found[GOOD].verdict.verdict == "clear"
        assert found[BAD].verdict.verdict == "silent"  # though its last reading but one is two minutes old
        assert "fault of this program" in found[BAD].verdict.reasons[0]
        assert count(held, "unit_fault") == 1
        assert "a poisoned row" in faults.in_words(held)
    take(held, START + minutes(32), 1)
    assert work_out(held.con, START + minutes(32.5)) == [BAD, GOOD]  # what it owed is paid
    assert set(verdicts(held, START + minutes(32.5)).values()) == {"clear", "silent"}
    assert verdicts(held, START + minutes(32.5))[BAD] == "clear"
    assert faults.in_words(held) == ""
    assert held.ask("SELECT sum(seconds) AS s FROM segment WHERE cabin = 'heron-point'")["s"].iloc[0] == 32 * 60


def test_a_state_that_cannot_be_read_back_is_that_units_fault_alone(held):
    """Were it passed over, what was dark before it would be forgotten."""
    take(held, START, 600)
    work_out(held.con, START + minutes(600))
    held.con.execute("UPDATE resume_state SET at_us = at_us + 1 WHERE cabin = 'heron-point'")
    take(held, START + minutes(600), 2)
    assert work_out(held.con, START + minutes(602)) == [GOOD]
    found = verdicts(held, START + minutes(601.5))
    assert (found[BAD], found[GOOD]) == ("silent", "clear")


def test_an_advisory_that_cannot_be_weighed_is_that_units_fault_alone(held, monkeypatch):
    failing(watch, "_exposure_event", monkeypatch, lambda fleet, key, *_: key == BAD)
    for key in (BAD, GOOD):
        commit(held, steady(START, 30, *key))
        commit(held, steady(START + minutes(30), 5, *key, lamp_on=False, intensity_w_m2=0.0))
        commit(held, steady(START + minutes(35), 60, *key))
    heard_live(held.con, [BAD, GOOD], START)
    work_out(held.con, START + minutes(95))
    assert held.ask("SELECT cabin FROM advisory")["cabin"].tolist() == ["otter-cove"]
    assert verdicts(held, START + minutes(94.5))[BAD] != "clear"
    assert list(faults.faults(held)) == [BAD]


def test_a_day_that_cannot_be_worked_out_holds_up_neither_other_days_nor_the_verdict(held, monkeypatch):
    failing(daily, "days_of", monkeypatch, lambda readings, fleet: (readings["cabin"] == BAD[0]).any())
    for key in (BAD, GOOD):
        commit(held, steady(START, 60 * 30, *key, flow_l_min=2.0))
    now = START + minutes(60 * 30)
    work_out(held.con, now)
    assert held.ask("SELECT cabin FROM daily")["cabin"].tolist() == ["otter-cove"]
    assert verdicts(held, now - minutes(0.5))[BAD] == "clear"
    assert "days of heron-point/main" in faults.in_words(held)
    work_out(held.con, now)  # and it ends


def test_a_unit_that_cannot_be_judged_is_silent_and_hides_no_other(held):
    take(held, START, 30)
    work_out(held.con, START + minutes(30))
    held.con.execute("UPDATE present SET flow_l_min = -1.0 WHERE cabin = 'heron-point'")
    found = verdicts(held, START + minutes(29.5))
    assert (found[BAD], found[GOOD]) == ("silent", "clear")


def test_a_message_that_breaks_the_program_goes_to_quarantine_and_the_rest_of_its_batch_is_kept(
    enrolled, monkeypatch
):
    one = Collector(Settings(store=enrolled, broker="mqtt://127.0.0.1:9"))
    one._refresh()
    monkeypatch.setattr(one.subscription, "acknowledge", lambda messages: acknowledged.extend(messages))
    acknowledged: list[Message] = []
    failing(intake.senml, "readings", monkeypatch, lambda payload, *_: b"poison" in payload)
    now = one.store.now()
    at = now - timedelta(seconds=30)
    topic = "tarnlight/{}/main/log"
    batch = [
        Message(topic.format("heron-point"), senml(at, flow=0.0001, lamp=True).encode(), now),
        Message(topic.format("heron-point"), json.dumps([{"n": "poison", "v": 1}]).encode(), now),
        Message(topic.format("otter-cove"), senml(at, flow=0.0001, lamp=True).encode(), now),
    ]
    one._take(batch)
    assert acknowledged == batch
    assert count(one.store, "reading") == 2
    row = one.store.ask("SELECT * FROM quarantine").iloc[0]
    assert (row["source"], b"poison" in bytes(row["payload"])) == (topic.format("heron-point"), True)
    assert "could not be kept: ZeroDivisionError" in row["reason"]
    assert len(one.store.ask("SELECT * FROM present")) == 2
    one.store.close()


def test_faults_stand_in_what_the_collector_says_of_itself(enrolled):
    one = Collector(Settings(store=enrolled, broker="mqtt://127.0.0.1:9"))
    faults.note(one.store.con, faults.EVALUATION, BAD, START, ValueError("flow_l_min = -1"))
    one._beat()
    told = one.store.ask("SELECT trouble FROM process")["trouble"].iloc[0]
    assert "evaluation of heron-point/main: ValueError: flow_l_min = -1" in told
    one.store.close()


def test_what_the_fault_is_noted_once_however_often_it_happens(held):
    for n in range(3):
        faults.note(held.con, faults.EVALUATION, BAD, START + minutes(n), ValueError("same"))
    found = held.ask("SELECT * FROM unit_fault")
    assert found["since"].tolist() == [pd.Timestamp(START)]
    faults.clear(held.con, faults.EVALUATION, [GOOD])
    assert count(held, "unit_fault") == 1
    faults.clear(held.con, faults.EVALUATION, [BAD])
    assert count(held, "unit_fault") == 0


def test_a_unit_that_is_no_longer_enrolled_stops_nobody(held):
    take(held, START, 20)
    commit(held, steady(START + minutes(20), 5, *BAD, lamp_on=False, intensity_w_m2=0.0))
    commit(held, steady(START + minutes(25), 5, *BAD))
    commit(held, steady(START + minutes(20), 10, *GOOD, flow_l_min=2.0))
    work_out(held.con, START + minutes(30))
    assert count(held, "advisory") == 1
    held.con.execute("DELETE FROM unit WHERE cabin = 'heron-point'")  # by hand: enrolling never removes
    new_revision(held.con)
    take(held, START + minutes(30), 5)
    assert work_out(held.con, START + minutes(35)) == [GOOD]
    assert BAD not in verdicts(held, START + minutes(34.5))
    assert len(load_fleet(held).cabins) == 2
    assert "dark" in set(outages(held, START + minutes(35))["kind"])
    assert [one.cabin for one in with_proofs_now(held, advisories(held), START + minutes(35))] == [BAD[0]]


