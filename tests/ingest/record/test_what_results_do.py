"""A laboratory's result, from the command to the advisory: what it raises, what it ticks, and by which time."""

from __future__ import annotations

import json
import uuid
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from ingest import queries
from ingest.db import engine
from ingest.db.migrations import MIGRATIONS, migrate
from ingest.evaluation.evaluate import evaluate
from ingest.notification.message_log import tell_news
from ingest.registry.tables import load_fleet, read_fleet, write_fleet
from ingest.settings import BadInput
from ingest.store import Store
from models.advisory.events import Cause, State, Step
from models.advisory.laboratory import LaboratoryPolicy
from models.shortfall import Severity
from tests.conftest import FLEET_TOML, Running, count, tarnlight_here, utc, wait_for
from tests.ingest.ingest_streams import commit, steady

NOW = datetime.now(UTC).replace(microsecond=0)


def ago(hours: float) -> str:
    return (NOW - timedelta(hours=hours)).isoformat()


def record(store: Store, kind: str = "sampled", *, hours: float, who: str = "Ann Lund", **found):
    """What was done so many hours ago."""
    return store.act("record-service", {
        "kind": kind, "cabin": "heron-point", "unit": "main", "at": ago(hours), "who": who, **found})


def failing(store: Store, *, hours: float, **more):
    return record(store, hours=hours, e_coli=12, total_coliforms=30, **more)


def fine(store: Store, *, hours: float, **more):
    return record(store, hours=hours, e_coli=0, total_coliforms=0, **more)


def cleaned(store: Store, *, hours: float) -> None:
    record(store, "flushed", hours=hours, **{"from": ago(hours + 1)})
    record(store, "chlorinated", hours=hours)


def latest(store: Store):
    return queries.advisories(store)[0].advisory


def events(store: Store) -> list[dict]:
    return [json.loads(body) for body in store.ask(
        "SELECT body FROM advisory_event ORDER BY advisory, seq")["body"]]


def verdict_of(store: Store):
    """Heron Point's, now."""
    return next(one for one in queries.status(store, store.now()) if one.cabin.slug == "heron-point").verdict


def ticked(store: Store) -> dict[Step, datetime]:
    return {one.code: one.since for one in latest(store).statuses
            if one.done and one.code in (Step.SAMPLE_1, Step.SAMPLE_2)}


@pytest.mark.parametrize("found", [
    {"e_coli": 1}, {"e_coli": 0, "total_coliforms": 6}, {"total_coliforms": "est"}, {"e_coli": "overgrown"},
    {"value": 3.0}, {"result": "unsatisfactory"}])
def test_an_unsatisfactory_result_raises_at_once_with_nothing_else_open(held, found):
    told = record(held, hours=5, **found)
    one = latest(held)
    assert (one.cause, one.severity, one.state) == (Cause.LABORATORY, Severity.UNTREATED, State.RAISED)
    assert one.open_steps == tuple(Step)
    assert one.raised_by == "Ann Lund"
    assert one.evidence_since == NOW - timedelta(hours=5)  # flush and samples count from when it was taken
    assert told["about"] == queries.advisories(held)[0].id and "raised" in told["advisory"]
    verdict = verdict_of(held)
    assert str(verdict.verdict) == "boil"
    assert "because of a water sample that was not satisfactory" in verdict.reasons[0]


def test_what_was_found_goes_along_to_whoever_is_told(held):
    failing(held, hours=5)
    assert latest(held).exposure.finding == "E. coli 12, total coliforms 30 per 100 mL"
    tell_news(held.con, load_fleet(held), held.now())
    words = held.ask("SELECT body FROM notification")["body"].tolist()
    assert len(words) == 1  # nobody is enrolled: it is listed for the page
    assert "A sample of this water was not satisfactory: taken" in words[0]
    assert ", E. coli 12, total coliforms 30 per 100 mL." in words[0]


