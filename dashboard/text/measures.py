"""Times on the cabin's clock, and numbers in the reader's units.

Quantities arrive in the units of their names (L, L/min, degC) and are converted here, at the edge, and nowhere
else.
"""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime, timedelta, tzinfo
from enum import StrEnum

from models.advisory.notice import a_day_l
from models.water_quality import L_PER_US_GALLON

UNKNOWN = "not known"
_IN_UTC = re.compile(r"\b(\d{4}-\d\d-\d\d \d\d:\d\d) UTC\b")


class Units(StrEnum):
    """The reader's units."""

    METRIC = "metric"
    US = "us"


# Time --------------------------------------------------------------------------------------------


def local(at: datetime, zone: tzinfo, now: datetime | None = None) -> str:
    """An instant on the clock of that place, with the zone's own letters; within the year of `now` without it."""
    there = at.astimezone(zone)
    year = "" if now is not None and now.astimezone(zone).year == there.year else f" {there.year}"
    return f"{there:%a} {there.day} {there:%b}{year}, {there:%H:%M %Z}"


def on_the_clock(sentence: str, zone: tzinfo) -> str:
    """A sentence whose instants in UTC ("2026-11-25 15:48 UTC") are said on the clock of that place."""
    def there(found: re.Match[str]) -> str:
        at = datetime.fromisoformat(found[1]).replace(tzinfo=UTC).astimezone(zone)
        return f"{at:%Y-%m-%d %H:%M %Z}"

    return _IN_UTC.sub(there, sentence)


def duration(length: timedelta) -> str:
    """A length of time in at most two parts."""
    seconds = max(0, int(length.total_seconds()))
    days, rest = divmod(seconds, 86400)
    hours, rest = divmod(rest, 3600)
    minutes = rest // 60
    if days >= 2:
        return f"{days} days" + (f" {hours} h" if hours and days < 10 else "")
    if seconds >= 3600:
        hours += 24 * days
        return f"{hours} h" + (f" {minutes} min" if minutes else "")
    return f"{minutes} min" if seconds >= 120 else f"{seconds} s"


def age(at: datetime | None, now: datetime) -> str:
    """How old a reading is; one that is still to come says so."""
    if at is None:
        return "never"
    if at > now + timedelta(seconds=1):
        return f"{duration(at - now)} ahead of this clock"
    return f"{duration(now - at)} ago"


# Numbers -----------------------------------------------------------------------------------------


def absent(value: float | None) -> bool:
    """Whether a quantity is not known."""
    return value is None or math.isnan(value)


def volume(volume_l: float | None, units: Units) -> str:
    """A volume in L or US gal."""
    if volume_l is None or absent(volume_l):
        return UNKNOWN
    value, unit = to_volume(volume_l, units), volume_unit(units)
    return f"{value:,.1f} {unit}" if 0 < value < 10 else f"{value:,.0f} {unit}"


def between(
    low_l: float | None, upper_l: float | None, units: Units, *, length: timedelta = timedelta(0),
) -> str:
    """A volume and the most that it can be; an upper bound is never rounded down, nor a lower one up.

    Over a `length` of weeks, a bound that no meter set is told by the day (`models.advisory.notice.a_day_l`).
    """
    unit = volume_unit(units)
    daily_l = a_day_l(low_l, upper_l, length)
    if daily_l is not None:
        most = f"up to {_up(to_volume(daily_l, units))} {unit} a day"
        return most if low_l is None or absent(low_l) or low_l <= 0 else (
            f"at least {_down(to_volume(low_l, units))} {unit}, and {most}")
    if upper_l is None or absent(upper_l):
        return "an unknown amount" if low_l is None or absent(low_l) else f"at least {volume(low_l, units)}"
    upper = _up(to_volume(upper_l, units))
    if low_l is None or absent(low_l):
        return f"up to {upper} {unit}"
    told = _down(to_volume(low_l, units))
    return f"{upper} {unit}" if math.isclose(low_l, upper_l, rel_tol=1e-9) else f"{told} to {upper} {unit}"


def _down(value: float) -> str:
    """Rounded down: to a tenth below 10, else to a whole number."""
    if 0 < value < 10:
        return f"{math.floor(round(value * 10, 6)) / 10:,.1f}"
    return f"{math.floor(round(value, 6)):,d}"


def _up(value: float) -> str:
    """Rounded up: to a tenth below 10, else to a whole number."""
    if 0 < value < 10:
        return f"{math.ceil(round(value * 10, 6)) / 10:,.1f}"
    return f"{math.ceil(round(value, 6)):,d}"


def enough(volume_l: float, units: Units) -> str:
    """How much has to run: rounded up, never down."""
    return f"{math.ceil(round(to_volume(volume_l, units), 6)):,d} {volume_unit(units)}"


def flow(flow_l_min: float | None, units: Units) -> str:
    """A flow in L/min or US gal/min."""
    if flow_l_min is None or absent(flow_l_min):
        return UNKNOWN
    return f"{to_volume(flow_l_min, units):,.1f} {flow_unit(units)}"


def temperature(temp_c: float | None, units: Units) -> str:
    """A temperature in degC or degF."""
    if temp_c is None or absent(temp_c):
        return UNKNOWN
    return f"{to_temperature(temp_c, units):.1f} {temperature_unit(units)}"


def dose(dose_mj_cm2: float | None) -> str:
    """A dose; without a bound where lit water stands."""
    if dose_mj_cm2 is None or absent(dose_mj_cm2):
        return UNKNOWN
    return "no limit while water stands" if math.isinf(dose_mj_cm2) else f"{dose_mj_cm2:,.1f} mJ/cm²"


def dose_low(dose_mj_cm2: float | None) -> str:
    """A lower bound of dose, never rounded up."""
    if dose_mj_cm2 is None or absent(dose_mj_cm2) or math.isinf(dose_mj_cm2):
        return dose(dose_mj_cm2)
    return f"{math.floor(dose_mj_cm2 * 10) / 10:,.1f} mJ/cm²"


def number(value: float | None, unit: str, digits: int = 1) -> str:
    """Any other quantity."""
    return UNKNOWN if value is None or absent(value) else f"{value:,.{digits}f} {unit}"


def to_volume(volume_l: float, units: Units) -> float:
    """L (or L/min) as the reader has it."""
    return volume_l / L_PER_US_GALLON if units is Units.US else volume_l


def from_volume(value: float, units: Units) -> float:
    """The way back from `to_volume`, for what a form was given. [L or L/min]"""
    return value * L_PER_US_GALLON if units is Units.US else value


def to_temperature(temp_c: float, units: Units) -> float:
    """degC as the reader has it."""
    return temp_c * 9 / 5 + 32 if units is Units.US else temp_c


def volume_unit(units: Units) -> str:
    """L or gal."""
    return "gal" if units is Units.US else "L"


def flow_unit(units: Units) -> str:
    """L/min or gpm."""
    return "gpm" if units is Units.US else "L/min"


def temperature_unit(units: Units) -> str:
    """degC or degF."""
    return "°F" if units is Units.US else "°C"
