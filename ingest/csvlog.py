"""Sensor logs in files: CSV with a header, or SenML JSON lines, in chunks of whole columns."""

from __future__ import annotations

import io
import json
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import pandas as pd

from ingest import senml
from ingest.schema import DECIMALS, FLAGS, QUANTITY_COLUMNS, rounded, split
from ingest.settings import BadInput

CHUNK_ROWS = 100_000
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
_OFFSET = r"(?:[Zz]|[+-]\d{2}:?\d{2})$"


@dataclass(frozen=True, slots=True)
class Source:
    """A header of the file: which column it fills, and from which unit."""

    header: str
    column: str
    factor: float = 1.0
    offset: float = 0.0


@dataclass(frozen=True, slots=True)
class Chunk:
    """Valid rows of a file, and the lines refused (`line`, `payload`, `reason`)."""

    read: int
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
    except tomllib.TOMLDecodeError as error:
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
    cabin: str | None = None, unit: str | None = None, chunk_rows: int = CHUNK_ROWS,
) -> Iterator[Chunk]:
    """A CSV sensor log, in chunks.

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
        If the header cannot be used.
    """
    with path.open("rb") as file:
        sources = _sources(path, file.readline(), mapping or {}, cabin, unit)
    with path.open("rb") as file:
        reader = pd.read_csv(
            file, dtype=str, keep_default_na=False, chunksize=chunk_rows, usecols=[s.header for s in sources],
            on_bad_lines="error", encoding="utf-8-sig", encoding_errors="replace", skip_blank_lines=False)
        try:
            for text in reader:
                # line 1 is the header; a cell that holds a line break would shift what follows
                yield _chunk(text, sources, now=now, tz=tz, cabin=cabin, unit=unit, done=file.tell())
        except pd.errors.ParserError as error:
            raise BadInput(f"{path}: {error}") from error


def _sources(
    path: Path, head: bytes, mapping: Mapping[str, Source], cabin: str | None, unit: str | None
) -> list[Source]:
    """What each header of the file fills; headers not in a given map are left out."""
    try:
        headers = list(pd.read_csv(
            io.BytesIO(head), dtype=str, encoding="utf-8-sig").columns)
    except (pd.errors.EmptyDataError, UnicodeDecodeError):
        raise BadInput(f"{path}: no header; the first line must name the columns") from None
    sources = [mapping.get(h) or Source(h, h) for h in headers if h in mapping or h in COLUMNS]
    unknown = [h for h in headers if h not in mapping and h not in COLUMNS]
    if unknown and not mapping:
        raise BadInput(
            f"{path}: line 1: unknown column {unknown[0]!r}; allowed: {', '.join(COLUMNS)} "
            "(or map it with --columns)")
    columns = [source.column for source in sources]
    for column in columns:
        if columns.count(column) > 1:
            raise BadInput(f"{path}: line 1: two headers fill {column}")
    given = {"cabin": cabin, "unit": unit}
    for column in ("at", "cabin", "unit"):
        if column not in columns and not given.get(column):
            raise BadInput(
                f"{path}: line 1: no column {column!r}" + (f" and no --{column}" if column != "at" else ""))
    return sources


def _chunk(
    text: pd.DataFrame, sources: list[Source], *, now: datetime, tz: ZoneInfo | None, cabin: str | None,
    unit: str | None, done: int,
) -> Chunk:
    problems: list[pd.DataFrame] = []
    values: dict[str, Any] = {"cabin": cabin, "unit": unit}
    for source in sources:
        raw = text[source.header].str.strip()
        values[source.column], wrong = _column(raw, source, tz)
        problems.append(_told(wrong, raw, source))
    out = rounded(pd.DataFrame(values, index=text.index))
    told = pd.concat(problems)
    keys = [source.column for source in sources if source.column in ("at", "cabin", "unit")]
    dropped = told.loc[told["column"].isin(keys), "row"]
    valid, bad = split(out.drop(dropped.unique()), pd.Timestamp(now))
    # a row whose only values could not be read says so once already
    bad = bad[~((bad["column"] == "") & bad["row"].isin(told["row"]))]
    told = pd.concat([told, bad[["row", "column", "reason"]]])
    rows = told["row"].astype(int)
    return Chunk(len(text), valid, pd.DataFrame({
        "line": rows.to_numpy() + 2,
        "payload": text.loc[rows].agg(",".join, axis=1).to_numpy() if len(rows) else [],
        "reason": told["reason"].to_numpy(),
    }), done)


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
    number = pd.to_numeric(raw.where(filled), errors="coerce").astype("float64")
    number = number.where(np.isfinite(number))
    return number * source.factor + source.offset, filled & number.isna()