def test_one_that_arrives_after_the_lift_raises_again(held):
    held.act("advisory-raise", {"cabin": "heron-point", "unit": "main", "by": "Ann Lund"})
    held.act("advisory-lift", {"advisory": "a1", "by": "Ann Lund", "reason": "nothing was there"})
    failing(held, hours=50)  # taken before the lift
    assert [(one.id, one.advisory.state) for one in queries.advisories(held)] == [
        ("a2", State.RAISED), ("a1", State.LIFTED)]
    assert latest(held).cause is Cause.LABORATORY


def test_with_an_advisory_open_cleaning_and_both_samples_start_again(held):
    failing(held, hours=200)
    cleaned(held, hours=190)
    fine(held, hours=180)
    assert ticked(held) == {Step.SAMPLE_1: NOW - timedelta(hours=180)}
    told = failing(held, hours=150, who="Bo Reed")
    assert told["advisory"] == "a1: cleaning and both samples start again"
    assert count(held, "advisory") == 1
    assert {Step.FLUSH_COLD, Step.FLUSH_HOT, Step.DISINFECT, Step.SAMPLE_1, Step.SAMPLE_2} <= set(
        latest(held).open_steps)
    fine(held, hours=149)  # the plumbing is not clean yet
    assert ticked(held) == {}


def test_samples_count_by_when_they_were_taken_and_not_by_when_they_were_typed(held):
    failing(held, hours=200)
    cleaned(held, hours=190)
    assert "it comes after flush_cold" in fine(held, hours=195)["advisory"]  # before the plumbing was clean
    assert fine(held, hours=100)["advisory"] == "sample_1: counted"  # the second one, typed first
    told = fine(held, hours=130, who="Bo Reed")["advisory"]
    assert told.startswith("sample_1: counted; sample_2: counted (taken ")
    assert ticked(held) == {
        Step.SAMPLE_1: NOW - timedelta(hours=130), Step.SAMPLE_2: NOW - timedelta(hours=100)}
    assert fine(held, hours=50)["advisory"] == "a1: kept; it waits for no sample"


def test_a_sample_typed_before_its_cleaning_was_counts_as_soon_as_that_is_typed(held):
    failing(held, hours=200)
    told = fine(held, hours=100)["advisory"]
    assert told.startswith("sample_1: kept, but it does not count: step sample_1 at ") and "flush_cold" in told
    cleaned(held, hours=190)
    assert ticked(held) == {Step.SAMPLE_1: NOW - timedelta(hours=100)}


def test_one_taken_less_than_a_day_after_the_first_is_kept_and_says_why_it_does_not_count(held):
    failing(held, hours=200)
    cleaned(held, hours=190)
    fine(held, hours=100)
    told = fine(held, hours=90)["advisory"]
    assert "does not count" in told and "at least 24 h after a sample_1" in told
    assert count(held, "laboratory_result") == 3


def test_a_few_coliforms_tick_no_step(held):
    failing(held, hours=200)
    cleaned(held, hours=190)
    told = record(held, hours=100, e_coli=0, total_coliforms=3)
    assert told["advisory"] == "a1: kept, but it ticks no sample step"
    assert told["laboratory"]["outcome"] == "sample-again" and ticked(held) == {}
    fine(held, hours=95)
    assert ticked(held) == {Step.SAMPLE_1: NOW - timedelta(hours=95)}


