"""A year of visits played through under two rules: every lamp on its anniversary, and trips planned from the fit.

Both are scored on the same lamps, which age as they truly do, not as the plan believes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from models.visits.routing import LEFT_OUT_COSTS_KM, TRIP_COSTS_KM, Stop, Van, joined, visit_plan
from models.visits.travel import Travel

CALENDAR_YEAR_DAYS = 365
REPLAN_DAYS = 14  # how often the plan is made anew
LOOK_AHEAD_DAYS = 56  # how far it looks
SPARE_DAYS = 7  # due so long before the believed date
CLEAN_EARLY_KM, SWAP_EARLY_KM = 0.1, 1.0  # a day; a lamp's hours are worth more than a wipe


@dataclass(frozen=True, slots=True, kw_only=True)
class LampStates:
    """Where `n` units stand on a day; arrays of shape (n,). Losses and margins in ln(intensity).

    Attributes
    ----------
    margin : ndarray
        Above the threshold.
    lamp_loss, sleeve_loss : ndarray
        What a new lamp and a clean sleeve would bring back.
    lamp_per_day, sleeve_per_day, other_per_day : ndarray
        How fast they grow.
    new_lamp_per_day : ndarray
        How fast the next lamp ages.
    lamp_hours, hours_per_day : ndarray
        [h]
    """

    margin: np.ndarray
    lamp_loss: np.ndarray
    sleeve_loss: np.ndarray
    lamp_per_day: np.ndarray
    sleeve_per_day: np.ndarray
    other_per_day: np.ndarray
    new_lamp_per_day: np.ndarray
    lamp_hours: np.ndarray
    hours_per_day: np.ndarray

    def after_day(self) -> LampStates:
        """A day on."""
        lost = self.lamp_per_day + self.sleeve_per_day + self.other_per_day
        return replace(
            self, margin=self.margin - lost, lamp_loss=self.lamp_loss + self.lamp_per_day,
            sleeve_loss=self.sleeve_loss + self.sleeve_per_day, lamp_hours=self.lamp_hours + self.hours_per_day,
        )

    def cleaned(self, which: np.ndarray) -> LampStates:
        """With clean sleeves where `which`."""
        gain = np.where(which, self.sleeve_loss, 0.0)
        return replace(self, margin=self.margin + gain, sleeve_loss=self.sleeve_loss - gain)

    def swapped(self, which: np.ndarray) -> LampStates:
        """With new lamps where `which`."""
        gain = np.where(which, self.lamp_loss, 0.0)
        return replace(
            self, margin=self.margin + gain, lamp_loss=self.lamp_loss - gain,
            lamp_per_day=np.where(which, self.new_lamp_per_day, self.lamp_per_day),
            lamp_hours=np.where(which, 0.0, self.lamp_hours),
        )

    def days_left(self) -> np.ndarray:
        """Until the threshold if nothing is done; 0 where it is below. [d]"""
        rate = np.maximum(self.lamp_per_day + self.sleeve_per_day + self.other_per_day, 1e-12)
        days: np.ndarray = np.maximum(self.margin, 0.0) / rate
        return days


@dataclass(frozen=True, slots=True, kw_only=True)
class YearScore:
    """What a year under a rule came to.

    Attributes
    ----------
    trips : int
    distance_km : float
    lamp_hours_thrown_away : float
        Hours that swapped lamps would still have run above the threshold in a clean sleeve. [h]
    days_under_threshold : int
        Summed over units. [d]
    lamps : int
        Lamps used.
    """

    trips: int
    distance_km: float
    lamp_hours_thrown_away: float
    days_under_threshold: int
    lamps: int


def anniversary_year(truth: LampStates, places: tuple[str, ...], travel: Travel) -> YearScore:
    """Each lamp swapped, and its sleeve cleaned, when it has been in for a year; one trip per day that has any.

    Parameters
    ----------
    truth : LampStates
    places : tuple of str, length n
        Cabin of each unit.
    travel : Travel
    """
    score = _Score()
    for day in range(CALENDAR_YEAR_DAYS):
        installed = truth.lamp_hours / truth.hours_per_day
        # "in for a year" counts days since it was put in; a lamp older than that already waits for its date
        due = np.floor(installed) % CALENDAR_YEAR_DAYS == 0
        due &= (installed >= 1) & (day > 0)
        if due.any():
            score.drive(_round_km(sorted({travel.position(places[at]) for at in np.flatnonzero(due)}), travel))
            truth = score.swap(truth.cleaned(due), due)
        score.days_under += int((truth.margin < 0).sum())
        truth = truth.after_day()
    return score.total()


def planned_year(
    truth: LampStates, believed: LampStates, places: tuple[str, ...], travel: Travel, *, van: Van,
    rounds: int = 60, seconds: float = 1.0,
) -> YearScore:
    """Trips planned every fortnight from what the fit believes.

    Parameters
    ----------
    truth, believed : LampStates
        As it is, and as the fit has it on the first day (its cautious end: the 10 % date decides).
    places : tuple of str, length n
    travel : Travel
    van : Van
    rounds, seconds
        As for `visit_plan`.

    Notes
    -----
    Where sleeves foul fast the plan drives further than the anniversary rule, which lets them foul: compare the
    days under the threshold before the kilometres.

    Every visit cleans the sleeve; the lamp goes where its last days behind a clean sleeve are worth less than the
    trip that would soon be made for it. A trip takes along what is due later where that costs less than the share
    of a later trip that it spares. A visit that finds more or less than was believed corrects the belief: intensity
    is read on the spot.
    """
    score = _Score()
    own_km = own_trip_km(places, travel)
    coming: dict[int, tuple[list[int], float]] = {}
    for day in range(CALENDAR_YEAR_DAYS):
        if day % REPLAN_DAYS == 0:
            coming = _coming_trips(believed, places, travel, van, rounds, seconds)
            coming = {day + ahead: trip for ahead, trip in coming.items() if ahead < REPLAN_DAYS}
        if day in coming:
            units, distance_km = coming[day]
            visited = np.zeros(len(places), dtype=bool)
            visited[units] = True
            score.drive(distance_km)
            swap = visited & lamp_goes(believed, own_km)
            truth = score.swap(truth.cleaned(visited), swap)
            believed = believed.cleaned(visited).swapped(swap)
            believed = replace(believed, margin=np.where(visited, truth.margin, believed.margin))
        score.days_under += int((truth.margin < 0).sum())
        truth, believed = truth.after_day(), believed.after_day()
    return score.total()


class _Score:
    """Running sums."""

    def __init__(self) -> None:
        self.trips, self.km, self.thrown_h, self.days_under, self.lamps = 0, 0.0, 0.0, 0, 0

    def drive(self, km: float) -> None:
        self.trips, self.km = self.trips + 1, self.km + km

    def swap(self, truth: LampStates, which: np.ndarray) -> LampStates:
        """New lamps, counting what the old ones would still have given."""
        rate = np.maximum(truth.lamp_per_day + truth.other_per_day, 1e-12)
        left_h = np.maximum(truth.margin + truth.sleeve_loss, 0.0) / rate * truth.hours_per_day
        self.thrown_h += float(left_h[which].sum())
        self.lamps += int(which.sum())
        return truth.swapped(which)

    def total(self) -> YearScore:
        return YearScore(
            trips=self.trips, distance_km=self.km, lamp_hours_thrown_away=self.thrown_h,
            days_under_threshold=self.days_under, lamps=self.lamps,
        )


def own_trip_km(places: tuple[str, ...], travel: Travel) -> np.ndarray:
    """What a trip for one unit alone costs. [km]"""
    at = [travel.position(place) for place in places]
    own_km: np.ndarray = TRIP_COSTS_KM + travel.distance_km[0, at] + travel.distance_km[at, 0]
    return own_km


def margin_to_stay(states: LampStates, own_km: np.ndarray) -> np.ndarray:
    """ln(intensity) above the threshold, behind a clean sleeve, from which on a lamp may stay at a visit.

    Parameters
    ----------
    states : LampStates
    own_km : ndarray, shape (n,)
        What a trip for that unit alone costs (`own_trip_km`). [km]

    Notes
    -----
    A lamp that would last r days in a clean sleeve, where a new one lasts T, puts off a share r / T of a trip. It
    goes where its r days are worth less than the rest of the trip that would be made for it: r < own (1 - r / T).
    """
    every = np.ones(len(own_km), dtype=bool)
    new = np.maximum(states.cleaned(every).swapped(every).days_left(), 1.0)
    rate = np.maximum(states.lamp_per_day + states.sleeve_per_day + states.other_per_day, 1e-12)
    return np.asarray(rate * own_km / (SWAP_EARLY_KM + own_km / new))


def lamp_goes(states: LampStates, own_km: np.ndarray) -> np.ndarray:
    """Units whose lamp goes at a visit now: mask."""
    clean = states.cleaned(np.ones(len(own_km), dtype=bool))
    return np.asarray(np.maximum(clean.margin, 0.0) < margin_to_stay(states, own_km))


def _coming_trips(
    believed: LampStates, places: tuple[str, ...], travel: Travel, van: Van, rounds: int, seconds: float
) -> dict[int, tuple[list[int], float]]:
    """Units and kilometres by day, counted from today."""
    due = np.maximum(np.floor(believed.days_left()).astype(int) - SPARE_DAYS, 0)
    must = due < LOOK_AHEAD_DAYS
    if not must.any():
        return {}
    own_km = own_trip_km(places, travel)
    swaps = lamp_goes(believed, own_km)
    every = np.ones(len(places), dtype=bool)
    served = believed.cleaned(every).swapped(swaps)
    # due r days from now where a service lasts T: done on the way of another trip, it spares the rest of its own
    worth_km = own_km * (1.0 - due / np.maximum(served.days_left(), 1.0))
    chosen = np.flatnonzero(must | (worth_km > 0))
    stops = joined([
        Stop(
            cabin=places[at], tasks=("clean sleeve", "swap lamp") if swaps[at] else ("clean sleeve",),
            parts={"lamp": 1} if swaps[at] else {}, due=int(due[at]),
            early_km_per_day=SWAP_EARLY_KM if swaps[at] else CLEAN_EARLY_KM,
            left_out_km=LEFT_OUT_COSTS_KM if must[at] else float(worth_km[at]),
        )
        for at in chosen.tolist()
    ])
    shape = (len(stops), LOOK_AHEAD_DAYS)
    plan = visit_plan(
        stops, travel=travel, opens_min=np.full(shape, van.leave_min), closes_min=np.full(shape, van.back_min),
        van=van, rounds=rounds, seconds=seconds,
    )
    units = {stop.cabin: [at for at in chosen.tolist() if places[at] == stop.cabin] for stop in stops}
    trips = {
        trip.day: ([at for one in trip.stops for at in units[one.stop.cabin]], trip.distance_km)
        for trip in plan.trips
    }
    # nobody drives for what can wait alone
    return {day: (going, km) for day, (going, km) in trips.items() if must[going].any()}


def _round_km(stops: list[int], travel: Travel) -> float:
    """Length of a round by the nearest next place, from the van's start and back. [km]"""
    here, total, open_stops = 0, 0.0, list(stops)
    while open_stops:
        nearest = min(open_stops, key=lambda place: travel.distance_km[here, place])
        total, here = total + float(travel.distance_km[here, nearest]), nearest
        open_stops.remove(nearest)
    return total + float(travel.distance_km[here, 0])
