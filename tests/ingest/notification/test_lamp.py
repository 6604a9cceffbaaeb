"""A lamp that will be too weak before the next guests have left: told once, beforehand, to owner and manager."""

from __future__ import annotations

import time
from dataclasses import replace
from datetime import date, timedelta

import pytest

from ingest.bookings.calendar import Booking
from ingest.bookings.kept import feeds_of, keep, window
from ingest.bookings.readings import Reading
from ingest.notification.lamp import FIRST_AFTER, LampDates, LampLooks, tell_lamps
from ingest.outlook.lamps import lamp_outlook
from ingest.registry.tables import load_fleet
from ingest.settings import Settings
from ingest.store import Store
from models.advisory.next_stay import weak_in_stay
from tests.conftest import FLEET_TOML, Running, utc, wait_for
from tests.ingest.notification.test_power import CONTACTS
from tests.lamp_fleet import NOW as LAMPS_NOW
from tests.lamp_fleet import lamp_store

NOW = utc("2026-11-20T15:00:00")
TODAY = date(2026, 11, 20)
DATES = LampDates(cabin="heron-point", unit="main", likely=date(2026, 11, 28), early=date(2026, 11, 24),
                  action="swap lamp", since="2025-11-02")


def days(n: int) -> date:
    return TODAY + timedelta(days=n)


@pytest.mark.parametrize(("stays", "likely", "found"), [
    ([(2, 9)], 8, (2, 9)), ([(2, 9)], 9, (2, 9)), ([(2, 9)], 10, None), ([(-3, 4), (6, 13)], 8, None),
    ([(6, 13), (-3, 4)], 3, (-3, 4)), ([(-9, -2), (6, 13)], 8, (6, 13)), ([(30, 37)], 31, None), ([], 1, None),
    ([(2, 9)], -5, (2, 9)), ([(2, 9)], None, None)])
def test_the_stay_under_way_or_the_next_one_counts_and_the_middle_date(stays, likely, found):
    one = weak_in_stay(
        [(days(first), days(last)) for first, last in stays], likely=None if likely is None else days(likely),
        early=None, today=TODAY)
    assert (one and (one.arrives, one.leaves)) == (found and (days(found[0]), days(found[1])))


@pytest.fixture
def store(held: Store) -> Store:
    held.act("enroll", {"text": (FLEET_TOML + CONTACTS).replace(
        'trip = "north-shore"', 'trip = "north-shore"\ncalendar = "heron.ics"', 1)})
    booked(held, (2, 9))
    return held


def booked(store: Store, *stays: tuple[int, int]) -> None:
    keep(store.con, Reading(feed=feeds_of(load_fleet(store))[0], trouble="", bookings=tuple(
        Booking(start=days(first), end=days(last), summary="guests") for first, last in stays)), NOW, window(NOW))


def telling(store: Store, *found: LampDates) -> list[tuple[str, bool, str]]:
    before = {key for (key,) in store.con.execute("SELECT key FROM notification").fetchall()}
    tell_lamps(store.con, load_fleet(store), found, NOW)
    return [row[1:] for row in store.con.execute(
        "SELECT key, contact, urgent, body FROM notification ORDER BY key").fetchall() if row[0] not in before]


def test_owner_and_first_manager_are_told_once_with_dates_and_what_to_do(store):
    told = telling(store, DATES)
    assert sorted(contact for contact, _, _ in told) == ["Maren Osk", "Owner of Heron Point"]
    for _, urgent, body in told:
        assert not urgent  # it can wait for the morning
        assert body.startswith(
            "Heron-Point: the lamp will likely be too weak before the stay of 22 Nov 2026 to 29 Nov 2026 is over: "
            "about 28 Nov 2026, perhaps from 24 Nov 2026 on. Have the lamp changed before the guests come.")
        assert "An estimate, no promise." in body and "never look at a lit lamp" in body
        assert "local health authority" in body
    booked(store, (2, 9), (9, 16))
    assert telling(store, replace(DATES, likely=date(2026, 11, 27))) == []
    assert len(telling(store, replace(DATES, since="2026-11-19"))) == 2  # another lamp


@pytest.mark.parametrize("found", [
    replace(DATES, likely=date(2026, 11, 30)), replace(DATES, cabin="nowhere"), replace(DATES, cabin="otter-cove")])
def test_nothing_is_said_of_one_that_lasts_or_of_a_cabin_without_known_bookings(store, found):
    assert telling(store, found) == []


def test_of_a_calendar_that_cannot_be_read_nothing_is_foretold(store):
    feed = feeds_of(load_fleet(store))[0]
    keep(store.con, Reading(feed=feed, trouble="it cannot be understood"), NOW, window(NOW))
    assert telling(store, DATES) == []


def test_a_fit_that_finds_no_collector_is_tried_again_in_a_day_and_holds_up_nobody(tmp_path, caplog):
    looks = LampLooks(tmp_path / "nothing.duckdb", NOW)
    assert looks.turn(NOW + FIRST_AFTER - timedelta(seconds=1)) == []
    began = time.monotonic()
    assert looks.turn(NOW + FIRST_AFTER) == []
    assert time.monotonic() - began < 2
    wait_for(lambda: looks.turn(NOW + FIRST_AFTER) or "could not be fitted" in caplog.text, 60, "it ends")
    looks.close()


def test_the_process_asks_the_collector_that_runs_and_finds_what_the_lamps_page_has(mosquitto, tmp_path):
    store_path = tmp_path / "lamps.duckdb"
    lamp_store(store_path)
    one = Store(store_path)
    dates = {(lamp.cabin.slug, lamp.crosses_p50) for lamp in lamp_outlook(one, LAMPS_NOW).lamps if lamp.crosses_p50}
    one.close()
    running = Running(Settings(store=store_path, broker=mosquitto.url), tmp_path / "collector.log")
    running.start()
    looks = LampLooks(store_path, LAMPS_NOW)
    try:
        assert looks.turn(LAMPS_NOW + FIRST_AFTER) == []
        found = wait_for(lambda: looks.turn(LAMPS_NOW + FIRST_AFTER), 90, "the fit ends")
    finally:
        looks.close()
        running.kill()
    assert len(dates) >= 4
    assert {(lamp.cabin, lamp.likely) for lamp in found} == dates
    assert all(lamp.early <= lamp.likely for lamp in found)
