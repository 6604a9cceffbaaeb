"""The next trips: from the lamps' outlook, the cabins' places and bookings to days, stops and parts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from ingest.bookings.kept import Occupancy
from ingest.outlook.advisory_visits import CabinBoil, CanBeClear, Made, OpenBoil, cabin_boils, can_be_clear
from ingest.outlook.lamps import LampOutlook
from ingest.outlook.trip_settings import Base, Terms, middle_of, travel_of
from ingest.outlook.visit_tasks import PLANNED_DAYS, on_the_way, stay_readings, stops_of
from models.advisory.sample_runs import WHOLE_DAY_MIN, sample_runs
from models.advisory.work_cautions import Work, sentences, works_of_tasks
from models.fleet import Cabin, Fleet
from models.visits.access_windows import HouseRules, open_windows
from models.visits.routing import Stop, Van, VisitPlan, joined, visit_plan
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
    clear : tuple of CanBeClear
        Each open advisory, and from when on it can be clear by this plan.
    """

    trips: tuple[PlannedTrip, ...]
    left_out: tuple[NotPlanned, ...]
    remarks: tuple[str, ...]
    clear: tuple[CanBeClear, ...] = ()

    def clear_of(self, cabin: str) -> tuple[CanBeClear, ...]:
        """Those of a cabin."""
        return tuple(one for one in self.clear if one.cabin.slug == cabin)

    def to_json(self) -> list[dict[str, Any]]:
        """`tarnlight visits --json`."""
        out = [*(one.to_json() for one in self.trips), *(one.to_json() for one in self.left_out)]
        for stop in (stop for one in out for stop in one["stops"]):
            stop["advisories"] = [one.to_json() for one in self.clear_of(stop["cabin"])]
        return out

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


def visits(
    found: LampOutlook, fleet: Fleet, taken: Occupancy, terms: Terms | None = None, boils: Sequence[OpenBoil] = ()
) -> Visits:
    """Plan the trips of the coming eight weeks.

    Parameters
    ----------
    found : LampOutlook
        Its instant is the plan's now: the first day planned is the next.
    fleet : Fleet
    taken : Occupancy
    terms : Terms, optional
    boils : sequence of OpenBoil
        The open advisories: what they ask of people goes first.

    Notes
    -----
    A round takes along cleanings of its own shore that are not due yet where that is worth it. Cabins of one `trip`
    of the registry share rounds and no other cabin joins them; no two rounds fall on one day
    (one van). Groups are planned by urgency. Nobody drives on a day on which the crew does not work.
    """
    terms = terms or Terms()
    first = found.at.date() + timedelta(days=1)
    stays = stay_readings(found, fleet, terms)
    boiling = cabin_boils(boils, fleet, taken, found.at)
    wanted = list(joined([*(one.stop(0) for one in boiling.values()), *stops_of(found, first, stays)]))[:MOST_STOPS]
    needed: Counter[str] = Counter()
    for stop in wanted:
        needed.update(stop.parts)
    for one in boiling.values():  # what its later visits take
        needed.update(one.parts)
    for lamp in found.lamps:  # what is taken along needs a seal each
        needed[f"sleeve seal {lamp.unit.reactor}"] += 1
        needed[f"lamp {lamp.unit.reactor}"] += (lamp.cabin.slug, lamp.unit.slug) in stays
    van = terms.van(dict(terms.stock if terms.stock is not None else needed))
    planner = _Planner(fleet, taken, terms, van, first, boiling)
    for group in _groups(wanted, fleet):
        must = {stop.cabin for stop in group}
        group = list(joined([*group, *on_the_way(found, first, group[0].cabin, fleet, stays)]))
        planner.plan(group, must)
    trips = tuple(sorted(planner.trips, key=lambda one: one.day))
    made = [Made(cabin=stop.cabin.slug, arrive=stop.arrive, work_min=stop.work_min, back=trip.back)
            for trip in trips for stop in trip.stops]
    return Visits(
        trips=trips, left_out=tuple(planner.left_out),
        remarks=(*_remarks(taken, wanted, terms), *_boil_remarks(boiling, fleet)),
        clear=can_be_clear(boiling.values(), fleet, made, found.at))


