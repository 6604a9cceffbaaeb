"""SenML JSON (RFC 8428): a pack to resolved records, and those to the columns of a reading.

A pack that cannot be read is refused whole; a record that cannot be used is refused alone. Both cost time and
memory in proportion to the payload's size, whatever is in it: limits are those of `ingest.wire.limits`, refused
records are counted by reason and only a few of each are written down.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from ingest.wire import limits
from ingest.wire.instants import Rows, put

RELATIVE_BELOW_S = 2**28  # RFC 8428, 4.5.3: a sum below is relative to now
VERSION = 10  # RFC 8428, 4.4: the version that this decoder understands
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")  # RFC 8428, 4.5.1
LABELS = frozenset(["bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut"])
VALUES = ("v", "vs", "vb", "vd")
BASE = frozenset(["bn", "bt", "bu", "bv", "bs"])
TEXTS = frozenset(["bn", "bu", "n", "u"])
NUMBERS = frozenset(["bt", "bv", "bs", "t", "s", "ut"])

RECORD_KEPT = 1_000  # characters of a refused record's own text that are kept; a flat record takes about 60
EXAMPLES = 3  # of the records of one pack that are refused for one reason
REASONS_APART = 32  # of a pack that are told apart by the name in question; more are counted together

L_MIN_PER_M3_S = 60_000.0
L_MIN_PER_L_S = 60.0
L_PER_M3 = 1_000.0
KELVIN_AT_0_C = 273.15
S_PER_H = 3_600.0


class PackRefused(ValueError):
    """The pack as a whole cannot be read."""


class PastLimit(PackRefused):
    """The pack is larger than this program takes."""


@dataclass(frozen=True, slots=True)
class Refused:
    """A record that cannot be used, and why; in words only when somebody asks.

    `kind` is the reason with `{apart}` and `{got}` left open. Records of one kind and `apart` are refused for the
    same reason, whatever they `got`.
    """

    own: Any
    kind: str
    got: Any = None
    apart: str = ""
    past_limit: bool = False

    @property
    def reason(self) -> str:
        """Why, as people read it."""
        return self.kind.format(apart=_told(self.apart), got=_told(self.got))

    @property
    def record(self) -> str:
        """The record's own text, cut where it is long."""
        return _shown(self.own)


@dataclass(slots=True)
class Refusal:
    """Records of one pack that cannot be used for one reason: how many, and the first of them."""

    reason: str
    past_limit: bool
    times: int
    examples: list[str]

    @property
    def record(self) -> str:
        """The examples, a line each."""
        return "\n".join(self.examples)


class Refusals:
    """The refused records of a pack, counted by reason."""

    def __init__(self) -> None:
        self._found: dict[tuple[str, str], Refusal] = {}

    def add(self, one: Refused) -> None:
        """Count it; written down if it is among the first of its reason."""
        known = self._found.get((one.kind, one.apart))
        if known is None and len(self._found) >= REASONS_APART:
            known = self._found.get((one.kind, ""))
            if known is None:
                known = self._found[one.kind, ""] = Refusal(f"{one.reason}, and others like it", False, 0, [])
        elif known is None:
            known = self._found[one.kind, one.apart] = Refusal(one.reason, False, 0, [])
        known.times += 1
        known.past_limit |= one.past_limit
        if len(known.examples) < EXAMPLES:
            known.examples.append(one.record)

    def all(self) -> list[Refusal]:
        """Each reason once, in the order in which they came up."""
        return list(self._found.values())


class Resolved(dict[str, Any]):
    """A record with its base fields applied, and as it was without them."""

    __slots__ = ("own",)
    own: Any


@dataclass(frozen=True, slots=True)
class Quantity:
    """What a SenML name means here: its column, its kind of value, and its units on the wire."""

    column: str
    boolean: bool
    convert: dict[str, Callable[[float], float]]


def _same(value: float) -> float:
    return value


