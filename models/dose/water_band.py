"""How far the water may be from its last test: a band of transmittance that widens with the test's age.

A lake's transmittance moves with seasons and storms. What a test said of it long ago bounds today's water less
well, to the clear side as to the cloudy one: clearer water with a weaker lamp gives the sensor the same reading,
and less dose than it stands for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models.dose.optics import absorption_per_cm
from models.dose.reactor import model_of
from models.dose.uvt_checks import UvtDoubt
from models.fleet import Reactor

# Half-width of the band beyond the fresh test's own: a point a month, up to a year's. Common practice, no source: a
# season's swing of a clear lake is some points, of a coloured one ten and more.
POINTS_A_DAY = 1.0 / 30.0
MOST_POINTS = 12.0
UNDATED_DAYS = 91.0  # a test of which nobody said the day: a quarter of a year; common practice, no source
OLD_DAYS = 365.0  # then a test is too old to rest on: test again; common practice, no source


def band_points(reactor: Reactor, age_days: ArrayLike) -> NDArray[np.float64]:
    """Half-width of the band at this age of the water test. [points]

    Parameters
    ----------
    reactor : Reactor
        Its `uvt_test_uncertainty_points` is that of a fresh test.
    age_days : array_like
        NaN where nobody knows when the water was tested: `UNDATED_DAYS`. Before the test it counts like after.

    Returns
    -------
    points : ndarray, same shape
        Whole points beyond the fresh test's, so that a fleet needs few tables.
    """
    age = np.nan_to_num(np.abs(np.asarray(age_days, dtype=float)), nan=UNDATED_DAYS)
    more = np.minimum(np.floor(age * POINTS_A_DAY), MOST_POINTS)
    return np.asarray(reactor.uvt_test_uncertainty_points + more, dtype=np.float64)


def looks_worse(reactor: Reactor, uvt_pct: float, than_pct: float) -> bool:
    """Whether a water test makes the water look worse than another: cloudier, or less dose of the same reading.

    Where the sensor sits far out, clearer water means a weaker lamp and less dose (`optics.mean_to_sensor`).
    """
    dose, other = (
        float(model_of(reactor).product(
            np.array(reactor.test_intensity_w_m2), absorption_per_cm(one), np.array(reactor.test_flow_l_min)))
        for one in (uvt_pct, than_pct))
    return bool(uvt_pct < than_pct or dose < other)


def age_days(tested_at: datetime | None, now: datetime) -> float:
    """How old a water test is; NaN: nobody said when it was made. [days]"""
    return math.nan if tested_at is None else (now - tested_at) / timedelta(days=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Water:
    """What is known of a unit's water.

    Attributes
    ----------
    uvt_pct : float
        Transmittance over 1 cm; NaN: nobody knows. [%]
    live : bool
        Whether a sensor says so now; else it is the latest water test's.
    tested_at : datetime or None
        When that was made; None: nobody said.
    points : float
        Half-width of the band that a test leaves open. [points]
    doubt : UvtDoubt or None
        Why a live sensor that speaks is not used, or not alone.
    rival : Water or None
        As of a water test that contradicts the live sensor: whichever gives less dose counts.
    """

    uvt_pct: float
    live: bool = False
    tested_at: datetime | None = None
    points: float
    doubt: UvtDoubt | None = None
    rival: Water | None = None

    @property
    def cloudiest_pct(self) -> float:
        """The least transmittance that is said of it. [%]"""
        return self.uvt_pct if self.rival is None else min(self.uvt_pct, self.rival.uvt_pct)

    @classmethod
    def tested(cls, reactor: Reactor, uvt_pct: float, tested_at: datetime | None, now: datetime) -> Water:
        """As of a water test."""
        return cls(
            uvt_pct=uvt_pct, tested_at=tested_at, points=float(band_points(reactor, age_days(tested_at, now))))

    def too_old_days(self, now: datetime) -> float | None:
        """How old the test is, where that is too old to rest on; None where it is not, or nobody knows. [days]"""
        age = math.nan if self.live else age_days(self.tested_at, now)
        return age if age > OLD_DAYS else None


def noon(day: date | None) -> datetime | None:
    """A day as an instant: its noon, UTC."""
    return None if day is None else datetime.combine(day, time(12), UTC)


def noon_us(day: date | None) -> float:
    """The same in microseconds; NaN where there is none. [us]"""
    at = noon(day)
    return math.nan if at is None else at.timestamp() * 1e6
