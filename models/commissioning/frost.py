"""What a unit's water temperature says of frost; where nobody measures it, nothing can be said."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

# Water freezes at 0 C (SOURCES.md section 15). The rest is common practice, no source: a degree for the sensor's
# own error, four degrees as near, since pipes in a wall or under a floor are colder than the water at the unit.
FREEZING_C = 1.0
NEAR_C = 4.0
STALE = timedelta(hours=24)  # an older reading says nothing of now
TREND_DAYS = 10  # the days that a fall is taken from
LEAST_TREND_DAYS = 5
SOON_DAYS = 14.0  # time enough to send somebody; common practice, no source


class Frost(StrEnum):
    """How near frost is."""

    NOT_KNOWN = "not known"
    FREEZING = "freezing"
    NEAR = "near"
    NOT_NEAR = "not near"


@dataclass(frozen=True, slots=True, kw_only=True)
class FrostRisk:
    """What can be said of frost.

    Attributes
    ----------
    temp_c : float or None
        The latest reading; None: none, or too old.
    days_to_near : float or None
        Days until the water is at `NEAR_C`, at the pace of the last days; None: it does not fall, or nobody knows.
    """

    frost: Frost
    temp_c: float | None = None
    at: datetime | None = None
    days_to_near: float | None = None


def frost_risk(
    temp_c: float | None, at: datetime | None, now: datetime, days_c: ArrayLike = ()
) -> FrostRisk:
    """Frost by the water at a unit.

    Parameters
    ----------
    temp_c, at : float, datetime
        Latest temperature of the water, and when it was read. [C]
    days_c : array_like
        Means of the last days up to now, oldest first, one a day; NaN: not known. [C]
    """
    if temp_c is None or at is None or not math.isfinite(temp_c):
        return FrostRisk(frost=Frost.NOT_KNOWN)
    if now - at > STALE:
        return FrostRisk(frost=Frost.NOT_KNOWN, at=at)
    if temp_c <= FREEZING_C:
        return FrostRisk(frost=Frost.FREEZING, temp_c=temp_c, at=at)
    if temp_c <= NEAR_C:
        return FrostRisk(frost=Frost.NEAR, temp_c=temp_c, at=at)
    left = _days_to_near(temp_c, np.asarray(days_c, dtype=float)[-TREND_DAYS:])
    soon = left is not None and left <= SOON_DAYS
    return FrostRisk(frost=Frost.NEAR if soon else Frost.NOT_NEAR, temp_c=temp_c, at=at, days_to_near=left)


def _days_to_near(temp_c: float, days_c: np.ndarray) -> float | None:
    """Days to `NEAR_C` at the median pace of all pairs of days (Theil-Sen: SOURCES.md section 10)."""
    known = np.flatnonzero(np.isfinite(days_c))
    if known.size < LEAST_TREND_DAYS:
        return None
    i, j = np.triu_indices(known.size, 1)
    pace = float(np.median((days_c[known[j]] - days_c[known[i]]) / (known[j] - known[i])))
    return None if pace >= 0 else (temp_c - NEAR_C) / -pace
