"""What is said of lamps, sensors and trips, as pure functions: headlines, rows of tables, sentences."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date, datetime

import pandas as pd

from dashboard.text.measures import UNKNOWN, Units
from ingest.outlook.lamps import LEAST_WIDTH_DAYS, Lamp, LampOutlook
from ingest.outlook.visit_compare import Compared
from ingest.outlook.visits import PlannedTrip, Visits
from models.dose.sensor_checks import sensor_check
from models.lamp.backtest import TAIL_DAYS
from models.lamp.diagnosis import Action, LossCause
from models.lamp.standing import SOON_DAYS, Standing
from models.visits.policy_comparison import YearScore

KM_PER_MILE = 1.609344  # exact (international mile; NIST SP 811, B.8; from memory)
ACTION_WORDS = {
    Action.NONE: "Nothing to do", Action.SWAP_LAMP: "Swap the lamp", Action.CLEAN_SLEEVE: "Clean the sleeve",
    Action.TEST_WATER: "Test the water", Action.CHECK_SENSOR: "Check the sensor against a reference",
}
CAUSE_WORDS = {
    LossCause.NONE: "nothing stands out", LossCause.LAMP: "lamp", LossCause.SLEEVE: "sleeve",
    LossCause.WATER: "water", LossCause.SENSOR: "sensor",
}
YEAR_HEADERS = ("In a year", "Trips as planned here", "Every lamp on its anniversary")


def lamp_name(one: Lamp) -> str:
    """The cabin's name; with several units, the unit's too."""
    return one.cabin.name if len(one.cabin.units) == 1 else f"{one.cabin.name}, {one.unit.slug}"


def date_words(day: date | None) -> str:
    """A date as one reads it out."""
    return f"{day:%a} {day.day} {day:%b %Y}" if day else UNKNOWN


def short_date(day: date, today: date) -> str:
    """A date without its weekday; within half a year of today without its year."""
    return f"{day.day} {day:%b}" if abs((day - today).days) < 183 else f"{day.day} {day:%b %Y}"


def headline(found: LampOutlook) -> str:
    """Which lamp reads less than it needs, and who is due."""
    if not found.lamps:
        return "No cabin is enrolled yet."
    today = found.at.date()
    below = [one for one in found.lamps if one.standing(today) is Standing.BELOW]
    unknown = sum(one.action is None for one in found.lamps)
    if len(found.lamps) == unknown and not below:
        return "No lamp has a forecast yet: a week of days with water drawn past a lit lamp is needed."
    due = [one for one in found.lamps if one.act_by is not None and (one.act_by - today).days <= SOON_DAYS]
    told = [_below_words(below, len(found.lamps), today)] if below else []
    told.append(_due_words(due, len(found.lamps), today, first=not below) if due else _none_due_words(found))
    if unknown:
        told.append(f"Nothing can be foretold of {'one lamp' if unknown == 1 else f'{unknown} lamps'}.")
    return " ".join(told)


def _below_words(below: Sequence[Lamp], lamps: int, today: date) -> str:
    """How many read less than they need, and the worst of them."""
    worst = below[0]
    many = "One lamp is below its need:"
    if len(below) > 1:
        many = f"{len(below)} of {lamps} lamps are below their need. The worst:"
    read, need = _below(worst)
    figures = f"reads {read} and needs {need} W/m²" if read else "gets too little from any lamp in this water"
    waits = worst.act_by is not None and worst.act_by > today
    verdict = "; go by its verdict now" if waits or worst.action in (None, Action.NONE) else ""
    return f"{many} {lamp_name(worst)} {figures}{verdict}{_do_words(worst, today)}."


def _do_words(one: Lamp, today: date) -> str:
    """What to do about it and by when; nothing where nothing is to be done to the lamp."""
    if one.action in (None, Action.NONE) or one.act_by is None:
        return ""
    return f"; {ACTION_WORDS[Action(str(one.action))].lower()} {_when(one.act_by, today)}"


def _when(act_by: date, today: date) -> str:
    return "today" if act_by <= today else f"by {date_words(act_by)}"


def _below(one: Lamp) -> tuple[str, str]:
    """What a lamp that is below its need reads and needs; never rounded up, nor down. Empty where none would do."""
    reads, needs = one.intensity_w_m2, one.threshold_w_m2
    if reads is None or needs is None:
        return "", ""
    return f"{math.floor(10 * reads) / 10:.1f}", f"{math.ceil(10 * needs) / 10:.1f}"


def need_words(one: Lamp) -> str:
    """What it reads and needs."""
    reads, needs = one.intensity_w_m2, one.threshold_w_m2
    if needs is None:
        return "not even a new lamp is enough in this water"
    if reads is None:
        return f"reading not known, needs {needs:.1f} W/m²"
    if reads < needs:
        return "below now: {}, needs {} W/m²".format(*_below(one))
    return f"{reads:.1f}, needs {needs:.1f} W/m²"


def _none_due_words(found: LampOutlook) -> str:
    """That nothing presses, and what comes next."""
    later = min((one for one in found.lamps if one.act_by is not None),
                key=lambda one: one.act_by or date.max, default=None)
    next_one = f" The next is {lamp_name(later)}, by {date_words(later.act_by)}." if later else ""
    return f"Nothing has to be done within {SOON_DAYS} days.{next_one}"


def _due_words(due: Sequence[Lamp], lamps: int, today: date, *, first: bool) -> str:
    """How many of all the lamps are due, and the first of them where nothing worse was said."""
    now = sum(one.act_by is not None and one.act_by <= today for one in due)
    need = f"{len(due)} of {lamps} lamps need" if len(due) > 1 else "One lamp needs"
    late = f", {now} of them now" if 0 < now < len(due) else ""
    soonest = min(due, key=lambda one: one.act_by or date.max)
    which = f" First {lamp_name(soonest)}{_do_words(soonest, today).replace(';', ':', 1)}." if first else ""
    return f"{need} somebody within {SOON_DAYS} days{late}.{which}"


def action_words(one: Lamp) -> str:
    """What to do, by when."""
    if one.action is None:
        return "nothing can be said"
    words = ACTION_WORDS[Action(one.action)]
    return words if one.act_by is None else f"{words} by {date_words(one.act_by)}"


def crossing_words(one: Lamp) -> str:
    """When it falls below its need, with the interval, in words; that it is below it now goes before any date."""
    if one.figures.margin is not None and one.figures.margin < 0:
        return need_words(one)
    if not one.forecast:
        return "no dates can be given"
    if one.crosses_p10 is None:
        return "stays above its need for two years, nine chances in ten"
    late = date_words(one.crosses_p90) if one.crosses_p90 else "beyond two years"
    middle = date_words(one.crosses_p50) if one.crosses_p50 else "beyond two years"
    return f"falls below its need about {middle} (80 % of chances: {date_words(one.crosses_p10)} to {late})"


def won_words(one: Lamp) -> str:
    """What cleaning and swapping would add."""
    def days(value: float | None) -> str:
        if value is None or math.isnan(value):
            return "a time not known"
        return "more than two years" if math.isinf(value) else f"about {value:.0f} days"

    return f"Cleaning adds {days(one.clean_wins_days)}, a new lamp {days(one.swap_wins_days)}."


def first_words(one: Lamp) -> str:
    """How much of the unit's own first reading is left; empty where one of both is not known."""
    if one.first_pct is None:
        return ""
    return (f"It now reads {one.first_pct:.0f} % of its first reading ({one.first_w_m2:g} W/m2): lamp, sleeve and "
            "water together.")


