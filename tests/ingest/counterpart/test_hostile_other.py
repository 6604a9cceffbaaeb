"""What a cabin's other collector sends that is forged, absurd or comes at a bad moment, between two stores."""

from __future__ import annotations

import json
from typing import Any

import pandas as pd
import pytest

from ingest import queries
from ingest.db.intake import Message
from ingest.settings import BadInput
from tests.conftest import count
from tests.ingest.counterpart.test_two_collectors import (  # noqa: F401  (a fixture)
    KEY,
    LIT,
    Both,
    Side,
    at,
    both,
    cut_of_power,
    lifted,
)
from tests.ingest.ingest_streams import steady

UUID = "6b1f3a52-0c1d-4a7e-9a55-3d0f0b6a1c0%d"
HUGE = 10**400
EARLY, LATE = "0001-01-01T00:00:00+14:00", "9999-12-31T23:59:00-14:00"
NOTE = {"id": UUID % 1, "cabin": KEY[0], "unit": KEY[1], "kind": "note", "who": "Ann", "at": "2026-11-20T06:10:00Z",
        "note": "hello", "value": None}
LIFT: dict[str, Any] = {
    "cabin": KEY[0], "unit": KEY[1], "by": "Kim Or", "number": "a1", "at": "2026-11-20T08:00:00Z", "pieces": []}
PIECE = {"start": "2026-11-20T06:00:00Z", "end": "2026-11-20T09:00:00Z", "kind": "dark", "most": 500.0,
         "dose": None}


def tell(side: Side, what: str, said: object, name: str = KEY[0]) -> None:
    """Have a side hear something of the other, as bytes or as an object, and do it."""
    payload = said if isinstance(said, bytes) else json.dumps(said).encode()
    way = "up" if side.place == "centre" else "down"
    side.exchange.take([Message(f"tarnlight/{name}/{way}/{what}", payload, side.now, 1, 1)])
    side.exchange.turn(connected=False)
    side.exchange.turn(connected=False)


def record(side: Side, what: str, body: object, number: str = "x") -> None:
    tell(side, "record", {"id": number, "what": what, "body": body})


def say(side: Side, name: str = KEY[0], when: str | None = None, **units: str) -> None:
    tell(side, "verdict", {"at": when or side.now.isoformat(), "units": {
        unit: {"verdict": word, "reason": "dark"} for unit, word in units.items()}}, name)


@pytest.mark.parametrize(("what", "said"), [
    ("record", {"id": "x", "what": "service", "body": NOTE | {"who": "A\ud800"}}),
    ("record", {"id": "\ud800", "what": "service", "body": NOTE}),
    ("record", {"id": "x" * 5000, "what": "service", "body": NOTE}),
    ("record", {"id": "x", "what": "service", "body": NOTE | {"value": HUGE}}),
    ("record", {"id": "x", "what": "service", "body": NOTE | {"value": float("nan")}}),
    ("record", {"id": "x", "what": "service", "body": NOTE | {"at": EARLY}}),
    ("record", {"id": "x", "what": "service", "body": NOTE | {"id": None}}),
    ("record", {"id": "x", "what": "step", "body": {**LIFT, "step": "flush_hot", "minutes": HUGE}}),
    ("record", {"id": "x", "what": "lifted", "body": LIFT | {"by": " "}}),
    ("record", {"id": "x", "what": "lifted", "body": LIFT | {"unit": "attic"}}),
    ("record", {"id": "x", "what": "lifted", "body": LIFT | {"at": EARLY}}),
    ("record", {"id": "x", "what": "lifted", "body": LIFT | {"number": "a1; x"}}),
    ("record", {"id": "x", "what": "lifted", "body": LIFT | {"pieces": [PIECE | {"end": LATE}]}}),
    ("record", {"id": "x", "what": "lifted", "body": LIFT | {"pieces": [PIECE | {"most": HUGE}]}}),
    ("record", {"id": "x", "what": "lifted", "body": LIFT | {"pieces": [PIECE | {"most": float("nan")}]}}),
    ("record", {"id": "x", "what": "lifted", "body": LIFT | {"pieces": [PIECE | {"most": -1.0}]}}),
    ("record", {"id": "x", "what": "lifted", "body": LIFT | {"pieces": [PIECE | {"kind": "fine"}]}}),
    ("record", {"id": "x", "what": "lifted", "body": LIFT | {"pieces": 7}}),
    ("verdict", {"at": EARLY, "units": {"main": {"verdict": "boil"}}}),
    ("verdict", {"at": "2026-11-20T06:30:00Z", "units": {"main": {"verdict": "boil", "since": LATE}}}),
    ("verdict", {"at": "2026-11-20T06:30:00Z", "units": {"main": {"verdict": "boil", "reason": "\udfff"}}}),
    ("verdict", {"at": "2026-11-20T06:30:00Z", "units": {str(n): {"verdict": "boil"} for n in range(5000)}}),
])
def test_what_cannot_be_reckoned_with_is_set_aside_and_what_comes_behind_it_is_done(both: Both, what, said):  # noqa: F811
    side = both.centre
    both.at(61)
    side.take_in(LIT)
    before = side.word
    tell(side, what, said)
    record(side, "service", NOTE | {"id": UUID % 2}, "y")
    assert side.store.ask("SELECT note FROM service_event")["note"].tolist() == ["hello"]
    assert count(side.store, "quarantine") == 1 and count(side.store, "counterpart_inbox") == 0
    assert side.word == before and count(side.store, "answered") == 0


