"""Sensor logs in CSV files with a header, in chunks of whole columns."""

from __future__ import annotations

import csv
import io
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import numpy.typing as npt
import pandas as pd

from ingest.db.schema import DECIMALS, FLAGS, QUANTITY_COLUMNS, reasons, rounded, split
from ingest.settings import BadInput

BLOCK_BYTES = 8 * 2**20
PAYLOAD_SHOWN = 2000  # of a refused line
COLUMNS = ("at", "cabin", "unit", *QUANTITY_COLUMNS)

# Units that a column map may name, as factor and offset to the column's own unit.
UNITS: dict[str, dict[str, tuple[float, float]]] = {
    "intensity_w_m2": {"W/m2": (1.0, 0.0), "mW/cm2": (10.0, 0.0), "uW/cm2": (0.01, 0.0)},
    "flow_l_min": {
        "l/min": (1.0, 0.0), "l/s": (60.0, 0.0), "m3/h": (1000.0 / 60.0, 0.0), "m3/s": (60_000.0, 0.0),
        "gal/min": (3.785412, 0.0)},
    "total_l": {"l": (1.0, 0.0), "m3": (1000.0, 0.0), "gal": (3.785412, 0.0)},
    "uvt_pct": {"%": (1.0, 0.0), "/": (100.0, 0.0)},
    "water_temp_c": {
        "Cel": (1.0, 0.0), "K": (1.0, -273.15), "degF": (5.0 / 9.0, -160.0 / 9.0)},
    "battery_v": {"V": (1.0, 0.0), "mV": (0.001, 0.0)},
    "lamp_hours": {"h": (1.0, 0.0), "s": (1.0 / 3600.0, 0.0), "d": (24.0, 0.0)},
}
_TRUE, _FALSE = ("1", "true", "on", "yes"), ("0", "false", "off", "no")
# A date and at least the hour: what else pandas takes ("today", a bare year) is no instant that a logger wrote.
_INSTANT = r"^\d{4}-?\d{2}-?\d{2}[Tt ]\d{2}"
_OFFSET = _INSTANT + r".*(?:[Zz]|[+-]\d{2}(?::?\d{2})?)$"

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Source:
    """A header of the file: which column it fills, and from which unit."""

    header: str
    column: str
    factor: float = 1.0
    offset: float = 0.0


@dataclass(frozen=True, slots=True)
class Chunk:
    """Valid rows of a file, each with its line as index, and what was refused.

    `refused` has `line`, `payload`, `reason` and `times` (records of a pack that the row stands for; else 1).
    """

    read: int  # rows, or where a whole line was refused, lines
    rows: pd.DataFrame
    refused: pd.DataFrame
    bytes_done: int


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
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise BadInput(f"{path}: {error}") from error
    found = found.get("columns", found)
    out: dict[str, Source] = {}
    for header, target in found.items():
        given = {"column": target} if isinstance(target, str) else target
        if not isinstance(given, dict) or given.get("column") not in COLUMNS:
            raise BadInput(f"{path}: {header!r} must name one of {', '.join(COLUMNS)}; got {target!r}")
        column = given["column"]
        factor, offset = 1.0, 0.0
        if "unit" in given:
            units = UNITS.get(column, {})
            if given["unit"] not in units:
                raise BadInput(
                    f"{path}: {header!r}: {column} cannot be in {given['unit']!r}; "
                    f"allowed: {', '.join(units) or 'no unit'}")
            factor, offset = units[given["unit"]]
        out[header] = Source(header, column, factor, offset)
    return out