def calibration_words(found: LampOutlook) -> str:
    """How good such dates have been on this fleet."""
    judged = found.calibration
    if judged is None:
        return (
            f"How good these dates are cannot be said yet: that takes {LEAST_WIDTH_DAYS} days of record, the last "
            f"{TAIL_DAYS} of them held out.")
    if not judged.units:
        return (
            f"How good these dates are cannot be said yet: no unit was heard, and left alone, over the last "
            f"{TAIL_DAYS} days.")
    units = "one unit" if judged.units == 1 else f"{judged.units} units"
    error = "" if math.isnan(judged.median_error_days) else (
        f"; the middle date was off by {judged.median_error_days:.0f} days in the median")
    wider = ""
    if found.fitted and found.fitted.interval_scale > 1:
        wider = f" The intervals here are widened {found.fitted.interval_scale:.2f} times for it."
    return (
        f"Tried on the last {TAIL_DAYS} days of {units}, held out: the 80 % interval held {judged.coverage:.0%} of "
        f"them{error}.{wider}")


def check_words(value: float | None) -> str:
    """What a recorded sensor check says; nothing where it has no usable value."""
    if value is None or not value > 0:
        return ""
    return sensor_check(value).words


# Trips -------------------------------------------------------------------------------------------


def distance(km: float, units: Units) -> str:
    """A way in km or miles."""
    return f"{km / KM_PER_MILE:,.0f} mi" if units is Units.US else f"{km:,.0f} km"


