"""The trips at a glance as HTML: what to load, a strip of days a cabin, the stops of a trip by number.

Escaped like all of `markup`. A stop has the same number in the strip, on its trip's map and in its list.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import pandas as pd

from dashboard.text.day_axis import DayAxis
from dashboard.text.lamps import clock, date_words, parts_words
from dashboard.text.lines import link_to
from dashboard.text.markup import text
from ingest.bookings.kept import Occupancy
from ingest.db.engine import named
from ingest.outlook.visits import PlannedTrip, PlannedVisit, Visits
from models.fleet import Cabin, CrewPolicy
from models.visits.access_windows import HouseRules

TICK_DAYS = 7
RULES = HouseRules()
CLOSE_DAYS = 4  # of eight weeks: stops of one cabin that lie nearer than that share a mark, or hide each other


@dataclass(frozen=True, slots=True)
class Taken:
    """Days on which a cabin cannot be entered."""

    start: date
    end: date  # the day of departure

    def words(self) -> str:
        """For who cannot see it."""
        return f"taken {self.start.day} {self.start:%b} to {self.end.day} {self.end:%b}"


def load(parts: Mapping[str, int]) -> str:
    """What to load, a part each."""
    body = "".join(f"<li><strong>{number} ×</strong> {text(part)}</li>" for part, number in sorted(parts.items()))
    return f'<ul class="tl-parts">{body}</ul>' if body else '<p class="tl-note">Nothing to load.</p>'


def strip(plan: Visits, taken: Occupancy, crew: CrewPolicy, axis: DayAxis) -> str:
    """A row a cabin on one axis of days: its stops by number, the days on which it cannot be entered greyed."""
    stops = _stops(plan)
    cabins = {one.slug: one for one in (*(stop.cabin for trip in plan.trips for stop in trip.stops),
                                        *(one.cabin for one in plan.left_out))}
    if not cabins:
        return ""
    spans = _spans(taken.bookings, axis)
    off = "".join(
        f'<i class="tl-v-off" style="left:{axis.at(day):.2f}%;width:{axis.at(day, 24) - axis.at(day):.2f}%"></i>'
        for number in range(axis.days) if not crew.works_on(day := axis.first + timedelta(days=number)))
    body = "".join(
        _row(one, stops.get(one.slug, []), spans.get(one.slug, []), _known(one.slug, taken), axis, off)
        for one in cabins.values())
    days = [axis.first + timedelta(days=number) for number in range(0, axis.days - TICK_DAYS // 2, TICK_DAYS)]
    ticks = [(axis.at(day), f"{day.day} {day:%b}") for day in days]
    return (
        f'<div class="tl-visit tl-visit-head tl-wide" aria-hidden="true"><span>Cabin</span>{axis.drawn(ticks)}'
        f'<span>Next stop</span></div><ul class="tl-rows">{body}</ul>'
        '<p class="tl-legend tl-mean"><b class="tl-v-stop">1</b> a stop, by its number in that day\'s trip '
        '<b class="tl-v-stop">3×</b> so many stops within days <span class="tl-k tl-v-taken"></span> taken: '
        "entered for an open boil advisory alone, and its guests are told (from "
        f"{_hour(RULES.arrive_min)} on the day of arrival to {_hour(RULES.leave_min)} on the day of departure) "
        '<span class="tl-k tl-v-off"></span> nobody drives</p>')


def _hour(minutes: int) -> str:
    return f"{minutes // 60}:{minutes % 60:02d}"


def _stops(plan: Visits) -> dict[str, list[tuple[int, PlannedVisit]]]:
    """Each cabin's stops with their numbers, in order of days."""
    out: dict[str, list[tuple[int, PlannedVisit]]] = {}
    for trip in plan.trips:
        for number, stop in enumerate(trip.stops, start=1):
            out.setdefault(stop.cabin.slug, []).append((number, stop))
    return out


