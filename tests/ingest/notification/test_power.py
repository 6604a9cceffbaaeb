"""The light goes off where somebody may be: told before water is drawn, once per outage, whatever is killed."""

from __future__ import annotations

import time
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from ingest.bookings.calendar import Booking
from ingest.bookings.kept import feeds_of, keep, window
from ingest.bookings.readings import Reading
from ingest.evaluation.evaluate import evaluate
from ingest.notification.message_log import NOTIFICATIONS, note_attempts, waiting
from ingest.notification.power import tell_power
from ingest.notification.sending import Notifier
from ingest.registry.tables import load_fleet
from ingest.settings import Settings
from ingest.store import Store
from tests.conftest import FLEET_TOML, publish, senml, utc, wait_for
from tests.ingest.ingest_streams import commit, minutes, steady
from tests.ingest.notification.test_message_log import Mailbox, secrets_file

START = utc("2026-11-20T15:00:00")
ALL_DAY_QUIET = 'quiet_from = "00:00"\nquiet_until = "23:59"\n'
CONTACTS = f"""
[[contact]]
name = "Maren Osk"
role = "manager"
channels = ["FIRST"]
order = 1
{ALL_DAY_QUIET}
[[contact]]
name = "Idris Vael"
role = "manager"
channels = ["SECOND"]
order = 2

[[contact]]
name = "Owner of Heron Point"
role = "owner"
cabins = ["heron-point"]
channels = ["OWNER"]
{ALL_DAY_QUIET}"""
OFF, LIT = {"lamp": False, "power": False, "intensity": 0.0}, {"lamp": True, "power": True, "intensity": 60.0}
LOG = "tarnlight/heron-point/main/log"
TO = {"FIRST": "maren@example.org", "SECOND": "idris@example.org", "OWNER": "owner@example.org"}


def telling(store: Store, now: datetime) -> list[tuple[str, str, str]]:
    """What was put in line now: kind, contact, body."""
    before = {row[0] for row in store.con.execute("SELECT key FROM notification").fetchall()}
    tell_power(store.con, load_fleet(store), now)
    return [row[1:] for row in store.con.execute(
        "SELECT key, kind, contact, body FROM notification ORDER BY key").fetchall() if row[0] not in before]


def take(store: Store, start: datetime, n: int, unit: str = "main", **values: object) -> datetime:
    rows = steady(start, n, unit=unit, flow_l_min=0.0, uvt_pct=85.0, **values)
    now = rows["at"].max().to_pydatetime() + minutes(0.2)
    commit(store, rows, now)
    evaluate(store.con, now)
    return now


DARK: dict[str, object] = {"lamp_on": False, "power_on": False, "intensity_w_m2": 0.0}


@pytest.fixture
def store(held: Store) -> Store:
    held.act("enroll", {"text": FLEET_TOML + CONTACTS})
    return held


def test_everybody_of_the_cabin_is_told_at_once_at_any_hour_and_once(store):
    take(store, START, 10)
    assert telling(store, START + minutes(10)) == []
    now = take(store, START + minutes(10), 1, **DARK)
    told = telling(store, now)
    assert [(kind, contact) for kind, contact, _ in told] == [
        ("power-off", "Idris Vael"), ("power-off", "Maren Osk"), ("power-off", "Owner of Heron Point")]
    due = store.con.execute("SELECT DISTINCT due_at, urgent FROM notification").fetchall()
    assert due == [(now, True)]
    for _, contact, body in told:
        assert "the power is off since" in body
        assert "up to 25 L" in body
        assert "local health authority" in body
        assert "tarnlight " not in body
        assert ("call them" in body) == (contact != "Owner of Heron Point")
    now = take(store, START + minutes(11), 30, **DARK)
    assert telling(store, now) == []


