"""The collector reads the calendars by the clock; pages and commands see what the store keeps of them."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from ingest.bookings.addresses import Allowed
from ingest.bookings.kept import keep, occupancy, read_now, window
from ingest.bookings.readings import Feed, Reading
from ingest.registry.tables import load_fleet
from ingest.store import Store
from tests.conftest import REACTOR, cabin_toml, count, tarnlight, tarnlight_here, wait_for
from tests.ingest.bookings.feed_server import booked, drips_body, leads_to, serves, serving

DAY = timedelta(days=1)


def fleet_of(**calendars: str) -> str:
    return REACTOR + "".join(
        cabin_toml(slug, "main", extra=f'calendar = "{calendar}"') for slug, calendar in calendars.items())


def days(*around: int) -> list[str]:
    return [f"{datetime.now(UTC).date() + one * DAY:%Y%m%d}" for one in around]


def test_the_collector_reads_by_itself_and_a_bad_feed_is_its_own_trouble(mosquitto, make_collector, enrolled):
    enrolled.with_name("tarnlight.toml").write_text('calendar_hosts = ["127.0.0.1"]\n')
    with serving() as feeds:
        feeds.answers["/good?key=s3cret"] = serves(booked(*days(3), summary="The Reeds"))
        feeds.answers["/deep?key=s3cret"] = drips_body
        feeds.answers["/away?key=s3cret"] = leads_to(f"http://127.0.0.2:{feeds.port}/s3cret")
        store = Store(enrolled)
        store.act("enroll", {"text": fleet_of(**{
            name: feeds.url(f"/{name}?key=s3cret") for name in ("deep", "away", "good")})})
        store.close()
        running = make_collector(mosquitto.url)
        client = running.client()
        fleet = load_fleet(client)
        today = datetime.now(UTC).date()
        soon = today, today + 30 * DAY

        def known() -> dict[str, str] | None:
            found = occupancy(client, fleet, *soon, client.now())
            return found.unread if len(found.bookings) and "good" not in found.unread else None

        unread = wait_for(known, 90, "the good feed is read after the one that hangs")
        assert "took more than 20 s" in unread["deep"] and "127.0.0.2" in unread["away"]
        found = occupancy(client, fleet, *soon, client.now())
        assert found.bookings[["cabin", "start", "summary"]].to_numpy().tolist() == [
            ["good", today + 3 * DAY, "The Reeds"]]
        # pages and commands fetch nothing
        asked = len(feeds.asked)
        told = tarnlight_here(enrolled, "doctor").stdout
        assert "WRONG calendar: deep: its calendar (127.0.0.1) cannot be read: reading it took more than 20" in told
        assert len(feeds.asked) == asked
        assert "s3cret" not in told + running.told() + json.dumps(unread)
        # another address is read at once
        feeds.answers["/new"] = serves(booked(*days(5, 9)))
        client.act("enroll", {"text": fleet_of(away=feeds.url("/new"))})
        wait_for(lambda: count(client, "booking", "cabin = 'away'") == 2, 30, "the new address is read")
        # and who has no calendar any more leaves no guest's name behind
        client.act("enroll", {"text": fleet_of(good="")})
        wait_for(lambda: count(client, "booking", "cabin = 'good'") == 0, 30, "its bookings are let go of")
        client.close()
        assert running.terminate() == 0


def test_enrolling_a_path_or_loopback_is_refused_by_the_command_and_allowed_where_settings_say_so(store_path):
    store_path.parent.mkdir(mode=0o700)
    fleet = store_path.with_name("fleet.toml")
    for calendar, why in (("/etc/hostname", "calendar_files"), ("http://127.0.0.1:1/key/s3cret", "calendar_hosts")):
        fleet.write_text(fleet_of(heron=calendar))
        told = tarnlight_here(store_path, "enroll", str(fleet))
        assert told.returncode == 2 and why in told.stderr and "'heron'" in told.stderr
        assert "s3cret" not in told.stderr and not store_path.exists()
    store_path.with_name("tarnlight.toml").write_text('calendar_hosts = ["127.0.0.1"]\n')
    assert tarnlight_here(store_path, "enroll", str(fleet)).returncode == 0


def test_a_feed_of_before_that_is_not_allowed_is_not_read_and_shows_nothing_of_what_is_there(enrolled):
    """A registry of before the rule, or written past it: what it names is still not touched."""
    secret = enrolled.with_name("secret.txt")
    secret.write_text("s3cret first line\n")
    with serving() as feeds:
        feeds.answers["/"] = serves(booked(*days(1)))
        store = Store(enrolled)
        store.act("enroll", {"text": fleet_of(a=str(secret), b=feeds.url("/"))})
        store.close()
        told = tarnlight(enrolled, "visits")
        assert told.returncode == 0 and not feeds.asked
        assert "s3cret" not in told.stdout + told.stderr
        store = Store(enrolled)
        assert count(store, "booking") == 0
        assert set(occupancy(store, load_fleet(store), *window(store.now()), store.now()).unread) == {"a", "b"}
        store.close()


def test_what_was_known_stays_while_a_feed_fails_and_the_cabin_counts_as_not_known(held, tmp_path):
    calendar = tmp_path / "heron.ics"
    calendar.write_bytes(booked(*days(2)))
    held.act("enroll", {"text": fleet_of(**{"heron-point": "heron.ics"})})
    fleet, now, allowed = load_fleet(held), held.now(), Allowed(files=str(tmp_path))
    today = now.date()
    read_now(held, fleet, allowed, now)
    first = occupancy(held, fleet, today, today + 9 * DAY, now)
    assert len(first.bookings) == 1 and not first.unread and set(first.without) == {"otter-cove"}
    calendar.write_bytes(b"<html>")
    later = now + timedelta(minutes=16)
    read_now(held, fleet, allowed, later)
    second = occupancy(held, fleet, today, today + 9 * DAY, later)
    assert len(second.bookings) == 1 and "is no iCalendar" in second.unread["heron-point"]
    # read long ago, or not for these days: not known either
    calendar.write_bytes(booked(*days(2)))
    read_now(held, fleet, allowed, later + timedelta(minutes=16))
    much_later = later + timedelta(hours=7)
    assert "was last read" in occupancy(held, fleet, today, today, much_later).unread["heron-point"]
    far = occupancy(held, fleet, today + 300 * DAY, today + 330 * DAY, later + timedelta(minutes=20))
    assert "was read for" in far.unread["heron-point"]


def test_a_stay_that_is_over_is_kept_and_one_to_come_goes_with_its_feed(held):
    feed = Feed(cabin="heron-point", calendar="heron.ics", time_zone="America/Toronto")
    now = held.now()

    def read(*around: int) -> list[date]:
        from ingest.bookings.calendar import Booking

        stays = tuple(
            Booking(start=now.date() + one * DAY, end=now.date() + (one + 1) * DAY, summary="") for one in around)
        keep(held.con, Reading(feed=feed, bookings=stays), now, window(now))
        return [pd_day.date() for pd_day in held.ask("SELECT first_day FROM booking ORDER BY ALL")["first_day"]]

    assert read(-20, 5, 9) == [now.date() + one * DAY for one in (-20, 5, 9)]
    assert read(9) == [now.date() + one * DAY for one in (-20, 9)]
    assert read(-20, 9) == [now.date() + one * DAY for one in (-20, 9)]


def test_a_stay_that_is_over_and_is_marked_only_then_stays_one_stay(held):
    feed = Feed(cabin="heron-point", calendar="heron.ics", time_zone="America/Toronto")
    now = held.now()

    def read(*, vulnerable: bool) -> list[bool]:
        from ingest.bookings.calendar import Booking

        stay = Booking(
            start=now.date() - 9 * DAY, end=now.date() - 5 * DAY, summary="", vulnerable=vulnerable)
        keep(held.con, Reading(feed=feed, bookings=(stay,)), now, window(now))
        return held.ask("SELECT vulnerable FROM booking")["vulnerable"].tolist()

    assert read(vulnerable=False) == [False]
    assert read(vulnerable=True) == [True]
    assert read(vulnerable=False) == [True]  # who was there was there


def test_a_stay_that_is_marked_or_made_longer_has_its_water_weighed_anew(held):
    """On the day on which it begins at the cabin: on Kiritimati two days before its date by the collector's."""
    from ingest.bookings.calendar import Booking

    feed = Feed(cabin="heron-point", calendar="heron.ics", time_zone="Pacific/Kiritimati")
    now = held.now()

    def owed(first: int, last: int, *, vulnerable: bool = True) -> bool:
        held.con.execute("DELETE FROM pending")
        start, end = (now.date() + one * DAY for one in (first, last))
        stay = Booking(start=start, end=end, summary="", vulnerable=vulnerable)
        keep(held.con, Reading(feed=feed, bookings=(stay,)), now, window(now))
        return count(held, "pending", "cabin = 'heron-point'") > 0

    assert not owed(-5, 1, vulnerable=False)
    assert owed(-5, 1)
    assert not owed(-5, 1)  # nothing is new
    assert owed(-5, 2)
    assert owed(2, 4) and not owed(4, 6)


def test_settings_of_calendars_are_a_folder_and_a_list_of_hosts(tmp_path: Path, monkeypatch):
    import pytest

    from ingest.settings import BadInput, settings

    monkeypatch.chdir(tmp_path)
    config = tmp_path / "tarnlight.toml"
    config.write_text('calendar_hosts = ["192.168.1.5", "nas.example"]\ncalendar_files = "feeds"\n')
    assert settings({}).calendar_hosts == ("192.168.1.5", "nas.example")
    monkeypatch.setenv("TARNLIGHT_CALENDAR_HOSTS", "10.0.0.1, nas")
    assert settings({}).calendar_hosts == ("10.0.0.1", "nas")
    monkeypatch.delenv("TARNLIGHT_CALENDAR_HOSTS")
    for wrong, why in (
            ('"nas"', "a list of texts"), ("[5]", "a list of texts"), ("true", "a list of texts"),
            ('["http://nas/"]', "without http"), ('["nas:80"]', "without http")):
        config.write_text(f"calendar_hosts = {wrong}\n")
        with pytest.raises(BadInput, match=why):
            settings({})
    config.write_text('calendar_hosts = ["fd00::5"]\n')
    assert settings({}).calendar_hosts == ("fd00::5",)
