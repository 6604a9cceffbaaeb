"""Which cabins on which trip, in which order, with which parts: a plan of days for one van."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from models.visits.travel import Travel

TRIP_COSTS_KM = 150.0  # a further trip is worth driving so far to avoid it; common practice, no source
LATE_COSTS_KM = 60.0  # a day past due
LEFT_OUT_COSTS_KM = 20_000.0  # a stop not made at all
TENTHS = 10  # the solver counts in whole tenths of a kilometre


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """What is to be done in one cabin.

    Attributes
    ----------
    cabin : str
    tasks : tuple of str
        In words, for the list.
    parts : mapping
        Part to number.
    opens, due : int
        First and last sensible day, counted from the plan's first day. Later than `due` costs, but is allowed.
    work_min : float
        [min]
    early_km_per_day : float
        What each day before `due` is worth: lamp hours thrown away, in kilometres. [km]
    left_out_km : float
        What it costs not to make it in this plan; little for one that can wait but lies by the way. [km]
    wait_km_per_h : float
        What each hour is worth by which it is made sooner, on the day as over days: people wait for it. [km/h]
    """

    cabin: str
    tasks: tuple[str, ...]
    parts: Mapping[str, int] = field(default_factory=dict)
    opens: int = 0
    due: int = 0
    work_min: float = 45.0
    early_km_per_day: float = 0.5
    left_out_km: float = LEFT_OUT_COSTS_KM
    wait_km_per_h: float = 0.0

    def __post_init__(self) -> None:
        if self.opens > self.due:
            raise ValueError(f"stop at {self.cabin!r}: opens ({self.opens}) must not be after due ({self.due})")
        if not self.work_min > 0:
            raise ValueError(f"stop at {self.cabin!r}: work_min must be above 0, got {self.work_min!r}")


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedStop:
    """A stop in its trip; `arrive_min` after local midnight."""

    stop: Stop
    arrive_min: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Trip:
    """One day's round. `day` counts from the plan's first; `parts` is the list to load."""

    day: int
    stops: tuple[PlannedStop, ...]
    distance_km: float
    leave_min: int
    back_min: int
    parts: Mapping[str, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitPlan:
    """Trips in order of days, and the stops that none could make, each with the reason."""

    trips: tuple[Trip, ...]
    left_out: tuple[tuple[Stop, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Van:
    """The day's length and what the van carries."""

    stock: Mapping[str, int] = field(default_factory=dict)
    leave_min: int = 7 * 60
    back_min: int = 18 * 60

    def __post_init__(self) -> None:
        if not 0 <= self.leave_min < self.back_min <= 24 * 60:
            raise ValueError(f"leave_min must be before back_min, 0 to 1440; got {self.leave_min}, {self.back_min}")


def visit_plan(
    stops: Sequence[Stop], *, travel: Travel, opens_min: np.ndarray, closes_min: np.ndarray, van: Van | None = None,
    back_by_min: np.ndarray | None = None, rounds: int = 300, seconds: float = 10.0,
) -> VisitPlan:
    """Spread the stops over days and order each day's round.

    Parameters
    ----------
    stops : sequence of Stop, length s
        One per cabin (`joined` makes them so).
    travel : Travel
        Its first place is where the van starts and ends.
    opens_min, closes_min : ndarray of int, shape (s, d)
        When each stop's cabin may be entered on each of the plan's days (`occupancy.open_windows`); work must end
        by then.
    van : Van, optional
    back_by_min : ndarray of int, shape (s, d), optional
        By when the van that makes the stop on that day is back: what it brings along is awaited. [min]
    rounds : int
        Better plans to look through before the best is taken; the same input gives the same plan.
    seconds : float
        Give up looking after so long, whatever `rounds` says. [s]

    Returns
    -------
    VisitPlan

    Notes
    -----
    A vehicle routing problem: each day is a vehicle with a fixed cost. Costs, all in kilometres: driving; each
    trip; days early (lamp hours thrown away); days late. Days before `opens` are not allowed.
    """
    van = Van() if van is None else van
    opens_min, closes_min = np.asarray(opens_min), np.asarray(closes_min)
    if opens_min.shape != closes_min.shape or len(opens_min) != len(stops):
        raise ValueError(
            f"opens_min and closes_min must have a row per stop ({len(stops)}); got {opens_min.shape}, "
            f"{closes_min.shape}"
        )
    back_by = np.full(opens_min.shape, van.back_min) if back_by_min is None else np.minimum(
        back_by_min, van.back_min)
    allowed, reasons = _allowed_days(stops, travel, opens_min, closes_min, van, back_by)
    possible = [at for at in range(len(stops)) if allowed[at].any()]
    left_out = [(stops[at], reasons[at]) for at in range(len(stops)) if not allowed[at].any()]
    if not possible:
        return VisitPlan(trips=(), left_out=tuple(left_out))
    chosen = [stops[at] for at in possible]
    routes = _solved(
        chosen, travel, opens_min=opens_min[possible], closes_min=closes_min[possible], allowed=allowed[possible],
        back_by=back_by[possible], van=van, rounds=rounds, seconds=seconds,
    )
    trips = tuple(
        _trip(day, [(chosen[at], arrive) for at, arrive in route], travel, leave, back)
        for day, (route, leave, back) in sorted(routes.items())
    )
    return VisitPlan(trips=trips, left_out=(*left_out, *_not_made(chosen, trips)))


