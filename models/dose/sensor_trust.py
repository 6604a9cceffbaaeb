"""Whether a unit's duty sensor is to be trusted: what its checks say and what its readings give away, in one state.

A dose is only as true as the sensor that it is worked out from. What is found to be wrong with one comes here as
plain findings, whoever found it; dose and verdict read what follows from them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import StrEnum

import numpy as np

from models.dose.optics import absorption_per_cm
from models.dose.reactor import Sensor, uvt_points
from models.dose.sensor_checks import SensorState
from models.dose.water_band import Water
from models.fleet import Reactor

CHECK_IT = "Check the sensor against a reference, and clean or replace it"
CHECK_JUMP = (
    "Check the sensor against a reference and have the water tested; record it if lamp or sleeve was changed")


class FaultKind(StrEnum):
    """What is wrong with a duty sensor."""

    STUCK = "stuck"
    SATURATED = "saturated"
    OFFSET = "offset"
    JUMP = "jump"
    OFF_REFERENCE = "off reference"


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorFinding:
    """One thing found wrong with a sensor that nothing has cleared yet.

    Attributes
    ----------
    fault : FaultKind
    since, until : datetime
        First and last instant known with it.
    days : int
        On how many days it was found.
    evidence : str
        A sentence with the number that shows it.
    low_ratio : float or None
        A lower bound of dose over this still holds in spite of it; None: no bound can be had.

    Notes
    -----
    A stuck sensor says nothing of the light: no bound. After a jump up the light is at least what it was before
    (lamps and sleeves only get weaker by themselves), so the bound is divided by the jump; where nothing is known
    of before, there is none. A sensor at its ceiling reads the light or less, and a small offset lies within what
    the bound allows for: their bound stands, and is watched. So is one that was stuck and moves again. A failed
    check's ratio divides the dose by itself (`models.dose.sensor_checks`).
    """

    fault: FaultKind
    since: datetime
    until: datetime
    evidence: str
    days: int = 1
    low_ratio: float | None = 1.0

    def __post_init__(self) -> None:
        if self.low_ratio is not None and not 1.0 <= self.low_ratio < np.inf:
            raise ValueError(f"low_ratio must be a finite number, at least 1; got {self.low_ratio!r}")

    @property
    def action(self) -> str:
        """What to do about the sensor, without what to drink meanwhile."""
        return CHECK_JUMP if self.fault is FaultKind.JUMP else CHECK_IT


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorTrust:
    """What is known of a unit's duty sensor, and how far a dose may rest on it.

    Attributes
    ----------
    checks : SensorState
        By its checks: ratio, when the last was, when the next is due, for how long there was none.
    findings : tuple of SensorFinding
        By its readings, and by a check that failed.
    """

    checks: SensorState = field(default_factory=SensorState)
    findings: tuple[SensorFinding, ...] = ()

    @property
    def dose_known(self) -> bool:
        """Whether any bound of dose can be had."""
        return all(one.low_ratio is not None for one in self.findings)

    @property
    def low_ratio(self) -> float:
        """What lower bounds of the present dose are divided by. [-]

        Notes
        -----
        A check before a jump and the jump itself multiply; a check made after it holds the jump already, and
        counting it twice errs on the safe side.
        """
        return self.checks.low_ratio * max((one.low_ratio or 1.0 for one in self.findings), default=1.0)


def most_believable_w_m2(reactor: Reactor, water: Water) -> float:
    """The highest reading that a new lamp behind a clean sleeve can give, in the clearest water that it may be.

    Parameters
    ----------
    reactor : Reactor
    water : Water
        Its band is added: a live sensor's, or what a test of that age leaves open. Unknown water: inf is given.

    Returns
    -------
    float
        With the sensor's own 95 % uncertainty on top. [W/m2]
    """
    if np.isnan(water.uvt_pct):
        return float("inf")
    points = uvt_points(reactor, live=water.live, tested=water.points)
    clearest = absorption_per_cm(min(water.uvt_pct + points, 100.0))
    return float(Sensor(reactor).new_lamp_w_m2(clearest)) * (1.0 + reactor.sensor_uncertainty_pct / 100.0)


def too_bright(
    *, reading_w_m2: float, most_w_m2: float, before_w_m2: float | None, since: datetime, until: datetime
) -> SensorFinding:
    """A reading above what a new lamp can give in this water.

    Parameters
    ----------
    reading_w_m2, most_w_m2 : float
        What it reads, and what it could read at most. [W/m2]
    before_w_m2 : float or None
        Its level of the days before; None, or one that could not be either: no bound of dose can be had. [W/m2]
    """
    bounded = before_w_m2 is not None and 0 < before_w_m2 <= most_w_m2
    return SensorFinding(
        fault=FaultKind.JUMP, since=since, until=until,
        low_ratio=max(reading_w_m2 / before_w_m2, 1.0) if bounded and before_w_m2 is not None else None,
        evidence=f"The sensor reads {reading_w_m2:.3g} W/m2, more than the {most_w_m2:.3g} that a new lamp behind "
        "a clean sleeve can give in this water.")


def stuck(*, reading_w_m2: float, since: datetime, until: datetime) -> SensorFinding:
    """A reading that does not change any more, flow or no flow."""
    return SensorFinding(
        fault=FaultKind.STUCK, since=since, until=until, low_ratio=None, days=max(1, (until - since).days),
        evidence=f"The sensor has read {reading_w_m2:g} W/m2, unchanged, since "
        f"{since.astimezone(UTC):%Y-%m-%d %H:%M UTC}, flow or no flow.")


def level_jump(*, level_w_m2: float, before_w_m2: float, since: datetime, until: datetime) -> SensorFinding:
    """A level that rose and that nothing on record explains."""
    return SensorFinding(
        fault=FaultKind.JUMP, since=since, until=until, days=max(1, (until - since).days + 1),
        low_ratio=max(level_w_m2 / before_w_m2, 1.0),
        evidence=f"Since {since.astimezone(UTC):%Y-%m-%d %H:%M UTC} the sensor reads {level_w_m2:.3g} W/m2 "
        f"where it read {before_w_m2:.3g} in the days before, and no new lamp, cleaning, check or clearer water is "
        "on record: the lower bound of dose counts on no more than before.")
