"""A lamp that will be too weak before the next guests have left: told once, beforehand, to owner and manager."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

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
from tests.ingest.notification.test_message_log import Mailbox, secrets_file
from tests.ingest.notification.test_power import CONTACTS
from tests.lamp_fleet import DAYS, NAMES, fleet_toml, lamp_store, slug
from tests.lamp_fleet import NOW as LAMPS_NOW

NOW = utc("2026-11-20T15:00:00")
TODAY = date(2026, 11, 20)
DATES = LampDates(cabin="heron-point", unit="main", likely=date(2026, 11, 28), early=date(2026, 11, 24),
                  action="swap lamp", since="2025-11-02")


def days(n: int) -> date:
    return TODAY + timedelta(days=n)


@pytest.mark.parametrize(("stays", "likely", "found"), [
    ([(2, 9)], 8, (2, 9)), ([(2, 9)], 9, (2, 9)), ([(2, 9)], 10, None), ([(-3, 4), (6, 13)], 8, (6, 13)),
    ([(-3, 4), (4, 11)], 8, (4, 11)), ([(-3, 0), (0, 7), (7, 14)], 5, (0, 7)),
    ([(-3, 4), (6, 13), (14, 20)], 15, None),
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


@pytest.mark.parametrize(("likely", "stay", "said"), [
    (6, (-2, 9), "the lamp will likely be too weak before the stay of 18 Nov 2026 to 29 Nov 2026 is over: about "
     "26 Nov 2026, perhaps from 24 Nov 2026 on. Have the lamp changed as soon as can be."),
    (6, (0, 9), "perhaps from 24 Nov 2026 on. Have the lamp changed as soon as can be."),
    (0, (2, 9), "the lamp is likely too weak already, and there is a stay from 22 Nov 2026 to 29 Nov 2026. Have "
     "the lamp changed before the guests come."),
    (-4, (-2, 9), "the lamp is likely too weak already, and there is a stay from 18 Nov 2026 to 29 Nov 2026. Have "
     "the lamp changed as soon as can be.")])
def test_who_is_there_already_is_not_called_still_to_come_nor_what_is_over_still_ahead(store, likely, stay, said):
    booked(store, stay)
    told = telling(store, replace(DATES, likely=days(likely)))
    assert len(told) == 2
    assert all(said in body for _, _, body in told)


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


GUESTS_COME, GUESTS_LEAVE = 4, 18  # days from the fit
FOR_NOTHING_D = 14  # a lamp that truly outlasts the stay by more was told for nothing


@pytest.fixture
def told_of_lamps(mosquitto, tmp_path: Path) -> Iterator[tuple[dict[str, str], dict[str, float], set[str]]]:
    """A collector that fits lamps, reads calendars' files and writes to a mail server, ten minutes in ten seconds:
    titles and bodies that came, the days that each lamp truly has, and what the page's outlook foretells."""
    path, feeds, box = tmp_path / "lamps.duckdb", tmp_path / "feeds", Mailbox().start()
    feeds.mkdir()
    calendars = {slug(name): f"{slug(name)}.ics" for name in NAMES[:-1]}  # of the last nobody knows who comes
    first, last = (LAMPS_NOW.date() + timedelta(days=n) for n in (GUESTS_COME, GUESTS_LEAVE))
    for file in calendars.values():
        (feeds / file).write_text("\r\n".join([
            "BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//example//EN", "BEGIN:VEVENT", f"UID:{file}@example.org",
            "DTSTAMP:20261101T000000Z", f"DTSTART;VALUE=DATE:{first:%Y%m%d}", f"DTEND;VALUE=DATE:{last:%Y%m%d}",
            "SUMMARY:guests", "END:VEVENT", "END:VCALENDAR", ""]), encoding="utf-8")
    truth = lamp_store(path, calendars=calendars).truth
    store = Store(path)
    store.act("enroll", {"text": fleet_toml(calendars) + (
        '\n[[contact]]\nname = "Maren Osk"\nrole = "manager"\nchannels = ["FIRST"]\n')})
    weak = {one.cabin.slug for one in lamp_outlook(store, LAMPS_NOW).lamps if one.cabin.slug in calendars
            and weak_in_stay([(first, last)], likely=one.crosses_p50, early=None, today=LAMPS_NOW.date())}
    store.con.execute("DELETE FROM clock")
    store.con.execute("INSERT INTO clock VALUES ($wall, $at_, 60.0)", {"wall": datetime.now(UTC), "at_": LAMPS_NOW})
    store.close()
    config = tmp_path / "settings.toml"
    config.write_text(
        f'channels_file = "{secrets_file(tmp_path, FIRST=box.url("maren@example.org"))}"\n'
        f'calendar_files = "{feeds}"\n', encoding="utf-8")
    running = Running(
        Settings(store=path, broker=mosquitto.url), tmp_path / "collector.log", ("--config", str(config)))
    running.start()

    def lamps() -> dict[str, str]:
        return {title: body for _, title, body in box.got if title.startswith("Lamp too weak soon: ")}

    try:
        wait_for(lambda: len(lamps()) >= len(weak), 120, "every lamp that is weak in its stay is told")
        time.sleep(6)  # a look more, in which what is too much would come
        yield lamps(), dict(zip(map(slug, NAMES), truth["crossing_day"] - DAYS, strict=True)), weak
    finally:
        running.kill()
        box.stop()


def test_from_the_fit_over_the_bookings_to_the_mail_each_weak_lamp_is_told_once_and_no_other(told_of_lamps):
    told, days_left, weak = told_of_lamps
    named = {slug(title.removeprefix("Lamp too weak soon: ")) for title in told}
    assert len(told) == len(named) == len(weak) > 0
    assert named == weak
    assert {cabin for cabin in named if days_left[cabin] > GUESTS_LEAVE + FOR_NOTHING_D} == set()
    for body in told.values():
        assert "before the stay of 29 Nov 2026 to 13 Dec 2026 is over" in body or "too weak already" in body
        assert "An estimate, no promise." in body and "before the guests come." in body