def _spans(bookings: pd.DataFrame, axis: DayAxis) -> dict[str, list[Taken]]:
    """What is taken within the days drawn."""
    out: dict[str, list[Taken]] = {}
    for row in named(bookings):
        if row.start < axis.last and row.end >= axis.first:
            out.setdefault(row.cabin, []).append(Taken(row.start, row.end))
    return out


def _known(cabin: str, taken: Occupancy) -> str:
    """What has to be said where nobody knows when it is taken."""
    if cabin in taken.without:
        return "no calendar: ask"
    return "bookings not known: ask" if cabin in taken.unread else ""


def _row(
    cabin: Cabin, found: Sequence[tuple[int, PlannedVisit]], spans: Sequence[Taken], ask: str, axis: DayAxis,
    off: str,
) -> str:
    greyed = ""
    for one in spans:
        begin, end = axis.at(one.start, RULES.arrive_min / 60), axis.at(one.end, RULES.leave_min / 60)
        greyed += f'<i class="tl-v-taken" style="left:{begin:.2f}%;width:{end - begin:.2f}%"></i>'
    marks = "".join(_mark(one, axis) for one in _close(found))
    told = "; ".join((
        *([f"stop {number} on {date_words(stop.arrive.date())}" for number, stop in found] or ["no stop"]),
        *(one.words() for one in spans), *([ask] if ask else [])))
    when = "in no trip" if not found else f"{date_words(found[0][1].arrive.date())}, {clock(found[0][1].arrive)}"
    also = f'<span class="tl-mean">{text(ask)}</span>' if ask else ""
    later = ", ".join(f"{stop.arrive.day} {stop.arrive:%b}" for _, stop in found[1:])
    then = f' <span class="tl-mean">then {text(later)}</span>' if later else ""
    return (
        f'<li class="tl-visit"><div class="tl-visit-name">{link_to("cabin", cabin.name, cabin=cabin.slug)} {also}'
        f'</div><div class="tl-v-strip" role="img" aria-label="{text(told)}" title="{text(told)}">{off}{greyed}'
        f'{marks}</div><div class="tl-visit-when">{text(when)}{then}</div></li>')


def _close(found: Sequence[tuple[int, PlannedVisit]]) -> list[list[tuple[int, PlannedVisit]]]:
    """Stops in order of days, those together that lie close to the first of them."""
    out: list[list[tuple[int, PlannedVisit]]] = []
    for one in found:
        near = out and (one[1].arrive.date() - out[-1][0][1].arrive.date()).days < CLOSE_DAYS
        out[-1].append(one) if near else out.append([one])
    return out


def _mark(close: Sequence[tuple[int, PlannedVisit]], axis: DayAxis) -> str:
    """One stop by its number, several as how many; a line on each of their days."""
    days = [axis.at(stop.arrive.date(), 12) for _, stop in close]
    word = str(close[0][0]) if len(close) == 1 else f"{len(close)}×"
    lines = "" if len(close) == 1 else "".join(
        f'<i class="tl-v-day" style="left:{left:.2f}%"></i>' for left in days)
    return f'{lines}<b class="tl-v-stop" style="left:{days[0]:.2f}%">{word}</b>'


def stops(trip: PlannedTrip) -> str:
    """The stops of a trip in their order."""
    body = "".join(_stop(number, one) for number, one in enumerate(trip.stops, start=1))
    return f'<ol class="tl-stops">{body}</ol>'


def _stop(number: int, one: PlannedVisit) -> str:
    parts = text(parts_words(dict(one.parts)))
    bring = f'<div class="tl-stop-bring"><span class="tl-mean">Bring:</span> {parts}</div>' if one.parts else ""
    return (
        f'<li><b class="tl-v-stop">{number}</b><div class="tl-stop-who">'
        f'{link_to("cabin", one.cabin.name, cabin=one.cabin.slug)} <span class="tl-mean">arrive '
        f"{text(clock(one.arrive))}, {one.work_min:.0f} min; due {text(date_words(one.due))}</span></div>"
        f'<div class="tl-stop-do">{text("; ".join(one.tasks))}</div>{bring}</li>')
