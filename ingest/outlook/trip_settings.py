"""How trips are made: where the van starts, how long a day is, how far the cabins are."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import time

import numpy as np
import pandas as pd

from ingest.settings import BadInput
from models.fleet import Fleet
from models.visits.routing import Van
from models.visits.travel import SPEED_KM_H, Travel, great_circle_travel, table_travel

START = "start"  # the place that trips begin at and end; no slug of a cabin may be it in a travel table
DAY_HOURS = 11.0  # from leaving to being back, unless told otherwise; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Base:
    """Where the van starts and ends its days."""

    name: str
    latitude: float
    longitude: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """How trips are made.

    Attributes
    ----------
    base : Base or None
        None: each round starts in the middle of its own trip's cabins.
    day_hours : float
        Between leaving and being back. [h]
    speed_km_h : float
    table : DataFrame or None
        Ways as `from, to, km, minutes`; the van's start is called "start".
    stock : mapping or None
        Parts that the van can carry on one day; None: whatever is needed.
    """

    base: Base | None = None
    day_hours: float = DAY_HOURS
    speed_km_h: float = SPEED_KM_H
    table: pd.DataFrame | None = None
    stock: Mapping[str, int] | None = None
    leave: time = field(default=time(7, 0))

    def __post_init__(self) -> None:
        if not 1 <= self.day_hours <= 16:
            raise BadInput(f"a day's length must be 1 to 16 h; got {self.day_hours:g}")
        if not 1 <= self.speed_km_h <= 200:
            raise BadInput(f"a speed must be 1 to 200 km/h; got {self.speed_km_h:g}")

    def van(self, stock: Mapping[str, int]) -> Van:
        """A van that keeps these hours."""
        leave_min = self.leave.hour * 60 + self.leave.minute
        return Van(stock=stock, leave_min=leave_min, back_min=min(leave_min + round(60 * self.day_hours), 24 * 60))


def middle_of(fleet: Fleet, trip: str) -> Base:
    """The middle of a trip's cabins, where nobody said where trips start."""
    cabins = [one for one in fleet.cabins if one.trip == trip]
    return Base(
        name=f"the middle of {trip or 'the cabins'}", latitude=float(np.mean([one.latitude for one in cabins])),
        longitude=float(np.mean([one.longitude for one in cabins])))


def travel_of(fleet: Fleet, base: Base, terms: Terms) -> Travel:
    """Ways between the van's start and all cabins."""
    places = (START, *(one.slug for one in fleet.cabins))
    if terms.table is not None:
        try:
            return table_travel(places, terms.table)
        except ValueError as error:
            raise BadInput(f"{error}; the van's start is called {START!r}") from error
    latitude = np.array([base.latitude, *(one.latitude for one in fleet.cabins)])
    longitude = np.array([base.longitude, *(one.longitude for one in fleet.cabins)])
    return great_circle_travel(places, latitude, longitude, speed_km_h=terms.speed_km_h)