def test_what_people_are_said_to_have_written_is_one_line_of_text(both: Both):  # noqa: F811
    both.at(61)
    both.centre.take_in(LIT)
    record(both.centre, "service", NOTE | {"who": "Ann\x1b[2J\nLund\x00", "note": "y" * 50_000})
    ((who, note),) = both.centre.store.ask("SELECT who, note FROM service_event").to_numpy().tolist()
    assert who == "Ann[2J Lund" and len(note) < 5_000


def test_a_lift_answers_no_water_that_is_still_to_pass(both: Both):  # noqa: F811
    side = both.centre
    both.at(61)
    side.take_in(LIT)
    record(side, "lifted", LIFT | {"pieces": [PIECE | {"end": "2027-01-01T00:00:00Z", "most": 1e308}]})
    both.at(121)
    side.take_in(cut_of_power())
    assert side.open() == "a1" and side.word == "boil"


def test_one_raised_by_hand_stays_its_own_though_water_came_to_it(both: Both):  # noqa: F811
    both.at(61)
    for side in (both.cabin, both.centre):
        side.take_in(LIT)
    both.cabin.do("advisory-raise", cabin=KEY[0], unit=KEY[1], by="Ann Lund")  # the authority rang there
    both.at(121)
    for side in (both.cabin, both.centre):
        side.take_in(cut_of_power())
    lifted(both.centre, "a1")
    both.talk()
    assert both.cabin.open() == "a1" and both.centre.word == "boil"


def test_a_lift_of_something_else_does_not_lift_what_late_logs_explain(both: Both):  # noqa: F811
    both.at(61)
    both.cabin.take_in(LIT)
    both.at(220)
    both.cabin.take_in(steady(at(180), 40, flow_l_min=0.0, total_l=150.0))  # two hours unheard, and water ran
    assert both.cabin.open() == "a1"
    both.centre.do("advisory-raise", cabin=KEY[0], unit=KEY[1], by="Ann Lund")
    lifted(both.centre, "a1", "the authority rang again")
    both.talk()
    both.cabin.take_in(steady(at(60), 120, flow_l_min=0.0, total_l=pd.Series([100.0] * 120)))
    both.talk()
    assert both.cabin.open() == "a1"  # nobody who lifted anything had seen it


