"""How far a unit's commissioning is, or its shut-down or start-up: record, water, size, first reading, frost."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from ingest.db import past
from ingest.db.engine import Asks
from ingest.outlook.lamp_days import LampDays
from ingest.record.commissioning import FeedFigure, entries_of, facts_of, feed_figures
from models.advisory import StepPolicy
from models.advisory.work_cautions import Work, sentences
from models.commissioning import (
    Capacity,
    Entry,
    FirstReading,
    FrostRisk,
    ItemState,
    Line,
    Occasion,
    capacity,
    feed_limits,
    first_reading,
    frost_risk,
    lines,
    share_of_first_pct,
)
from models.commissioning.checklist import FIRST_READING
from models.fleet import Cabin, Fleet, Reactor, Unit
from models.water_quality import WaterFindings, WaterTest, water_findings

FROST_DAYS = 10  # of the trend of the water's temperature

# One row: the latest temperature of one unit. Bounded by two weeks of its readings.
_TEMP = """
    SELECT "at", water_temp_c FROM whole_reading WHERE cabin = $cabin AND unit = $unit AND water_temp_c IS NOT NULL
    AND "at" > $since AND "at" <= $now ORDER BY "at" DESC LIMIT 1
"""
# One row per day of ten.
_TEMP_DAYS = """
    SELECT day::VARCHAR AS day, water_temp_c FROM daily
    WHERE cabin = $cabin AND unit = $unit AND day >= $since::DATE AND day < $now::DATE AND water_temp_c IS NOT NULL
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Transmittance:
    """The water's transmittance, and how it is known.

    Attributes
    ----------
    measured : bool
        A sensor reads it, or somebody said when it was tested. Else it is a figure of the registry without a date.
    age_days : float
        How old the test is; NaN: nobody knows. [days]
    """

    uvt_pct: float
    live: bool
    age_days: float

    @property
    def measured(self) -> bool:
        """Whether it can be held against a limit."""
        return self.live or not math.isnan(self.age_days)


@dataclass(frozen=True, slots=True, kw_only=True)
class Commissioning:
    """All that the command, the sheet and the page say of one unit and one occasion.

    Attributes
    ----------
    proposed : FirstReading or None
        What the unit's own record has as its first reading; None: no day at 100 h of its latest lamp is on record.
    proposed_on : str
        The day that it begins on, as YYYY-MM-DD.
    first_w_m2, now_w_m2 : float or None
        The first reading that is kept, and the median of the latest day. [W/m2]
    """

    cabin: Cabin
    unit: Unit
    reactor: Reactor
    occasion: Occasion
    at: datetime
    lines: tuple[Line, ...]
    entries: tuple[Entry, ...]
    transmittance: Transmittance
    figures: dict[str, FeedFigure]
    water: WaterFindings
    size: Capacity
    frost: FrostRisk
    proposed: FirstReading | None
    proposed_on: str
    first_w_m2: float | None
    now_w_m2: float | None

    @property
    def open(self) -> tuple[Line, ...]:
        """Items that are still to be done."""
        return tuple(one for one in self.lines if one.open)

    @property
    def begun(self) -> bool:
        """Whether anything of this round is on record."""
        return any(one.entry is not None for one in self.lines)

    @property
    def finished(self) -> bool:
        """Nothing is open; for a commissioning the water suits and the unit is large enough, both as known."""
        suits = self.occasion is not Occasion.COMMISSIONING or (self.water.suits is True and self.size.enough)
        return not self.open and suits

    @property
    def now_pct(self) -> float | None:
        """How much of its first reading is left. [%]"""
        return share_of_first_pct(self.now_w_m2, self.first_w_m2)

    @property
    def works(self) -> frozenset[Work]:
        """What the open items ask for."""
        return frozenset[Work]().union(*(one.item.works for one in self.open))

    def to_json(self) -> dict[str, Any]:
        """The keys of `tarnlight commission --json`."""
        return {
            "cabin": self.cabin.slug, "unit": self.unit.slug, "occasion": str(self.occasion),
            "finished": self.finished, "begun": self.begun,
            "items": [{
                "item": one.item.key, "title": one.item.title, "open": one.open, "doubt": one.doubt or None,
                "state": str(one.entry.state) if one.entry else None, "at": one.entry.at if one.entry else None,
                "who": one.entry.who if one.entry else None, "value": one.entry.value if one.entry else None,
                "value_unit": one.item.unit or None, "note": one.entry.note if one.entry else None}
                for one in self.lines],
            "water": [{
                "quantity": one.limit.name, "value": one.value, "limit": one.limit.value,
                "side": str(one.limit.side), "kept": one.kept, "source": one.limit.source,
                "mark": str(one.limit.mark), "remedy": None if one.kept else one.limit.remedy}
                for one in self.water.each],
            "water_suits": self.water.suits,
            "transmittance": asdict(self.transmittance),
            "size": {**asdict(self.size), "enough": self.size.enough},
            "frost": {**asdict(self.frost), "frost": str(self.frost.frost)},
            "first_reading_w_m2": self.first_w_m2, "intensity_w_m2": self.now_w_m2,
            "first_reading_pct": None if self.now_pct is None else round(self.now_pct, 1),
            "first_reading_by_record_w_m2": self.proposed.intensity_w_m2 if self.proposed else None,
            "cautions": list(sentences(self.works))}