def _instants(raw: pd.Series, tz: ZoneInfo | None) -> tuple[pd.Series, pd.Series]:
    offset = raw.str.contains(_OFFSET, regex=True)
    at = pd.to_datetime(raw.where(offset), format="ISO8601", utc=True, errors="coerce")
    if tz is not None and not offset.all():
        local = pd.to_datetime(raw.where(~offset), format="ISO8601", errors="coerce")
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


def read_senml_lines(
    path: Path, *, now: datetime, cabin: str | None = None, unit: str | None = None,
    chunk_rows: int = CHUNK_ROWS,
) -> Iterator[Chunk]:
    """A file of SenML packs, one a line; names are `<cabin>/<unit>/<quantity>` unless given as arguments.

    Times below 2**28 count from `now`, as in a message that arrives now.
    """
    keys: list[tuple[str, str, int]] = []
    values: list[dict[str, float | bool]] = []
    refused: list[tuple[int, str, str]] = []
    read, done = 0, 0
    with path.open("rb") as file:
        for line, payload in enumerate(file, start=1):
            done += len(payload)
            payload = payload.strip()
            if not payload:
                continue
            read += 1
            try:
                packs, problems = _by_unit(payload, now, cabin, unit)
            except senml.PackRefused as error:
                refused.append((line, payload[:2000].decode("utf-8", "replace"), str(error)))
                continue
            refused += [(line, one.record, one.reason) for one in problems]
            for (c, u), rows in packs.items():
                keys += [(c, u, at_ms) for at_ms in rows]
                values += rows.values()
            if len(values) >= chunk_rows:
                yield _senml_chunk(read, keys, values, refused, now, done)
                keys, values, refused, read = [], [], [], 0
    yield _senml_chunk(read, keys, values, refused, now, done)


def _by_unit(
    payload: bytes, now: datetime, cabin: str | None, unit: str | None
) -> tuple[dict[tuple[str, str], dict[int, dict[str, float | bool]]], list[senml.Refused]]:
    """A pack's rows by the unit that its names carry."""
    groups: dict[tuple[str, str], list[dict[str, Any]]] = {}
    problems: list[senml.Refused] = []
    for record in senml.resolve(senml.parse(payload), now.timestamp()):
        if isinstance(record, senml.Refused):
            problems.append(record)
            continue
        parts = record["n"].split("/")
        key = (parts[-3], parts[-2]) if len(parts) >= 3 else (cabin or "", unit or "")
        if not all(key):
            problems.append(senml.Refused(
                json.dumps(record), "the name must be <cabin>/<unit>/<quantity>, or give --cabin and --unit"))
            continue
        groups.setdefault(key, []).append(record)
    out = {}
    for key, records in groups.items():
        out[key], more = senml.rows_of(records)
        problems += more
    return out, problems


def _senml_chunk(
    read: int, keys: list[tuple[str, str, int]], values: list[dict[str, float | bool]],
    refused: list[tuple[int, str, str]], now: datetime, done: int,
) -> Chunk:
    at = pd.to_datetime(np.array([key[2] for key in keys], dtype="int64"), unit="ms", utc=True)
    columns: dict[str, Any] = {column: [row.get(column) for row in values] for column in QUANTITY_COLUMNS}
    columns |= {
        "cabin": [key[0] for key in keys], "unit": [key[1] for key in keys],
        "at": at.astype("datetime64[us, UTC]")}
    valid, bad = split(rounded(pd.DataFrame(columns)), pd.Timestamp(now))
    told = pd.DataFrame(refused, columns=["line", "payload", "reason"])
    bad = pd.DataFrame({
        "line": 0, "payload": [json.dumps(values[int(row)]) for row in bad["row"]], "reason": bad["reason"]})
    return Chunk(read, valid, pd.concat([told, bad], ignore_index=True), done)