def test_it_is_on_again_once_the_lamp_is_warm_and_the_next_outage_is_told_anew(store):
    take(store, START, 10)
    assert len(telling(store, take(store, START + minutes(10), 20, **DARK))) == 3
    first = take(store, START + minutes(30), 1)
    assert telling(store, first) == []  # lit, and cold still: the warm-up takes 2 min
    back = telling(store, take(store, START + minutes(31), 4))
    assert [kind for kind, _, _ in back] == ["power-back"] * 3
    assert "The tap may be used again, and no boil advisory stands." in back[0][2]
    again = telling(store, take(store, START + minutes(35), 5, **DARK))
    assert [kind for kind, _, _ in again] == ["power-off"] * 3


def test_on_again_after_water_was_drawn_says_that_the_advisory_stands(store):
    take(store, START, 10)
    now = take(store, START + minutes(10), 1, **DARK)
    telling(store, now)
    rows = steady(START + minutes(11), 5, flow_l_min=5.0, **DARK)
    commit(store, rows, START + minutes(16))
    evaluate(store.con, START + minutes(16))
    back = telling(store, take(store, START + minutes(16), 8))
    assert len(back) == 3
    assert all("stands: boil the water" in body and "may be used" not in body for _, _, body in back)


def test_a_silence_of_which_nobody_knows_is_never_told_as_on_again(store):
    take(store, START, 10)
    telling(store, take(store, START + minutes(10), 1, **DARK))
    now = take(store, START + minutes(60), 4)  # what was between, nobody heard
    found = telling(store, now)
    assert not any("may be used again" in body for _, _, body in found)


def test_a_supply_that_flaps_is_told_as_off_until_it_has_been_steady_for_half_an_hour(store):
    take(store, START, 10)
    at, told = START + minutes(10), []
    for _ in range(5):  # as long as the steady half hour; lit for 5 min each time, and warm after 2
        told += telling(store, take(store, at, 2, **DARK))
        told += telling(store, take(store, at + minutes(2), 5))
        at += minutes(7)
    assert [kind for kind, _, _ in told] == ["power-off"] * 3 + ["power-back"] * 3 + ["power-off"] * 3
    assert telling(store, take(store, at, 20)) == []
    assert [kind for kind, _, _ in telling(store, take(store, at + minutes(20), 8))] == ["power-back"] * 3
    # the next outage is news again
    now = take(store, at + minutes(28), 1, **DARK)
    assert [kind for kind, _, _ in telling(store, now)] == ["power-off"] * 3


def test_every_outage_is_told_and_dated_where_the_intensity_alone_shows_it(store):
    bare: dict[str, object] = {"power_on": None, "lamp_on": None}
    for start in (START, START + minutes(15)):
        take(store, start, 10, **bare)
        assert all(kind == "power-back" for kind, _, _ in telling(store, start + minutes(9.5)))
        told = telling(store, take(store, start + minutes(10), 5, **bare, intensity_w_m2=0.0))
        assert [kind for kind, _, _ in told] == ["power-off"] * 3
        assert f"the lamp is dark since 20 Nov 2026 10:{(start + minutes(14)).minute:02} EST." in told[0][2]


def test_a_past_that_arrives_in_pieces_warns_of_the_present_alone(store):
    take(store, START, 10)
    real = START + timedelta(hours=20)
    for n in range(5):  # each piece ends in an outage that is long over
        for start, values in ((2 * n, {}), (2 * n + 1, DARK)):
            given = {"flow_l_min": 0.0, "uvt_pct": 85.0, **values}
            commit(store, steady(START + timedelta(hours=start), 60, **given), real)
        evaluate(store.con, real)
        assert telling(store, real + timedelta(seconds=1)) == []
        real += timedelta(seconds=10)
    # nothing more comes: the last that is known is an outage
    assert telling(store, real + timedelta(seconds=15)) == []
    assert [kind for kind, _, _ in telling(store, real + timedelta(seconds=21))] == ["power-off"] * 3


