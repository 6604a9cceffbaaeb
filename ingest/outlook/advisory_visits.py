"""What open boil advisories ask of the trips: which cabin first, with what, and from when on it can be clear."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

import pandas as pd

from ingest.bookings.kept import Occupancy
from ingest.db.engine import Asks
from ingest.evaluation.shared import SPAN, events_since
from ingest.outlook.visit_tasks import PLANNED_DAYS
from ingest.record.advisory_log import standing_then
from models.advisory import Advisory, State, Step
from models.advisory.sample_runs import result_at
from models.advisory.shared_event import concerns
from models.advisory.site_work import SiteVisit, site_visits
from models.advisory.when_over import weekday, when_over
from models.fleet import Cabin, Fleet
from models.visits.access_windows import HouseRules
from models.visits.routing import LEFT_OUT_COSTS_KM, Stop

# What an hour is worth by which boiling ends sooner, by who is there. Common practice, no source. [km/h]
OCCUPIED, UNKNOWN, COMING, SOON, EMPTY = 60.0, 45.0, 20.0, 20.0, 10.0
BACK_FIRST = (Step.POWER_STABLE, Step.LAMP_LIT, Step.DOSE_BACK)


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenBoil:
    """An open advisory, and the shared event that it is of; empty: none."""

    id: str
    cabin: str
    unit: str
    advisory: Advisory
    event: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CabinBoil:
    """The advisories of one cabin, their visits together, and how much its people wait for them."""

    cabin: Cabin
    boils: tuple[OpenBoil, ...]
    visits: tuple[SiteVisit, ...]
    wait_km_per_h: float
    remarks: tuple[str, ...]

    def stop(self, number: int, opens: int = 0) -> Stop:
        """One of its visits as a stop that is due as soon as it may be made."""
        visit = self.visits[number]
        return Stop(
            cabin=self.cabin.slug, tasks=visit.tasks, parts=visit.parts, opens=opens, due=opens,
            work_min=visit.work_min, early_km_per_day=0.0, wait_km_per_h=self.wait_km_per_h,
            left_out_km=LEFT_OUT_COSTS_KM + PLANNED_DAYS * 24 * self.wait_km_per_h)

    @property
    def parts(self) -> Counter[str]:
        """What all of its visits take."""
        total: Counter[str] = Counter()
        for one in self.visits:
            total.update(one.parts)
        return total


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """A planned stop, and when its van is back; at the cabin's time."""

    cabin: str
    arrive: datetime
    work_min: float
    back: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class CanBeClear:
    """From when on an advisory can be clear by the plan; None: the plan does not say, and `words` why."""

    cabin: Cabin
    id: str
    unit: str
    event: str
    earliest: datetime | None
    words: str

    def to_json(self) -> dict[str, Any]:
        """As `tarnlight visits --json` has it."""
        return {"id": self.id, "unit": self.unit, "event": self.event or None, "can_be_clear_from": self.earliest,
                "words": self.words}

    @property
    def line(self) -> str:
        """With the cabin's name, for a list."""
        unit = f", {self.unit}" if len(self.cabin.units) > 1 else ""
        return f"{self.cabin.name}{unit} ({self.id}): {self.words}"


def open_boils(store: Asks, fleet: Fleet, at: datetime) -> tuple[OpenBoil, ...]:
    """The advisories that were open at an instant, each with its shared event."""
    kept = [one for one in standing_then(store, at).values()
            if one.advisory.state is not State.LIFTED and fleet.has_unit(one.cabin, one.unit)]
    events = events_since(store, fleet, at, at - SPAN) if kept else ()
    out = []
    for one in kept:
        event = next((each.id for each in events if concerns(each, one.cabin, one.advisory.raised_at)), "")
        out.append(OpenBoil(id=one.id, cabin=one.cabin, unit=one.unit, advisory=one.advisory, event=event))
    return tuple(sorted(out, key=lambda one: (one.cabin, one.unit)))


def cabin_boils(
    boils: Iterable[OpenBoil], fleet: Fleet, taken: Occupancy, now: datetime
) -> dict[str, CabinBoil]:
    """Cabins whose advisories ask for somebody, those first for whom most depends on it."""
    by_cabin: dict[str, list[OpenBoil]] = {}
    for one in boils:
        by_cabin.setdefault(one.cabin, []).append(one)
    found = []
    for slug, mine in by_cabin.items():
        cabin = fleet.cabin(slug)
        visits = _together(
            [site_visits(one.advisory, unit=fleet.unit(slug, one.unit), cabin=cabin) for one in mine],
            [f"{one.unit}: " if len(cabin.units) > 1 else "" for one in mine])
        if not visits:
            continue
        weight, guests = _waits(cabin, taken, now)
        remarks = [guests] if guests else []
        if any(step in one.advisory.open_steps for one in mine for step in BACK_FIRST):
            remarks.append(
                f"{cabin.name}: flushes and samples count only once power, lamp and dose are back: look at its "
                "state before you leave.")
        found.append(CabinBoil(
            cabin=cabin, boils=tuple(mine), visits=visits, wait_km_per_h=weight, remarks=tuple(remarks)))
    found.sort(key=lambda one: (-one.wait_km_per_h, one.cabin.slug))
    return {one.cabin.slug: one for one in found}