# The first unit of each is meant where a record names none.
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


def json_of(payload: bytes) -> Any:
    """A payload's JSON; a byte order mark before it is passed over (RFC 8259, 8.1).

    Of a label that stands twice in an object the last counts. A number of too many characters is a `LongNumber`.

    Raises
    ------
    PastLimit
        If it is larger than `ingest.wire.limits` allow, found before it is decoded.
    PackRefused
        If the payload is no UTF-8, or no JSON.
    """
    if problem := limits.too_large(len(payload)):
        raise PastLimit(problem)
    try:
        text = payload.decode("utf-8").removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        raise PackRefused(f"not UTF-8 text: byte {error.start} cannot be read") from error
    problem, long_number = limits.shape_problem(payload)
    if problem:
        raise PastLimit(problem)
    # only where it is needed: a call for each number costs more than all else
    numbers: dict[str, Any] = {
        "parse_int": limits.whole_number, "parse_float": limits.decimal_number} if long_number else {}
    try:
        # NaN and Infinity are no JSON; read as numbers here, so that only their records are refused
        return json.loads(text, **numbers)
    except json.JSONDecodeError as error:
        raise PackRefused(f"not JSON: {error}") from error


def parse(payload: bytes) -> list[Any]:
    """The pack's JSON array, as of `json_of`.

    Raises
    ------
    PastLimit
        If it is larger than `ingest.wire.limits` allow.
    PackRefused
        If the payload is empty, cannot be read, or is no array.
    """
    if not payload:
        raise PackRefused("empty payload; a SenML pack is a JSON array of records")
    pack = json_of(payload)
    if not isinstance(pack, list):
        raise PackRefused(f"the root of a SenML pack must be an array; got {type(pack).__name__}")
    if not pack:
        raise PackRefused("the pack holds no record")
    if problem := limits.too_many(len(pack)):
        raise PastLimit(problem)
    return pack


def consumed(pack: list[Any]) -> Iterator[Any]:
    """The pack's records in order, each let go once it is done with: a pack is large, and so are its rows."""
    pack.reverse()
    while pack:
        yield pack.pop()


def resolve(pack: Iterable[Any], now_s: float) -> Iterator[Resolved | Refused]:
    """Records with base fields applied and times absolute, as RFC 8428, 4.6 says.

    Parameters
    ----------
    pack : iterable
        The pack's array.
    now_s : float
        Arrival, Unix time; relative times count from it. [s]

    Yields
    ------
    Resolved or Refused
        `n`, `t`, of `u v vs vb vd s ut` what the record has, in the pack's own order; `relative` where `t` counts
        from the arrival.

    Raises
    ------
    PackRefused
        For a version above 10, versions that differ, or a label ending in "_" (must be understood, 4.4).
    """
    base: dict[str, Any] = {}
    for record in pack:
        if not isinstance(record, dict):
            yield Refused(record, f"a record must be an object; got {type(record).__name__}")
            continue
        problem = _field_problem(record)
        if "bver" in record or "bver" not in base:
            version = record.get("bver", base.get("bver", VERSION))
            if isinstance(version, bool) or not isinstance(version, (int, float)) or version > VERSION:
                raise PackRefused(f"bver must be at most {VERSION}; got {_told(version)}")
            if "bver" in base and version != base["bver"]:
                raise PackRefused(
                    f"all records must have one bver; got {_told(base['bver'])} and {_told(version)}")
        if problem is not None:
            yield problem
            continue
        base["bver"] = version
        if not BASE.isdisjoint(record):
            base.update({label: record[label] for label in BASE if label in record})
        yield _resolve_one(record, base, now_s)