class _Planner:
    """Plans group after group: a day that one has taken is no longer free for the next."""

    def __init__(
        self, fleet: Fleet, taken: Occupancy, terms: Terms, van: Van, first: date, boiling: Mapping[str, CabinBoil]
    ) -> None:
        self._fleet, self._taken, self._terms, self._van = fleet, taken, terms, van
        self._first, self._boiling = first, boiling
        self._dates = [first + timedelta(days=number) for number in range(PLANNED_DAYS)]
        self._works = [fleet.crew.works_on(day) for day in self._dates]
        self._free = np.array(self._works)
        self.trips: list[PlannedTrip] = []
        self.left_out: list[NotPlanned] = []

    def plan(self, group: Sequence[Stop], must: set[str]) -> None:
        """The rounds of a group: its first visits, then those that its advisories ask for afterwards."""
        number, since = 0, dict[str, datetime]()
        while group:
            made = self._solve(list(group), must, number, since)
            number += 1
            since = {one.cabin.slug: one.arrive + timedelta(minutes=one.work_min) for one in made}
            group = self._following(number, since)
            must = {stop.cabin for stop in group}

    def _following(self, number: int, since: Mapping[str, datetime]) -> list[Stop]:
        """The next visits of the advisories whose visits before are planned."""
        out = []
        for cabin, end in since.items():
            one = self._boiling.get(cabin)
            if one is not None and number < len(one.visits):
                day = ((end + one.visits[number].after).date() - self._first).days
                if day < PLANNED_DAYS:
                    out.append(one.stop(number, opens=day))
        return out

    def _solve(
        self, group: list[Stop], must: set[str], number: int, since: Mapping[str, datetime]
    ) -> list[PlannedVisit]:
        base = self._terms.base or middle_of(self._fleet, self._fleet.cabin(group[0].cabin).trip)
        opens, closes, back_by = self._windows(group, number, since)
        plan = visit_plan(
            group, travel=travel_of(self._fleet, base, self._terms), opens_min=opens,
            closes_min=np.where(self._free, closes, opens), van=self._van, back_by_min=back_by, rounds=100,
            seconds=2.0)
        plan = _without_spare(plan, must)
        for trip in plan.trips:
            self._free[trip.day] = False
        trips, left_out = _told(plan, self._fleet, self._first, base)
        self.trips += trips
        self.left_out += left_out
        return [stop for trip in trips for stop in trip.stops]

    def _windows(
        self, group: Sequence[Stop], number: int, since: Mapping[str, datetime]
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """When each cabin may be entered, and by when the van is back: guests let in who sees to their water."""
        opens, closes = open_windows(
            tuple(stop.cabin for stop in group), np.array(self._dates, "datetime64[D]"), self._taken.bookings)
        back_by = np.full(opens.shape, self._van.back_min)
        rules = HouseRules()
        for row, stop in enumerate(group):
            one = self._boiling.get(stop.cabin)
            if one is None:
                continue
            shut = closes[row] <= opens[row]
            opens[row] = rules.work_from_min
            closes[row] = np.where(shut, rules.work_until_min, closes[row])
            if stop.cabin in since:
                ready = since[stop.cabin] + one.visits[number].after
                at = (ready.date() - self._first).days
                opens[row, at] = max(opens[row, at], ready.hour * 60 + ready.minute + 1)
            if one.visits[number].samples:
                runs = sample_runs(
                    self._dates, self._zone(stop), self._works, laboratory=self._fleet.laboratory,
                    back_min=self._van.back_min)
                opens[row] = np.maximum(opens[row], np.ceil(runs.from_min - stop.work_min).astype(int))
                closes[row] = np.minimum(closes[row], runs.until_min)
                closes[row] = np.where(runs.from_min >= WHOLE_DAY_MIN, opens[row], closes[row])
                back_by[row] = runs.back_by_min
        return opens, np.maximum(closes, opens), back_by

    def _zone(self, stop: Stop) -> ZoneInfo:
        return self._fleet.cabin(stop.cabin).zone


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


def _boil_remarks(boiling: Mapping[str, CabinBoil], fleet: Fleet) -> list[str]:
    """What whoever drives for an advisory has to know."""
    out = [word for one in boiling.values() for word in one.remarks]
    if any(visit.samples for one in boiling.values() for visit in one.visits):
        out.append(
            f"The laboratory ({', '.join(fleet.laboratory.laboratory_days)}) is taken to lie where the van starts: "
            f"a sample is taken where the van brings it there within {fleet.laboratory.laboratory_hours:g} h.")
    return out


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
