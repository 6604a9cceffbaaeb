"""Guests who may have drunk before anybody knew: the stays that are touched, and what the draft to them says."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pandas as pd
import pytest

from models.advisory import Exposure
from models.advisory.events import KNOWN_AT_ONCE, known_late
from models.advisory.guests import Stay, letter, stays_touched, still_there
from models.fleet import Cabin, Contact, Role

CABIN = Cabin(
    slug="heron-point", name="Heron Point", time_zone="America/Toronto", latitude=45.4, longitude=-79.2,
    altitude_m=320.0, units=())
START = datetime(2026, 7, 4, 2, 10, tzinfo=UTC)  # the evening of the third there
DARK = Exposure(
    cause="lamp-failure", start=START, end=START + timedelta(hours=3), underdosed_l=41.0, underdosed_l_upper=41.0)
KNOWN = START + timedelta(days=4)
PEOPLE = (
    Contact(name="Ann Marsh", role=Role.MANAGER, phone="+1 555 0100"),
    Contact(name="Lakes Health Unit", role=Role.HEALTH_AUTHORITY, phone="+1 555 0199"),
    Contact(name="Someone Elsewhere", role=Role.MANAGER, cabins=("other-cabin",)))


def bookings(*spans: tuple[str, str, str]) -> pd.DataFrame:
    return pd.DataFrame(
        [{"cabin": cabin, "start": date.fromisoformat(start), "end": date.fromisoformat(end), "summary": f"{start}"}
         for cabin, start, end in spans], columns=["cabin", "start", "end", "summary"])


@pytest.mark.parametrize(("start", "end", "touched"), [
    ("2026-06-28", "2026-07-02", False),  # left the day before, by the cabin's own calendar
    ("2026-06-28", "2026-07-03", True),  # left on that day: nobody knows at what hour they drank
    ("2026-07-03", "2026-07-05", True),
    ("2026-07-06", "2026-07-12", True),  # came later, and the water stood in the plumbing untold
    ("2026-07-07", "2026-07-09", True),  # came on the day on which it became known
    ("2026-07-08", "2026-07-09", False)])
def test_a_stay_is_touched_from_the_first_such_litre_until_people_were_told(start, end, touched):
    found = stays_touched(bookings(("heron-point", start, end), ("otter-cove", start, end)), CABIN, DARK, KNOWN)
    assert found == ((Stay(
        arrives=date.fromisoformat(start), leaves=date.fromisoformat(end), summary=start),) if touched else ())


def test_stays_come_in_the_order_of_arrival():
    found = stays_touched(
        bookings(("heron-point", "2026-07-05", "2026-07-06"), ("heron-point", "2026-07-01", "2026-07-04")), CABIN,
        DARK, KNOWN)
    assert [one.arrives.day for one in found] == [1, 5]


def test_what_is_told_as_it_happens_needs_no_letter():
    assert not known_late(DARK, START + KNOWN_AT_ONCE)
    assert known_late(DARK, START + KNOWN_AT_ONCE + timedelta(seconds=1))


def test_the_letter_has_dates_litres_whom_to_ask_and_who_comes_first():
    stay = Stay(arrives=date(2026, 7, 1), leaves=date(2026, 7, 4))
    text = letter(stay, CABIN, DARK, PEOPLE, date(2026, 7, 8))
    assert "your stay from 01 Jul 2026 to 04 Jul 2026" in text
    assert "Between 22:10 EDT on 03 Jul 2026" in text or "03 Jul 2026 22:10 EDT" in text
    assert "About 41 L of water may have reached the taps" in text
    assert "stop drinking" not in text  # they have left
    order = [text.index(words) for words in (
        "infants, people with weak immunity", "should see a doctor", "Lakes Health Unit, +1 555 0199",
        "Ann Marsh, +1 555 0100", "goes before this letter")]
    assert order == sorted(order)
    assert "Someone Elsewhere" not in text
    here = letter(replace(stay, leaves=date(2026, 7, 8)), CABIN, DARK, (), date(2026, 7, 8))
    assert "Please stop drinking the tap water now" in here
    assert "health: the local health authority\n" in here and "cabin: its manager\n" in here


@pytest.mark.parametrize(("arrives", "later"), [(date(2026, 7, 4), False), (date(2026, 7, 5), True)])
def test_who_came_after_the_water_is_told_why_the_letter_goes_to_them(arrives, later):
    # until 01:10 on the fourth, by the cabin's clock
    stay = Stay(arrives=arrives, leaves=date(2026, 7, 9))
    words = "You came later: some of it may still have stood in the pipes"
    assert (words in letter(stay, CABIN, DARK, PEOPLE, date(2026, 7, 8))) is later
    assert words not in letter(stay, CABIN, replace(DARK, end=None), PEOPLE, date(2026, 7, 8))


@pytest.mark.parametrize(("today", "there"), [(date(2026, 7, 9), True), (date(2026, 7, 10), False)])
def test_guests_can_stop_drinking_until_the_end_of_the_day_on_which_they_leave(today, there):
    stay = Stay(arrives=date(2026, 7, 1), leaves=date(2026, 7, 9))
    assert still_there(stay, today) is there
    assert ("stop drinking" in letter(stay, CABIN, DARK, PEOPLE, today)) is there


def test_a_letter_about_a_sample_says_what_was_found():
    bad = Exposure(cause="laboratory", start=START, end=START, finding="E. coli 12 per 100 mL")
    text = letter(Stay(arrives=date(2026, 7, 1), leaves=date(2026, 7, 4)), CABIN, bad, PEOPLE, date(2026, 7, 8))
    assert "was not satisfactory: E. coli 12 per 100 mL. We learned of it afterwards." in text
    assert "L of water" not in text
