"""What a cabin's own collector and the centre's tell each other, carried by hand between two stores."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from ingest import queries
from ingest.actions import ACTIONS
from ingest.counterpart.exchange import Exchange
from ingest.db.intake import Message, heard_live
from ingest.evaluation.evaluate import evaluate
from ingest.store import Store
from models.counterpart import Place
from tests.conftest import count, utc
from tests.ingest.ingest_streams import commit, minutes, steady

START = utc("2026-11-20T06:00:00")
KEY = ("heron-point", "main")
DARK = {"lamp_on": False, "power_on": False, "intensity_w_m2": 0.0}


def at(minute: float) -> datetime:
    return START + minutes(minute)


@dataclass
class Side:
    """A collector's store, its exchange, and what it has published and the other has not taken."""

    store: Store
    place: Place
    now: datetime = START
    out: list[tuple[str, str]] = field(default_factory=list)
    exchange: Any = None

    def begin(self) -> None:
        """As a collector that starts: nothing of it is remembered but the store."""
        self.exchange = Exchange(self.store.con, self.place, self.publish, lambda: self.now)

    def publish(self, topic: str, text: str, retain: bool):
        self.out.append((topic, text))
        return lambda: True

    def take_in(self, *parts: pd.DataFrame) -> None:
        rows = pd.concat(parts, ignore_index=True)
        commit(self.store, rows, self.now)
        evaluate(self.store.con, self.now)
        self.exchange.heard()

    def do(self, action: str, **body: Any) -> dict[str, Any]:
        told = ACTIONS[action](self.store.con, body, self.now, self.store.path)
        self.exchange.forget()
        return told

    def look(self) -> queries.UnitStatus:
        return next(one for one in queries.status(self.store, self.now, cabin=KEY[0]))

    @property
    def word(self) -> str:
        return str(self.look().verdict.verdict)

    @property
    def own(self) -> str:
        found = self.look()
        return str((found.own or found.verdict).verdict)

    def open(self) -> str | None:
        found = self.look().standing
        return None if found is None else found.id


@dataclass
class Both:
    cabin: Side
    centre: Side
    log: list[str] = field(default_factory=list)

    def at(self, minute: float) -> None:
        self.cabin.now = self.centre.now = at(minute)

    def talk(self, *, lose: int = 0) -> None:
        """Let each tell the other until neither has anything new; `lose`: so many messages are delivered twice."""
        self._tell()
        for _ in range(8):
            self._carry(lose)
        self._tell()
        self._carry(lose)

    def _tell(self) -> None:
        for side in (self.cabin, self.centre):
            found = side.look()
            side.exchange.tell(KEY[0], {"main": found.own or found.verdict})

    def _carry(self, lose: int) -> None:
        for side, other in ((self.cabin, self.centre), (self.centre, self.cabin)):
            side.exchange.turn(connected=True)
            told, side.out[:] = list(side.out), []
            self.log += [f"{side.place}: {json.loads(text).get('what', 'verdict')}" for _, text in told]
            for topic, text in told + told[:lose]:
                other.exchange.take([Message(topic, text.encode(), other.now, 1, 1)])
            other.exchange.turn(connected=False)


@pytest.fixture
def both(enrolled: Path, tmp_path: Path) -> Iterator[Both]:
    """A cabin's collector and the centre's, of the same fleet; the unit has been heard live for a day."""
    sides = []
    for place in (Place.CABIN, Place.CENTRE):
        path = tmp_path / str(place) / "tarnlight.duckdb"
        path.parent.mkdir(mode=0o700)
        shutil.copy(enrolled, path)
        side = Side(Store(path), place)
        heard_live(side.store.con, [KEY], at(-1440))
        side.begin()
        sides.append(side)
    yield Both(*sides)
    for side in sides:
        side.store.close()


LIT = steady(START, 60, flow_l_min=0.0, total_l=100.0)


def cut_of_power(first_min: float = 60, minutes_dark: int = 20) -> pd.DataFrame:
    """Twenty minutes without power in which water runs, then half an hour lit again, tap closed."""
    dark = steady(at(first_min), minutes_dark, flow_l_min=5.0, **DARK)
    after = steady(at(first_min + minutes_dark), 40, flow_l_min=0.0)
    return pd.concat([dark, after], ignore_index=True)


def lifted(side: Side, number: str, reason: str = "flushed and tested by hand") -> None:
    side.do("advisory-lift", advisory=number, by="Kim Or", reason=reason)


def test_the_worse_verdict_shows_at_both_and_neither_holds_the_other_up(both: Both):
    both.at(61)
    both.cabin.take_in(LIT)
    both.centre.take_in(LIT)
    both.talk()
    before = both.cabin.own
    assert both.cabin.word == both.centre.word == before and before in ("clear", "watch")
    both.centre.do("advisory-raise", cabin=KEY[0], unit=KEY[1], by="Ann Lund")  # the authority rang there
    both.talk()
    assert both.centre.word == both.cabin.word == "boil"
    assert (both.cabin.own, both.cabin.open()) == (before, None)
    shown = both.cabin.look().verdict
    assert shown.reasons[0].startswith("The centre's collector says boil: ") and "boil" in shown.next_action.lower()
    lifted(both.centre, "a1")
    both.talk()
    assert both.centre.word == both.cabin.word == before


