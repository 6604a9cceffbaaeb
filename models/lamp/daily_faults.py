"""Sensors of intensity that do not tell the truth, over a unit's days.

`models.lamp.sensor_faults` finds what one day's readings show; this sets the days side by side.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from models.dose.sensor_checks import sensor_check
from models.lamp.sensor_faults import LEAST_VALUES, SensorFault

RECENT_DAYS = 14  # a fault of one day in so many may be chance; common practice, no source
LEAST_FAULT_DAYS = 2
OFFSET_DAYS = 60  # an offset shows on dark days alone, which are few; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class StandingFault:
    """A fault that nothing has cleared yet; days are UTC."""

    cabin: str
    unit: str
    fault: str
    since: date
    until: date
    days: int
    evidence: str


def stuck_all_day(days: pd.DataFrame) -> np.ndarray:
    """Days on which a sensor showed one value throughout, though it has shown many.

    Parameters
    ----------
    days : DataFrame
        `cabin`, `unit`, `values_read` (NaN where a day was too short to tell); `most_values`, the most that the
        unit ever showed in a day, where the table does not hold all its days.

    Returns
    -------
    ndarray of bool, shape (n,)

    Notes
    -----
    Judged by one day's own readings, a sensor stuck from midnight to midnight looks like a coarse one; the most
    values that the unit ever showed in a day tell the two apart.
    """
    shown = days["values_read"].astype(float)
    most = days["most_values"].astype(float) if "most_values" in days else shown.groupby(
        [days["cabin"], days["unit"]]).transform("max")
    return np.asarray((shown == 1) & (most >= LEAST_VALUES))


def standing_faults(days: pd.DataFrame, checks: pd.DataFrame) -> list[StandingFault]:
    """Faults that stand at the end of each unit's days.

    Parameters
    ----------
    days : DataFrame
        `cabin`, `unit`, `day`, `fault` (comma-separated `SensorFault`s), `fault_evidence`, `values_read`.
    checks : DataFrame
        `cabin`, `unit`, `at`, `value`: recorded sensor checks. One that passed clears what was found before it; one
        that did not is a fault of its own until the next.

    Notes
    -----
    Stuck or saturated on two of the unit's last fourteen days heard; an offset on any of sixty, because it shows
    only while the lamp is off.
    """
    out: list[StandingFault] = []
    passed, failed = _latest_checks(checks)
    table = days.assign(stuck=stuck_all_day(days)).sort_values(["cabin", "unit", "day"])
    suspect = table[(table["fault"] != "") | table["stuck"]]
    for (cabin, unit), found in suspect.groupby(["cabin", "unit"]):
        heard = table.loc[(table["cabin"] == cabin) & (table["unit"] == unit), "day"]
        cleared = passed.get((str(cabin), str(unit)))
        found = found if cleared is None else found[found["day"] > cleared]
        recent = found[found["day"] >= heard.iloc[-RECENT_DAYS:].iloc[0]]
        for fault, rows in (
            (SensorFault.STUCK, recent[recent["fault"].str.contains(SensorFault.STUCK) | recent["stuck"]]),
            (SensorFault.SATURATED, recent[recent["fault"].str.contains(SensorFault.SATURATED)]),
            (SensorFault.OFFSET, found[found["fault"].str.contains(SensorFault.OFFSET)
                                       & (found["day"] > heard.iloc[-1] - pd.Timedelta(days=OFFSET_DAYS))]),
        ):
            if len(rows) < (1 if fault is SensorFault.OFFSET else LEAST_FAULT_DAYS):
                continue
            told = rows["fault_evidence"].iloc[-1] or "The sensor showed one and the same value all day."
            out.append(StandingFault(
                cabin=str(cabin), unit=str(unit), fault=str(fault), since=rows["day"].iloc[0].date(),
                until=rows["day"].iloc[-1].date(), days=len(rows), evidence=str(told)))
    out += [
        StandingFault(
            cabin=cabin, unit=unit, fault="off reference", since=day, until=day, days=1,
            evidence=f"The latest check found {sensor_check(ratio).words}.")
        for (cabin, unit), (day, ratio) in failed.items()
    ]
    return out


def _latest_checks(
    checks: pd.DataFrame,
) -> tuple[dict[tuple[str, str], pd.Timestamp], dict[tuple[str, str], tuple[date, float]]]:
    """Per unit the day of its latest check that passed, and day and ratio of a latest one that did not."""
    passed: dict[tuple[str, str], pd.Timestamp] = {}
    failed: dict[tuple[str, str], tuple[date, float]] = {}
    judged = checks[checks["value"] > 0].sort_values("at")
    days = judged["at"].dt.tz_convert("UTC").dt.floor("D").dt.tz_localize(None)
    for cabin, unit, day, value in zip(judged["cabin"], judged["unit"], days, judged["value"], strict=True):
        if sensor_check(float(value)).passes:
            passed[cabin, unit] = day
            failed.pop((cabin, unit), None)
        else:
            failed[cabin, unit] = (day.date(), float(value))
    return passed, failed
