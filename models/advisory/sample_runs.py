"""When may a sample be taken so that the van that took it brings it to the laboratory in time?

The laboratory is taken to lie where the van starts and ends (common practice, no source): the sample gets there
when the van is back, or, where the laboratory takes none any more that day, on its next day with somebody to drive.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from models.advisory.laboratory import WEEKDAYS, LaboratoryPolicy
from models.advisory.when_over import INCUBATION, LABORATORY_OPENS_H, LABORATORY_SHUTS_H, LEAST_WAY

WHOLE_DAY_MIN = 24 * 60
MINUTE = timedelta(minutes=1)
LOOKED_AHEAD_DAYS = 4  # no sample may travel for longer (`laboratory.MOST_WAY_H`)


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleRuns:
    """The rules for each of the days asked about, in minutes after local midnight.

    Attributes
    ----------
    from_min : ndarray of int
        From when on a sample of that day may be taken; a whole day's minutes where none may.
    until_min : ndarray of int
        Until when.
    back_by_min : ndarray of int
        By when the van has to be back with it.
    """

    from_min: np.ndarray
    until_min: np.ndarray
    back_by_min: np.ndarray


def sample_runs(
    days: Sequence[date], zone: ZoneInfo, works: Sequence[bool], *, laboratory: LaboratoryPolicy, back_min: int
) -> SampleRuns:
    """The rules for days that follow one another.

    Parameters
    ----------
    days : sequence of date
        One after the other.
    zone : ZoneInfo
        Of cabins and laboratory.
    works : sequence of bool
        On which of them somebody drives; beyond the last, everybody does.
    laboratory : LaboratoryPolicy
        Its days, and how long a sample may travel.
    back_min : int
        When the van is back at the latest.
    """
    from_min, until_min, back_by = [], [], []
    for number, day in enumerate(days):
        brought = _next_opening(number, days, works, laboratory, zone)
        begins = WHOLE_DAY_MIN if brought is None else _minute_of(day, zone, brought, laboratory)
        until = WHOLE_DAY_MIN
        if begins > LABORATORY_OPENS_H * 60 and WEEKDAYS[day.weekday()] in laboratory.laboratory_days:
            # it has to be there today, at the latest as the laboratory shuts
            until = LABORATORY_SHUTS_H * 60
            shuts = _at(day, LABORATORY_SHUTS_H, zone)
            begins = _minute_of(day, zone, shuts, laboratory)
        from_min.append(min(begins, WHOLE_DAY_MIN))
        until_min.append(until - (LEAST_WAY // MINUTE if until < WHOLE_DAY_MIN else 0))
        back_by.append(min(until, back_min))
    return SampleRuns(
        from_min=np.array(from_min), until_min=np.array(until_min), back_by_min=np.array(back_by))


def result_at(
    taken: datetime, back: datetime, zone: ZoneInfo, *, laboratory: LaboratoryPolicy, works_on: Sequence[date]
) -> datetime | None:
    """When the result of a sample is there at the earliest; None: it would be too old.

    Parameters
    ----------
    taken, back : datetime
        When it was taken, and the van was back with it.
    zone : ZoneInfo
    laboratory : LaboratoryPolicy
    works_on : sequence of date
        Days on which somebody drives.
    """
    ready = max(taken + LEAST_WAY, back)
    for number in range(LOOKED_AHEAD_DAYS + 1):
        day = back.astimezone(zone).date() + timedelta(days=number)
        if WEEKDAYS[day.weekday()] not in laboratory.laboratory_days or day not in works_on:
            continue
        if ready <= _at(day, LABORATORY_SHUTS_H, zone):
            there = max(ready, _at(day, LABORATORY_OPENS_H, zone))
            in_time = there - taken <= timedelta(hours=laboratory.laboratory_hours)
            return (there + INCUBATION).astimezone(zone) if in_time else None
    return None


def _next_opening(
    number: int, days: Sequence[date], works: Sequence[bool], laboratory: LaboratoryPolicy, zone: ZoneInfo
) -> datetime | None:
    """When the laboratory opens next on a later day on which somebody drives."""
    for ahead in range(1, LOOKED_AHEAD_DAYS + 1):
        day = days[number] + timedelta(days=ahead)
        driven = works[number + ahead] if number + ahead < len(works) else True
        if driven and WEEKDAYS[day.weekday()] in laboratory.laboratory_days:
            return _at(day, LABORATORY_OPENS_H, zone)
    return None


def _minute_of(day: date, zone: ZoneInfo, there: datetime, laboratory: LaboratoryPolicy) -> int:
    """The first minute of a day at which a sample that gets there then is young enough."""
    oldest = there - timedelta(hours=laboratory.laboratory_hours)
    return max(0, -int((_at(day, 0, zone) - oldest) // MINUTE))


def _at(day: date, hour: int, zone: ZoneInfo) -> datetime:
    return datetime(day.year, day.month, day.day, hour, tzinfo=zone).astimezone(UTC)