def test_a_boil_of_the_other_holds_however_long_the_link_is_cut_and_its_silence_does_not(both: Both):
    both.at(61)
    both.cabin.take_in(LIT)
    both.talk()  # the centre has heard nothing
    assert both.centre.own == "silent" and both.cabin.word == "silent"  # the worse of the two
    own = both.cabin.own
    assert own != "silent"
    both.at(73)  # cut since: what it said last has run out
    both.cabin.take_in(steady(at(60), 13, flow_l_min=0.0, total_l=100.0))
    assert both.cabin.word == both.cabin.own == own
    both.centre.do("advisory-raise", cabin=KEY[0], unit=KEY[1], by="Ann Lund")
    both.talk()
    assert both.cabin.word == "boil"
    both.at(600)
    both.cabin.take_in(steady(at(73), 527, flow_l_min=0.0, total_l=100.0))
    assert both.cabin.word == "boil" and both.cabin.own == own
    assert "has not been heard since" in " ".join(both.cabin.look().verdict.reasons)


@pytest.mark.parametrize("twice", (0, 99))
def test_a_lift_at_the_centre_travels_with_what_was_done_there(both: Both, twice: int):
    both.at(121)
    for side in (both.cabin, both.centre):
        side.take_in(LIT, cut_of_power())
    both.talk(lose=twice)
    assert both.cabin.open() == both.centre.open() == "a1"
    both.centre.do(
        "record-service", kind="flushed", cabin=KEY[0], unit=KEY[1], at=at(120).isoformat(), who="Ann Lund",
        value=None, note="all taps")
    both.talk(lose=twice)
    done = both.cabin.store.ask("SELECT kind, who, note FROM service_event")
    assert done.values.tolist() == [["flushed", "Ann Lund", "all taps"]]
    lifted(both.centre, "a1")
    both.talk(lose=twice)
    assert (both.cabin.open(), both.centre.open()) == (None, None)
    assert both.cabin.word == both.centre.word != "boil"
    last = queries.advisory_events(both.cabin.store, "a1")["body"].iloc[-1]
    assert json.loads(last)["kind"] == "lifted" and "Kim Or (at the centre's collector)" in last
    # and nothing goes round: what came is not sent back
    both.log.clear()
    both.talk()
    assert {one for one in both.log if "verdict" not in one} == set()
    assert count(both.centre.store, "service_event") == count(both.cabin.store, "service_event") == 1


def test_a_lift_at_the_centre_leaves_standing_what_only_the_cabin_heard(both: Both):
    both.at(121)
    for side in (both.cabin, both.centre):
        side.take_in(LIT, cut_of_power())
    both.talk()
    both.at(150)  # the link is cut; more runs past a dark lamp
    both.cabin.take_in(cut_of_power(121, 10))
    lifted(both.centre, "a1")
    both.talk()
    assert both.cabin.open() == "a1" and both.cabin.word == "boil"
    assert both.centre.open() is None and both.centre.own != "boil" and both.centre.word == "boil"
    # then the centre hears it too, raises again, and a person lifts that
    both.centre.take_in(cut_of_power(121, 10))
    assert both.centre.open() == "a2"
    lifted(both.centre, "a2")
    both.at(165)
    for side in (both.cabin, both.centre):
        side.take_in(steady(at(155), 10, flow_l_min=0.0))
    both.talk()
    assert (both.cabin.open(), both.centre.open()) == (None, None)
    assert both.cabin.word == both.centre.word != "boil"


def test_a_lift_at_the_cabin_during_a_cut_holds_at_the_centre_once_it_has_heard_the_same(both: Both):
    both.at(61)
    for side in (both.cabin, both.centre):
        side.take_in(LIT)
    both.at(121)
    both.cabin.take_in(cut_of_power())
    lifted(both.cabin, "a1")
    both.at(200)
    both.cabin.take_in(steady(at(120), 80, flow_l_min=0.0))
    both.talk()  # the records come before the logs
    assert both.cabin.open() is None and both.centre.own == "silent"
    both.centre.take_in(cut_of_power())
    both.centre.take_in(steady(at(120), 80, flow_l_min=0.0))
    both.talk()
    assert both.centre.open() is None
    assert both.cabin.word == both.centre.word and both.centre.word in ("clear", "watch")


def test_one_that_somebody_raised_here_by_hand_is_lifted_here(both: Both):
    both.at(61)
    for side in (both.cabin, both.centre):
        side.take_in(LIT)
        side.do("advisory-raise", cabin=KEY[0], unit=KEY[1], by="Ann Lund")
    lifted(both.centre, "a1")
    both.talk()
    assert both.cabin.open() == "a1" and both.centre.word == "boil"


