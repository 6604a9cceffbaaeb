"""Guests of a stay: told at once what they must not drink and when it is over, by an address that shows nowhere."""

from __future__ import annotations

import io
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from dashboard.cli import main
from ingest import queries
from ingest.bookings.kept import feeds_of, keep, window
from ingest.bookings.readings import Reading
from ingest.clock import Clock
from ingest.notification.arrivals import REACHED_WITHIN, tell_guests
from ingest.notification.channels import send
from ingest.notification.message_log import note_attempts, tell_news, waiting
from ingest.notification.power import tell_power
from ingest.notification.stays import MAIL, PHONE, channel_of, forget_past, guests_there
from ingest.registry.tables import load_fleet
from ingest.settings import BadInput, Settings
from ingest.store import Store
from tests.conftest import FLEET_TOML, publish, senml, wait_for
from tests.ingest.ingest_streams import minutes
from tests.ingest.notification.test_message_log import Mailbox, secrets_file
from tests.ingest.notification.test_power import CONTACTS, DARK, LIT, LOG, OFF, START, take, telling

GUEST = "river.stone@guests.example.org"
STAY = {"cabin": "heron-point", "arrives": "2026-11-19", "leaves": "2026-11-21", "by": "Ann Lund", "address": GUEST}
WITH_PHONE = CONTACTS.replace('channels = ["FIRST"]', 'channels = ["FIRST"]\nphone = "+1 555 0100"')


@pytest.fixture
def store(held: Store) -> Store:
    held.act("enroll", {"text": FLEET_TOML + WITH_PHONE})
    held.clock = Clock(wall_start=datetime.now(UTC), store_start=START, speed=1.0)
    return held


def to_guests(store: Store) -> list[tuple[str, str, str]]:
    return store.con.execute("""
        SELECT kind, channel, body FROM notification WHERE role = 'guest' ORDER BY queued_at, key""").fetchall()


def deliver(store: Store, now: datetime, *, but: str = "") -> None:
    note_attempts(store.con, [
        (one.key, "refused" if one.channel == but else "") for one in waiting(store.con, now)], now)


@pytest.mark.parametrize(("given", "channel", "kept"), [
    (GUEST, MAIL, GUEST), (f"  {GUEST}\n", MAIL, GUEST), ("a+b_c@x-y.example", MAIL, "a+b_c@x-y.example"),
    ("+1 (555) 010-0123", PHONE, "+15550100123"), ("+33 1.23.45.67.89", PHONE, "+33123456789")])
def test_an_address_is_a_mail_address_or_a_telephone_number(given, channel, kept):
    assert channel_of(given) == (channel, kept)


@pytest.mark.parametrize("given", [
    "", "secret-guest", "json://secret-guest.example.org/", "mailto://secret-guest@example.org",
    "secret-guest@example.org,other@example.org", "secret-guest@example.org?to=x@example.org",
    "secret-guest@example.org/../x", "secret-guest@127.0.0.1", "secret-guest@localhost", "{to}@example.org",
    "secret-guest@example.org\nbcc: x@example.org", "0555 0100", "+1", "+" + "1" * 16, "secret-guest@exämple.org",
    "secret-guest@" + "a" * 250 + ".org", "secret-guest %40 example.org"])
def test_nothing_else_is_an_address_and_what_was_typed_is_not_quoted(store, given):
    with pytest.raises(BadInput, match="one mail address, or one telephone number") as error:
        store.act("stay-contact", STAY | {"address": given})
    assert "secret-guest" not in str(error.value)
    assert len(queries.stay_contacts(store)) == 0


@pytest.mark.parametrize(("given", "says"), [
    ({"by": " "}, "say who types this"), ({"cabin": "nowhere"}, "no cabin 'nowhere'"),
    ({"arrives": "tomorrow"}, "a day"),
    ({"leaves": "2026-11-18"}, "must not lie before the day of arrival"),
    ({"leaves": "2029-01-01"}, "more than 400 days"),
    ({"language": "tlh"}, "one of en, fr, de, es"),
    ({"arrives": "2020-01-01", "leaves": "2020-01-03"}, "nobody is there any more")])
def test_a_stay_is_refused_with_what_is_wrong_with_it(store, given, says):
    with pytest.raises(BadInput, match=says):
        store.act("stay-contact", STAY | given)


