"""What is to be done in each cabin, by when and with which parts: from the lamps' outlook to stops of a plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta

import numpy as np

from ingest.outlook.lamp_states import rows_by_trip, some, states
from ingest.outlook.lamps import Lamp, LampOutlook
from ingest.outlook.trip_settings import Terms, middle_of, travel_of
from models.fleet import Fleet
from models.lamp.diagnosis import WORTH_DAYS, Action
from models.lamp.forecast import HORIZON_DAYS as LAMP_HORIZON_DAYS
from models.lamp.standing import LATE_SILENCE_DAYS
from models.visits.policy_comparison import lamp_goes, margin_to_stay, own_trip_km
from models.visits.routing import TRIP_COSTS_KM, Stop, joined

PLANNED_DAYS = 56  # how far ahead trips are planned
SPARE_DAYS = 7  # a stop is due so long before the date by which to act; common practice, no source
BRING_FORWARD_DAYS = 45  # and may be made so long before that, where it saves a trip; common practice, no source
FILTER_WITHIN_DAYS = 30  # one that takes a quarter of the flow is a reason to go; common practice, no source
FILTER_DAYS = 180  # a filter changed so long ago is changed on the way; common practice, no source
WORK_MIN = {  # common practice, no source
    "swap lamp": 30.0, "clean sleeve": 30.0, "test water": 15.0, "check sensor": 20.0, "change filter": 15.0,
    "see why nothing is heard": 45.0, "look at the valve": 20.0,
}
EARLY_KM = {True: 1.0, False: 0.2}  # km that a day earlier costs: lamp hours thrown away, or only a cleaning


def stay_readings(found: LampOutlook, fleet: Fleet, terms: Terms) -> dict[tuple[str, str], float]:
    """Of each unit whose lamp should go at a visit: the reading behind a clean sleeve at which it stays. [W/m2]

    The rule of the compared year (`models.visits.policy_comparison.margin_to_stay`), at the cautious end of what is
    believed. On the spot the intensity is read, so the lamp need not go on a belief.
    """
    if found.fitted is None:
        return {}
    _, believed = states(found, found.fitted)
    keys = list(found.fitted.days.units)
    threshold = {(one.cabin.slug, one.unit.slug): one.threshold_w_m2 for one in found.lamps if one.forecast}
    out = {}
    for trip, rows in rows_by_trip(found, fleet).items():
        travel = travel_of(fleet, terms.base or middle_of(fleet, trip), terms)
        own_km = own_trip_km(tuple(keys[at][0] for at in rows), travel)
        mine = some(believed, rows)
        stay = np.exp(margin_to_stay(mine, own_km))
        for number in np.flatnonzero(lamp_goes(mine, own_km)):
            key = keys[rows[number]]
            out[key] = float(threshold[key] or 0.0) * float(stay[number])
    return out


def stops_of(
    found: LampOutlook, first: date, stays: Mapping[tuple[str, str], float] | None = None
) -> list[Stop]:
    """What is to be done, one stop per cabin, most urgent first; days count from `first`.

    Parameters
    ----------
    found : LampOutlook
    first : date
    stays : mapping, optional
        As of `stay_readings`; without it a lamp whose sleeve is cleaned first stays.
    """
    stops = [stop for lamp in found.lamps if (stop := _stop(lamp, found.at.date(), first, stays or {})) is not None]
    return sorted(joined(stops), key=lambda stop: (stop.due, stop.cabin))


def _swap_unless(lamp: Lamp, stays: Mapping[tuple[str, str], float]) -> str | None:
    """The task of a lamp that goes unless a clean sleeve shows that it may stay; None where it stays anyhow."""
    reading = stays.get((lamp.cabin.slug, lamp.unit.slug))
    return None if reading is None else f"swap lamp unless it then reads {np.ceil(reading):.0f} W/m2 or more"


def _stop(lamp: Lamp, today: date, first: date, stays: Mapping[tuple[str, str], float]) -> Stop | None:
    """One unit's work; None where nothing asks for a visit within the plan's days."""
    silent = lamp.last_heard is None or (today - lamp.last_heard).days > LATE_SILENCE_DAYS
    due = _due(lamp, first, silent=silent)
    if due is None or due >= PLANNED_DAYS:
        return None
    due = max(due, 0)
    tasks = ["see why nothing is heard"] if silent else []
    tasks += _lamp_tasks(lamp, first, stays)
    by_time = lamp.filter_changed_on is not None and (today - lamp.filter_changed_on).days >= FILTER_DAYS
    if by_time or lamp.filter_due_by_flow:
        tasks.append("change filter")
    if lamp.valve_at_fault:
        tasks.append("look at the valve")
    parts = _parts(tasks, lamp.unit.reactor)
    if len(lamp.cabin.units) > 1:
        tasks = [f"{lamp.unit.slug}: {task}" for task in tasks]
    return Stop(
        cabin=lamp.cabin.slug, tasks=tuple(tasks), parts=parts, due=due,
        opens=max(due - BRING_FORWARD_DAYS, 0), work_min=_work_min(tasks),
        early_km_per_day=EARLY_KM[lamp.action == Action.SWAP_LAMP])


def _due(lamp: Lamp, first: date, *, silent: bool) -> int | None:
    """By which day the first of the reasons to go is due; None: there is none."""
    reasons = [
        *([(lamp.act_by - first).days - SPARE_DAYS] if lamp.act_by else []),
        *([SPARE_DAYS] if silent or lamp.valve_at_fault else []),
        *([FILTER_WITHIN_DAYS] if lamp.filter_due_by_flow else [])]
    return min(reasons, default=None)


def _lamp_tasks(lamp: Lamp, first: date, stays: Mapping[tuple[str, str], float]) -> list[str]:
    """What the outlook asks of somebody who stands before the lamp."""
    match lamp.action:
        case Action.SWAP_LAMP:
            return ["swap lamp", "clean sleeve"]
        case Action.CLEAN_SLEEVE:
            ends_on = lamp.rated_life_on
            past_life = ends_on is not None and ends_on <= first + timedelta(days=PLANNED_DAYS)
            swap = "swap lamp" if past_life else _swap_unless(lamp, stays)
            return ["clean sleeve", *([swap] if swap else [])]
        case Action.CHECK_SENSOR:
            return ["check sensor against a reference"]
        case Action.TEST_WATER:
            return ["test water"]
        case _:
            return []


def _parts(tasks: Sequence[str], reactor: str) -> dict[str, int]:
    """What to bring for the tasks: one of each; a lamp that may have to go is brought too."""
    brought = {
        "swap lamp": f"lamp {reactor}", "test water": "sample bottle", "clean sleeve": f"sleeve seal {reactor}",
        "change filter": "filter"}
    return {part: 1 for kind, part in brought.items() if any(task.startswith(kind) for task in tasks)}


def on_the_way(
    found: LampOutlook, first: date, cabin: str, fleet: Fleet, stays: Mapping[tuple[str, str], float]
) -> list[Stop]:
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
        tasks, parts = ["clean sleeve"], {f"sleeve seal {lamp.unit.reactor}": 1}
        swap = _swap_unless(lamp, stays)
        if swap:
            tasks.append(swap)
            parts[f"lamp {lamp.unit.reactor}"] = 1
        if len(lamp.cabin.units) > 1:
            tasks = [f"{lamp.unit.slug}: {task}" for task in tasks]
        stops.append(Stop(
            cabin=lamp.cabin.slug, tasks=tuple(tasks), parts=parts, due=left,
            work_min=_work_min(tasks), early_km_per_day=EARLY_KM[False],
            left_out_km=TRIP_COSTS_KM * wins / (left + wins)))
    return list(joined(stops))


def _work_min(tasks: list[str]) -> float:
    """By the kind of each task."""
    return sum(minutes for task in tasks for kind, minutes in WORK_MIN.items() if kind in task)