def test_a_sample_that_failed_raises_at_both_and_a_lift_that_did_not_know_of_it_leaves_it(both: Both):
    both.at(121)
    for side in (both.cabin, both.centre):
        side.take_in(LIT, cut_of_power())
    both.talk()
    sample = {"kind": "sampled", "cabin": KEY[0], "unit": KEY[1], "who": "Lee", "value": None, "note": ""}
    lifted(both.centre, "a1")
    both.at(122)
    both.cabin.do("record-service", **sample, at=at(121).isoformat(), e_coli=3, total_coliforms=9, lab="Tarn Lab",
                  lab_number="77", taken_at=at(110).isoformat())
    both.talk()
    assert both.cabin.open() == "a1" and both.centre.open() == "a2"
    assert both.cabin.word == both.centre.word == "boil"
    lifted(both.centre, "a2")  # who lifts now knows of the sample
    both.talk()
    assert (both.cabin.open(), both.centre.open()) == (None, None)


def test_what_is_recorded_during_a_stop_is_sent_afterwards_and_a_withdrawal_too(both: Both):
    both.at(61)
    for side in (both.cabin, both.centre):
        side.take_in(LIT)
    both.talk()
    told = both.centre.do("record-service", kind="sensor-checked", cabin=KEY[0], unit=KEY[1], value=1.6,
                          at=at(60).isoformat(), who="Ann Lund", note="")
    both.centre.do("withdraw-service", id=told["id"], by="Ann Lund", reason="another unit's")
    both.centre.begin()
    both.cabin.begin()
    both.talk()
    assert count(both.cabin.store, "service_event") == 1 and count(both.cabin.store, "service_done") == 0


@pytest.mark.parametrize(("what", "payload"), (
    ("verdict", b"\xff\x00"), ("verdict", b"[]"), ("verdict", b'{"at": "yesterday", "units": {}}'),
    ("verdict", b'{"at": "2026-11-20T06:30:00Z", "units": {"main": {"verdict": "fine"}}}'),
    ("verdict", b"[" * 100_000), ("verdict", b"x" * 1_000_001),
    ("record", b"{}"), ("record", b'{"id": "x", "what": "enroll", "body": {}}'),
    ("record", b'{"id": "x", "what": "lifted", "body": {"cabin": "otter-cove", "unit": "main"}}'),
))
def test_what_is_no_statement_or_another_cabins_is_set_aside_and_changes_nothing(both: Both, what, payload):
    both.at(61)
    both.centre.take_in(LIT)
    before = both.centre.look().to_json()
    both.centre.exchange.take([Message(f"tarnlight/heron-point/up/{what}", payload, both.centre.now, 1, 1)])
    while both.centre.exchange.turn(connected=True):
        pass
    assert both.centre.look().to_json() == before
    (reason,) = both.centre.store.ask("SELECT reason FROM quarantine")["reason"]
    assert len(reason) > 20


@pytest.mark.parametrize("body", (
    {"unit": "main"},
    {"cabin": "heron-point", "unit": "attic", "kind": "note", "who": "x", "at": "2026-11-20T06:00Z"},
    {"cabin": "heron-point", "unit": "main", "kind": "note", "who": "", "at": "2026-11-20T06:00Z"},
))
def test_a_record_that_cannot_be_done_is_set_aside_and_the_next_is_done(both: Both, body):
    both.at(61)
    both.centre.take_in(LIT)
    good = {"cabin": "heron-point", "unit": "main", "kind": "note", "who": "Ann", "at": "2026-11-20T06:10:00Z",
            "note": "hello", "value": None, "id": "6b1f3a52-0c1d-4a7e-9a55-3d0f0b6a1c01"}
    both.centre.exchange.take([
        Message("tarnlight/heron-point/up/record", json.dumps(
            {"id": f"service:{number}", "what": "service", "body": one}).encode(), both.centre.now, 1, 1)
        for number, one in enumerate((body, good))])
    for _ in range(4):
        both.centre.exchange.turn(connected=True)
    assert both.centre.store.ask("SELECT note FROM service_event")["note"].tolist() == ["hello"]
    assert count(both.centre.store, "quarantine", "reason LIKE 'not counted here%'") == 1


def test_markup_and_control_characters_of_the_other_are_text_of_one_line(both: Both):
    both.at(61)
    both.centre.take_in(LIT)
    said = {"at": both.centre.now.isoformat(), "units": {"main": {
        "verdict": "boil", "since": None, "reason": "<b>x</b>\n[a](http://127.0.0.1)\x1b[31m" + "y" * 5000,
        "next_action": "z", "works": ["not-a-work"]}}}
    both.centre.exchange.take([
        Message("tarnlight/heron-point/up/verdict", json.dumps(said).encode(), both.centre.now, 1, 1)])
    reason = both.centre.look().verdict.reasons[0]
    assert both.centre.word == "boil" and len(reason) < 700 and reason.isprintable()