def test_a_sample_that_failed_during_a_cut_outlives_a_lift_that_came_from_without_knowing_it(both: Both):  # noqa: F811
    both.at(121)
    for side in (both.cabin, both.centre):
        side.take_in(LIT, cut_of_power())
    both.talk()
    both.at(125)
    both.cabin.do("record-service", kind="sampled", cabin=KEY[0], unit=KEY[1], who="Lee", value=None, note="",
                  at=at(121).isoformat(), e_coli=3, total_coliforms=9, lab="Tarn Lab", lab_number="77",
                  taken_at=at(110).isoformat())
    both.cabin.exchange.turn(connected=True)
    both.cabin.exchange.turn(connected=True)  # the cabin's own broker has it; the link is cut
    on_its_way, both.cabin.out[:] = list(both.cabin.out), []
    both.at(130)
    lifted(both.centre, "a1")
    both.centre.exchange.turn(connected=True)
    for topic, text in both.centre.out:
        both.cabin.exchange.take([Message(topic, text.encode(), both.cabin.now, 1, 1)])
    both.centre.out.clear()
    for _ in range(4):
        both.cabin.exchange.turn(connected=False)
    assert both.cabin.open() == "a1"
    both.cabin.out[:] = on_its_way
    both.talk()
    assert both.centre.open() == "a2" and both.cabin.word == both.centre.word == "boil"
    lifted(both.centre, "a2", "cleaned, two good samples")
    both.talk()
    assert (both.cabin.open(), both.centre.open()) == (None, None)


def test_a_sample_said_to_have_failed_is_not_known_there_by_the_number_that_another_record_bears(both: Both):  # noqa: F811
    both.at(121)
    for side in (both.cabin, both.centre):
        side.take_in(LIT, cut_of_power())
    both.at(125)
    both.cabin.do("advisory-record", advisory="a1", step="sample_1", by="Lee", at=at(122).isoformat(), failed=True)
    (seq,) = both.cabin.store.ask("SELECT max(seq) AS m FROM advisory_event WHERE advisory = 'a1'")["m"]
    note = {"cabin": KEY[0], "unit": KEY[1], "by": "Ann", "step": "flush_cold", "at": at(124).isoformat()}
    record(both.cabin, "step", note, f"event:a1:{seq}")  # of the centre's own a1
    both.at(130)
    lifted(both.centre, "a1")
    both.centre.exchange.turn(connected=True)
    for topic, text in both.centre.out:
        both.cabin.exchange.take([Message(topic, text.encode(), both.cabin.now, 1, 1)])
    for _ in range(4):
        both.cabin.exchange.turn(connected=False)
    assert both.cabin.open() == "a1"


def test_nobody_withdraws_a_record_of_another_cabin(both: Both):  # noqa: F811
    both.at(61)
    told = both.centre.do("record-service", kind="note", cabin="otter-cove", unit="main", at=at(60).isoformat(),
                          who="Ann", value=None, note="ours")
    record(both.centre, "withdrawn", {"id": told["id"], "by": "Eve", "reason": ""})
    record(both.centre, "withdrawn", {"id": told["id"][:8], "by": "Eve", "reason": ""}, "z")
    assert count(both.centre.store, "service_done") == 1 and count(both.centre.store, "quarantine") == 2


def test_a_boil_stays_of_a_unit_that_is_left_out_and_counts_under_another_name(both: Both):  # noqa: F811
    side = both.centre
    both.at(61)
    side.take_in(LIT)
    own = side.own
    say(side, main="boil")
    say(side)
    assert side.word == "boil"
    say(side, main=own)
    assert side.word == own
    say(side, kitchen="boil")  # renamed there alone
    assert side.word == "boil" and "'kitchen', which is not enrolled here" in side.look().verdict.reasons[0]
    say(side, kitchen="clear")
    assert side.word == own
    for number in range(5):  # what is no unit of ours does not pile up
        say(side, **{f"attic-{number}-{other}": "boil" for other in range(9)})
    assert count(side.store, "counterpart_verdict") == 9