def test_a_few_coliforms_are_watched_until_a_later_sample_is_satisfactory(held):
    start = held.now() - timedelta(hours=1)
    commit(held, steady(start.replace(second=0, microsecond=0), 60))
    evaluate(held.con, held.now())
    assert str(verdict_of(held).verdict) == "clear"
    record(held, hours=60, e_coli=0, total_coliforms=3, lab="Lakes Lab", lab_number="W-17")
    found = verdict_of(held)
    assert (str(found.verdict), found.since) == ("watch", NOW - timedelta(hours=60))
    assert found.reasons == (
        f"The sample taken {NOW - timedelta(hours=60):%Y-%m-%d %H:%M} UTC asks for another one: E. coli 0, total "
        "coliforms 3 per 100 mL.",)
    assert "second sample" in found.next_action and "health authority" in found.next_action
    fine(held, hours=70)  # taken before it, typed after it
    assert str(verdict_of(held).verdict) == "watch"
    record(held, hours=50, e_coli=0)  # total coliforms not tested: shows too little
    assert str(verdict_of(held).verdict) == "watch"
    fine(held, hours=40)
    assert str(verdict_of(held).verdict) == "clear"
    assert count(held, "advisory") == 0


def test_the_value_of_before_goes_on_working(held):
    failing(held, hours=200)
    cleaned(held, hours=190)
    assert record(held, hours=100, value=0.0)["advisory"] == "sample_1: counted"
    assert record(held, hours=70, value=2.0)["laboratory"]["outcome"] == "unsatisfactory"
    assert ticked(held) == {}
    assert "laboratory's result" in record(held, hours=60)["advisory"]


@pytest.mark.parametrize(("found", "match"), [
    ({"value": 0.0, "e_coli": 3}, "counts .* or value, not both"),
    ({"value": -1.0}, "at least 0; got -1.0"),
    ({"e_coli": "many"}, "e_coli must be a count per 100 mL of at least 0, 'est' or 'overgrown'"),
    ({"result": "fine"}, "result must be satisfactory or unsatisfactory"),
    ({"result": "satisfactory", "e_coli": 12}, "the counts say unsatisfactory .*look at the report again"),
    ({"result": "unsatisfactory", "total_coliforms": 0}, "the counts say satisfactory"),
    ({"e_coli": 0, "taken_at": ago(1)}, "taken_at must not lie after at"),
    ({"e_coli": 0, "taken_at": "2026-01-01T00:00:00"}, "taken_at must have Z or an offset"),
    ({"e_coli": 0, "id": "7"}, "id must be a UUID"),
    ({"kind": "note", "lab": "Lakes Lab"}, "what a laboratory found: for 'sampled', not for 'note'"),
])
def test_what_cannot_be_a_result_is_refused_whole(held, found, match):
    with pytest.raises(BadInput, match=match):
        record(held, **{"hours": 5, **found})
    assert count(held, "service_event") == count(held, "laboratory_result") == count(held, "advisory_event") == 0


def test_the_same_result_sent_twice_raises_once(held):
    number = str(uuid.uuid4())
    first = failing(held, hours=5, id=number)
    again = failing(held, hours=5, id=number)
    assert first["id"] == again["id"] == number and again["already"]
    held.act("advisory-lift", {"advisory": "a1", "by": "Ann Lund", "reason": "another cabin's sample"})
    failing(held, hours=5, id=number)
    assert count(held, "advisory") == count(held, "service_event") == count(held, "laboratory_result") == 1


def test_two_people_record_one_sample_the_second_is_told_who_did(held):
    fine(held, hours=5, lab_number="W-17")
    stamp = held.ask("SELECT recorded_at FROM service_event")["recorded_at"].iloc[0]
    with pytest.raises(BadInput, match=(
            r"sampled of heron-point/main at .* UTC is recorded already, by Ann Lund on "
            rf"{stamp:%Y-%m-%d %H:%M} UTC, as satisfactory; nothing was stored twice")):
        fine(held, hours=5, lab_number="w-17", who="Bo Reed")
    assert count(held, "service_event") == count(held, "laboratory_result") == 1
    fine(held, hours=5, lab_number="W-18", who="Bo Reed")  # the other tap's bottle of the same minute
    assert count(held, "laboratory_result") == 2


