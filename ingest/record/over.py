"""When each open advisory can be over, held against the next guests by the cabin's calendar."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from ingest.bookings.kept import COMING_DAYS, occupancy
from ingest.db.engine import Asks
from models.advisory import Advisory, State
from models.advisory.guests import next_arrival
from models.advisory.when_over import WhenOver, over_words, when_over
from models.fleet import Fleet
from models.visits.access_windows import HouseRules


@dataclass(frozen=True, slots=True, kw_only=True)
class Over:
    """An estimate, the next guests (None: no booking says so), and why these are not known (empty: they are)."""

    estimate: WhenOver
    arrival: datetime | None = None
    unknown: str = ""

    @property
    def words(self) -> tuple[str, ...]:
        """For a page or a command."""
        return (*over_words(self.estimate, arrival=self.arrival), *([self.unknown] if self.unknown else []))

    def to_json(self) -> dict[str, Any]:
        """As `advisory show --json` has it."""
        found = self.estimate
        return {
            "earliest": found.earliest, "likely": found.likely, "not_known": list(found.not_known),
            "next_guests": self.arrival, "samples": [
                {"step": str(one.step), "take_from": one.take_from, "at_laboratory": one.at_laboratory,
                 "result": one.result} for one in found.samples],
            "words": list(self.words)}


def over_of(store: Asks, fleet: Fleet, cabin: str, unit: str, advisory: Advisory, now: datetime) -> Over | None:
    """When an advisory can be over; None where it is lifted, or its unit is no longer enrolled."""
    estimate = estimate_of(fleet, cabin, unit, advisory, now)
    if estimate is None:
        return None
    arrival, unknown = arrival_of(store, fleet, cabin, now)
    return Over(estimate=estimate, arrival=arrival, unknown=unknown)


def estimate_of(fleet: Fleet, cabin: str, unit: str, advisory: Advisory, now: datetime) -> WhenOver | None:
    """The same without the guests: it asks nothing of the store."""
    if advisory.state is State.LIFTED or not fleet.has_unit(cabin, unit):
        return None
    return when_over(
        advisory, unit=fleet.unit(cabin, unit), cabin=fleet.cabin(cabin), now=now, policy=fleet.policy,
        laboratory=fleet.laboratory)


def arrival_of(store: Asks, fleet: Fleet, cabin: str, now: datetime) -> tuple[datetime | None, str]:
    """When the next guests come to a cabin, and why that is not known; None and empty: no booking says so."""
    place = fleet.cabin(cabin)
    today = now.astimezone(place.zone).date()
    # as far ahead as the collector reads calendars, less the days by which zones differ
    found = occupancy(
        store, replace(fleet, cabins=(place,)), today - timedelta(days=1), today + timedelta(days=COMING_DAYS - 2),
        now)
    if cabin in found.unread:
        return None, "When the next guests come is not known: `tarnlight doctor` says why."
    return next_arrival(found.bookings, place, now, HouseRules().arrive_min), ""