def visits_headline(plan: Visits, units: Units) -> str:
    """The plan in one sentence."""
    stops = sum(len(trip.stops) for trip in plan.trips)
    if not stops and not plan.left_out:
        return "No visit has to be made within eight weeks."
    if not stops:
        return f"{len(plan.left_out)} visits are due and none fits into a trip."
    first = plan.trips[0]
    trips = "One trip" if len(plan.trips) == 1 else f"{len(plan.trips)} trips"
    seen = len({stop.cabin.slug for trip in plan.trips for stop in trip.stops})  # some are seen more than once
    cabins = "one cabin" if seen == 1 else f"{seen} cabins"
    left = f" {len(plan.left_out)} fit into no trip." if plan.left_out else ""
    return (
        f"{trips} to {cabins}, {distance(plan.distance_km, units)} in all. The next is on {date_words(first.day)}: "
        f"{', '.join(stop.cabin.name for stop in first.stops)}.{left}")


def trip_title(trip: PlannedTrip, units: Units) -> str:
    """One round."""
    name = f", {trip.trip}" if trip.trip else ""
    return (
        f"{date_words(trip.day)}{name}: leave {clock(trip.leave)}, back {clock(trip.back)}, "
        f"{distance(trip.distance_km, units)} from {trip.base.name}")


def clock(at: datetime) -> str:
    """Time of day at the cabin."""
    return f"{at:%H:%M %Z}"


def parts_words(parts: dict[str, int]) -> str:
    """A list to load."""
    return ", ".join(f"{number} × {part}" for part, number in sorted(parts.items())) or "nothing"


CLEAR_TITLE = "Open boil advisories by this plan"


def clear_lines(plan: Visits, cabins: Sequence[str] | None = None) -> list[str]:
    """From when on each open advisory can be clear, those of one shared event together; None: of all cabins."""
    mine = [one for one in plan.clear if cabins is None or one.cabin.slug in cabins]
    events = list(dict.fromkeys(one.event for one in mine))
    return [
        one.line + (f" [of the shared event {event}]" if event else "")
        for event in events for one in mine if one.event == event]


def year_rows(found: Compared, units: Units) -> list[tuple[str, str, str]]:
    """Rows with `YEAR_HEADERS`."""
    def row(name: str, told: Sequence[str]) -> tuple[str, str, str]:
        return (name, told[0], told[1])

    both: tuple[YearScore, YearScore] = (found.planned, found.anniversary)
    return [
        row("Trips", [f"{one.trips}" for one in both]),
        row("Driven", [distance(one.distance_km, units) for one in both]),
        row("Lamp hours thrown away", [f"{one.lamp_hours_thrown_away:,.0f} h" for one in both]),
        row("Days under threshold, all units", [f"{one.days_under_threshold}" for one in both]),
        row("Lamps used", [f"{one.lamps}" for one in both]),
    ]


def year_words(found: Compared) -> str:
    """Which rule does better in what, and on what it rests."""
    plan, other = found.planned, found.anniversary
    pairs = {
        "trips": (plan.trips, other.trips), "distance": (plan.distance_km, other.distance_km),
        "lamp hours thrown away": (plan.lamp_hours_thrown_away, other.lamp_hours_thrown_away),
        "days under threshold": (plan.days_under_threshold, other.days_under_threshold),
    }
    better = [name for name, (mine, theirs) in pairs.items() if mine < theirs]
    worse = [name for name, (mine, theirs) in pairs.items() if mine > theirs]
    parts = [
        f"The plan does better in {', '.join(better)}" if better else "The plan does better in nothing",
        f"the anniversary rule in {', '.join(worse)}" if worse else ""]
    left = f" Left out, for want of a forecast: {found.left_out}." if found.left_out else ""
    return (
        f"{', '.join(part for part in parts if part)}. Both were played over one year of {found.units} units that "
        f"age as the fit's middle has it; a fit that is wrong altogether is not in these figures.{left}")


def sensor_check_rows(events: pd.DataFrame, names: dict[tuple[str, str], str]) -> list[tuple[str, str, str, str]]:
    """Recorded checks with a value, newest first: when, where, who, and what it says."""
    checks = events[(events["kind"] == "sensor-checked") & (events["value"] > 0)].sort_values("at", ascending=False)
    return [
        (date_words(row["at"].date()), names.get((row["cabin"], row["unit"]), row["cabin"]), row["who"],
         check_words(row["value"]))
        for row in checks.to_dict("records")]