def test_a_worse_result_of_the_same_sample_is_taken_and_a_better_one_is_not(held):
    record(held, hours=5, e_coli=0)  # incomplete
    fine(held, hours=5)  # completes it
    told = failing(held, hours=5, who="Bo Reed")
    assert told["laboratory"]["differs"] == "Ann Lund recorded it as incomplete; the worse counts"
    assert latest(held).cause is Cause.LABORATORY
    with pytest.raises(BadInput, match=r"by Bo Reed on .*, as unsatisfactory; nothing was stored twice"):
        fine(held, hours=5)


def test_a_result_follows_the_record_of_the_sample_and_is_no_second_one(held):
    record(held, hours=5)  # taken to the laboratory
    with pytest.raises(BadInput, match="Give the laboratory's result once it is there"):
        record(held, hours=5, who="Bo Reed")
    fine(held, hours=1, taken_at=ago(5))
    assert count(held, "laboratory_result") == 1


@pytest.mark.parametrize(("kind", "value"), [("lamp-swapped", None), ("water-tested", 84.0), ("flushed", None)])
def test_the_same_work_of_the_same_minute_is_recorded_once(held, kind, value):
    record(held, kind, hours=5, value=value)
    with pytest.raises(BadInput, match=f"{kind} of .* is recorded already, by Ann Lund .*give the other time"):
        record(held, kind, hours=5, value=value, who="Bo Reed")
    record(held, kind, hours=6, value=value, who="Bo Reed")
    assert count(held, "service_event") == 2


def test_two_people_record_one_step_the_second_is_told_who_did(held):
    failing(held, hours=200)
    cleaned(held, hours=190)
    step = {"advisory": "a1", "step": "disinfect", "by": "Bo Reed", "at": ago(189)}
    before = events(held)
    done = NOW - timedelta(hours=190)
    with pytest.raises(BadInput, match=(
            rf"step disinfect of a1 is recorded already: Ann Lund, done {done:%Y-%m-%d %H:%M} UTC, recorded .*; "
            "nothing was stored twice. If it was done once more, say so by command: --again")):
        held.act("advisory-record", step)
    assert events(held) == before
    held.act("advisory-record", {**step, "again": True})
    found = next(one for one in latest(held).statuses if one.code is Step.DISINFECT)
    assert found.since == NOW - timedelta(hours=189)


def test_a_persons_word_for_a_sample_counts_by_when_it_was_taken_too(held):
    failing(held, hours=200)
    cleaned(held, hours=190)
    told = {"advisory": "a1", "by": "Bo Reed"}
    left = held.act("advisory-record", {**told, "step": "sample_2", "at": ago(100)})["open_steps"]
    assert "sample_1" not in left and "sample_2" in left  # the only one yet, so it stands for the first
    left = held.act("advisory-record", {**told, "step": "sample_1", "at": ago(130)})["open_steps"]
    assert not {"sample_1", "sample_2"} & set(left)
    assert ticked(held) == {
        Step.SAMPLE_1: NOW - timedelta(hours=130), Step.SAMPLE_2: NOW - timedelta(hours=100)}
    before = events(held)
    for step, hours, match in (
        ("sample_1", 130, "sample_1 of a1 is recorded already: Bo Reed"),
        ("sample_1", 100, "sample_2 of a1 is recorded already: Bo Reed"),
        ("sample_2", 99, "sample_2 of a1 is recorded already: Bo Reed"),
    ):
        with pytest.raises(BadInput, match=match):
            held.act("advisory-record", {**told, "by": "Cy Vale", "step": step, "at": ago(hours)})
    with pytest.raises(BadInput, match=r"recorded already, by Bo Reed|recorded already: Bo Reed"):
        held.act("advisory-record", {**told, "step": "sample_2", "at": ago(100)})
    assert events(held) == before


def test_two_people_record_one_failed_sample_by_either_way(held):
    failing(held, hours=200)
    bad = {"advisory": "a1", "step": "sample_1", "by": "Bo Reed", "at": ago(100), "failed": True}
    held.act("advisory-record", bad)
    with pytest.raises(BadInput, match=r"recorded already, by Bo Reed on .*; nothing was stored twice"):
        held.act("advisory-record", {**bad, "by": "Cy Vale"})
    failing(held, hours=100, who="Cy Vale")  # now with its counts: kept, but nothing starts again
    assert [one["kind"] for one in events(held)] == ["raised", "sample-failed"]