def test_while_the_power_is_off_they_are_told_what_to_do_and_whom_to_call_without_figures(store):
    store.act("stay-contact", STAY)
    take(store, START, 10)
    told = telling(store, take(store, START + minutes(10), 3, **DARK))
    assert len(told) == 4
    ((kind, channel, body),) = to_guests(store)
    assert (kind, channel) == ("power-off", "STAY_MAIL")
    assert body.startswith(
        "Heron-Point: the water is not disinfected now. Do not drink the tap water, and do not use the tap until "
        "you are told. Drink bottled water.")
    assert "Questions: call Maren Osk, +1 555 0100." in body and "local health authority" in body
    before = body.split(" (Known ")[0].replace("+1 555 0100", "")
    assert not any(one.isdigit() for one in before)  # no litres, no volts, no times
    managers = [text for _, contact, text in told if contact in ("Maren Osk", "Idris Vael")]
    assert not any("call them" in text for text in managers)


def test_without_a_contact_the_manager_is_told_to_call(store):
    take(store, START, 10)
    told = telling(store, take(store, START + minutes(10), 3, **DARK))
    managers = [text for _, contact, text in told if contact in ("Maren Osk", "Idris Vael")]
    assert len(managers) == 2 and all("Nobody there was reached: call them." in text for text in managers)


@pytest.mark.parametrize(("first", "last", "there"), [
    ("2026-11-20", "2026-11-25", True), ("2026-11-15", "2026-11-20", True), ("2026-11-21", "2026-11-25", False),
    ("2026-11-25", "2026-11-28", False)])
def test_only_who_is_there_by_the_cabins_own_day_is_told(store, first, last, there):
    late = START.replace(hour=4) + timedelta(days=1)  # 23:00 of the 20th there
    store.act("stay-contact", STAY | {"arrives": first, "leaves": last})
    assert bool(guests_there(store.con, load_fleet(store), late)) == there


def test_a_typed_stay_counts_as_somebody_there_where_the_calendar_knows_of_none(store):
    store.act("enroll", {"text": (FLEET_TOML + WITH_PHONE).replace(
        'trip = "north-shore"', 'trip = "north-shore"\ncalendar = "heron.ics"', 1)})
    keep(store.con, Reading(feed=feeds_of(load_fleet(store))[0], bookings=(), trouble=""), START, window(START))
    take(store, START, 10)
    now = take(store, START + minutes(10), 3, **DARK)
    assert telling(store, now) == []
    store.act("stay-contact", STAY)
    assert len(telling(store, now)) == 4


def test_who_came_or_was_typed_while_it_stands_is_told_once_and_hears_of_its_end(store):
    fleet = load_fleet(store)
    take(store, START, 10)
    now = take(store, START + minutes(10), 3, **DARK)
    telling(store, now)
    number = store.act("advisory-raise", {"cabin": "heron-point", "unit": "main", "by": "Ann Lund"})["advisory"]
    tell_news(store.con, fleet, store.now())
    assert to_guests(store) == []
    store.act("stay-contact", STAY)
    for _ in range(3):
        tell_guests(store.con, fleet, now)
    told = sorted(to_guests(store))
    assert [kind for kind, _, _ in told] == ["power-off", "raised"]
    assert "Do not drink the tap water, and do not use the tap" in told[0][2]
    deliver(store, store.now())
    store.act("advisory-lift", {"advisory": number, "by": "Ann Lund", "reason": "an exercise"})
    tell_news(store.con, fleet, store.now())
    (body,) = [body for kind, _, body in to_guests(store) if kind == "lifted"]
    assert "Ann Lund lifted the boil notice" in body


def test_the_light_is_on_again_is_told_to_the_same_guests(store):
    store.act("stay-contact", STAY)
    take(store, START, 10)
    telling(store, take(store, START + minutes(10), 3, **DARK))
    telling(store, take(store, START + minutes(13), 6))
    assert [kind for kind, _, _ in to_guests(store)] == ["power-off", "power-back"]
    assert "The tap may be used again" in to_guests(store)[1][2]


