"""The next trips: from the lamps' outlook, the cabins' places and bookings to days, stops and parts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import Any

import numpy as np
import pandas as pd

from ingest.lamps import Lamp, LampOutlook
from ingest.occupancy import Occupancy
from ingest.settings import BadInput
from models.diagnosis import WORTH_DAYS, Action, Cause
from models.fleet import Cabin, Fleet
from models.forecast import HORIZON_DAYS as LAMP_HORIZON_DAYS
from models.occupancy import open_windows
from models.travel import ROAD_FACTOR, SPEED_KM_H, Travel, great_circle_travel, table_travel
from models.visits import TRIP_COSTS_KM, Stop, Van, VisitPlan, joined, visit_plan

START = "start"  # the place that trips begin at and end; no slug of a cabin may be it in a travel table
HORIZON_DAYS = 56  # how far ahead trips are planned
SPARE_DAYS = 7  # a stop is due so long before the date by which to act; common practice, no source
BRING_FORWARD_DAYS = 45  # and may be made so long before that, where it saves a trip; common practice, no source
FILTER_WITHIN_DAYS = 30  # one that takes a quarter of the flow is a reason to go; common practice, no source
LATE_SILENCE_DAYS = 3  # a unit not heard for so many whole days is a reason to go; common practice, no source
FILTER_DAYS = 180  # a filter changed so long ago is changed on the way; common practice, no source
CLEAN_IS_ENOUGH_DAYS = 45  # a cleaning that wins less may not do: a lamp comes along
WORK_MIN = {  # common practice, no source
    "swap lamp": 30.0, "clean sleeve": 30.0, "test water": 15.0, "check sensor": 20.0, "change filter": 15.0,
    "see why nothing is heard": 45.0,
}
EARLY_KM = {True: 1.0, False: 0.2}  # km that a day earlier costs: lamp hours thrown away, or only a cleaning
DAY_HOURS = 11.0  # from leaving to being back, unless told otherwise; common practice, no source
MOST_STOPS = 60  # what the solver orders in seconds; the most urgent go first


@dataclass(frozen=True, slots=True, kw_only=True)
class Base:
    """Where the van starts and ends its days."""

    name: str
    latitude: float
    longitude: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedVisit:
    """One stop of a trip, in the cabin's time."""

    cabin: Cabin
    tasks: tuple[str, ...]
    parts: Mapping[str, int]
    arrive: datetime
    work_min: float
    due: date


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedTrip:
    """One day's round."""

    day: date
    trip: str
    leave: datetime
    back: datetime
    distance_km: float
    parts: Mapping[str, int]
    stops: tuple[PlannedVisit, ...]
    base: Base

    def to_json(self) -> dict[str, Any]:
        """A trip of `tarnlight visits --json`."""
        return {
            "day": self.day.isoformat(), "trip": self.trip, "from": self.base.name,
            "leave": self.leave, "back": self.back, "distance_km": round(self.distance_km, 1),
            "parts": dict(sorted(self.parts.items())),
            "stops": [
                {"cabin": one.cabin.slug, "arrive": one.arrive, "work_min": one.work_min,
                 "tasks": list(one.tasks), "parts": dict(sorted(one.parts.items())), "due": one.due.isoformat()}
                for one in self.stops],
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class NotPlanned:
    """A visit that no trip takes in, and why."""

    cabin: Cabin
    tasks: tuple[str, ...]
    due: date
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Visits:
    """The plan.

    Attributes
    ----------
    trips : tuple of PlannedTrip
        In order of days.
    left_out : tuple of NotPlanned
    parts : mapping
        All trips' parts together.
    remarks : tuple of str
        What the plan had to assume.
    """

    trips: tuple[PlannedTrip, ...]
    left_out: tuple[NotPlanned, ...]
    remarks: tuple[str, ...]

    @property
    def parts(self) -> dict[str, int]:
        """All trips' parts together."""
        total: Counter[str] = Counter()
        for trip in self.trips:
            total.update(trip.parts)
        return dict(sorted(total.items()))

    @property
    def distance_km(self) -> float:
        """Of all trips. [km]"""
        return sum(trip.distance_km for trip in self.trips)


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """How trips are made.

    Attributes
    ----------
    base : Base or None
        None: each round starts in the middle of its own trip's cabins.
    day_hours : float
        Between leaving and being back. [h]
    speed_km_h : float
    table : DataFrame or None
        Ways as `from, to, km, minutes`; the van's start is called "start".
    stock : mapping or None
        Parts that the van can carry on one day; None: whatever is needed.
    """

    base: Base | None = None
    day_hours: float = DAY_HOURS
    speed_km_h: float = SPEED_KM_H
    table: pd.DataFrame | None = None
    stock: Mapping[str, int] | None = None
    leave: time = field(default=time(7, 0))

    def __post_init__(self) -> None:
        if not 1 <= self.day_hours <= 16:
            raise BadInput(f"a day's length must be 1 to 16 h; got {self.day_hours:g}")
        if not 1 <= self.speed_km_h <= 200:
            raise BadInput(f"a speed must be 1 to 200 km/h; got {self.speed_km_h:g}")


def visits(found: LampOutlook, fleet: Fleet, taken: Occupancy, terms: Terms | None = None) -> Visits:
    """Plan the trips of the coming eight weeks.

    Parameters
    ----------
    found : LampOutlook
        Its instant is the plan's now: the first day planned is the next.
    fleet : Fleet
    taken : Occupancy
    terms : Terms, optional

    Notes
    -----
    A round takes along cleanings of its own shore that are not due yet where that is worth it. Cabins of one `trip`
    of the registry share rounds and no other cabin joins them; no two rounds fall on one day
    (one van). Groups are planned by urgency.
    """
    terms = terms or Terms()
    first = found.at.date() + timedelta(days=1)
    days = np.datetime64(first) + np.arange(HORIZON_DAYS)
    wanted = stops_of(found, first)[:MOST_STOPS]
    needed: Counter[str] = Counter()
    for stop in wanted:
        needed.update(stop.parts)
    for lamp in found.lamps:  # what is taken along needs a seal each
        needed[f"sleeve seal {lamp.unit.reactor}"] += 1
    leave_min = terms.leave.hour * 60 + terms.leave.minute
    van = Van(stock=dict(terms.stock if terms.stock is not None else needed), leave_min=leave_min,
              back_min=min(leave_min + round(60 * terms.day_hours), 24 * 60))
    trips: list[PlannedTrip] = []
    left_out: list[NotPlanned] = []
    free = np.ones(len(days), dtype=bool)
    for group in _groups(wanted, fleet):
        must = {stop.cabin for stop in group}
        group = list(joined([*group, *_on_the_way(found, first, group[0].cabin, fleet)]))
        base = terms.base or middle_of(fleet, fleet.cabin(group[0].cabin).trip)
        opens, closes = open_windows(tuple(stop.cabin for stop in group), days, taken.bookings)
        closes = np.where(free, closes, opens)
        plan = visit_plan(
            group, travel=travel_of(fleet, base, terms), opens_min=opens, closes_min=closes, van=van, rounds=100,
            seconds=2.0)
        plan = _without_spare(plan, must)
        for trip in plan.trips:
            free[trip.day] = False
        told = _told(plan, fleet, first, base)
        trips += told[0]
        left_out += told[1]
    return Visits(
        trips=tuple(sorted(trips, key=lambda one: one.day)), left_out=tuple(left_out),
        remarks=_remarks(taken, wanted, terms))


def middle_of(fleet: Fleet, trip: str) -> Base:
    """The middle of a trip's cabins, where nobody said where trips start."""
    cabins = [one for one in fleet.cabins if one.trip == trip]
    return Base(
        name=f"the middle of {trip or 'the cabins'}", latitude=float(np.mean([one.latitude for one in cabins])),
        longitude=float(np.mean([one.longitude for one in cabins])))


def stops_of(found: LampOutlook, first: date) -> list[Stop]:
    """What is to be done, one stop per cabin, most urgent first; days count from `first`."""
    stops = [stop for lamp in found.lamps if (stop := _stop(lamp, found.at.date(), first)) is not None]
    return sorted(joined(stops), key=lambda stop: (stop.due, stop.cabin))


def _stop(lamp: Lamp, today: date, first: date) -> Stop | None:
    """One unit's work; None where nothing asks for a visit within the plan's days."""
    tasks: list[str] = []
    parts: Counter[str] = Counter()
    silent = lamp.last_heard is None or (today - lamp.last_heard).days > LATE_SILENCE_DAYS
    due = (lamp.act_by - first).days - SPARE_DAYS if lamp.act_by else None
    if silent:
        tasks.append("see why nothing is heard")
        due = min(due, SPARE_DAYS) if due is not None else SPARE_DAYS
    if lamp.filter_due_by_flow:
        due = min(due, FILTER_WITHIN_DAYS) if due is not None else FILTER_WITHIN_DAYS
    if due is None or due >= HORIZON_DAYS:
        return None
    lamp_part = f"lamp {lamp.unit.reactor}"
    if lamp.action == Action.SWAP_LAMP:
        tasks += ["swap lamp", "clean sleeve"]
        parts[lamp_part] += 1
    elif lamp.action == Action.CLEAN_SLEEVE:
        tasks.append("clean sleeve")
        past_life = lamp.rated_life_on is not None and lamp.rated_life_on <= first + timedelta(days=HORIZON_DAYS)
        weak = lamp.cause == Cause.LAMP and (lamp.clean_wins_days or 0.0) < CLEAN_IS_ENOUGH_DAYS
        if past_life or weak:
            tasks.append("swap lamp" if past_life else
                         f"swap lamp unless it then reads well above {lamp.threshold_w_m2:.0f} W/m2")
            parts[lamp_part] += 1
    elif lamp.action == Action.CHECK_SENSOR:
        tasks.append("check sensor against a reference")
    elif lamp.action == Action.TEST_WATER:
        tasks.append("test water")
        parts["sample bottle"] += 1
    if "clean sleeve" in tasks:
        parts[f"sleeve seal {lamp.unit.reactor}"] += 1
    by_time = lamp.filter_changed_on is not None and (today - lamp.filter_changed_on).days >= FILTER_DAYS
    if by_time or lamp.filter_due_by_flow:
        tasks.append("change filter")
        parts["filter"] += 1
    if len(lamp.cabin.units) > 1:
        tasks = [f"{lamp.unit.slug}: {task}" for task in tasks]
    due = max(due, 0)
    return Stop(
        cabin=lamp.cabin.slug, tasks=tuple(tasks), parts=dict(parts), due=due,
        opens=max(due - BRING_FORWARD_DAYS, 0), work_min=_work_min(tasks),
        early_km_per_day=EARLY_KM[lamp.action == Action.SWAP_LAMP])


def _on_the_way(found: LampOutlook, first: date, cabin: str, fleet: Fleet) -> list[Stop]:
    """Cleanings that can wait, of the same trip as `cabin`: each worth the share of a later trip that it spares.

    Due r days from now where a clean sleeve puts that off by w days: a share w / (r + w) of a trip.
    """
    stops = []
    for lamp in found.lamps:
        wins = lamp.clean_wins_days
        if lamp.cabin.trip != fleet.cabin(cabin).trip or lamp.action != Action.NONE:
            continue
        if lamp.due is None or not wins or wins < WORTH_DAYS:
            continue
        left = max((lamp.due - first).days - SPARE_DAYS, 0)
        wins = min(wins, LAMP_HORIZON_DAYS)
        task = "clean sleeve" if len(lamp.cabin.units) == 1 else f"{lamp.unit.slug}: clean sleeve"
        stops.append(Stop(
            cabin=lamp.cabin.slug, tasks=(task,), parts={f"sleeve seal {lamp.unit.reactor}": 1}, due=left,
            work_min=_work_min([task]), early_km_per_day=EARLY_KM[False],
            left_out_km=TRIP_COSTS_KM * wins / (left + wins)))
    return list(joined(stops))


def _without_spare(plan: VisitPlan, must: set[str]) -> VisitPlan:
    """Nobody drives for what can wait alone, and what waits is not told as left out."""
    trips = tuple(trip for trip in plan.trips if any(one.stop.cabin in must for one in trip.stops))
    return VisitPlan(trips=trips, left_out=tuple(one for one in plan.left_out if one[0].cabin in must))


def _work_min(tasks: list[str]) -> float:
    """By the kind of each task."""
    return sum(minutes for task in tasks for kind, minutes in WORK_MIN.items() if kind in task)


def _groups(stops: list[Stop], fleet: Fleet) -> list[list[Stop]]:
    """Stops by the trip that the registry puts their cabins on, most urgent group first."""
    groups: dict[str, list[Stop]] = {}
    for stop in stops:
        groups.setdefault(fleet.cabin(stop.cabin).trip, []).append(stop)
    return list(groups.values())


def travel_of(fleet: Fleet, base: Base, terms: Terms) -> Travel:
    """Ways between the van's start and all cabins."""
    places = (START, *(one.slug for one in fleet.cabins))
    if terms.table is not None:
        try:
            return table_travel(places, terms.table)
        except ValueError as error:
            raise BadInput(f"{error}; the van's start is called {START!r}") from error
    latitude = np.array([base.latitude, *(one.latitude for one in fleet.cabins)])
    longitude = np.array([base.longitude, *(one.longitude for one in fleet.cabins)])
    return great_circle_travel(places, latitude, longitude, speed_km_h=terms.speed_km_h)


def _told(
    plan: VisitPlan, fleet: Fleet, first: date, base: Base
) -> tuple[list[PlannedTrip], list[NotPlanned]]:
    """The solver's days and minutes as dates and times at the cabins."""
    trips = []
    for trip in plan.trips:
        day = first + timedelta(days=trip.day)
        zone = fleet.cabin(trip.stops[0].stop.cabin).zone

        def at(minute: int, day: date = day, zone: Any = zone) -> datetime:
            return datetime.combine(day, time(), zone) + timedelta(minutes=minute)

        trips.append(PlannedTrip(
            day=day, base=base, trip=fleet.cabin(trip.stops[0].stop.cabin).trip, leave=at(trip.leave_min),
            back=at(trip.back_min), distance_km=trip.distance_km, parts=dict(trip.parts),
            stops=tuple(
                PlannedVisit(
                    cabin=fleet.cabin(one.stop.cabin), tasks=one.stop.tasks, parts=dict(one.stop.parts),
                    arrive=at(one.arrive_min), work_min=one.stop.work_min,
                    due=first + timedelta(days=one.stop.due))
                for one in trip.stops)))
    left_out = [
        NotPlanned(
            cabin=fleet.cabin(stop.cabin), tasks=stop.tasks, due=first + timedelta(days=stop.due), reason=why)
        for stop, why in plan.left_out]
    return trips, left_out


def _remarks(taken: Occupancy, wanted: list[Stop], terms: Terms) -> tuple[str, ...]:
    """What the plan had to assume, in words."""
    out = []
    going = {stop.cabin for stop in wanted}
    unread = [why for cabin, why in taken.unread.items() if cabin in going]
    out += [f"{why}. It may be taken: ask before you go." for why in unread]
    without = sorted(going & set(taken.without))
    if without:
        out.append(f"No calendar is enrolled for {', '.join(without)}: ask before you go.")
    if terms.table is None:
        out.append(
            f"Ways are the great circle times {ROAD_FACTOR:g} at {terms.speed_km_h:g} km/h; a table of ways would "
            "be better.")
    if terms.base is None and wanted:
        out.append("Nobody said where the van starts, so each round starts in the middle of its own trip's cabins.")
    return tuple(out)