def test_a_unit_and_a_cabin_that_were_renamed_here_alone_are_heard_by_their_former_names(both: Both):  # noqa: F811
    side = both.centre
    both.at(61)
    side.take_in(LIT)
    say(side, main="clear")
    side.do("registry-deed", kind="renamed", cabin=KEY[0], unit="main", to_unit="spring", by="Ann")
    side.do("registry-deed", kind="renamed", cabin=KEY[0], to_cabin="north-point", by="Ann")
    say(side, main="boil")
    record(side, "service", NOTE)
    found = {(one.cabin.slug, one.unit.slug): one for one in queries.status(side.store, side.now)}
    assert str(found["north-point", "spring"].verdict.verdict) == "boil"
    (one,) = side.store.ask("SELECT cabin, unit FROM service_event").to_numpy().tolist()
    assert one == ["north-point", "spring"]
    # what is recorded here waits until the other uses the new name, and what came from there never goes back
    side.do("record-service", kind="note", cabin="north-point", unit="spring", at=at(60).isoformat(), who="Ann",
            value=None, note="here")
    side.out.clear()
    side.exchange.turn(connected=True)
    assert side.out == []
    say(side, "north-point", spring="clear")
    side.exchange.turn(connected=True)
    assert [json.loads(text)["body"]["note"] for _, text in side.out] == ["here"]


def test_a_step_whose_apply_was_cut_off_half_way_is_counted_once_and_not_sent_back(both: Both):  # noqa: F811
    both.at(121)
    for side in (both.cabin, both.centre):
        side.take_in(LIT, cut_of_power())
    both.talk()
    body = {"cabin": KEY[0], "unit": KEY[1], "by": "Ann", "step": "flush_cold", "from": at(110).isoformat(),
            "at": at(121).isoformat()}
    record(both.centre, "step", body, "event:a1:7")
    con = both.centre.store.con
    events = count(both.centre.store, "advisory_event")
    # as a collector leaves it that is killed after the step and before it notes that it is done
    con.execute("DELETE FROM counterpart_record WHERE id = 'event:a1:7' OR way = 'echo'")
    con.execute("INSERT INTO counterpart_inbox VALUES (99, 'event:a1:7', $cabin, $body::JSON, now())", {
        "cabin": KEY[0], "body": json.dumps({"id": "event:a1:7", "what": "step", "body": body})})
    both.centre.begin()
    both.log.clear()
    both.talk()
    assert count(both.centre.store, "advisory_event") == events
    assert both.centre.store.ask("SELECT reason FROM quarantine")["reason"].tolist() == []
    assert {one for one in both.log if "verdict" not in one} == set()


def test_a_boil_of_a_collector_that_is_no_more_is_ended_by_a_named_person_with_a_reason(both: Both):  # noqa: F811
    side = both.centre
    both.at(61)
    side.take_in(LIT)
    said = side.now.isoformat()
    say(side, when=said, main="boil")
    both.at(63)
    for body, match in (({}, "by must name"), ({"by": "Ann"}, "reason must say why")):
        with pytest.raises(BadInput, match=match):
            side.do("counterpart-give-up", cabin=KEY[0], **body)
    with pytest.raises(BadInput, match="no other collector"):
        side.do("counterpart-give-up", cabin="otter-cove", by="Ann", reason="x")
    told = side.do("counterpart-give-up", cabin=KEY[0], by="Ann", reason="two good samples", look=True)
    assert "said boil" in told["lines"][0] and side.word == "boil"
    side.do("counterpart-give-up", cabin=KEY[0], by="Ann", reason="two good samples")
    assert side.word == side.own != "boil"
    assert side.store.ask("SELECT who, reason FROM counterpart_given_up").to_numpy().tolist() == [
        ["Ann", "two good samples"]]
    say(side, when=said, main="boil")  # the broker kept it, and hands it out again
    assert side.word == side.own
    both.at(64)
    say(side, main="boil")  # it is there after all
    assert side.word == "boil"


def test_junk_without_end_is_counted_and_not_kept(both: Both):  # noqa: F811
    both.at(61)
    for _ in range(150):
        tell(both.centre, "record", b"junk")
    assert count(both.centre.store, "quarantine") == 101
    assert both.centre.store.ask("SELECT sum(times) AS n FROM quarantine")["n"].tolist() == [150]