def zone(name: str) -> ZoneInfo:
    """A time zone by its IANA name."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError) as error:
        raise BadInput(f"--tz must be an IANA name like America/Toronto; got {name!r}") from error


def read_csv(
    path: Path, *, now: datetime, mapping: Mapping[str, Source] | None = None, tz: ZoneInfo | None = None,
    cabin: str | None = None, unit: str | None = None, block_bytes: int = BLOCK_BYTES,
) -> Iterator[Chunk]:
    """A CSV sensor log, in chunks of whole lines.

    A line is a record: a cell must not hold a line break, so that one quote too many spoils one line and not the
    rest of the file. A line with more or fewer cells than the header is refused (a decimal comma, a torn end).

    Parameters
    ----------
    path : Path
        Header with `at`, `cabin`, `unit` (or given as arguments) and any column of a reading.
    now : datetime
        What lies over five minutes after it is refused.
    mapping : mapping or None
        Other headers and units (`column_map`).
    tz : ZoneInfo or None
        Zone of times without an offset; without it they are refused.

    Raises
    ------
    BadInput
        If the file or its header cannot be used.
    """
    try:
        with path.open("rb") as file:
            headers = _headers(path, file.readline())
            sources = _sources(path, headers, mapping or {}, cabin, unit)
            first = 2  # line 1 is the header
            while block := file.read(block_bytes) + file.readline():
                lines = _lines(block, first, len(headers))
                yield _chunk(lines, headers, sources, now=now, tz=tz, cabin=cabin, unit=unit, done=file.tell())
                first = lines.after
    except OSError as error:
        raise BadInput(f"{path}: {error.strerror}") from error


def _headers(path: Path, head: bytes) -> list[str]:
    try:
        found = next(csv.reader([head.decode("utf-8-sig").rstrip("\r\n")]), [])
    except (UnicodeDecodeError, csv.Error) as error:
        raise BadInput(f"{path}: line 1 is no CSV header in UTF-8: {error}") from error
    headers = [header.strip() for header in found]
    if not any(headers):
        raise BadInput(f"{path}: no header; the first line must name the columns")
    return headers


def _sources(
    path: Path, headers: list[str], mapping: Mapping[str, Source], cabin: str | None, unit: str | None
) -> list[Source]:
    """What each header of the file fills; headers not in a given map are left out."""
    sources = [mapping.get(h) or Source(h, h) for h in headers if h in mapping or h in COLUMNS]
    unknown = [h for h in headers if h not in mapping and h not in COLUMNS]
    if unknown and not mapping:
        raise BadInput(
            f"{path}: line 1: unknown column {unknown[0]!r}; allowed: {', '.join(COLUMNS)} "
            "(or map it with --columns)")
    _require_columns(path, [source.column for source in sources], {"cabin": cabin, "unit": unit})
    return sources


def _require_columns(path: Path, columns: list[str], given: Mapping[str, str | None]) -> None:
    """Refuse a header that fills a column twice, or lacks one that is not given for the whole file."""
    for column in columns:
        if columns.count(column) > 1:
            raise BadInput(f"{path}: line 1: two headers fill {column}")
    for column in ("at", "cabin", "unit"):
        if column not in columns and not given.get(column):
            raise BadInput(
                f"{path}: line 1: no column {column!r}" + (f" and no --{column}" if column != "at" else ""))
    if not set(columns) & set(QUANTITY_COLUMNS):
        raise BadInput(f"{path}: line 1: no column holds a quantity; known are: {', '.join(QUANTITY_COLUMNS)}")


@dataclass(frozen=True, slots=True)
class _Lines:
    """A block of whole lines: those that may hold a row, and what is wrong with the others."""

    good: bytes
    number: Ints  # line of each good one
    refused: list[tuple[int, str, str]]
    starts: Ints
    block: bytes
    first: int

    @property
    def after(self) -> int:
        """Line that follows the block."""
        return self.first + self.starts.size

    def payload(self, line: int) -> str:
        """A line as it stands in the file, cut."""
        start = int(self.starts[line - self.first])
        return self.block[start : self.block.find(b"\n", start)][:PAYLOAD_SHOWN].decode("utf-8", "replace").strip()


def _lines(block: bytes, first: int, cells: int) -> _Lines:
    """Cut a block into lines and count the cells of each."""
    if not block.endswith(b"\n"):
        block += b"\n"
    text = np.frombuffer(block, np.uint8)
    ends = np.flatnonzero(text == ord("\n"))
    starts = np.append(0, ends[:-1] + 1)
    found = 1 + np.add.reduceat(text == ord(","), starts, dtype=np.int64)
    printed = np.add.reduceat(text > ord(" "), starts, dtype=np.int64)
    reasons: dict[int, str] = {}
    for at in np.flatnonzero(np.add.reduceat(text == ord('"'), starts, dtype=np.int64)):  # few, if any
        try:
            line = block[starts[at] : ends[at]].decode("utf-8", "replace")
            found[at] = len(next(csv.reader([line], strict=True), []))
        except csv.Error as error:
            found[at] = cells
            reasons[int(at)] = f"its quotes cannot be read ({error}); a cell must not hold a line break"
    for at in np.flatnonzero(np.add.reduceat(text == 0, starts, dtype=np.int64)):
        reasons[int(at)] = "it holds a zero byte"
    blank = printed == 0
    for at in np.flatnonzero((found != cells) & ~blank):
        reasons.setdefault(int(at), f"{found[at]} cells where the header has {cells}")
    good = ~blank
    good[list(reasons)] = False
    lines = _Lines(
        text[np.repeat(good, ends - starts + 1)].tobytes(), first + np.flatnonzero(good), [], starts, block,
        first)
    lines.refused.extend((first + at, lines.payload(first + at), reasons[at]) for at in sorted(reasons))
    return lines


def _chunk(
    lines: _Lines, headers: list[str], sources: list[Source], *, now: datetime, tz: ZoneInfo | None,
    cabin: str | None, unit: str | None, done: int,
) -> Chunk:
    text = pd.read_csv(
        io.BytesIO(lines.good), header=None, names=range(len(headers)), dtype=str, keep_default_na=False,
        usecols=[headers.index(source.header) for source in sources], index_col=False, lineterminator="\n",
        encoding="utf-8", encoding_errors="replace", skip_blank_lines=False,
    ) if lines.good else pd.DataFrame(columns=range(len(headers)), dtype=str)
    text.index = pd.Index(lines.number)
    problems: list[pd.DataFrame] = []
    values: dict[str, Any] = {"cabin": cabin, "unit": unit}
    for source in sources:
        raw = text[headers.index(source.header)].str.strip()
        values[source.column], wrong = _column(raw, source, tz)
        problems.append(_told(wrong, raw, source))
    out = rounded(pd.DataFrame(values, index=text.index))
    told = pd.concat(problems)
    keys = [source.column for source in sources if source.column in ("at", "cabin", "unit")]
    dropped = told.loc[told["column"].isin(keys), "row"]
    batch = out.drop(dropped.unique())
    valid, bad = split(batch, pd.Timestamp(now))
    bad = bad.assign(reason=reasons(batch, bad))
    # a row whose only values could not be read says so once already
    bad = bad[~((bad["column"] == "") & bad["row"].isin(told["row"]))]
    told = pd.concat([told, bad[["row", "column", "reason"]]])
    told = told[told["column"].isin(keys) | ~told["row"].isin(dropped)]  # nor is a row refused whole told by cell
    refused = pd.DataFrame({
        "line": told["row"].astype("int64"), "payload": [lines.payload(int(row)) for row in told["row"]],
        "reason": told["reason"], "times": 1})
    refused = pd.concat([refused_lines(lines.refused), refused])
    refused = refused.sort_values("line", kind="stable", ignore_index=True)
    return Chunk(len(text) + len(lines.refused), valid, refused, done)


def refused_lines(found: list[tuple[int, str, str]]) -> pd.DataFrame:
    """Line, payload and reason of each, as a chunk holds them."""
    return pd.DataFrame(found, columns=["line", "payload", "reason"]).astype({"line": "int64"}).assign(times=1)


def _column(raw: pd.Series, source: Source, tz: ZoneInfo | None) -> tuple[pd.Series, pd.Series]:
    """A column's values, and which cells cannot be read."""
    if source.column == "at":
        return _instants(raw, tz)
    if source.column in ("cabin", "unit"):
        return raw, raw == ""
    filled = raw != ""
    if source.column in FLAGS:
        low = raw.str.lower()
        value = pd.Series(pd.NA, index=raw.index, dtype="boolean")
        value[low.isin(_TRUE)] = True
        value[low.isin(_FALSE)] = False
        return value, filled & value.isna()
    number = pd.to_numeric(raw.where(filled), errors="coerce").astype("float64") * source.factor + source.offset
    number = number.where(np.isfinite(number))
    return number, filled & number.isna()


