"""Values of a reading as a pack of SenML, for what publishes as a logger would."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime

from ingest.wire.senml import QUANTITIES

# Of what is measured the unit that is written: one that is 0 where the column's own is.
UNITS = {"intensity": "W/m2", "flow": "l/s", "total": "l", "uvt": "/", "temp": "Cel", "battery": "V", "lit": "h"}
NAMES = {one.column: name for name, one in QUANTITIES.items()}


def pack(at: datetime, values: Mapping[str, float | bool]) -> str:
    """One instant's values, by column."""
    records: list[dict[str, object]] = []
    for column, value in values.items():
        name = NAMES[column]
        records.append({"n": name, "vb": value} if isinstance(value, bool) else {
            "n": name, "u": UNITS[name], "v": value / QUANTITIES[name].convert[UNITS[name]](1.0)})
    if records:
        records[0] = {"bt": round(at.timestamp(), 3), **records[0]}
    return json.dumps(records)
