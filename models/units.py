"""In which units of measure a quantity may come in, and how it becomes the store's own."""

from __future__ import annotations

import math

from models.water_quality import L_PER_US_GALLON

FLAGS = ("lamp_on", "power_on")  # what is on or off and has no unit

# Units that a column may be in, as factor and offset to the column's own unit. Gallons are US gallons.
UNITS: dict[str, dict[str, tuple[float, float]]] = {
    "intensity_w_m2": {"W/m2": (1.0, 0.0), "mW/cm2": (10.0, 0.0), "uW/cm2": (0.01, 0.0)},
    "flow_l_min": {
        "l/min": (1.0, 0.0), "l/s": (60.0, 0.0), "m3/h": (1000.0 / 60.0, 0.0), "m3/s": (60_000.0, 0.0),
        "gal/min": (L_PER_US_GALLON, 0.0)},
    "total_l": {"l": (1.0, 0.0), "m3": (1000.0, 0.0), "gal": (L_PER_US_GALLON, 0.0)},
    "uvt_pct": {"%": (1.0, 0.0), "/": (100.0, 0.0)},
    "water_temp_c": {
        "Cel": (1.0, 0.0), "K": (1.0, -273.15), "degF": (5.0 / 9.0, -160.0 / 9.0)},
    "battery_v": {"V": (1.0, 0.0), "mV": (0.001, 0.0)},
    "lamp_hours": {"h": (1.0, 0.0), "s": (1.0 / 3600.0, 0.0), "d": (24.0, 0.0)},
}
# Other ways to write them, without their case.
SPELLINGS = {
    "gpm": "gal/min", "us gpm": "gal/min", "us gal/min": "gal/min", "lpm": "l/min", "m³/h": "m3/h", "m³/s": "m3/s",
    "us gal": "gal", "gallons": "gal", "litres": "l", "liters": "l", "m³": "m3", "w/m²": "W/m2", "mw/cm²": "mW/cm2",
    "uw/cm²": "uW/cm2", "µw/cm2": "uW/cm2", "µw/cm²": "uW/cm2", "μw/cm²": "uW/cm2", "°c": "Cel", "c": "Cel",
    "degc": "Cel", "deg c": "Cel", "°f": "degF", "f": "degF", "deg f": "degF", "hours": "h", "hrs": "h", "hr": "h",
    "volts": "V", "days": "d", "ratio": "/",
} | {name.lower(): name for units in UNITS.values() for name in units}


def unit_named(text: str) -> str:
    """A unit of measure by any of its spellings; "" where it is none."""
    return SPELLINGS.get(" ".join(text.lower().split()), "")


def in_own_unit(column: str, unit: str, number: float) -> float:
    """A number of a unit of measure in its column's own unit.

    Raises
    ------
    ValueError
        If it is finite in the one and not in the other.
    """
    factor, offset = UNITS[column][unit_named(unit)]
    found = number * factor + offset
    if not math.isfinite(found):
        raise ValueError(f"{number!r} {unit} is no finite number of {column}")
    return found


def require_column_and_unit(column: object, unit: object) -> None:
    """Refuse a column that no reading has, and a unit that it cannot be in; a unit is never guessed."""
    if column in FLAGS:
        if unit:
            raise ValueError(f"unit of {column} must be left out: it is on or off; got {unit!r}")
        return
    if not isinstance(column, str) or column not in UNITS:
        raise ValueError(f"column must be one of {', '.join((*FLAGS, *UNITS))}; got {column!r}")
    if not isinstance(unit, str) or unit_named(unit) not in UNITS[column]:
        raise ValueError(f"unit of {column} must be one of {', '.join(UNITS[column])}; got {unit!r}")