def test_that_the_light_is_on_again_is_never_said_in_the_morning_of_a_night_in_which_it_went_off_again(store):
    night = utc("2026-11-21T03:00:00")  # the first manager and the owner are not to be woken for good news
    take(store, night, 10)
    telling(store, take(store, night + minutes(10), 3, **DARK))
    assert len(telling(store, take(store, night + minutes(13), 6))) == 3
    before = {one.contact for one in waiting(store.con, night + minutes(19)) if one.kind == "power-back"}
    assert before == {"Idris Vael"}
    assert len(telling(store, take(store, night + minutes(19), 3, **DARK))) == 3
    note_attempts(
        store.con, [(one.key, "") for one in waiting(store.con, night + minutes(22)) if one.kind == "power-off"],
        night + minutes(22))
    assert waiting(store.con, night + timedelta(hours=30)) == []
    found = store.con.execute(NOTIFICATIONS, {
        "now": night + timedelta(hours=30), "cabin": None, "advisory": None, "limit": 100}).df()
    assert set(found[found["kind"] == "power-back"]["state"]) == {"overtaken"}
    # and the end of the second is told
    back = take(store, night + minutes(22), 35)
    assert len(telling(store, back)) == 3
    late = waiting(store.con, night + timedelta(hours=30))
    assert [one.kind for one in late] == ["power-back"] * 3


def test_a_lamp_that_is_dark_with_the_power_on_is_told_as_that(store):
    take(store, START, 10)
    told = telling(store, take(store, START + minutes(10), 3, lamp_on=False, intensity_w_m2=0.0))
    assert len(told) == 3
    assert all("the lamp is dark since" in body and "though the power is on" in body for _, _, body in told)
    assert all("Water still runs, and none of it is disinfected." in body for _, _, body in told)


@pytest.mark.parametrize(("first", "last", "told"), [
    (None, None, 0),  # the calendar was read, and nobody is there
    (date(2026, 11, 18), date(2026, 11, 20), 3),  # they leave today
    (date(2026, 11, 20), date(2026, 11, 22), 3),
    (date(2026, 11, 21), date(2026, 11, 22), 0),
    (date(2026, 11, 1), date(2026, 11, 19), 0),
])
def test_a_cabin_known_to_be_empty_wakes_nobody(store, first, last, told):
    store.act("enroll", {"text": (FLEET_TOML + CONTACTS).replace(
        'trip = "north-shore"', 'trip = "north-shore"\ncalendar = "heron.ics"', 1)})
    fleet = load_fleet(store)
    feed = replace(feeds_of(fleet)[0])
    bookings = () if first is None else (Booking(start=first, end=last, summary="guests"),)
    keep(store.con, Reading(feed=feed, bookings=bookings, trouble=""), START, window(START))
    take(store, START, 10)
    now = take(store, START + minutes(10), 3, **DARK)
    assert len(telling(store, now)) == told
    if not told and first == date(2026, 11, 21):  # still off when they arrive
        now = take(store, START + timedelta(hours=20), 3, **DARK)
        assert len(telling(store, now)) == 3


def test_a_calendar_that_was_never_read_counts_as_somebody_there(store):
    store.act("enroll", {"text": (FLEET_TOML + CONTACTS).replace(
        'trip = "north-shore"', 'trip = "north-shore"\ncalendar = "heron.ics"', 1)})
    take(store, START, 10)
    assert len(telling(store, take(store, START + minutes(10), 3, **DARK))) == 3


def test_a_light_that_went_off_days_ago_and_was_not_heard_since_is_no_news(store):
    take(store, START, 10)
    take(store, START + minutes(10), 3, **DARK)
    assert telling(store, START + timedelta(days=2, hours=1)) == []


