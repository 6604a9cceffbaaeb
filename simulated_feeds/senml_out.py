"""A logger's rows as SenML JSON packs (RFC 8428), with the units that loggers put on the wire."""

from __future__ import annotations

import json
from collections.abc import Iterator

import numpy as np

from simulated_feeds.logger import Rows

# name, unit, and decimals on the wire, of each column; times its factor. dashboard/docs/messages.md
WIRE = {
    "intensity_w_m2": ("intensity", "W/m2", 1.0, 2),
    "flow_l_min": ("flow", "m3/s", 1 / 60_000, 10),
    "total_l": ("total", "m3", 1e-3, 4),
    "water_temp_c": ("temp", "Cel", 1.0, 2),
    "uvt_pct": ("uvt", "/", 1e-2, 4),
    "battery_v": ("battery", "V", 1.0, 2),
    "lamp_hours": ("lit", "s", 3600.0, 0),
}
FLAGS = {"lamp_on": "lamp", "power_on": "power"}


def pack(rows: Rows, *, device: str = "") -> str:
    """Rows as one pack, in their order.

    Parameters
    ----------
    rows : Rows
        At least one.
    device : str
        Base name, "" for none; what a record measures is the part after its last "/".

    Returns
    -------
    str
        A JSON array: base name and base time in the first record, times relative to the base time.

    Raises
    ------
    ValueError
        If there is no row; RFC 8428 has no empty pack.
    """
    if not len(rows.at_s):
        raise ValueError("a pack needs at least one row")
    base_s = int(rows.at_s[0])
    since = [f',"t":{one}' if one else "" for one in (rows.at_s - base_s).tolist()]
    records: list[list[str]] = [[] for _ in since]
    for column, name in FLAGS.items():
        for place, value in enumerate(getattr(rows, column).tolist()):
            if value >= 0:
                records[place].append(f'"n":"{name}"{since[place]},"vb":{"true" if value else "false"}')
    for column, (name, unit, factor, decimals) in WIRE.items():
        values = np.round(rows.columns[column] * factor, decimals)
        head = f'"n":"{name}","u":"{unit}"'
        for place in np.flatnonzero(np.isfinite(values)).tolist():
            records[place].append(f'{head}{since[place]},"v":{float(values[place])!r}')
    flat = [one for row in records for one in row]
    base = f'"bn":{json.dumps(device)},' if device else ""
    flat[0] = f'{base}"bt":{base_s},{flat[0]}'
    return "[" + ",".join("{" + one + "}" for one in flat) + "]"


def split(rows: Rows, most: int) -> Iterator[Rows]:
    """Rows in parts of at most `most`, as a logger with a small memory sends a long backlog."""
    for first in range(0, len(rows.at_s), most):
        yield rows.taken(slice(first, first + most))
