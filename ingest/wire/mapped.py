"""Topics of a unit's own beside its log: a JSON object, or one plain value, to the columns of a reading.

What becomes of a payload is what becomes of a pack of SenML: rows by their instant, and what cannot be used, by
reason. A payload that bears no time counts from its arrival, as right as our clock is then; of those that the
broker kept nobody knows how old they are, so they are refused.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from datetime import datetime
from typing import Any

from ingest.wire import limits
from ingest.wire.instants import Rows, put
from ingest.wire.senml import PackRefused, PastLimit, Refusal, Refusals, Refused, json_of
from models.doors import TimeIn, Topic, Value
from models.units import FLAGS, in_own_unit

ON, OFF = ("1", "true", "on", "yes"), ("0", "false", "off", "no")
NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d{1,3})?")
VALUE_CHARACTERS = 100  # of a plain value; the longest number takes some 25
MISSING = object()


def readings(
    payload: bytes, topic: Topic, arrived_s: float, relative: set[int], clashes: Rows | None = None, *,
    retained: bool = False,
) -> tuple[Rows, list[Refusal]]:
    """One payload to the columns of readings, as `ingest.wire.senml.readings` does it.

    Parameters
    ----------
    topic : Topic
        What the registry says of the topic that it came on.
    arrived_s : float
        Arrival, Unix time; what bears no time is of the second in which it came. [s]
    relative : set
        Takes up the instants that count from the arrival.
    clashes : dict, optional
        As there.
    retained : bool
        The broker had it from before.

    Raises
    ------
    PackRefused
        If the payload as a whole cannot be read.
    """
    if retained and not topic.time:
        raise PackRefused("the broker kept it from before, and it bears no time: nobody knows how old it is. Have "
                          "the device publish without retain")
    rows: Rows = {}
    refused = Refusals()
    arrived_ms = math.floor(arrived_s) * 1000
    for record in _records(payload, topic):
        at_ms = _instant(record, topic, arrived_ms)
        if isinstance(at_ms, Refused):
            refused.add(at_ms)
            continue
        if not topic.time:
            relative.add(at_ms)
        if not _fill(rows, clashes, record, topic.values, at_ms, refused):
            refused.add(Refused(record, "holds none of {apart}", apart=", ".join(one.path for one in topic.values)))
    return rows, refused.all()


def _records(payload: bytes, topic: Topic) -> Iterable[Any]:
    """The objects of a payload, or its one plain value."""
    if topic.is_plain:
        if len(payload) > VALUE_CHARACTERS:
            raise PackRefused(f"a plain value of {len(payload):,} characters; at most {VALUE_CHARACTERS} are taken")
        try:
            return [payload.decode("utf-8").strip()]
        except UnicodeDecodeError as error:
            raise PackRefused(f"not UTF-8 text: byte {error.start} cannot be read") from error
    found = json_of(payload)
    if isinstance(found, dict):
        return [found]
    if not isinstance(found, list) or not all(isinstance(one, dict) for one in found):
        raise PackRefused("the payload must be a JSON object, or an array of them")
    if problem := limits.too_many(len(found)):
        raise PastLimit(problem)
    if len(found) > 1 and not topic.time:
        raise PackRefused("an array of several objects needs the path of their time in the registry (time)")
    return found


def _fill(
    rows: Rows, clashes: Rows | None, record: Any, values: Iterable[Value], at_ms: int, refused: Refusals
) -> bool:
    """Put a record's values into the row of its instant; whether it held any of them, good or bad."""
    held = False
    for value in values:
        raw = pointed_at(record, value.path)
        if raw is MISSING:
            continue
        held = True
        found = value_of(value, raw)
        if isinstance(found, Refused):
            refused.add(found)
        elif found is not None:
            put(rows, clashes, at_ms, value.column, found)
    return held


def pointed_at(record: Any, path: str) -> Any:
    """What a JSON Pointer names; `MISSING` where there is nothing (RFC 6901, section 4)."""
    found = record
    for part in path.split("/")[1:]:
        name = part.replace("~1", "/").replace("~0", "~")
        if isinstance(found, dict) and name in found:
            found = found[name]
        elif isinstance(found, list) and re.fullmatch(r"0|[1-9]\d{0,5}", name) and int(name) < len(found):
            found = found[int(name)]
        else:
            return MISSING
    return found


def value_of(value: Value, raw: Any) -> float | bool | Refused | None:
    """A value in its column's own unit; None: it says that there is none."""
    if raw is None or raw == "":
        return None
    if value.column in FLAGS:
        word = "1" if raw is True else "0" if raw is False else str(raw).strip().lower()
        if word in ON or word in OFF:
            return word in ON
        return Refused(raw, f"{value.column} must be one of {', '.join((*ON, *OFF))}; got {{got}}", raw)
    number = _number(raw)
    if number is None:
        return Refused(raw, f"{value.column} must be a finite number; got {{got}}", raw,
                       past_limit=isinstance(raw, limits.LongNumber))
    try:
        return in_own_unit(value.column, value.unit, number)
    except ValueError:
        return Refused(raw, f"{value.column} must be a finite number; got {{got}}", raw)


def _number(raw: Any) -> float | None:
    """A finite number, also where it is written as a text."""
    if isinstance(raw, bool) or not isinstance(raw, (int, float, str)):
        return None
    if isinstance(raw, str) and not NUMBER.fullmatch(raw.strip()):
        return None
    try:
        number = float(raw)
    except OverflowError:  # a whole number beyond the range of a double
        return None
    return number if math.isfinite(number) else None


def _instant(record: Any, topic: Topic, arrived_ms: int) -> int | Refused:
    """When it was, in Unix milliseconds."""
    if not topic.time:
        return arrived_ms
    raw = pointed_at(record, topic.time)
    told = "nothing there" if raw is MISSING else raw
    if topic.time_in is TimeIn.ISO:
        try:
            at = datetime.fromisoformat(raw) if isinstance(raw, str) else None
        except ValueError:
            at = None
        if at is None or at.tzinfo is None:
            return Refused(record, f"time at {topic.time} must be ISO 8601 with Z or an offset; got {{got}}", told)
        seconds: float | None = at.timestamp()
    else:
        seconds = _number(raw) if raw is not MISSING else None
        if seconds is not None and topic.time_in is TimeIn.MILLISECONDS:
            seconds /= 1000.0
    if seconds is None or not abs(seconds) < 9e9:
        allowed = "lie between 1690 and 2250" if topic.time_in is TimeIn.ISO else (
            f"be a number of {topic.time_in} since 1970")
        return Refused(record, f"time at {topic.time} must {allowed}; got {{got}}", told)
    return round(seconds * 1000)
