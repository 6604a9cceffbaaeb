"""The morning report: one message for all that changes nothing, past kills, and nothing else waits for it."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta

import pytest

from ingest.clock import Clock
from ingest.notification.message_log import note_attempts, put_in_line, waiting
from ingest.notification.together import Together
from ingest.registry.tables import load_fleet, read_fleet, write_fleet
from ingest.store import Store
from models.advisory.call_order import Due
from models.advisory.notices_due import NoticeKind
from tests.conftest import FLEET_TOML, utc, wait_for
from tests.ingest.notification.test_message_log import Mailbox, secrets_file

MANAGER = '\n[[contact]]\nname = "Maren Osk"\nrole = "manager"\nchannels = ["FIRST"]\n'
SEVEN = utc("2026-11-20T12:00:00")  # in Toronto
CABINS = ("heron-point", "otter-cove")


def due(kind: str, cabin: str, at: datetime, *, role: str = "manager", urgent: bool = False) -> Due:
    return Due(
        event=f"{cabin}/main:{kind}:{at:%H%M}", kind=NoticeKind(kind), advisory="", cabin=cabin, unit="main",
        contact="Maren Osk", role=role, channel="FIRST", number=1, at=at, due_at=at, urgent=urgent,
        title=f"{kind}: {cabin}", body=f"{cabin.title()}: {kind}.")


def night(store: Store) -> None:
    """At four the light went off at both, and they were told; at five and six they fell silent and were heard."""
    for cabin in CABINS:
        off = due("power-off", cabin, SEVEN - timedelta(hours=3), urgent=True)
        put_in_line(store.con, [off], off.at)
        note_attempts(store.con, [(off.key, "")], off.at)
        for kind, hours in (("silent", 2), ("heard", 1)):
            one = due(kind, cabin, SEVEN - timedelta(hours=hours))
            put_in_line(store.con, [one], one.at)


@pytest.fixture
def store(held: Store) -> Store:
    held.act("enroll", {"text": FLEET_TOML + MANAGER})
    night(held)
    return held


def ready(store: Store, now: datetime) -> list[tuple[str, int]]:
    found = Together().ready(store.con, load_fleet(store), waiting(store.con, now), now)
    return [(one.title, len(one.keys)) for one in found]


def test_nothing_of_the_night_goes_before_the_hour_and_all_of_it_in_one_then(store):
    assert ready(store, SEVEN - timedelta(seconds=1)) == []
    assert ready(store, SEVEN) == [("Morning report: silent at 2, heard again at 2", 4)]


def test_what_presses_goes_in_the_night_and_takes_none_of_the_report_with_it(store):
    boil = due("raised", "heron-point", SEVEN - timedelta(minutes=30), urgent=True)
    put_in_line(store.con, [boil], boil.at)
    assert ready(store, boil.at + timedelta(seconds=20)) == [("raised: heron-point", 1)]


def test_the_hours_stand_in_the_registry_and_a_readers_quiet_hours_go_before_them(store):
    text = FLEET_TOML + MANAGER.replace(
        'channels', 'quiet_from = "22:00"\nquiet_until = "08:30"\nchannels') + '\n[reports]\nmorning = "06:15"\n'
    store.act("enroll", {"text": text})
    assert ready(store, SEVEN + timedelta(minutes=89)) == []  # as of 06:15 quiet; until 08:30
    assert [keys for _, keys in ready(store, SEVEN + timedelta(minutes=90))] == [4]
    assert read_fleet(write_fleet(load_fleet(store))).reports.morning == "06:15"


def test_no_report_where_there_is_nothing(held):
    held.act("enroll", {"text": FLEET_TOML + MANAGER})
    assert ready(held, SEVEN) == []


def test_it_comes_once_past_kills_before_and_after_it(mosquitto, make_collector, store_path, tmp_path):
    box = Mailbox()
    path = tmp_path / "settings.toml"
    path.write_text(f'channels_file = "{secrets_file(tmp_path, FIRST=box.url("maren@example.org"))}"\n', "utf-8")
    one = Store(store_path)
    one.act("enroll", {"text": FLEET_TOML + MANAGER})
    night(one)
    begun = datetime.now(UTC)
    clock = Clock(wall_start=begun, store_start=SEVEN - timedelta(seconds=120), speed=8.0)
    one.con.execute("INSERT INTO clock VALUES ($wall, $at_, $speed)", {
        "wall": clock.wall_start, "at_": clock.store_start, "speed": clock.speed})
    one.close()
    box.start()
    try:
        collector = make_collector(mosquitto.url, "--config", str(path))
        early = clock.now() < SEVEN
        collector.kill()
        assert not (early and box.got)
        collector.start()
        wait_for(lambda: box.got, 60, f"the report arrives; {collector.told()}")
        assert clock.now() >= SEVEN
        client = collector.client()
        noted = "FROM notification_attempt JOIN notification USING (key) WHERE ok AND kind IN ('silent', 'heard')"
        wait_for(lambda: len(client.ask(noted)) == 4, 20, "all of it is noted")
        client.close()
        collector.kill()
        collector.start()
        time.sleep(3)  # more than a beat, in which it would come again
    finally:
        box.stop()
    assert [(to, subject) for to, subject, _ in box.got] == [
        ("maren@example.org", "Morning report: silent at 2, heard again at 2")]