def test_who_comes_days_after_it_went_off_at_an_empty_cabin_is_not_left_to_find_out(store):
    """Its logger has no power either, so nothing was heard since."""
    store.act("enroll", {"text": (FLEET_TOML + CONTACTS).replace(
        'trip = "north-shore"', 'trip = "north-shore"\ncalendar = "heron.ics"', 1)})
    feed = feeds_of(load_fleet(store))[0]
    take(store, START, 10)
    now = take(store, START + minutes(10), 3, **DARK)
    come = date(2026, 11, 24)
    for at in (now, now + timedelta(days=3), START + timedelta(days=4)):
        keep(store.con, Reading(
            feed=feed, bookings=(Booking(start=come, end=date(2026, 11, 29), summary="guests"),), trouble=""),
            at, window(at))
        found = telling(store, at)
        assert len(found) == (3 if at.date() == come else 0)
    assert all("the power is off since 20 Nov 2026" in body for _, _, body in found)
    assert telling(store, START + timedelta(days=4, minutes=1)) == []


def test_a_fault_in_putting_together_or_in_looking_holds_up_no_message(store, tmp_path, caplog):
    box = Mailbox().start()
    try:
        file = secrets_file(tmp_path, FIRST=box.url(TO["FIRST"]))
        store.con.execute("ALTER TABLE segment RENAME TO segment_away")
        store.con.execute("ALTER TABLE booking_feed RENAME TO booking_feed_away")
        store.con.execute("UPDATE present SET power = 0")
        store.act("advisory-raise", {"cabin": "heron-point", "unit": "main", "by": "Ann Lund"})
        notifier = Notifier(Settings(store=tmp_path, channels_file=str(file)), store)
        notifier.start()
        wait_for(lambda: notifier.turn() or box.got, 15, "the boil message goes all the same")
        wait_for(lambda: box.got, 15, "the boil message goes all the same")
        notifier.close()
    finally:
        box.stop()
    assert box.got[0][1] == "Boil water: Heron-Point"
    assert "each is sent by itself" in caplog.text


@pytest.fixture
def enrolled(store_path: Path) -> Path:
    one = Store(store_path)
    one.act("enroll", {"text": FLEET_TOML + CONTACTS})
    one.close()
    return store_path


def test_it_reaches_a_mail_server_within_a_minute_of_the_power_off_past_kills_and_once(
    mosquitto, make_collector, enrolled, tmp_path
):
    box = Mailbox()
    path = tmp_path / "settings.toml"
    addresses = {name: box.url(to) for name, to in TO.items()}
    path.write_text(f'channels_file = "{secrets_file(tmp_path, **addresses)}"\n', encoding="utf-8")
    now = datetime.now(UTC)
    publish(mosquitto.port, LOG, *(
        senml(now - timedelta(minutes=n), flow=0.0, uvt=0.85, **LIT) for n in range(12, 0, -1)))
    collector = make_collector(mosquitto.url, "--config", str(path))
    collector.kill()  # what comes now waits at the broker; or it is committed, and told after the next start
    off = datetime.now(UTC)
    publish(mosquitto.port, LOG, senml(off, flow=0.0, uvt=0.85, **OFF))
    collector.start()
    one = collector.client()
    wait_for(lambda: len(one.ask("SELECT * FROM notification WHERE kind = 'power-off'")) == 3, 20, "in line")
    one.close()
    collector.kill()  # in line, and the mail server is down
    box.start()
    try:
        collector.start()
        wait_for(lambda: len(box.got) == 3, 40, f"all three arrive; {collector.told()}")
        took_s = (datetime.now(UTC) - off).total_seconds()
        publish(mosquitto.port, LOG, *(
            senml(off + timedelta(seconds=s), flow=0.0, uvt=0.85, **OFF) for s in (5, 10)))
        one = collector.client()  # one killed between its delivery and the note of it would come once more
        wait_for(lambda: len(one.ask("SELECT * FROM notification_attempt WHERE ok")) == 3, 10, "noted")
        one.close()
        collector.kill()
        collector.start()
        time.sleep(3)  # more than a beat, in which it would tell again
    finally:
        box.stop()
    assert sorted(to for to, _, _ in box.got) == sorted(TO.values())
    assert {subject for _, subject, _ in box.got} == {"Do not use the tap: Heron-Point"}
    assert took_s < 60
    print(f"three mails {took_s:.1f} s after the power went, with two kills in between")
