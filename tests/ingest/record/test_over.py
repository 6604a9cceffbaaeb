"""When it is over, by command and in messages: with the registry's laboratory and the guests of a calendar."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from ingest import queries
from ingest.bookings.addresses import Allowed
from ingest.bookings.kept import read_now
from ingest.notification import message_log as notify
from ingest.registry.tables import load_fleet, read_fleet, write_fleet
from ingest.settings import BadInput
from ingest.store import Store
from models.advisory.laboratory import LaboratoryPolicy
from tests.conftest import FLEET_TOML, tarnlight_here
from tests.ingest.notification.test_message_log import CONTACTS

LABORATORY = '\n[laboratory]\nlaboratory_days = ["tue", "mon"]\nlaboratory_hours = 30\n'
OWNER = '\n[[contact]]\nname = "Lund"\nrole = "owner"\ncabins = ["heron-point"]\nchannels = ["L"]\n'
GUEST = '\n[[contact]]\nname = "The Reeds"\nrole = "guest"\ncabins = ["heron-point"]\nchannels = ["G"]\n'


@pytest.fixture
def advised(enrolled: Path, tmp_path: Path) -> Path:
    """An advisory that a person raised at a cabin whose next guests come in two days."""
    calendar = tmp_path / "heron.ics"
    text = FLEET_TOML.replace('slug = "heron-point"\n', f'slug = "heron-point"\ncalendar = "{calendar}"\n', 1)
    store = Store(enrolled)
    now = store.now()
    first = now.date() + timedelta(days=2)
    calendar.write_bytes("\r\n".join((
        "BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//test//EN", "BEGIN:VEVENT", "UID:1@test",
        f"DTSTART;VALUE=DATE:{first:%Y%m%d}", f"DTEND;VALUE=DATE:{first + timedelta(days=3):%Y%m%d}",
        "SUMMARY:The Reeds", "END:VEVENT", "END:VCALENDAR", "")).encode())
    store.act("enroll", {"text": text + CONTACTS + OWNER + GUEST + LABORATORY})
    read_now(store, load_fleet(store), Allowed(files=str(tmp_path)), now)
    store.act("advisory-raise", {"cabin": "heron-point", "unit": "main", "by": "Ann Lund"})
    store.close()
    return enrolled


def shown(path: Path) -> dict:
    (found,) = json.loads(tarnlight_here(path, "advisory", "show", "a1", "--json").stdout)
    return found["over"]


def test_the_command_tells_the_laboratorys_days_and_the_next_guests(advised):
    over = shown(advised)
    for sample in over["samples"]:
        there, taken = (datetime.fromisoformat(sample[name]) for name in ("at_laboratory", "take_from"))
        assert there.strftime("%a") in ("Mon", "Tue") and there - taken <= timedelta(hours=30)
        assert datetime.fromisoformat(sample["result"]) - there == timedelta(hours=24)
    assert [one["step"] for one in over["samples"]] == ["sample_1", "sample_2"]
    arrival = datetime.fromisoformat(over["next_guests"]).astimezone(ZoneInfo("America/Toronto"))
    assert arrival.strftime("%H:%M") == "16:00"
    # two samples a day apart and a day in the incubator: not before those who come in two days, or just so
    told = tarnlight_here(advised, "advisory", "show", "a1").stdout
    assert "when is it over?" in told and "At the earliest " in told and "no promise" in told
    assert "the guests of " in told and "16:00" in told


def test_owner_and_manager_read_it_in_their_message_and_guests_do_not(advised):
    store = Store(advised)
    notify.tell_news(store.con, load_fleet(store), store.now())
    told = {row["role"]: row["body"] for row in queries.notifications(store, store.now()).to_dict("records")}
    for role in ("owner", "manager"):
        assert " Over at the earliest " in told[role] and "an estimate, no promise." in told[role]
        assert "the guests of " in told[role] and told[role].index("Over at") < told[role].index("Confirm")
    assert "at the earliest" not in told["guest"] and "You will be told when this is over" in told["guest"]
    store.close()


def test_bookings_that_cannot_be_seen_and_an_estimate_that_fails_hold_up_no_message(advised, monkeypatch):
    store = Store(advised)
    store.con.execute("ALTER TABLE booking RENAME TO booking_away")
    assert notify.tell_news(store.con, load_fleet(store), store.now()) > 0
    told = {row["role"]: row["body"] for row in queries.notifications(store, store.now()).to_dict("records")}
    assert "Over at the earliest" in told["owner"] and "the guests of" not in told["owner"]
    store.con.execute("ALTER TABLE booking_away RENAME TO booking")
    store.close()


def test_a_calendar_that_was_not_read_is_said_and_a_lifted_advisory_has_no_estimate(advised):
    store = Store(advised)
    store.con.execute("DELETE FROM booking_feed")
    store.close()
    told = shown(advised)
    assert told["next_guests"] is None
    assert "When the next guests come is not known: `tarnlight doctor` says why." in told["words"]
    tarnlight_here(advised, "advisory", "lift", "a1", "--by", "Ann Lund", "--reason", "a trial")
    assert shown(advised) is None


def test_the_laboratorys_days_go_out_and_in_and_are_refused_with_their_line(held):
    held.act("enroll", {"text": FLEET_TOML + LABORATORY})
    fleet = load_fleet(held)
    assert fleet.laboratory == LaboratoryPolicy(laboratory_days=("mon", "tue"), laboratory_hours=30)
    assert read_fleet(write_fleet(fleet)).own_laboratory == fleet.own_laboratory
    assert "laboratory" in held.act("enroll", {"text": FLEET_TOML + LABORATORY})["same"]
    # one of before its days were asked for keeps the usual ones
    held.con.execute("UPDATE step_policy SET profile = $profile WHERE name = 'laboratory'", {
        "profile": '{"e_coli_raises_at": 1.0, "total_coliforms_raises_at": 2.0}'})
    held.con.execute("UPDATE registry_revision SET id = uuid()")
    assert load_fleet(held).laboratory == LaboratoryPolicy(total_coliforms_raises_at=2)
    for old, new, said in (
            ('"mon"', '"monday"', "laboratory_days must be a list of at least one of mon, tue"),
            ("hours = 30", "hours = 0.5", "laboratory_hours must be above 1 and at most 72 h"),
            ('["tue", "mon"]', '"tue"', "laboratory_days must be a list of texts")):
        wrong = (FLEET_TOML + LABORATORY).replace(old, new)
        with pytest.raises(BadInput) as refused:
            read_fleet(wrong)
        key = said.split()[0]
        line = next(n for n, text in enumerate(wrong.splitlines(), 1) if text.startswith(key))
        assert said in str(refused.value) and f"fleet.toml:{line}:" in str(refused.value)
