"""SenML JSON (RFC 8428): a pack to resolved records, and those to the columns of a reading.

A pack that cannot be read is refused whole; a record that cannot be used is refused alone.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

RELATIVE_BELOW_S = 2**28  # RFC 8428, 4.5.3: a sum below is relative to now
VERSION = 10  # RFC 8428, 4.4: the version that this decoder understands
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")  # RFC 8428, 4.5.1
LABELS = frozenset(["bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut"])
VALUES = ("v", "vs", "vb", "vd")

L_MIN_PER_M3_S = 60_000.0
L_MIN_PER_L_S = 60.0
L_PER_M3 = 1_000.0
KELVIN_AT_0_C = 273.15
S_PER_H = 3_600.0


class PackRefused(ValueError):
    """The pack as a whole cannot be read."""


@dataclass(frozen=True, slots=True)
class Refused:
    """A record that cannot be used, and why."""

    record: str
    reason: str


@dataclass(frozen=True, slots=True)
class Quantity:
    """What a SenML name means here: its column, its kind of value, and its units on the wire."""

    column: str
    boolean: bool
    convert: dict[str, Callable[[float], float]]


def _same(value: float) -> float:
    return value


# design.md, "Messages": the first unit of each is meant where a record names none.
QUANTITIES: dict[str, Quantity] = {
    "lamp": Quantity("lamp_on", True, {}),
    "intensity": Quantity("intensity_w_m2", False, {"W/m2": _same}),
    "flow": Quantity("flow_l_min", False, {
        "m3/s": lambda v: v * L_MIN_PER_M3_S, "l/s": lambda v: v * L_MIN_PER_L_S}),
    "total": Quantity("total_l", False, {"m3": lambda v: v * L_PER_M3, "l": _same}),
    "power": Quantity("power_on", True, {}),
    "temp": Quantity("water_temp_c", False, {"Cel": _same, "K": lambda v: v - KELVIN_AT_0_C}),
    # "%" is a ratio too (RFC 8428, 12.1): 0.85 and not 85
    "uvt": Quantity("uvt_pct", False, {"/": lambda v: v * 100.0, "%": lambda v: v * 100.0}),
    "battery": Quantity("battery_v", False, {"V": _same}),
    "lit": Quantity("lamp_hours", False, {"s": lambda v: v / S_PER_H, "h": _same}),
}


def parse(payload: bytes) -> list[Any]:
    """The pack's JSON array.

    Raises
    ------
    PackRefused
        If the payload is empty, no UTF-8, no JSON, nested too deeply, or no array.
    """
    if not payload:
        raise PackRefused("empty payload; a SenML pack is a JSON array of records")
    try:
        # NaN and Infinity are no JSON; read as numbers here, so that only their records are refused
        pack = json.loads(payload.decode("utf-8"))
    except UnicodeDecodeError as error:
        raise PackRefused(f"not UTF-8 text: byte {error.start} cannot be read") from error
    except json.JSONDecodeError as error:
        raise PackRefused(f"not JSON: {error}") from error
    except RecursionError as error:
        raise PackRefused("JSON nested too deeply; a SenML pack is a flat array of records") from error
    except ValueError as error:  # a whole number of more digits than Python converts
        raise PackRefused(f"a number that cannot be read: {error}") from error
    if not isinstance(pack, list):
        raise PackRefused(f"the root of a SenML pack must be an array; got {type(pack).__name__}")
    if not pack:
        raise PackRefused("the pack holds no record")
    return pack


def resolve(pack: list[Any], now_s: float) -> Iterator[dict[str, Any] | Refused]:
    """Records with base fields applied and times absolute, as RFC 8428, 4.6 says.

    Parameters
    ----------
    pack : list
        The pack's array.
    now_s : float
        Arrival, Unix time; relative times count from it. [s]

    Yields
    ------
    dict or Refused
        `n`, `t`, and of `u v vs vb vd s ut` what the record has, in the pack's own order.

    Raises
    ------
    PackRefused
        For a version above 10, versions that differ, or a label ending in "_" (must be understood, 4.4).
    """
    base: dict[str, Any] = {}
    for record in pack:
        if not isinstance(record, dict):
            yield Refused(_shown(record), f"a record must be an object; got {type(record).__name__}")
            continue
        for label in record:
            if label not in LABELS and label.endswith("_"):
                raise PackRefused(f"label {_told(label)} must be understood (RFC 8428, 4.4) and is not")
        version = record.get("bver", base.get("bver", VERSION))
        if isinstance(version, bool) or not isinstance(version, (int, float)) or version > VERSION:
            raise PackRefused(f"bver must be at most {VERSION}; got {_told(version)}")
        if "bver" in base and version != base["bver"]:
            raise PackRefused(f"all records must have one bver; got {_told(base['bver'])} and {_told(version)}")
        problem = _base_problem(record)
        if problem:
            yield Refused(_shown(record), problem)
            continue
        base.update({label: record[label] for label in ("bn", "bt", "bu", "bv", "bs") if label in record})
        base["bver"] = version
        yield _resolve_one(record, base, now_s)


def _base_problem(record: dict[str, Any]) -> str:
    """Why the base fields of a record cannot be applied, or nothing."""
    for label in ("bn", "bu", "n", "u"):
        if label in record and not isinstance(record[label], str):
            return f"{label} must be a text; got {_told(record[label])}"
    for label in ("bt", "bv", "bs", "t", "s", "ut"):
        if label in record and not _is_number(record[label]):
            return f"{label} must be a finite number; got {_told(record[label])}"
    return ""


def _resolve_one(record: dict[str, Any], base: dict[str, Any], now_s: float) -> dict[str, Any] | Refused:
    name = base.get("bn", "") + record.get("n", "")
    if not NAME.fullmatch(name):
        return Refused(_shown(record), f"name must match {NAME.pattern} (RFC 8428, 4.5.1); got {_told(name)}")
    present = [label for label in VALUES if label in record]
    # a base value alone makes "v" (4.6); a record with only base fields and no sum has no value at all
    if not present and "bv" in base and not ("s" in record or "bs" in base):
        present, record = ["v"], {**record, "v": 0}
    if len(present) > 1:
        return Refused(_shown(record), f"one value a record; got {' and '.join(present)}")
    if not present and "s" not in record and "bs" not in base:
        return Refused(_shown(record), "the record has no value (v, vs, vb, vd or s)")
    out: dict[str, Any] = {"n": name}
    unit = record.get("u", base.get("bu"))
    if unit is not None:
        out["u"] = unit
    for label in present:
        value = record[label]
        if label == "v":
            if not _is_number(value):
                return Refused(_shown(record), f"v of {name!r} must be a finite number; got {_told(value)}")
            value = float(value) + float(base["bv"]) if "bv" in base else value
        elif label == "vb" and not isinstance(value, bool):
            return Refused(_shown(record), f"vb of {name!r} must be true or false; got {_told(value)}")
        elif label in ("vs", "vd") and not isinstance(value, str):
            return Refused(_shown(record), f"{label} of {name!r} must be a text; got {_told(value)}")
        out[label] = value
    if "s" in record or "bs" in base:
        out["s"] = record.get("s", 0) + base.get("bs", 0)
    # as floats: the sum of two whole numbers may be beyond the range of a float, and then cannot become one
    time_s = float(base.get("bt", 0)) + float(record.get("t", 0))
    out["t"] = now_s + time_s if time_s < RELATIVE_BELOW_S else time_s
    if 0 < time_s < RELATIVE_BELOW_S:
        out["ahead_s"] = time_s  # of now; what that means is for whoever reads the record
    if "ut" in record:
        out["ut"] = record["ut"]
    return out


def readings(payload: bytes, now_s: float) -> tuple[dict[int, dict[str, float | bool]], list[Refused]]:
    """One pack to the columns of readings.

    Parameters
    ----------
    payload : bytes
        A SenML JSON pack.
    now_s : float
        Arrival, Unix time. [s]

    Returns
    -------
    rows : dict
        Instant (Unix time in ms) to column and value in the column's unit. The first value stays.
    refused : list of Refused
        Records that cannot be used.

    Raises
    ------
    PackRefused
        If the pack as a whole cannot be read.
    """
    return rows_of(resolve(parse(payload), now_s))


def rows_of(
    records: Iterable[dict[str, Any] | Refused],
) -> tuple[dict[int, dict[str, float | bool]], list[Refused]]:
    """Resolved records of one unit to rows and refused, as `readings` returns them."""
    rows: dict[int, dict[str, float | bool]] = {}
    refused: list[Refused] = []
    for record in records:
        if isinstance(record, Refused):
            refused.append(record)
            continue
        if "ahead_s" in record:  # nobody logs the future: a clock that counts from its own start
            refused.append(Refused(
                _shown(record), f"at = {record['ahead_s']:g} s after its arrival: the logger's clock is not set"))
            continue
        try:
            column, value = _column(record)
        except ValueError as error:
            refused.append(Refused(_shown(record), str(error)))
            continue
        if not abs(record["t"]) < 9e9:  # year 2255: far beyond, a timestamp could not hold it
            refused.append(Refused(_shown(record), f"time out of any range: {record['t']!r} s"))
            continue
        rows.setdefault(round(record["t"] * 1000), {}).setdefault(column, value)
    return rows, refused


def _column(record: dict[str, Any]) -> tuple[str, float | bool]:
    """Column and value of a resolved record; ValueError says what does not fit."""
    name = re.split(r"[:/]", record["n"])[-1]  # a base name may carry the device before it
    quantity = QUANTITIES.get(name)
    if quantity is None:
        raise ValueError(f"unknown name {_told(name)}; known are: {', '.join(QUANTITIES)}")
    label = "vb" if quantity.boolean else "v"
    if label not in record:
        raise ValueError(f"{name} takes {label}; got {next((x for x in (*VALUES, 's') if x in record), '')}")
    if quantity.boolean:
        if "u" in record and record["u"] not in ("", "/"):
            raise ValueError(f"{name} takes no unit; got {_told(record['u'])}")
        return quantity.column, record["vb"]
    unit = record.get("u", next(iter(quantity.convert)))
    if unit not in quantity.convert:
        raise ValueError(f"{name} in {_told(unit)} is not taken; allowed: {', '.join(quantity.convert)}")
    value = quantity.convert[unit](float(record["v"]))
    if not math.isfinite(value):
        raise ValueError(f"{name} must be a finite number; got {record['v']!r}")
    return quantity.column, value


def _is_number(value: object) -> bool:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return False
    try:
        return math.isfinite(value)
    except OverflowError:  # a whole number beyond IEEE double range
        return False


def _told(value: object) -> str:
    """The value as a reason shows it, cut where it is huge."""
    try:
        text = repr(value)
    except RecursionError:
        text = repr(type(value))
    return text if len(text) <= 200 else text[:200] + f"... ({len(text)} characters)"


def _shown(record: object) -> str:
    """The record as text for quarantine, cut where it is huge."""
    try:
        text = json.dumps(record, default=str)
    except (ValueError, RecursionError):
        text = repr(type(record))
    return text if len(text) <= 4000 else text[:4000] + f"... ({len(text)} characters)"