def test_a_sample_stays_what_it_is_while_readings_go_on(held):
    failing(held, hours=5)
    start = held.now().replace(second=0, microsecond=0) - timedelta(minutes=30)
    commit(held, steady(start, 30))
    evaluate(held.con, held.now())
    one = latest(held)
    assert one.cause is Cause.LABORATORY and one.exposure.underdosed_l_upper is None
    assert "remeasured" not in [event["kind"] for event in events(held)]


# The fleet's own limits ------------------------------------------------------------------------------------------


STRICT = "\n[laboratory]\ntotal_coliforms_raises_at = 1\n"


def test_a_stricter_fleet_raises_at_its_own_limit_and_the_table_goes_out_and_in(held):
    assert "laboratory" in held.act("enroll", {"text": FLEET_TOML + STRICT})["new"]
    fleet = load_fleet(held)
    assert fleet.laboratory == LaboratoryPolicy(total_coliforms_raises_at=1)
    assert read_fleet(write_fleet(fleet)).own_laboratory == fleet.own_laboratory
    assert "laboratory" in held.act("enroll", {"text": FLEET_TOML + STRICT})["same"]
    told = record(held, hours=5, e_coli=0, total_coliforms=1)
    assert told["laboratory"]["words"].endswith("The limit is below 1 total coliforms.")
    assert latest(held).cause is Cause.LABORATORY


@pytest.mark.parametrize(("table", "match"), [
    ("total_coliforms_raises_at = 10", "total_coliforms_raises_at must be a number above 0 and at most 6"),
    ("e_coli_raises_at = 0", "e_coli_raises_at must be a number above 0 and at most 1"),
    ("coliforms = 1", "unknown key 'coliforms'"),
])
def test_a_looser_fleet_is_refused_with_the_line(table, match):
    text = FLEET_TOML + f"\n[laboratory]\n{table}\n"
    with pytest.raises(BadInput, match=rf"fleet.toml:{len(text.splitlines())}: laboratory: {match}"):
        read_fleet(text)


def test_samples_of_an_older_store_are_results(tmp_path):
    old = engine.connect(tmp_path / "old.duckdb")
    migrate(old, until=next(number for number, step in enumerate(MIGRATIONS) if "laboratory_result" in step))
    for kind, value in (("sampled", 0.0), ("sampled", 4.0), ("sampled", None), ("water-tested", 80.0)):
        old.execute(
            "INSERT INTO service_event VALUES (uuid(), 'a', 'main', $at_, $kind, 'Ann Lund', $value, '', $at_)",
            {"at_": utc("2026-11-01T00:00:00"), "kind": kind, "value": value})
    old.close()
    store = Store(tmp_path / "old.duckdb")
    found = store.ask("SELECT outcome FROM laboratory_result ORDER BY outcome")
    assert found["outcome"].tolist() == ["satisfactory", "unsatisfactory"]
    store.close()


# Water tests -----------------------------------------------------------------------------------------------------


def test_a_water_test_typed_as_a_ratio_is_asked_about(held):
    with pytest.raises(BadInput, match=r"0\.88: did you mean 88 %\? .* --is-pct"):
        record(held, "water-tested", hours=5, value=0.88)
    assert count(held, "service_event") == 0
    record(held, "water-tested", hours=5, value=0.88, is_pct=True)
    record(held, "water-tested", hours=4, value=88.0)
    assert held.ask('SELECT value FROM service_event ORDER BY "at"')["value"].tolist() == [0.88, 88.0]