def commissioning_of(
    store: Asks, fleet: Fleet, known: LampDays, key: tuple[str, str], occasion: Occasion, now: datetime
) -> Commissioning:
    """One unit's commissioning or season.

    Parameters
    ----------
    known : LampDays
        Of the whole fleet, up to `now` (`ingest.outlook.lamp_days.lamp_days`).
    """
    cabin, unit = fleet.cabin(key[0]), fleet.unit(*key)
    reactor = fleet.reactor(unit.reactor)
    entries = entries_of(store, *key, now)
    apart = timedelta(hours=(fleet.policy or StepPolicy()).sample_gap_h)
    facts = replace(facts_of(store, *key, now), samples_apart=apart)
    through = Transmittance(
        uvt_pct=known.uvt_pct[key], live=known.uvt_live[key], age_days=known.uvt_age_days[key])
    figures = feed_figures(store, *key, now)
    test = WaterTest(**{name: one.value for name, one in figures.items()},
                     uvt_pct=through.uvt_pct if through.measured else None)
    proposed, on, read = _readings(known, key)
    kept = [one for one in entries if one.occasion is Occasion.COMMISSIONING and one.item == FIRST_READING]
    first = kept[-1].value if kept and kept[-1].state is ItemState.DONE else None
    return Commissioning(
        cabin=cabin, unit=unit, reactor=reactor, occasion=occasion, at=now, entries=entries,
        lines=lines(occasion, entries, now, reactor=reactor, unit=unit, facts=facts),
        transmittance=through, figures=figures, water=water_findings(test, feed_limits(reactor)),
        size=capacity(reactor, unit, uvt_pct=through.uvt_pct, uvt_age_days=through.age_days, uvt_live=through.live),
        frost=_frost(store, key, now), proposed=proposed, proposed_on=on, first_w_m2=first, now_w_m2=read)


def _readings(known: LampDays, key: tuple[str, str]) -> tuple[FirstReading | None, str, float | None]:
    """The first reading by the record, its day, and the latest day's median; None and "" where not known."""
    days = known.days
    if days is None or key not in days.units:
        return None, "", None
    row = list(days.units).index(key)
    found = first_reading(days.intensity_w_m2[row], days.lamp_hours[row], days.lamp_number[row])
    last = int(days.last_day[row])
    read = round(float(days.intensity_w_m2[row, last]), 2) if last >= 0 else None
    return found, str(days.first_day + found.first) if found else "", read


def _frost(store: Asks, key: tuple[str, str], now: datetime) -> FrostRisk:
    """What the water's temperature says, by its latest reading and the days before."""
    since = now - timedelta(days=FROST_DAYS)
    about = {"cabin": key[0], "unit": key[1], "now": now, "since": since}
    latest = past.ask(store, _TEMP, about, since=since, until=now)
    if latest.empty:
        return frost_risk(None, None, now)
    told = store.ask(_TEMP_DAYS, about)
    by_day = dict(zip(told["day"], told["water_temp_c"], strict=True))
    days = [(now - timedelta(days=back)).date().isoformat() for back in range(FROST_DAYS, 0, -1)]
    return frost_risk(
        float(latest["water_temp_c"].iloc[0]), latest["at"].iloc[0].to_pydatetime(), now,
        np.array([by_day.get(day, np.nan) for day in days], dtype=float))