def _instants(raw: pd.Series, tz: ZoneInfo | None) -> tuple[pd.Series, pd.Series]:
    offset = raw.str.contains(_OFFSET, regex=True)
    at = pd.to_datetime(raw.where(offset), format="ISO8601", utc=True, errors="coerce")
    if tz is not None and not offset.all():
        bare = ~offset & raw.str.contains(_INSTANT, regex=True)
        local = pd.to_datetime(raw.where(bare), format="ISO8601", errors="coerce")
        # an hour that a clock change skips or repeats has no one instant: refused, never guessed
        at = at.fillna(local.dt.tz_localize(tz, ambiguous="NaT", nonexistent="NaT").dt.tz_convert("UTC"))
    return at.astype("datetime64[us, UTC]"), at.isna()


def _told(wrong: pd.Series, raw: pd.Series, source: Source) -> pd.DataFrame:
    """Cells that cannot be read, with the reason of each."""
    allowed = {
        "at": "must be ISO 8601 with Z or an offset (or name its zone with --tz, outside a clock change's hour)",
        "cabin": "must not be empty", "unit": "must not be empty",
        **dict.fromkeys(FLAGS, f"must be one of {', '.join((*_TRUE, *_FALSE))}"),
        **dict.fromkeys(DECIMALS, "must be a finite number"),
    }[source.column]
    cells = raw[wrong]
    return pd.DataFrame({
        "row": cells.index, "column": source.column,
        "reason": [f"{source.header} = {value!r}: {allowed}" for value in cells],
    })
