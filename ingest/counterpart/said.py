"""What another collector says, held to what is allowed before anything is done with it."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime
from typing import Any

from ingest.db.engine import Asks
from ingest.registry.tables import load_names
from ingest.settings import BadInput, instant_of

Key = tuple[str, str]

MOST_TEXT = 600  # characters of a reason or an action
MOST_NOTE = 4_000  # and of what a person wrote
EARLIEST, LATEST = datetime(1970, 1, 1, tzinfo=UTC), datetime(2200, 1, 1, tzinfo=UTC)


def object_of(payload: bytes, called: str) -> dict[str, Any]:
    """The JSON object of a message.

    Raises
    ------
    BadInput
        If it is none, or holds text that cannot be stored.
    """
    try:
        said = json.loads(payload)
        json.dumps(said, ensure_ascii=False).encode()  # halves of characters are JSON and no text
    except (ValueError, RecursionError) as error:
        raise BadInput(f"this is no {called}: {type(error).__name__}: {str(error)[:200]}") from error
    if not isinstance(said, dict):
        raise BadInput(f"this is no {called}: it must be a JSON object; got {type(said).__name__}")
    return said


def one_line(said: Any, most: int = MOST_TEXT) -> str:
    """A sentence as it may be shown: one line of bounded length, without control characters."""
    line = " ".join(str("" if said is None else said).split())
    return "".join(sign for sign in line if sign.isprintable())[:most]


def instant_said(name: str, text: object) -> datetime:
    """An instant of this age of the world: others can be written, and not be reckoned with."""
    at = instant_of(name, text)
    if not EARLIEST.replace(tzinfo=None) <= at.replace(tzinfo=None) <= LATEST.replace(tzinfo=None):
        raise BadInput(f"{name} must lie between 1970 and 2200; got {text!r}")
    return at


def number_said(name: str, value: object, *, infinite: bool = False) -> float:
    """A number of at least 0."""
    try:
        number = float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else math.nan
    except OverflowError:
        number = math.nan
    if not number >= 0 or (math.isinf(number) and not infinite):
        raise BadInput(f"{name} must be a number of at least 0; got {str(value)[:40]!r}")
    return number


def person_said(name: str, value: object) -> str:
    """The name of a person."""
    person = one_line(value if isinstance(value, str) else "", 200)
    if not person:
        raise BadInput(f"{name} must name the person who did it; got {str(value)[:40]!r}")
    return person


def present_cabin(store: Asks, cabin: str) -> str:
    """The cabin that a name of the other collector's stands for: that may not know yet that it was renamed."""
    return load_names(store).former.get((cabin, ""), (cabin, ""))[0]


def present_unit(store: Asks, called: str, unit: str) -> Key:
    """The unit that the other collector calls so, in a cabin that it calls so."""
    return load_names(store).former.get((called, unit), (present_cabin(store, called), unit))
