"""The record of a month: all that is on record of these cabins, put together one month at a time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import pandas as pd

from ingest import queries
from ingest.db.engine import Asks
from ingest.evaluation.sensor_checks import checked, divided_in
from ingest.months.calendar import Month, months
from ingest.months.deeds import Deeds, deeds_of
from ingest.months.signed import Signed, figures_of, signatures, whole_month
from ingest.months.unknown import unknown_of
from ingest.months.water import Water, open_time, water_of
from models.fleet import Cabin, Fleet


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthRecord:
    """A month of all cabins on one clock.

    Attributes
    ----------
    number : int
        Which of the months asked for, from 0 on.
    divided : list of dict
        Stretches whose doses a sensor's check divides, with `cabin` and `unit`.
    signed : list of Signed
        Of whole months alone.
    """

    number: int
    month: Month
    fleet: Fleet
    made_at: datetime
    water: Water
    deeds: Deeds
    unknown: pd.DataFrame
    divided: list[dict[str, Any]]
    signed: list[Signed]


def month_records(
    store: Asks, fleet: Fleet, cabins: Sequence[Cabin], first: date, last: date, now: datetime
) -> Iterator[MonthRecord]:
    """The months from one day to another, oldest first, one in memory at a time."""
    known = open_time(store, fleet, now)
    advisories = queries.advisories(store, cabin=cabins[0].slug if len(cabins) == 1 else None)
    keys = [(one.slug, unit.slug) for one in cabins for unit in one.units]
    duty = checked(store, {key: number for number, key in enumerate(keys)}).duty
    names: list[str] = []
    for month in months(cabins, first, last):
        if month.name not in names:
            names.append(month.name)
        water, deeds = water_of(store, fleet, month, known), deeds_of(store, month, advisories)
        divided = [
            {"cabin": keys[one["unit_no"]][0], "unit": keys[one["unit_no"]][1], **one}
            for one in divided_in(duty, month.since, month.until)]
        yield MonthRecord(
            number=len(names) - 1, month=month, fleet=fleet, made_at=now, water=water, deeds=deeds,
            unknown=unknown_of(store, month, water, now),
            divided=[one for one in divided if one["cabin"] in month.slugs],
            signed=_signed(store, month, water, deeds))


def month_signatures(store: Asks, fleet: Fleet, cabin: Cabin, name: str, now: datetime) -> list[Signed]:
    """Who signed a cabin's month, and what has changed since; nothing is worked out for a month nobody signed."""
    [month] = months([cabin], *whole_month(name))
    if not signatures(store, month, {}):
        return []
    water = water_of(store, fleet, month, open_time(store, fleet, now))
    deeds = deeds_of(store, month, queries.advisories(store, cabin=cabin.slug))
    return _signed(store, month, water, deeds)


def _signed(store: Asks, month: Month, water: Water, deeds: Deeds) -> list[Signed]:
    [whole, *_] = months(month.cabins, *whole_month(month.name))
    if (whole.since, whole.until) != (month.since, month.until):
        return []
    if not (found := signatures(store, month, {})):
        return []
    signed = {one.cabin for one in found}
    return signatures(store, month, {slug: figures_of(water, deeds, slug) for slug in signed})
