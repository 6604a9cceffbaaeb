"""Trips that open advisories ask for, worked out by hand.

Cabins as in `tests.models.advisory.test_cleaning`: after 10 L of untreated water 50 L cold (9 min at 6 L/min), tank
drained 650 L (109 min, against 160 min flushed and 401 min heated with six hours to heat), with chlorine 959 L of
rinse (160 min). Calendar: 27 Nov 2026 is a Friday, 18:00 in Toronto is 23:00 UTC. A plate takes 24 h, the
laboratory is open from 08:00 to 16:00 (common practice, no source).
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pandas as pd
import pytest

from ingest.bookings.kept import Occupancy
from ingest.outlook.advisory_visits import OpenBoil
from ingest.outlook.lamps import LampOutlook
from ingest.outlook.trip_settings import Base, Terms
from ingest.outlook.visits import PlannedVisit, Visits, visits
from models.advisory import Step, StepPolicy
from models.advisory.laboratory import LaboratoryPolicy
from models.fleet import Cabin, CrewPolicy, Fleet
from tests.models.advisory.test_cleaning import CABIN
from tests.models.advisory.test_when_over import FRIDAY, SENSORS, advisory, proven
from tests.models.reactors import ANNULAR

pytest.importorskip("ortools", reason="visits are planned by a constraint solver")
TORONTO = ZoneInfo("America/Toronto")
NAMES = ("Alder Bay", "Bracken Point", "Crow Landing")
FLUSHED = (*SENSORS, Step.FLUSH_COLD, Step.FLUSH_HOT, Step.NOTICE_REMOVED)
SAMPLED = (*FLUSHED[:-1], Step.SAMPLE_1, Step.NOTICE_REMOVED)
MONDAY = LaboratoryPolicy(laboratory_days=("mon",))
YARD = Terms(base=Base(name="the yard", latitude=45.40, longitude=-79.20))
SATURDAY, SUNDAY = date(2026, 11, 28), date(2026, 11, 29)


def slug(name: str) -> str:
    return name.lower().replace(" ", "-")


def cabins() -> tuple[Cabin, ...]:
    """Three within a few kilometres of the yard."""
    return tuple(
        replace(CABIN, slug=slug(name), name=name, latitude=45.40 + 0.01 * number, trip="north-shore")
        for number, name in enumerate(NAMES))


def plan(
    steps: tuple[Step, ...] | None = None, *, stays: dict[str, tuple[date, date]] | None = None,
    crew: CrewPolicy | None = None, laboratory: LaboratoryPolicy = MONDAY, boiling: tuple[str, ...] = NAMES,
    at: datetime = FRIDAY,
) -> Visits:
    policy = StepPolicy(untreated=steps) if steps else None
    fleet = Fleet(
        reactors=(replace(ANNULAR, name="annular-40"),), cabins=cabins(), policy=policy,
        own_laboratory=laboratory, own_crew=crew)
    told = [(slug(name), start, end) for name, (start, end) in (stays or {}).items()]
    taken = Occupancy(
        bookings=pd.DataFrame(told, columns=["cabin", "start", "end"], dtype=object), unread={}, without=())
    found = LampOutlook(at=at.astimezone(UTC), lamps=(), known=None, fitted=None)  # type: ignore[arg-type]
    boils = tuple(
        OpenBoil(id=f"a{n}", cabin=slug(name), unit="main", event="e1", advisory=proven(advisory(policy=policy)))
        for n, name in enumerate(boiling))
    return visits(found, fleet, taken, YARD, boils)


def stops(found: Visits) -> list[PlannedVisit]:
    return [stop for trip in found.trips for stop in trip.stops]


def done(one: PlannedVisit) -> datetime:
    return one.arrive + timedelta(minutes=one.work_min)


def test_after_a_friday_evening_the_samples_of_three_cabins_are_taken_on_sunday_for_monday() -> None:
    found = plan(SAMPLED)
    (trip,) = found.trips  # Saturday's would be 38 h old on Monday at 08:00, and may travel 24
    assert trip.day == SUNDAY and not found.left_out
    assert {one.cabin.name for one in trip.stops} == set(NAMES)
    for one in trip.stops:
        assert one.work_min == 5 + 9 + 109 + 15
        assert done(one) >= datetime(2026, 11, 29, 8, tzinfo=TORONTO)
        assert one.tasks == (
            "see that the boil notice hangs at every tap", "flush the cold pipes, 50 L",
            "drain and refill the hot tank 4 times, 650 L", "take the first sample")
    assert dict(trip.parts) == {"boil notice": 3, "sample kit": 3}
    # at the laboratory on Monday at 08:00, read on Tuesday at 08:00
    assert [one.earliest for one in found.clear] == 3 * [datetime(2026, 12, 1, 8, tzinfo=TORONTO)]
    assert found.clear[0].words.startswith(
        "can be clear from Tuesday 01 Dec 08:00 EST, if the work is done as planned, the laboratory takes its "
        "samples in time and finds nothing and a named person then lifts it")


def test_chlorine_stands_overnight_and_every_sample_reaches_a_monday_in_time() -> None:
    found = plan()
    first = [one for one in stops(found) if any("disinfect with chlorine" in task for task in one.tasks)]
    rinsed = {one.cabin.slug: one for one in stops(found) if any("rinse" in task for task in one.tasks)}
    second = {one.cabin.slug: one for one in stops(found) if "take the second sample" in one.tasks}
    assert len(first) == len(rinsed) == len(second) == 3
    for one in first:
        assert one.arrive.date() == SATURDAY and one.work_min == 5 + 9 + 109 + 60
        assert one.parts == {"boil notice": 1, "bleach, litre of 5.25 %": 1}  # 336 mL for 168 L at 100 mg/L
        assert rinsed[one.cabin.slug].arrive - done(one) >= timedelta(hours=6)
        assert second[one.cabin.slug].arrive - done(rinsed[one.cabin.slug]) >= timedelta(hours=24)
    back = {stop.arrive: trip.back for trip in found.trips for stop in trip.stops}
    late = {}
    for one in (*rinsed.values(), *second.values()):
        if one.arrive.weekday() == 0:  # there before it shuts
            there = max(back[one.arrive], done(one) + timedelta(hours=1))  # an hour of way at least
            assert there.time() <= time(16) and done(one).time() <= time(15)
        else:
            assert one.arrive.weekday() == 6
            there = datetime.combine(one.arrive.date() + timedelta(days=1), time(8), TORONTO)
        assert there - done(one) <= timedelta(hours=24)
        late[one.cabin.slug] = there + timedelta(hours=24)
    assert {one.cabin.slug: one.earliest for one in found.clear} == late


def test_those_who_are_there_go_first_then_those_who_come_tomorrow() -> None:
    stays = {"Crow Landing": (SATURDAY, date(2026, 12, 2)), "Bracken Point": (date(2026, 11, 26), SUNDAY)}
    (trip,) = plan(FLUSHED, stays=stays).trips
    assert [one.cabin.name for one in trip.stops] == ["Bracken Point", "Crow Landing", "Alder Bay"]
    assert trip.day == SATURDAY  # whoever is there lets them in
    assert done(trip.stops[1]) <= datetime(2026, 11, 28, 16, tzinfo=TORONTO)  # before the guests come
    # whoever it is: the way between them does not decide
    for name in NAMES:
        (trip,) = plan(FLUSHED, stays={name: (SATURDAY, date(2026, 12, 2))}).trips
        assert trip.stops[0].cabin.name == name


def test_guests_that_are_there_are_told_of() -> None:
    found = plan(FLUSHED, stays={"Alder Bay": (date(2026, 11, 26), date(2026, 12, 20))})
    assert any(one.startswith("Alder Bay is taken: tell its guests that you come") for one in found.remarks)
    assert not found.left_out


def test_a_holiday_and_the_crews_days_move_the_visit() -> None:
    assert [trip.day for trip in plan(FLUSHED).trips] == [SATURDAY]
    holiday = CrewPolicy(holidays=("2026-11-28",))
    assert [trip.day for trip in plan(FLUSHED, crew=holiday).trips] == [SUNDAY]
    week = CrewPolicy(days=("mon", "tue", "wed", "thu", "fri"))
    assert [trip.day for trip in plan(FLUSHED, crew=week).trips] == [date(2026, 11, 30)]
    # nobody drives on the Sunday: the sample is taken on Monday and there before the laboratory shuts
    (trip,) = plan(SAMPLED, crew=week, boiling=NAMES[:1]).trips
    assert trip.day == date(2026, 11, 30) and trip.back.time() <= time(16)


def test_where_no_sample_can_reach_the_laboratory_nothing_is_promised() -> None:
    """A laboratory of Mondays, a crew of Fridays."""
    found = plan(SAMPLED, crew=CrewPolicy(days=("fri",)), boiling=NAMES[:1])
    assert not found.trips and found.left_out[0].cabin.name == "Alder Bay"
    assert found.clear[0].earliest is None and "not known" in found.clear[0].words
    assert found.left_out[0].works  # the hot tank's cautions come along


def test_without_an_advisory_there_is_no_word_of_any() -> None:
    found = plan(boiling=())
    assert (found.trips, found.left_out, found.clear) == ((), (), ())
    assert not any("laboratory" in one for one in found.remarks)
