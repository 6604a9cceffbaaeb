"""How a logger's file is written, and which column of a reading each of its headers fills, from which unit."""

from __future__ import annotations

import codecs
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from ingest.db.schema import QUANTITY_COLUMNS
from ingest.settings import BadInput
from models.units import FLAGS, UNITS, unit_named

COLUMNS = ("at", "cabin", "unit", *QUANTITY_COLUMNS)
EVENT = "event"  # a column in which each line says in words what happened
TARGETS = (*COLUMNS, "date", "time", EVENT)  # a day and a time of day in columns of their own

ENCODINGS = (
    "utf-8", "utf-16", "utf-16-le", "utf-16-be", "latin-1", "cp1252", "cp1250", "iso8859-15", "cp437", "cp850",
    "mac-roman")
DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t", "pipe": "|"}
DECIMALS = (".", ",")
DATE_ORDERS = ("ymd", "dmy", "mdy")
WORDS: dict[str, bool | None] = {"on": True, "off": False, "unknown": None}
LEFT_OUT = "-"


@dataclass(frozen=True, slots=True)
class Source:
    """A header of the file: which column it fills, from which unit, and of which unit where the file is wide."""

    header: str
    column: str
    factor: float = 1.0
    offset: float = 0.0
    unit: str = ""  # as it was told or stands in the header; "": the column's own, or none
    owner: tuple[str, str] | None = None  # cabin and unit


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """How the file is written."""

    encoding: str = "utf-8"
    delimiter: str = ","
    decimal: str = "."
    header_row: int = 1  # line that names the columns; those above it are passed over
    date_order: str = ""  # one of `DATE_ORDERS`; "": ISO 8601 alone
    words: Mapping[str, bool | None] = field(default_factory=dict)  # for on and off; None: says neither
    # what happened, in lower case, as what it says of lamp or power; None: it says nothing of them
    events: Mapping[str, tuple[str, bool] | None] = field(default_factory=dict)


def zone(name: str, option: str = "--tz") -> ZoneInfo:
    """A time zone by its IANA name."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise BadInput(f"{option} must be an IANA name like America/Toronto; got {name!r}") from error


def one_of(option: str, value: object, allowed: tuple[str, ...]) -> str:
    """The value, if it is allowed."""
    if value not in allowed:
        raise BadInput(f"{option} must be one of {', '.join(allowed)}; got {value!r}")
    return str(value)


def encoding_named(name: str) -> str:
    """An encoding that a file may be in, by any name it has."""
    known = {codecs.lookup(one).name: one for one in ENCODINGS}
    try:
        return known[codecs.lookup(name).name]
    except (LookupError, ValueError):
        raise BadInput(f"--encoding must be one of {', '.join(ENCODINGS)}; got {name!r}") from None


def delimiter_named(text: str) -> str:
    """A delimiter by its name or as itself."""
    found = DELIMITERS.get(text.lower(), "\t" if text == r"\t" else text)
    if found not in DELIMITERS.values():
        raise BadInput(f"--delimiter must be one of {', '.join(DELIMITERS)}, or the character; got {text!r}")
    return found


def source(header: str, column: str, unit: str = "", owner: tuple[str, str] | None = None) -> Source:
    """A header that fills a column from a unit; "" is the column's own."""
    if not unit:
        return Source(header, column, owner=owner)
    units, name = UNITS.get(column, {}), unit_named(unit)
    if name not in units:
        raise BadInput(
            f"{header!r}: {column} cannot be in {unit!r}; allowed: {', '.join(units) or 'no unit'}")
    return Source(header, column, *units[name], name, owner)


def column_told(text: str) -> tuple[str, Source | None]:
    """What `HEADER=COLUMN`, `HEADER=COLUMN:UNIT` or `HEADER=CABIN/UNIT/COLUMN:UNIT` says; None: `HEADER=-`."""
    header, equals, target = text.rpartition("=")
    header, target = header.strip(), target.strip()
    if not equals or not header:
        raise BadInput(f'--column must be like "Flow=flow_l_min:gpm" or "Note=-"; got {text!r}')
    if target == LEFT_OUT:
        return header, None
    name, _, unit = target.partition(":")
    *owner, column = name.split("/")
    if column not in TARGETS or len(owner) not in (0, 2) or (owner and column not in QUANTITY_COLUMNS):
        raise BadInput(
            f"--column: {header!r} must name one of {', '.join(TARGETS)}, or CABIN/UNIT/ and a quantity, or "
            f"{LEFT_OUT} (leave it out); got {target!r}")
    return header, source(header, column, unit.strip(), (owner[0], owner[1]) if owner else None)


def word_told(text: str) -> tuple[str, bool | None]:
    """What `WORD=on`, `WORD=off` or `WORD=unknown` says."""
    word, equals, meaning = text.rpartition("=")
    if not equals or not word.strip() or meaning.strip() not in WORDS:
        raise BadInput(f'--word must be like "alarm=off"; on, off and unknown are allowed; got {text!r}')
    return word.strip().lower(), WORDS[meaning.strip()]


def event_told(text: str) -> tuple[str, tuple[str, bool] | None]:
    """What `TEXT=lamp_on:off` or `TEXT=unknown` says."""
    event, equals, meaning = text.rpartition("=")
    column, _, word = meaning.strip().partition(":")
    if equals and event.strip() and meaning.strip() == "unknown":
        return event.strip().lower(), None
    says = WORDS.get(word)
    if not equals or not event.strip() or column not in FLAGS or says is None:
        raise BadInput(
            f'--event must be like "Lamp fault=lamp_on:off", with {" or ".join(FLAGS)}, on or off; or '
            f'"Door opened=unknown"; got {text!r}')
    return event.strip().lower(), (column, says)


def needs_unit(column: str) -> bool:
    """Whether a header that fills this column must have a unit of measure."""
    return column in UNITS and column not in FLAGS


def column_map(path: Path) -> dict[str, Source]:
    """The map in a TOML file: `"header" = "column"` or `"header" = { column = ..., unit = ... }`.

    Raises
    ------
    BadInput
        For a column or unit that is not known; the message lists those allowed.
    """
    try:
        found = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise BadInput(f"{path}: no such file") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        raise BadInput(f"{path}: {error}") from error
    found = found.get("columns", found)
    out: dict[str, Source] = {}
    for header, target in found.items():
        given: Any = {"column": target} if isinstance(target, str) else target
        if not isinstance(given, dict) or given.get("column") not in TARGETS:
            raise BadInput(f"{path}: {header!r} must name one of {', '.join(TARGETS)}; got {target!r}")
        try:
            own = next(iter(UNITS.get(given["column"], {})), "")  # a map that names no unit says the column's own
            out[header] = source(header, given["column"], str(given.get("unit", own)))
        except BadInput as error:
            raise BadInput(f"{path}: {error}") from None
    return out