def test_where_no_guest_took_it_the_managers_are_told_to_call_once(store):
    fleet = load_fleet(store)
    store.act("stay-contact", STAY)
    take(store, START, 10)
    now = take(store, START + minutes(10), 3, **DARK)
    telling(store, now)
    deliver(store, now, but="STAY_MAIL")
    assert tell_guests(store.con, fleet, now + REACHED_WITHIN - minutes(0.1)) == 0
    assert tell_guests(store.con, fleet, now + REACHED_WITHIN + minutes(0.1)) == 2
    assert tell_guests(store.con, fleet, now + REACHED_WITHIN + minutes(1)) == 0
    found = store.con.execute(
        "SELECT contact, urgent, body FROM notification WHERE kind = 'not-reached'").fetchall()
    assert sorted(contact for contact, _, _ in found) == ["Idris Vael", "Maren Osk"]
    assert all(urgent and "nobody there was reached: call them" in body for _, urgent, body in found)


def test_where_those_who_leave_took_it_and_those_who_come_did_not_the_managers_are_told_to_call(store):
    store.act("stay-contact", STAY | {"leaves": "2026-11-20"})
    store.act("stay-contact", STAY | {"arrives": "2026-11-20", "address": "+15550100123"})
    take(store, START, 10)
    now = take(store, START + minutes(10), 3, **DARK)
    telling(store, now)
    deliver(store, now, but="STAY_PHONE")
    late = now + REACHED_WITHIN + minutes(0.1)
    assert tell_guests(store.con, load_fleet(store), late) == 2
    assert tell_guests(store.con, load_fleet(store), late + minutes(1)) == 0
    ((title, body),) = store.con.execute(
        "SELECT DISTINCT title, body FROM notification WHERE kind = 'not-reached'").fetchall()
    assert title == "Not everybody there was reached: Heron-Point"
    assert "not everybody there was reached: call them" in body and "do not drink the tap water" in body


def test_what_is_typed_twice_for_one_stay_is_told_once_and_lists_as_one_line(store):
    first = store.act("stay-contact", STAY)
    again = store.act("stay-contact", STAY | {
        "address": f" {GUEST}", "language": "de", "by": "Ann\x1b[2J\r\nLund\u202e"})
    assert again["contact"] == first["contact"]
    (row,) = queries.stay_contacts(store).to_dict("records")
    assert row["language"] == "de" and row["by"].isprintable()
    other = store.act("stay-contact", STAY | {"leaves": "2026-11-22"})
    assert other["contact"] != first["contact"]


def test_where_a_guest_took_it_nobody_is_told_to_call(store):
    store.act("stay-contact", STAY)
    take(store, START, 10)
    now = take(store, START + minutes(10), 3, **DARK)
    telling(store, now)
    deliver(store, now)
    assert tell_guests(store.con, load_fleet(store), now + REACHED_WITHIN + minutes(1)) == 0


def test_an_address_is_forgotten_after_the_stay_or_when_asked_and_nothing_goes_to_it(store):
    name = store.act("stay-contact", STAY)["contact"]
    take(store, START, 10)
    now = take(store, START + minutes(10), 3, **DARK)
    telling(store, now)
    assert [one.address for one in waiting(store.con, now) if one.channel == MAIL] == [GUEST]
    assert GUEST not in repr(waiting(store.con, now))
    forget_past(store.con, now + timedelta(days=7))
    assert len(queries.stay_contacts(store)) == 1
    store.act("stay-forget", {"contact": name})
    assert store.ask("SELECT * FROM stay_contact").empty
    assert [one for one in waiting(store.con, now) if one.channel == MAIL] == []
    states = queries.notifications(store, now)
    assert set(states[states["channel"] == MAIL]["state"]) == {"forgotten"}
    with pytest.raises(BadInput, match="no stay has a contact"):
        store.act("stay-forget", {"contact": name})
    store.act("stay-contact", STAY)
    forget_past(store.con, datetime(2026, 11, 29, tzinfo=UTC))
    assert store.ask("SELECT * FROM stay_contact").empty