def _not_made(chosen: Sequence[Stop], trips: Sequence[Trip]) -> list[tuple[Stop, str]]:
    """The stops that could be made and are on no trip, each with the reason."""
    made = {planned.stop.cabin for trip in trips for planned in trip.stops}
    return [
        (stop, "no day had room for it" if stop.left_out_km >= LEFT_OUT_COSTS_KM else "it can wait")
        for stop in chosen if stop.cabin not in made
    ]


def joined(stops: Sequence[Stop]) -> tuple[Stop, ...]:
    """One stop per cabin: all tasks and parts, the earliest due date, in the order of first mention."""
    found: dict[str, Stop] = {}
    for stop in stops:
        have = found.get(stop.cabin)
        if have is not None:
            due = min(have.due, stop.due)
            stop = Stop(
                cabin=stop.cabin, tasks=have.tasks + stop.tasks, parts=Counter(have.parts) + Counter(stop.parts),
                opens=min(max(have.opens, stop.opens), due), due=due, work_min=have.work_min + stop.work_min,
                early_km_per_day=have.early_km_per_day + stop.early_km_per_day,
                left_out_km=max(have.left_out_km, stop.left_out_km),
                wait_km_per_h=max(have.wait_km_per_h, stop.wait_km_per_h),
            )
        found[stop.cabin] = stop
    return tuple(found.values())


def _allowed_days(
    stops: Sequence[Stop], travel: Travel, opens_min: np.ndarray, closes_min: np.ndarray, van: Van,
    back_by: np.ndarray,
) -> tuple[np.ndarray, list[str]]:
    """Mask of days on which each stop could be made alone, and why there is none."""
    day = np.arange(opens_min.shape[1])
    allowed = np.zeros(opens_min.shape, dtype=bool)
    reasons = []
    for at, stop in enumerate(stops):
        place = travel.position(stop.cabin)
        there, back = travel.travel_min[0, place], travel.travel_min[place, 0]
        begin = np.maximum(opens_min[at], van.leave_min + there)
        fits = (begin + stop.work_min <= closes_min[at]) & (begin + stop.work_min + back <= back_by[at])
        short = [part for part, number in stop.parts.items() if number > van.stock.get(part, 0)]
        allowed[at] = fits & (day >= stop.opens) & (not short)
        if short:
            reasons.append(f"the van does not carry enough of: {', '.join(short)}")
        elif not fits.any():
            reasons.append("no day has a window long enough for the way and the work")
        else:
            reasons.append("it opens only after the plan's last day")
    return allowed, reasons


