"""Which column a header means by its own words, and what has to be asked.

Only what can mean one thing is taken: a temperature may be the air's, a power may be in watts. A unit of measure is
taken from the header's name, never from the values below it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from ingest.wire.csv_shape import COLUMNS, Source, needs_unit, source
from models.units import FLAGS, UNITS, unit_named

# Names in plain words, as headers have them (common practice, no source).
NAMES = {
    "at": "at", "timestamp": "at", "datetime": "at", "date time": "at", "date/time": "at", "date and time": "at",
    "date & time": "at", "time stamp": "at", "date": "date", "time of day": "time",
    "flow": "flow_l_min", "flow rate": "flow_l_min", "flowrate": "flow_l_min", "water flow": "flow_l_min",
    "intensity": "intensity_w_m2", "uv intensity": "intensity_w_m2", "uvc intensity": "intensity_w_m2",
    "irradiance": "intensity_w_m2", "uv irradiance": "intensity_w_m2",
    "total": "total_l", "total volume": "total_l", "volume total": "total_l", "totalizer": "total_l",
    "totaliser": "total_l", "meter total": "total_l",
    "uvt": "uvt_pct", "uv transmittance": "uvt_pct", "transmittance": "uvt_pct",
    "water temperature": "water_temp_c", "water temp": "water_temp_c",
    "battery": "battery_v", "battery voltage": "battery_v",
    "lamp hours": "lamp_hours", "lamp": "lamp_on", "lamp on": "lamp_on", "lamp status": "lamp_on",
    "lamp state": "lamp_on", "power on": "power_on", "power present": "power_on", "mains present": "power_on",
}
IN_NAME = {"lamp hours": "h"}  # units that are a word of the name
ON_OFF = ("", "on/off", "0/1", "1/0", "yes/no")
UTC = ("utc", "gmt", "z")


_IN_BRACKETS = re.compile(r"^(?P<name>.*?)\s*[\[(]\s*(?P<unit>[^\[\]()]*?)\s*[\])]\s*$")
_AT_END = re.compile(r"^(?P<name>.+?)[\s_,]+(?P<unit>\S+)$")


def name_and_unit(header: str) -> tuple[str, str]:
    """A header's name in plain words, and the unit that stands in it as written; "" where none does."""
    if _plain(header) in NAMES:
        return _plain(header), ""
    found = _IN_BRACKETS.match(header)
    if found is None:
        found = _AT_END.match(header)
        if found is not None and not unit_named(found["unit"]):
            found = None
    name, unit = (found["name"], found["unit"]) if found else (header, "")
    return _plain(name), unit


def _plain(name: str) -> str:
    return " ".join(re.split(r"[\s_\-]+", name.lower().strip(" ,:;_")))


@dataclass(frozen=True, slots=True)
class Meant:
    """What a header means: its source where that is sure, else what is asked; nothing where no word is known."""

    source: Source | None = None
    asked: str = ""
    utc: bool = False


def meant_by(header: str, headers: list[str]) -> Meant:
    """What one of a file's headers means by itself."""
    if header in COLUMNS:
        return Meant(Source(header, header))
    name, unit = name_and_unit(header)
    column = NAMES.get(name, "")
    if name == "time":  # beside a date it is the time of day
        column = "time" if any(NAMES.get(name_and_unit(one)[0]) == "date" for one in headers) else "at"
    if not column:
        return Meant()
    if column in ("at", "date", "time"):
        return Meant(Source(header, column), utc=unit.lower() in UTC)
    if column in FLAGS:
        return Meant(Source(header, column)) if unit.lower() in ON_OFF else Meant(
            asked=f'what {unit!r} in {header!r} means: --column "{header}={column}", or "{header}=-" (left out)')
    unit = unit or IN_NAME.get(name, "")
    if not unit or unit_named(unit) not in UNITS[column]:
        return Meant(asked=unit_asked(header, column, unit))
    return Meant(source(header, column, unit))


def unit_asked(header: str, column: str, unit: str = "") -> str:
    """What to say where a column's unit is not told and not in its name."""
    why = f"{unit!r} is not known" if unit else "it is not in its name, and never guessed from values"
    return (f'the unit of {header!r}: {why}: --column "{header}={column}:UNIT" with one of '
            f"{', '.join(UNITS[column])}")


def unit_settled(told: Source) -> Source | str:
    """A source that was told, in the unit that its header has; or what is wrong or asked."""
    _, unit = name_and_unit(told.header)
    named = unit_named(unit)
    if not needs_unit(told.column):
        return told
    if told.unit:
        if named in UNITS[told.column] and named != told.unit:
            return (f"{told.header!r} has {unit!r} in its name and was told to be in {told.unit!r}: one of them is "
                    "wrong; correct the header in the file, or what was told")
        return told
    if told.header == told.column:
        return told
    if named not in UNITS[told.column]:
        return unit_asked(told.header, told.column)
    return source(told.header, told.column, unit, told.owner)
