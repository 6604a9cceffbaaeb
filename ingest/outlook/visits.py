"""The next trips: from the lamps' outlook, the cabins' places and bookings to days, stops and parts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any

import numpy as np

from ingest.bookings.kept import Occupancy
from ingest.outlook.lamps import LampOutlook
from ingest.outlook.trip_settings import Base, Terms, middle_of, travel_of
from ingest.outlook.visit_tasks import PLANNED_DAYS, on_the_way, stay_readings, stops_of
from models.advisory.work_cautions import Work, sentences, works_of_tasks
from models.fleet import Cabin, Fleet
from models.visits.access_windows import open_windows
from models.visits.routing import Stop, VisitPlan, joined, visit_plan
from models.visits.travel import ROAD_FACTOR

MOST_STOPS = 60  # what the solver orders in seconds; the most urgent go first


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedVisit:
    """One stop of a trip, in the cabin's time."""

    cabin: Cabin
    tasks: tuple[str, ...]
    parts: Mapping[str, int]
    arrive: datetime
    work_min: float
    due: date

    @property
    def works(self) -> frozenset[Work]:
        """What its tasks ask for."""
        return works_of_tasks(self.tasks)


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

    @property
    def works(self) -> frozenset[Work]:
        """What the tasks of its stops ask for."""
        return frozenset[Work]().union(*(one.works for one in self.stops))

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
            "cautions": list(sentences(self.works)),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class NotPlanned:
    """A visit that no trip takes in, and why."""

    cabin: Cabin
    tasks: tuple[str, ...]
    due: date
    reason: str

    @property
    def works(self) -> frozenset[Work]:
        """What its tasks ask for."""
        return works_of_tasks(self.tasks)

    def to_json(self) -> dict[str, Any]:
        """An entry of `tarnlight visits --json` without a day."""
        return {
            "day": None, "trip": self.cabin.trip, "reason": self.reason,
            "stops": [{"cabin": self.cabin.slug, "tasks": list(self.tasks), "due": self.due.isoformat()}],
            "cautions": list(sentences(self.works)),
        }


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
    def works(self) -> frozenset[Work]:
        """What all tasks ask for, those in no trip too."""
        return frozenset[Work]().union(
            *(one.works for one in self.trips), *(one.works for one in self.left_out))

    @property
    def distance_km(self) -> float:
        """Of all trips. [km]"""
        return sum(trip.distance_km for trip in self.trips)


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
    days = np.datetime64(first) + np.arange(PLANNED_DAYS)
    stays = stay_readings(found, fleet, terms)
    wanted = stops_of(found, first, stays)[:MOST_STOPS]
    needed: Counter[str] = Counter()
    for stop in wanted:
        needed.update(stop.parts)
    for lamp in found.lamps:  # what is taken along needs a seal each
        needed[f"sleeve seal {lamp.unit.reactor}"] += 1
        needed[f"lamp {lamp.unit.reactor}"] += (lamp.cabin.slug, lamp.unit.slug) in stays
    van = terms.van(dict(terms.stock if terms.stock is not None else needed))
    trips: list[PlannedTrip] = []
    left_out: list[NotPlanned] = []
    free = np.ones(len(days), dtype=bool)
    for group in _groups(wanted, fleet):
        must = {stop.cabin for stop in group}
        group = list(joined([*group, *on_the_way(found, first, group[0].cabin, fleet, stays)]))
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


def _without_spare(plan: VisitPlan, must: set[str]) -> VisitPlan:
    """Nobody drives for what can wait alone, and what waits is not told as left out."""
    trips = tuple(trip for trip in plan.trips if any(one.stop.cabin in must for one in trip.stops))
    return VisitPlan(trips=trips, left_out=tuple(one for one in plan.left_out if one[0].cabin in must))


def _groups(stops: list[Stop], fleet: Fleet) -> list[list[Stop]]:
    """Stops by the trip that the registry puts their cabins on, most urgent group first."""
    groups: dict[str, list[Stop]] = {}
    for stop in stops:
        groups.setdefault(fleet.cabin(stop.cabin).trip, []).append(stop)
    return list(groups.values())


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
    out += [
        f"Bookings of {cabin} are not known: {why}. It may be taken: ask before you go."
        for cabin, why in taken.unread.items() if cabin in going]
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