def _solved(
    stops: Sequence[Stop], travel: Travel, *, opens_min: np.ndarray, closes_min: np.ndarray,
    allowed: np.ndarray, back_by: np.ndarray, van: Van, rounds: int, seconds: float,
) -> dict[int, tuple[list[tuple[int, int]], int, int]]:
    """Per used day: stops with arrival times, and when the van leaves and is back."""
    # A heavy dependency of this one function: nobody who only reads forecasts has to load it.
    from ortools.constraint_solver import pywrapcp, routing_enums_pb2  # type: ignore[import-untyped]

    days = np.flatnonzero(allowed.any(axis=0))
    places = [0, *(travel.position(stop.cabin) for stop in stops)]
    drive_km = travel.distance_km[np.ix_(places, places)]
    work_min = np.array([0.0, *(stop.work_min for stop in stops)])
    minutes = np.ceil(travel.travel_min[np.ix_(places, places)] + work_min[:, None]).astype(int)
    manager = pywrapcp.RoutingIndexManager(len(places), len(days), 0)
    model = pywrapcp.RoutingModel(manager)
    for vehicle, day in enumerate(days):
        timing = np.array([0.0, *(_timing_km(stop, int(day)) for stop in stops)])
        cost = np.rint((drive_km + timing) * TENTHS).astype(int)
        model.SetArcCostEvaluatorOfVehicle(model.RegisterTransitMatrix(cost.tolist()), vehicle)
        model.SetFixedCostOfVehicle(int(TRIP_COSTS_KM * TENTHS), vehicle)
    model.AddDimension(
        model.RegisterTransitMatrix(minutes.tolist()), 24 * 60, 24 * 60, False, "time"
    )
    clock = model.GetDimensionOrDie("time")
    for vehicle in range(len(days)):
        clock.CumulVar(model.Start(vehicle)).SetRange(van.leave_min, van.back_min)
        clock.CumulVar(model.End(vehicle)).SetRange(van.leave_min, van.back_min)
        model.AddVariableMinimizedByFinalizer(clock.CumulVar(model.End(vehicle)))
        model.AddVariableMaximizedByFinalizer(clock.CumulVar(model.Start(vehicle)))
    solver = model.solver()
    for at, stop in enumerate(stops):
        index = manager.NodeToIndex(at + 1)
        model.AddDisjunction([index], int(stop.left_out_km * TENTHS))
        usable = np.flatnonzero(allowed[at, days])
        model.VehicleVar(index).SetValues([-1, *usable.tolist()])
        # the window hangs on the day; entry 0 is for a stop that is left out (vehicle -1)
        low = [0, *opens_min[at, days].tolist()]
        high = [24 * 60, *np.floor(closes_min[at, days] - stop.work_min).astype(int).tolist()]
        chosen_day = model.VehicleVar(index) + 1
        solver.Add(clock.CumulVar(index) >= solver.Element(low, chosen_day))
        solver.Add(clock.CumulVar(index) <= solver.Element(high, chosen_day))
        if stop.wait_km_per_h > 0:  # a penalty per minute, in the solver's tenths of a kilometre
            clock.SetCumulVarSoftUpperBound(index, van.leave_min, max(round(stop.wait_km_per_h * TENTHS / 60), 1))
        for vehicle in usable[back_by[at, days[usable]] < van.back_min].tolist():
            on_it = solver.IsEqualCstVar(model.VehicleVar(index), vehicle)
            spare = 24 * 60 - int(back_by[at, days[vehicle]])
            solver.Add(clock.CumulVar(model.End(vehicle)) + on_it * spare <= 24 * 60)
    for part in sorted({part for stop in stops for part in stop.parts}):
        numbers = [0, *(int(stop.parts.get(part, 0)) for stop in stops)]
        carried = [int(van.stock.get(part, 0))] * len(days)
        model.AddDimensionWithVehicleCapacity(model.RegisterUnaryTransitVector(numbers), 0, carried, True, part)
    search = pywrapcp.DefaultRoutingSearchParameters()
    search.first_solution_strategy = routing_enums_pb2.FirstSolutionStrategy.PARALLEL_CHEAPEST_INSERTION
    search.local_search_metaheuristic = routing_enums_pb2.LocalSearchMetaheuristic.GUIDED_LOCAL_SEARCH
    search.solution_limit = rounds
    search.time_limit.FromMilliseconds(int(seconds * 1000))
    answer = model.SolveWithParameters(search)
    return {} if answer is None else _routes(answer, model, manager, clock, days)


def _timing_km(stop: Stop, day: int) -> float:
    """What it costs to make the stop on that day. [km]"""
    late = max(LATE_COSTS_KM, 24 * stop.wait_km_per_h)
    return stop.early_km_per_day * max(stop.due - day, 0) + late * max(day - stop.due, 0)


def _routes(
    answer: Any, model: Any, manager: Any, clock: Any, days: np.ndarray
) -> dict[int, tuple[list[tuple[int, int]], int, int]]:
    """Read the solver's answer."""
    found = {}
    for vehicle, day in enumerate(days):
        index = answer.Value(model.NextVar(model.Start(vehicle)))
        route = []
        while not model.IsEnd(index):
            route.append((manager.IndexToNode(index) - 1, int(answer.Min(clock.CumulVar(index)))))
            index = answer.Value(model.NextVar(index))
        if route:
            leave = int(answer.Max(clock.CumulVar(model.Start(vehicle))))
            found[int(day)] = (route, leave, int(answer.Min(clock.CumulVar(index))))
    return found


def _trip(day: int, stops: list[tuple[Stop, int]], travel: Travel, leave_min: int, back_min: int) -> Trip:
    """A day's round with its kilometres and what to load."""
    way = [0, *(travel.position(stop.cabin) for stop, _ in stops), 0]
    parts: Counter[str] = Counter()
    for stop, _ in stops:
        parts.update(stop.parts)
    return Trip(
        day=day, stops=tuple(PlannedStop(stop=stop, arrive_min=arrive) for stop, arrive in stops),
        distance_km=float(travel.distance_km[way[:-1], way[1:]].sum()), leave_min=leave_min, back_min=back_min,
        parts=dict(parts),
    )