def can_be_clear(
    boiling: Iterable[CabinBoil], fleet: Fleet, made: Sequence[Made], now: datetime
) -> tuple[CanBeClear, ...]:
    """From when on each advisory can be clear if the planned visits are made."""
    drives = [day for day in (now.date() + timedelta(days=n) for n in range(2 * PLANNED_DAYS))
              if fleet.crew.works_on(day)]
    return tuple(
        _clear(boil, one, fleet, [each for each in made if each.cabin == one.cabin.slug], drives)
        for one in boiling for boil in one.boils)


def _clear(
    boil: OpenBoil, of: CabinBoil, fleet: Fleet, made: Sequence[Made], drives: Sequence[date]
) -> CanBeClear:
    def told(words: str, earliest: datetime | None = None) -> CanBeClear:
        return CanBeClear(
            cabin=of.cabin, id=boil.id, unit=boil.unit, event=boil.event, earliest=earliest, words=words)

    if len(made) < len(of.visits):
        return told("when it can be clear is not known: not all of its visits fit into a trip")
    estimate = when_over(
        boil.advisory, unit=fleet.unit(boil.cabin, boil.unit), cabin=of.cabin, now=made[0].arrive,
        policy=fleet.policy, laboratory=fleet.laboratory)
    if estimate.only_lift:
        return told("every step is done: it is over when a named person lifts it")
    earliest = max(estimate.earliest, made[len(of.visits) - 1].arrive)
    for visit, one in zip(of.visits, made, strict=False):
        done = one.arrive + timedelta(minutes=one.work_min)
        earliest = max(earliest, done)
        if visit.samples:
            result = result_at(done, one.back, of.cabin.zone, laboratory=fleet.laboratory, works_on=drives)
            if result is None:
                return told("when it can be clear is not known: its sample would be too old for the laboratory")
            earliest = max(earliest, result)
    ifs = ["the work is done as planned"]
    if any(visit.samples for visit in of.visits):
        ifs.append("the laboratory takes its samples in time and finds nothing")
    ifs.append("a named person then lifts it")
    unknown = f". Nobody can say {', or '.join(estimate.not_known)}" if estimate.not_known else ""
    return told(
        f"can be clear from {weekday(earliest.astimezone(of.cabin.zone))}, if {', '.join(ifs[:-1])} and {ifs[-1]}"
        f"{unknown}; an estimate, no promise", earliest.astimezone(of.cabin.zone))


def _together(found: Sequence[Sequence[SiteVisit]], names: Sequence[str]) -> tuple[SiteVisit, ...]:
    """The visits of several units of a cabin, made together."""
    out = []
    for number in range(max((len(one) for one in found), default=0)):
        mine = [(one[number], name) for one, name in zip(found, names, strict=True) if number < len(one)]
        parts: Counter[str] = Counter()
        for visit, _ in mine:
            parts.update(visit.parts)
        out.append(replace(
            mine[0][0], tasks=tuple(f"{name}{task}" for visit, name in mine for task in visit.tasks),
            parts=dict(parts), work_min=sum(visit.work_min for visit, _ in mine),
            samples=any(visit.samples for visit, _ in mine), after=max(visit.after for visit, _ in mine)))
    return tuple(out)


def _waits(cabin: Cabin, taken: Occupancy, now: datetime) -> tuple[float, str]:
    """What an hour is worth there, and what whoever drives has to know of its guests.

    Where nobody knows whether it is taken it may be: it goes before those that are empty.
    """
    here = now.astimezone(cabin.zone)
    left = here.hour * 60 + here.minute >= HouseRules().leave_min
    mine = taken.bookings[taken.bookings["cabin"] == cabin.slug]
    stays = [(pd.Timestamp(start).date(), pd.Timestamp(end).date())
             for start, end in zip(mine["start"], mine["end"], strict=True)]
    if any(start <= here.date() < end or (here.date() == end and not left) for start, end in stays):
        return OCCUPIED, f"{cabin.name} is taken: tell its guests that you come, and that they boil until then."
    if cabin.slug in taken.unread or cabin.slug in taken.without:
        return UNKNOWN, ""
    coming = min(((start - here.date()).days for start, _ in stays if start > here.date()), default=None)
    return (EMPTY, "") if coming is None else (COMING + SOON / coming, "")