def _field_problem(record: dict[str, Any]) -> Refused | None:
    """Why the fields of a record that are no values cannot be applied, if they cannot.

    Raises
    ------
    PackRefused
        For a label ending in "_": what it means is not known and must be.
    """
    problem: Refused | None = None
    for label, value in record.items():
        if label in TEXTS:
            if not isinstance(value, str):
                problem = problem or Refused(record, f"{label} must be a text; got {{got}}", value)
        elif label in NUMBERS:
            if not _is_number(value):
                problem = problem or _no_number(record, f"{label} must be a finite number; got {{got}}", value)
        elif label not in LABELS and label.endswith("_"):
            raise PackRefused(f"label {_told(label)} must be understood (RFC 8428, 4.4) and is not")
    return problem


def _no_number(record: dict[str, Any], kind: str, got: object, apart: str = "") -> Refused:
    return Refused(record, kind, got, apart, isinstance(got, limits.LongNumber))


def _resolve_one(record: dict[str, Any], base: dict[str, Any], now_s: float) -> Resolved | Refused:
    name = _full_name(record, base)
    if isinstance(name, Refused):
        return name
    label = _value_label(record, base)
    if isinstance(label, Refused):
        return label
    out = Resolved(n=name)
    out.own = record
    unit = record.get("u", base.get("bu"))
    if unit is not None:
        out["u"] = unit
    if label:
        value = _value(label, record, base, name)
        if isinstance(value, Refused):
            return value
        out[label] = value
    if "s" in record or "bs" in base:
        out["s"] = record.get("s", 0) + base.get("bs", 0)
    # as floats: the sum of two whole numbers may be beyond the range of a float, and then cannot become one
    time_s = float(base.get("bt", 0)) + float(record.get("t", 0))
    out["t"] = now_s + time_s if time_s < RELATIVE_BELOW_S else time_s
    if time_s < RELATIVE_BELOW_S:
        out["relative"] = True
    if 0 < time_s < RELATIVE_BELOW_S:
        out["ahead_s"] = time_s  # of now; what that means is for whoever reads the record
    if "ut" in record:
        out["ut"] = record["ut"]
    return out


def _full_name(record: dict[str, Any], base: dict[str, Any]) -> str | Refused:
    """Base name and own name as one."""
    base_name, own_name = base.get("bn", ""), record.get("n", "")
    if problem := limits.long_name(base_name, own_name):
        return Refused(record, "{got}", _Plain(problem), past_limit=True)
    name: str = base_name + own_name
    if not NAME.fullmatch(name):
        return Refused(record, f"name must match {NAME.pattern} (RFC 8428, 4.5.1); got {{got}}", name)
    return name


def _value_label(record: dict[str, Any], base: dict[str, Any]) -> str | Refused:
    """Label of the record's one value; empty where it has a sum alone."""
    present = [label for label in VALUES if label in record]
    if len(present) > 1:
        return Refused(record, f"one value a record; got {' and '.join(present)}")
    if present:
        return present[0]
    if "s" in record or "bs" in base:
        return ""
    # a base value alone makes "v" (4.6); a record with only base fields and no sum has no value at all
    if "bv" in base:
        return "v"
    return Refused(record, "the record has no value (v, vs, vb, vd or s)")


def _value(label: str, record: dict[str, Any], base: dict[str, Any], name: str) -> Any:
    """The record's value, base value added; refused where it is not of its label's kind."""
    value = record.get(label, 0)
    if label == "v":
        if not _is_number(value):
            return _no_number(record, "v of {apart} must be a finite number; got {got}", value, name)
        return float(value) + float(base["bv"]) if "bv" in base else value
    if label == "vb" and not isinstance(value, bool):
        return Refused(record, "vb of {apart} must be true or false; got {got}", value, name)
    if label in ("vs", "vd") and not isinstance(value, str):
        return Refused(record, f"{label} of {{apart}} must be a text; got {{got}}", value, name)
    return value


