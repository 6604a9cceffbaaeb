"""Checks of a live transmittance sensor against a sample of the same water: whether its readings are used at all.

A sensor that reads too clear makes a weak lamp look like a strong one in cloudy water, and one that reads too
cloudy hides how little light a clear water's reading stands for: either way is unsafe, so both count. Since when
nobody knows: a check that fails speaks of all the time between the good checks on both sides of it. In that time
the water test counts, as where there is no such sensor.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import pandas as pd

from models.dose.sensor_checks import between_good_checks
from models.fleet import Reactor

# Sensor less sample, at most, either way: EPA UV Disinfection Guidance Manual (EPA 815-R-06-007), SOURCES.md
# section 2, from memory. [points of transmittance over 1 cm]
MOST_OFF_POINTS = 2.0
UNTRUSTED = ("unit_no", "from_us", "until_us", "off_points", "checked_us", "who")


def uvt_check_words(off_points: float) -> str:
    """What a check says.

    Parameters
    ----------
    off_points : float
        What the sensor showed less what the sample had. [points]
    """
    side = "high" if off_points > 0 else "low"
    off = f"{abs(off_points):.3g} points too {side}" if off_points else "as the sample"
    if abs(off_points) <= MOST_OFF_POINTS:
        return f"it reads {off}, within the limit of {MOST_OFF_POINTS:g} points"
    return (
        f"it reads {off}, above the limit of {MOST_OFF_POINTS:g} points: since the last good check its readings "
        "are not used and the water test counts; clean or calibrate it, and check it again")


def uvt_stretches(checks: pd.DataFrame) -> pd.DataFrame:
    """When each unit's live transmittance is used, and when it is not.

    Parameters
    ----------
    checks : DataFrame
        `unit_no`, `at` (aware), `off_points` (sensor less sample; NaN: none was given), `who`; in any order.

    Returns
    -------
    DataFrame
        `UNTRUSTED`, sorted by unit and instant: from one good check to the next. `off_points` is the most that a
        failed check in between found, either way; 0 where the readings are used.
    """
    known = checks[checks["off_points"].notna()]
    if known.empty:
        return pd.DataFrame({
            **{name: np.zeros(0, np.int64) for name in UNTRUSTED}, "off_points": np.zeros(0),
            "who": np.zeros(0, dtype=object)})[list(UNTRUSTED)]
    out = between_good_checks(known.assign(found=known["off_points"].abs()), MOST_OFF_POINTS)
    return out.assign(off_points=out["worst"].fillna(0.0))[list(UNTRUSTED)]


def off_a_test(reactor: Reactor, *, live_pct: float, tested_pct: float) -> float | None:
    """How far a live sensor lay from a water test, where both cannot be right; None: they can. [points]

    Parameters
    ----------
    reactor : Reactor
        Says how well its sensor and a water test are known.
    live_pct : float
        What the sensor read on the day of the test; NaN: nothing. [%]
    tested_pct : float
        [%]

    Notes
    -----
    Their 95 % errors are added and not their squares, since water moves within the day; common practice, no source.
    """
    off = abs(live_pct - tested_pct)
    return off if off > reactor.uvt_uncertainty_points + reactor.uvt_test_uncertainty_points else None


@dataclass(frozen=True, slots=True, kw_only=True)
class UvtDoubt:
    """That a live transmittance sensor is not used, or not alone, and by which check.

    Attributes
    ----------
    off_points : float
        How far it was off. [points]
    checked_at : datetime
    checked_by : str
    by_test : bool
        Whether a water test said so, that nobody meant as a check of the sensor: which of both is right is open.
    """

    off_points: float
    checked_at: datetime
    checked_by: str
    by_test: bool = False

    @property
    def words(self) -> str:
        """As a sentence; days are UTC."""
        at = self.checked_at.astimezone(UTC)
        told = "from the water test of" if self.by_test else "at the check of"
        then = (
            "whichever of both gives less dose counts" if self.by_test
            else "its readings are not used, the water test counts")
        return (
            f"The transmittance sensor was {self.off_points:.3g} points off {told} {at.day} {at:%b %Y} by "
            f"{self.checked_by}: {then}.")