def test_water_below_the_tested_range_is_named_in_the_reason(held):
    record(held, "water-tested", hours=5, value=74.0)
    commit(held, steady(held.now().replace(second=0, microsecond=0) - timedelta(minutes=30), 31))
    evaluate(held.con, held.now())
    found = verdict_of(held)
    assert found.verdict != "clear"
    assert any("water at 74 %, this unit was tested down to 75 %" in one for one in found.reasons)


# By command, and past a running collector ------------------------------------------------------------------------


UNIT = ("--cabin", "heron-point", "--unit", "main")


def test_the_command_tells_what_a_result_means_and_what_it_did(enrolled: Path):
    done = tarnlight_here(
        enrolled, "service", "record", "sampled", *UNIT, "--at", ago(1), "--taken-at", ago(30), "--who", "Ann Lund",
        "--e-coli", "12", "--total-coliforms", "est", "--lab", "Lakes Lab", "--lab-number", "W-17")
    assert done.returncode == 0, done.stderr
    assert "laboratory: Not satisfactory, unsafe to drink unboiled: E. coli 12, total coliforms only estimated" in (
        done.stdout)
    assert "advisory: a1: raised, because this sample was not satisfactory" in done.stdout
    assert "health authority" in done.stdout
    (found,) = json.loads(tarnlight_here(enrolled, "status", *UNIT[:2], "--json").stdout)
    assert (found["verdict"], found["advisory"]["cause"]) == ("boil", "laboratory")
    month = (NOW - timedelta(hours=1)).astimezone(read_fleet(FLEET_TOML).cabins[0].zone)
    words = ("report", "--cabin", "heron-point", "--month", f"{month:%Y-%m}")
    (report,) = json.loads(tarnlight_here(enrolled, *words, "--json").stdout)
    assert report["service"][0]["laboratory"] == {
        "outcome": "unsatisfactory", "e_coli": 12.0, "total_coliforms": "est", "lab": "Lakes Lab",
        "lab_number": "W-17", "taken_at": (NOW - timedelta(hours=30)).isoformat().replace("+00:00", "Z"),
        "advisory": "a1"}
    assert "sampled (unsatisfactory, E. coli 12, total coliforms only estimated, Lakes Lab, number W-17)" in (
        tarnlight_here(enrolled, *words).stdout)


def test_the_command_refuses_a_ratio_and_a_second_telling(enrolled: Path):
    words = ("service", "record", "water-tested", *UNIT, "--at", ago(1), "--who", "Ann Lund", "--value")
    refused = tarnlight_here(enrolled, *words, "0.88")
    assert refused.returncode == 2 and "did you mean 88 %" in refused.stderr
    assert tarnlight_here(enrolled, *words, "88").returncode == 0
    twice = tarnlight_here(enrolled, *words, "88")
    assert twice.returncode == 2 and "recorded already, by Ann Lund" in twice.stderr


def test_a_result_that_a_running_collector_takes_turns_the_cabins_sign(collector: Running):
    import paho.mqtt.client as paho
    from paho.mqtt.enums import CallbackAPIVersion

    shown: list[dict] = []
    reader = paho.Client(CallbackAPIVersion.VERSION2)
    reader.on_message = lambda _client, _data, message: shown.append(json.loads(message.payload))
    reader.connect("127.0.0.1", int(collector.settings.broker.rsplit(":", 1)[1]))
    reader.subscribe("tarnlight/heron-point/advisory", qos=1)
    reader.loop_start()
    try:
        wait_for(lambda: shown and shown[-1]["state"] == "silent", 20, "the sign says that nobody was heard")
        done = tarnlight_here(
            collector.settings.store, "service", "record", "sampled", *UNIT, "--at", ago(30), "--who", "Ann Lund",
            "--e-coli", "12", "--total-coliforms", "30")
        assert done.returncode == 0, done.stderr
        wait_for(lambda: shown[-1]["state"] == "boil", 20, "the sign says boil")
        assert shown[-1]["advisory"] == "a1"
    finally:
        reader.disconnect()
        reader.loop_stop()
