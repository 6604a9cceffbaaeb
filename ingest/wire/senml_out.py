"""Values of a reading as a pack of SenML, for what publishes as a logger would."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime

# Name, unit on the wire, and what the column's own unit is divided by.
NAMES: dict[str, tuple[str, str, float]] = {
    "lamp_on": ("lamp", "", 1.0), "power_on": ("power", "", 1.0), "intensity_w_m2": ("intensity", "W/m2", 1.0),
    "flow_l_min": ("flow", "l/s", 60.0), "total_l": ("total", "l", 1.0), "uvt_pct": ("uvt", "/", 100.0),
    "water_temp_c": ("temp", "Cel", 1.0), "battery_v": ("battery", "V", 1.0), "lamp_hours": ("lit", "h", 1.0)}


def pack(at: datetime, values: Mapping[str, float | bool]) -> str:
    """One instant's values, by column."""
    records: list[dict[str, object]] = []
    for column, value in values.items():
        name, unit, divisor = NAMES[column]
        records.append({"n": name, "vb": value} if isinstance(value, bool) else {
            "n": name, "u": unit, "v": value / divisor})
    if records:
        records[0] = {"bt": round(at.timestamp(), 3), **records[0]}
    return json.dumps(records)