def readings(
    payload: bytes, now_s: float, relative: set[int] | None = None, clashes: Rows | None = None
) -> tuple[Rows, list[Refusal]]:
    """One pack to the columns of readings.

    Parameters
    ----------
    payload : bytes
        A SenML JSON pack.
    now_s : float
        Arrival, Unix time. [s]
    relative : set, optional
        Takes up the instants that were told as before the arrival: they are as right as our clock.
    clashes : dict, optional
        Takes up what else the pack says of an instant, of each column the worst: which of the two counts is judged
        where they are kept.

    Returns
    -------
    rows : dict
        Instant (Unix time in ms) to column and value in the column's unit. The first value stays.
    refused : list of Refusal
        Records that cannot be used, by reason.

    Raises
    ------
    PackRefused
        If the pack as a whole cannot be read.
    """
    rows: Rows = {}
    refused = Refusals()
    for record in resolve(consumed(parse(payload)), now_s):
        found = cell(record)
        if isinstance(found, Refused):
            refused.add(found)
        else:
            at_ms, column, value = found
            put(rows, clashes, at_ms, column, value)
            if relative is not None and isinstance(record, Resolved) and "relative" in record:
                relative.add(at_ms)
    return rows, refused.all()


def cell(record: Resolved | Refused) -> tuple[int, str, float | bool] | Refused:
    """Instant (Unix time in ms), column and value that a record fills; refused where it fills none."""
    if isinstance(record, Refused):
        return record
    if "ahead_s" in record:  # nobody logs the future: a clock that counts from its own start
        return Refused(record.own, "at = {got} s after its arrival: the logger's clock is not set",
                       _Plain(f"{record['ahead_s']:g}"))
    found = _column(record)
    if isinstance(found, Refused):
        return found
    if not abs(record["t"]) < 9e9:  # year 2255: far beyond, a timestamp could not hold it
        return Refused(record.own, "time out of any range: {got} s", record["t"])
    return round(record["t"] * 1000), *found


def _column(record: Resolved) -> tuple[str, float | bool] | Refused:
    """Column and value of a resolved record."""
    full = record["n"]
    name = full[max(full.rfind(":"), full.rfind("/")) + 1 :]  # a base name may carry the device before it
    quantity = QUANTITIES.get(name)
    if quantity is None:
        return Refused(record.own, f"unknown name {{apart}}; known are: {', '.join(QUANTITIES)}", apart=name)
    label = "vb" if quantity.boolean else "v"
    if label not in record:
        other = next((x for x in (*VALUES, "s") if x in record), "")
        return Refused(record.own, f"{name} takes {label}; got {other}")
    if quantity.boolean:
        if "u" in record and record["u"] not in ("", "/"):
            return Refused(record.own, f"{name} takes no unit; got {{apart}}", apart=record["u"])
        return quantity.column, record["vb"]
    unit = record.get("u", next(iter(quantity.convert)))
    if unit not in quantity.convert:
        return Refused(record.own, f"{name} in {{apart}} is not taken; allowed: {', '.join(quantity.convert)}",
                       apart=unit)
    value = quantity.convert[unit](float(record["v"]))
    if not math.isfinite(value):
        return Refused(record.own, f"{name} must be a finite number; got {{got}}", record["v"])
    return quantity.column, value


class _Plain(str):
    """Words of our own, shown as they are."""

    __slots__ = ()

    def __repr__(self) -> str:
        return str(self)


def _is_number(value: object) -> bool:
    if type(value) is float:  # nearly all of them
        return math.isfinite(value)
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return False
    try:
        return math.isfinite(value)
    except OverflowError:  # a whole number beyond IEEE double range
        return False


def _told(value: object) -> str:
    """The value as a reason shows it, cut where it is huge."""
    text = repr(value)
    return text if len(text) <= 200 else text[:200] + f"... ({len(text)} characters)"


def _shown(record: object) -> str:
    """The record as text for quarantine, cut where it is long."""
    text = json.dumps(record, default=repr)
    return text if len(text) <= RECORD_KEPT else text[:RECORD_KEPT] + f"... ({len(text)} characters)"