def test_what_a_calendar_says_is_never_an_address(store):
    """A booking's title is anybody's text: with all that could pass for a contact in it, no guest is written to."""
    from ingest.bookings.calendar import Booking

    store.act("enroll", {"text": (FLEET_TOML + WITH_PHONE).replace(
        'trip = "north-shore"', 'trip = "north-shore"\ncalendar = "heron.ics"', 1)})
    booking = Booking(start=date(2026, 11, 19), end=date(2026, 11, 22), summary="mailto:x@example.org +15550100123")
    keep(store.con, Reading(feed=feeds_of(load_fleet(store))[0], bookings=(booking,), trouble=""), START,
         window(START))
    take(store, START, 10)
    now = take(store, START + minutes(10), 3, **DARK)
    tell_power(store.con, load_fleet(store), now)
    assert to_guests(store) == []
    assert store.ask("SELECT count(*) AS n FROM notification WHERE body LIKE '%example.org%'")["n"].iloc[0] == 0


def test_a_channel_without_a_place_for_the_address_says_so_and_not_the_address(tmp_path):
    own = Settings(store=tmp_path, channels_file=str(secrets_file(tmp_path, STAY_MAIL="mailto://127.0.0.1?to=a@b.c")))
    told = send(own, MAIL, title="t", body="b", to=GUEST)
    assert "must hold {to}" in told and "river" not in told


def test_the_command_takes_the_address_by_standard_input_and_never_prints_it(store_path, monkeypatch, capsys):
    one = Store(store_path)
    one.act("enroll", {"text": FLEET_TOML + WITH_PHONE})
    today = one.now().date()
    one.close()
    words = ["stay", "add", "--cabin", "heron-point", "--arrives", f"{today}", "--leaves",
             f"{today + timedelta(days=3)}", "--language", "de", "--by", "Ann Lund", "--store", str(store_path)]
    monkeypatch.setattr("sys.stdin", io.StringIO(GUEST + "\n"))
    assert main(words) == 0
    monkeypatch.setattr("sys.stdin", io.StringIO("not river.stone\n"))
    assert main(words) == 2
    assert main(["stay", "list", "--store", str(store_path)]) == 0
    told = capsys.readouterr()
    assert "river" not in told.out + told.err
    (line,) = [line for line in told.out.splitlines() if "typed by Ann Lund" in line]
    assert main(["stay", "forget", line.split()[0], "--store", str(store_path)]) == 0


def test_they_get_the_mail_and_no_log_or_error_holds_their_address(
    mosquitto, make_collector, store_path: Path, tmp_path
):
    one = Store(store_path)
    one.act("enroll", {"text": FLEET_TOML + WITH_PHONE})
    today = one.now().date()
    one.act("stay-contact", STAY | {
        "arrives": f"{today - timedelta(days=1)}", "leaves": f"{today + timedelta(days=2)}"})
    one.close()
    box = Mailbox()
    gateway = box.url("{to}")
    path = tmp_path / "settings.toml"
    secrets = secrets_file(tmp_path, STAY_MAIL=gateway, FIRST=box.url("m@example.org"))
    path.write_text(f'channels_file = "{secrets}"\n', encoding="utf-8")
    now = datetime.now(UTC)
    publish(mosquitto.port, LOG, *(
        senml(now - timedelta(minutes=n), flow=0.0, uvt=0.85, **LIT) for n in range(12, 0, -1)))
    collector = make_collector(mosquitto.url, "--config", str(path), "--verbose")
    publish(mosquitto.port, LOG, senml(datetime.now(UTC), flow=0.0, uvt=0.85, **OFF))
    client = collector.client()
    failed = "SELECT DISTINCT error FROM notification_attempt WHERE error <> ''"
    wait_for(lambda: len(client.ask(failed)) > 0, 40, "a failed try")
    errors = client.ask("SELECT DISTINCT error FROM notification_attempt")["error"].tolist()
    client.close()
    box.start()
    try:
        wait_for(lambda: any(to == GUEST for to, _, _ in box.got), 60, "the guests' mail")
    finally:
        box.stop()
    ((_, subject, body),) = [one for one in box.got if one[0] == GUEST]
    assert subject == "Do not use the tap: Heron-Point" and "Questions: call Maren Osk" in body
    collector.terminate()
    log = collector.log.read_text(encoding="utf-8", errors="replace")
    assert "to stay-" in log
    assert "river" not in log + " ".join(errors) and "guests.example" not in log + " ".join(errors)
