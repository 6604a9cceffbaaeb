"""The intensity at 100 h that is kept as a unit's own 100 %, and how much of it is left."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

BURNT_IN_H = 100.0  # a lamp's output is rated from here on (SOURCES.md section 8, from memory)
# Days count up to so many hours later: a week, in which a lamp loses next to nothing; common practice, no source.
WITHIN_H = 168.0
MOST_DAYS = 3  # of those, the first ones; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstReading:
    """A first reading by the unit's own record.

    Attributes
    ----------
    intensity_w_m2 : float
        Median of the days' medians of lit, settled readings. [W/m2]
    first, days : int
        Index of the first day that counts, and how many do.
    lamp_hours : float
        Of the lamp on that day. [h]
    """

    intensity_w_m2: float
    first: int
    days: int
    lamp_hours: float


def first_reading(
    intensity_w_m2: ArrayLike, lamp_hours: ArrayLike, lamp_number: ArrayLike
) -> FirstReading | None:
    """The first reading of the latest lamp, from a unit's days in order of time.

    Parameters
    ----------
    intensity_w_m2 : array_like
        Median of the day's lit, settled readings; NaN: none. [W/m2]
    lamp_hours : array_like
        Lit hours since the lamp was swapped. [h]
    lamp_number : array_like of int
        Rises by one with each lamp.

    Returns
    -------
    FirstReading or None
        None where no such day is on record: then somebody has to read it off and type it.
    """
    intensity, hours = np.asarray(intensity_w_m2, dtype=float), np.asarray(lamp_hours, dtype=float)
    number = np.asarray(lamp_number)
    if not intensity.size:
        return None
    fits = (
        np.isfinite(intensity) & (number == number[-1]) & (hours >= BURNT_IN_H) & (hours <= BURNT_IN_H + WITHIN_H))
    days = np.flatnonzero(fits)[:MOST_DAYS]
    if not days.size:
        return None
    return FirstReading(
        intensity_w_m2=round(float(np.median(intensity[days])), 2), first=int(days[0]), days=int(days.size),
        lamp_hours=float(hours[days[0]]))


def share_of_first_pct(now_w_m2: float | None, first_w_m2: float | None) -> float | None:
    """How much of the first reading is left; None where one of both is not known. [%]

    Lamp, sleeve and water together: the sensor cannot tell them apart.
    """
    if now_w_m2 is None or first_w_m2 is None or not now_w_m2 >= 0 or not first_w_m2 > 0:
        return None
    return 100.0 * now_w_m2 / first_w_m2
