"""Trips at a glance: stops and taken days lie on the days that they are of, numbers are those of the trip."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest

from dashboard.text import visit_rows
from dashboard.text.day_axis import DayAxis
from dashboard.text.lamps import visits_headline
from dashboard.text.measures import Units
from ingest.bookings.kept import Occupancy
from ingest.outlook.visits import NotPlanned, PlannedVisit
from models.fleet import Cabin, CrewPolicy
from models.verdict import Word
from tests.dashboard.text.test_lines import NASTY, Tags
from tests.dashboard.text.test_verdicts import status

FIRST = date(2026, 11, 30)  # a Monday
AXIS = DayAxis(FIRST, 56)
EVERY_DAY = CrewPolicy()


def cabin(name: str) -> Cabin:
    one = status("X", Word.CLEAR).cabin
    return replace(one, name=name, slug=re.sub("[^a-z]", "", name.lower()))


def stop(name: str, day: date, hour: int = 9) -> PlannedVisit:
    place = cabin(name)
    return PlannedVisit(
        cabin=place, tasks=("clean sleeve",), parts={"sleeve seal annular-40": 1}, work_min=30.0, due=day,
        arrive=datetime(day.year, day.month, day.day, hour, tzinfo=place.zone))


def plan(*trips: tuple[PlannedVisit, ...], left_out: tuple[NotPlanned, ...] = ()) -> Any:
    return SimpleNamespace(trips=tuple(SimpleNamespace(stops=one) for one in trips), left_out=left_out)


def taken(*rows: tuple[str, date, date], unread: tuple[str, ...] = (), without: tuple[str, ...] = ()) -> Occupancy:
    return Occupancy(
        bookings=pd.DataFrame(
            [(*row, "guests") for row in rows], columns=["cabin", "start", "end", "summary"], dtype=object),
        unread=dict.fromkeys(unread, "not read"), without=without)


def at(days: float) -> str:
    return f"{100 * days / 56:.2f}"


def test_a_stop_stands_at_noon_of_its_day_with_its_number_and_taken_days_from_afternoon_to_morning() -> None:
    day = FIRST + timedelta(days=7)
    html = visit_rows.strip(
        plan((stop("Otter", day), stop("Pike", day))),
        taken(("pike", FIRST + timedelta(days=2), FIRST + timedelta(days=5))), EVERY_DAY, AXIS)
    assert re.findall(r'tl-v-stop" style="left:([0-9.]+)%">(\d)<', html) == [(at(7.5), "1"), (at(7.5), "2")]
    # RFC 5545, 3.6.1: the end is the day of departure. In at 16:00, out at 11:00: common practice, no source
    begin, wide = 2 + 16 / 24, 3 - 5 / 24
    assert f'tl-v-taken" style="left:{at(begin)}%;width:{at(wide)}%' in html
    assert "stop 2 on Mon 7 Dec 2026; taken 2 Dec to 5 Dec" in html


def test_stops_on_days_in_a_row_share_a_mark_and_are_told_one_by_one() -> None:
    days = [FIRST, FIRST + timedelta(days=1), FIRST + timedelta(days=3), FIRST + timedelta(days=4)]
    html = visit_rows.strip(plan(*((stop("Otter", day),) for day in days)), taken(), EVERY_DAY, AXIS)
    row = html.split("<ul")[1].split("</ul>")[0]
    assert re.findall(r'tl-v-stop" style="left:([0-9.]+)%">([^<]+)<', row) == [(at(0.5), "3×"), (at(4.5), "1")]
    assert re.findall(r'tl-v-day" style="left:([0-9.]+)%', row) == [at(0.5), at(1.5), at(3.5)]
    assert "then 1 Dec, 3 Dec, 4 Dec" in row


def test_the_headline_counts_cabins_and_not_stops() -> None:
    days = (FIRST, FIRST + timedelta(days=1))
    twice = tuple(SimpleNamespace(stops=(stop("Otter", day),), day=day) for day in days)
    one = SimpleNamespace(trips=twice, left_out=(), distance_km=26.0)
    assert visits_headline(one, Units.METRIC) == (
        "2 trips to one cabin, 26 km in all. The next is on Mon 30 Nov 2026: Otter.")


def test_days_on_which_nobody_drives_are_marked_on_each_row() -> None:
    crew = CrewPolicy(days=("mon", "tue", "wed", "thu", "fri"))
    html = visit_rows.strip(plan((stop("Otter", FIRST),)), taken(), crew, AXIS)
    assert html.count('<i class="tl-v-off"') == 16  # eight weeks of two days


def test_where_nobody_knows_when_it_is_taken_is_said() -> None:
    html = visit_rows.strip(
        plan((stop("Otter", FIRST), stop("Pike", FIRST))), taken(unread=("otter",), without=("pike",)), EVERY_DAY,
        AXIS)
    assert "bookings not known: ask" in html and "no calendar: ask" in html


def test_a_cabin_in_no_trip_has_a_row_too() -> None:
    left = NotPlanned(cabin=cabin("Otter"), tasks=("swap lamp",), due=FIRST, reason="taken throughout")
    stays = taken(("otter", FIRST, FIRST + timedelta(days=70)))
    html = visit_rows.strip(plan(left_out=(left,)), stays, EVERY_DAY, AXIS)
    assert "in no trip" in html and "no stop; taken 30 Nov to 8 Feb" in html
    assert f"left:{at(16 / 24)}%" in html and visit_rows.strip(plan(), taken(), EVERY_DAY, AXIS) == ""


def test_what_to_load_and_the_stops_are_listed_in_order() -> None:
    assert re.findall(r"<strong>(\d+) ×</strong> ([^<]+)<", visit_rows.load({"b": 1, "a": 2})) == [
        ("2", "a"), ("1", "b")]
    assert "Nothing to load" in visit_rows.load({})
    html = visit_rows.stops(plan((stop("Otter", FIRST), stop("Pike", FIRST, 13))).trips[0])
    assert html.index(">1</b>") < html.index("Otter") < html.index(">2</b>") < html.index("Pike")
    assert "arrive 13:00" in html and "1 × sleeve seal annular-40" in html


@pytest.mark.parametrize("made", [
    lambda one: visit_rows.strip(plan((one,)), taken(), EVERY_DAY, AXIS),
    lambda one: visit_rows.stops(plan((one,)).trips[0]), lambda one: visit_rows.load({NASTY: 1})])
def test_hostile_names_are_text_everywhere(made: Any) -> None:
    one = replace(stop("Otter", FIRST), cabin=replace(cabin("Otter"), name=NASTY), tasks=(NASTY,))
    tags = Tags(made(one)).found
    assert not any(tag in ("script", "img") or any(name.startswith("on") for name in attrs) for tag, attrs in tags)
