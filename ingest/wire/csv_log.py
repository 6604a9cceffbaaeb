"""Sensor logs in CSV files with a header, in chunks of whole columns."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd

from ingest.db.schema import KEY, QUANTITY_COLUMNS, reasons, rounded, split
from ingest.settings import BadInput
from ingest.wire.csv_cells import told, values_of
from ingest.wire.csv_lines import PAYLOAD_SHOWN, Lines, blocks, cells_of, lines_of, skip_lines
from ingest.wire.csv_shape import COLUMNS, EVENT, Shape, Source, column_map, zone
from models.units import FLAGS

__all__ = [
    "BLOCK_BYTES", "PAYLOAD_SHOWN", "Chunk", "column_map", "headers_of", "read_csv", "refused_lines", "text_of",
    "zone"]

BLOCK_BYTES = 8 * 2**20
MOST_HEADER_BYTES = 2**20  # junk lines and header
ON_OFF = {True: "on", False: "off"}

Owner = tuple[str, str] | None


@dataclass(frozen=True, slots=True)
class Chunk:
    """Valid rows of a file, each with its line as index, and what was refused.

    `refused` has `line`, `payload`, `reason` and `times` (records of a pack that the row stands for; else 1).
    A line of a wide file is a row of each of its units.
    """

    read: int  # rows, or where a whole line was refused, lines
    rows: pd.DataFrame
    refused: pd.DataFrame
    bytes_done: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reading:
    """What all chunks of a file share."""

    headers: list[str]
    sources: list[Source]
    shape: Shape
    now: datetime
    tz: ZoneInfo | None
    cabin: str | None
    unit: str | None


def read_csv(
    path: Path, *, now: datetime, mapping: Mapping[str, Source | None] | None = None, tz: ZoneInfo | None = None,
    cabin: str | None = None, unit: str | None = None, shape: Shape | None = None, block_bytes: int = BLOCK_BYTES,
) -> Iterator[Chunk]:
    """A CSV sensor log, in chunks of whole lines.

    A line is a record: a cell must not hold a line break, so that one quote too many spoils one line and not the
    rest of the file. A line with more or fewer cells than the header is refused (a decimal comma, a torn end).

    Parameters
    ----------
    path : Path
        Header with `at` (or a day and a time of day), `cabin`, `unit` (or given as arguments) and any column of a
        reading.
    now : datetime
        What lies over five minutes after it is refused.
    mapping : mapping or None
        Other headers and units (`column_map`); None for one that is left out.
    tz : ZoneInfo or None
        Zone of times without an offset; without it they are refused.
    shape : Shape or None
        How the file is written; None: UTF-8, commas, decimal points, ISO 8601, its header on line 1.

    Raises
    ------
    BadInput
        If the file or its header cannot be used.
    """
    shape = shape or Shape()
    try:
        with path.open("rb") as file:
            headers = headers_of(path, shape)
            sources = _sources(path, headers, mapping, shape, {"cabin": cabin, "unit": unit})
            reading = _Reading(
                headers=headers, sources=sources, shape=shape, now=now, tz=tz, cabin=cabin, unit=unit)
            first = shape.header_row + 1
            for block in skip_lines(blocks(file, shape.encoding, block_bytes), shape.header_row):
                lines = lines_of(block, first, len(headers), shape)
                yield _chunk(lines, reading, file.tell())
                first = lines.after
    except OSError as error:
        raise BadInput(f"{path}: {error.strerror}") from error
    except UnicodeError as error:  # no byte order mark where the encoding asks for one
        raise BadInput(f"{path}: it cannot be read as {shape.encoding}: {error}") from error


def headers_of(path: Path, shape: Shape) -> list[str]:
    """The cells of the header."""
    with path.open("rb") as file:
        head = file.read(MOST_HEADER_BYTES)
    row = shape.header_row
    if shape.encoding == "utf-8":
        lines = head.split(b"\n", row)
        line = lines[row - 1] if len(lines) >= row else b""
    else:
        text = head.decode(shape.encoding, "replace").encode()
        line = next(skip_lines(iter([text]), row - 1), b"").split(b"\n")[0]
    try:
        found = cells_of(line.decode("utf-8-sig").rstrip("\r\n"), shape.delimiter)
    except (UnicodeDecodeError, csv.Error) as error:
        raise BadInput(f"{path}: line {row} is no CSV header in {shape.encoding.upper()}: {error}") from error
    headers = [header.strip() for header in found]
    if not any(headers):
        raise BadInput(f"{path}: no header; " + (
            "the first line must name the columns" if row == 1 else f"line {row} is empty or not there"))
    return headers


def text_of(lines: Lines, headers: list[str], wanted: list[str], shape: Shape) -> pd.DataFrame:
    """The good lines' cells of these headers as text, stripped; by the header's number, indexed by line."""
    numbers = sorted({headers.index(header) for header in wanted})
    text = pd.read_csv(
        io.BytesIO(lines.good), header=None, names=range(len(headers)), dtype=str, keep_default_na=False,
        usecols=numbers, index_col=False, lineterminator="\n", sep=shape.delimiter,
        encoding="utf-8", encoding_errors="replace", skip_blank_lines=False,
    ) if lines.good else pd.DataFrame(columns=range(len(headers)), dtype=str)
    text.index = pd.Index(lines.number)
    return text


def _sources(
    path: Path, headers: list[str], mapping: Mapping[str, Source | None] | None, shape: Shape,
    given: Mapping[str, str | None],
) -> list[Source]:
    """What each header of the file fills; headers not in a given map are left out."""
    mapping, row = mapping or {}, shape.header_row
    found = [mapping[h] if h in mapping else Source(h, h) for h in headers if h in mapping or h in COLUMNS]
    sources = [source for source in found if source is not None]
    unknown = [h for h in headers if h not in mapping and h not in COLUMNS]
    if unknown and not mapping:
        raise BadInput(
            f"{path}: line {row}: unknown column {unknown[0]!r}; allowed: {', '.join(COLUMNS)} "
            "(or map it with --column or --columns)")
    require_columns(f"{path}: line {row}", sources, given)
    return sources


def require_columns(where: str, sources: list[Source], given: Mapping[str, str | None]) -> None:
    """Refuse a header that fills a column twice, or lacks one that is not given for the whole file."""
    filled = [(source.column, source.owner) for source in sources]
    for one in filled:
        if filled.count(one) > 1:
            raise BadInput(f"{where}: two headers fill {one[0]}")
    columns = [column for column, _ in filled]
    if "at" in columns and {"date", "time"} & set(columns):
        raise BadInput(f"{where}: a header fills at, and another date or time; one of them must be left out")
    lacks_at = "at" not in columns and not {"date", "time"} <= set(columns)
    if lacks_at:
        raise BadInput(f"{where}: no column 'at', nor 'date' and 'time'")
    both = [column for column in columns if column in FLAGS] if EVENT in columns else []
    if both:
        raise BadInput(f"{where}: a header fills event, and another {both[0]}; one of them must be left out")
    quantities = [owner for column, owner in filled if column in (*QUANTITY_COLUMNS, EVENT)]
    for column in ("cabin", "unit"):
        if column not in columns and not given.get(column) and (None in quantities or not quantities):
            raise BadInput(f"{where}: no column {column!r} and no --{column}")
    if not quantities:
        raise BadInput(f"{where}: no column holds a quantity; known are: {', '.join(QUANTITY_COLUMNS)}")


def at_joined(
    text: pd.DataFrame, headers: list[str], sources: list[Source]
) -> tuple[dict[str, pd.Series], list[Source]]:
    """Each source's cells by its header; a day and a time of day become one source for `at`."""
    raw = {source.header: text[headers.index(source.header)].str.strip() for source in sources}
    apart = {source.column: source.header for source in sources if source.column in ("date", "time")}
    if not apart:
        return raw, sources
    joined = f"{apart['date']} {apart['time']}"
    raw[joined] = (raw[apart["date"]] + " " + raw[apart["time"]]).str.strip()
    return raw, [Source(joined, "at"), *(one for one in sources if one.header not in apart.values())]


def events_apart(
    raw: dict[str, pd.Series], sources: list[Source], shape: Shape
) -> tuple[dict[str, pd.Series], list[Source], list[pd.DataFrame]]:
    """A column of events as what its lines say of lamp and power; and lines of which nobody told what they say.

    Returns
    -------
    raw, sources
        As `at_joined` has them, the column of events replaced.
    untold : list of DataFrame
        As `ingest.wire.csv_cells.told`; none where the file has no such column.
    """
    found = next((one for one in sources if one.column == EVENT), None)
    if found is None:
        return raw, sources, []
    text = raw[found.header].str.lower()
    out, kept = dict(raw), [one for one in sources if one is not found]
    for flag in FLAGS:
        said = {event: ON_OFF[says[1]] for event, says in shape.events.items() if says and says[0] == flag}
        name = f"{found.header}: {flag}"
        out[name] = text.map(said).fillna("")
        kept.append(Source(name, flag))
    wrong = raw[found.header][~text.isin([*shape.events, ""])]
    return out, kept, [pd.DataFrame({
        "row": wrong.index, "column": EVENT,
        "reason": [f"{found.header} = {value!r}: nobody told what it says (--event)" for value in wrong]})]


def _chunk(lines: Lines, reading: _Reading, done: int) -> Chunk:
    headers, shape = reading.headers, reading.shape
    text = text_of(lines, headers, [source.header for source in reading.sources], shape)
    raw, sources = at_joined(text, headers, reading.sources)
    raw, sources, untold = events_apart(raw, sources, shape)
    values: dict[str, pd.Series] = {}
    problems = list(untold)
    for source in sources:
        values[source.header], wrong = values_of(raw[source.header], source, shape, reading.tz)
        problems.append(told(wrong, raw[source.header], source, shape))
    cells = pd.concat(problems)
    keys = [source.column for source in sources if source.column in KEY]
    dropped = cells.loc[cells["column"].isin(keys), "row"].unique()
    owners = dict.fromkeys(source.owner for source in sources if source.column in QUANTITY_COLUMNS)
    valid, bad = zip(*(
        _of_unit(values, [one for one in sources if one.column in KEY or one.owner == owner], dropped, reading,
                 owner, wide=len(owners) > 1 or bool(untold)) for owner in owners), strict=True)
    refused_rows = pd.concat(bad)
    # a row whose only values could not be read says so once already
    refused_rows = refused_rows[~((refused_rows["column"] == "") & refused_rows["row"].isin(cells["row"]))]
    refused_rows = refused_rows.drop_duplicates()
    cells = pd.concat([cells, refused_rows[["row", "column", "reason"]]])
    # nor is a row refused whole told by cell
    cells = cells[cells["column"].isin(keys) | ~cells["row"].isin(dropped)]
    refused = pd.DataFrame({
        "line": cells["row"].astype("int64"), "payload": [lines.payload(int(row)) for row in cells["row"]],
        "reason": cells["reason"], "times": 1})
    refused = pd.concat([refused_lines(lines.refused), refused])
    refused = refused.sort_values("line", kind="stable", ignore_index=True)
    return Chunk(len(text) + len(lines.refused), pd.concat(valid), refused, done)


def _of_unit(
    values: Mapping[str, pd.Series], sources: list[Source], dropped: Any, reading: _Reading, owner: Owner, *,
    wide: bool,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The rows of one unit of a wide file, or of the whole file; and what of them is refused, with reasons."""
    cabin, unit = owner or (reading.cabin, reading.unit)
    columns: dict[str, Any] = {"cabin": cabin, "unit": unit}
    columns |= {source.column: values[source.header] for source in sources}
    if owner:
        columns |= {"cabin": cabin, "unit": unit}
    batch = rounded(pd.DataFrame(columns, index=next(iter(values.values())).index)).drop(dropped)
    if wide:  # a line says nothing of a unit whose cells are empty
        batch = batch[batch[list(QUANTITY_COLUMNS)].notna().any(axis=1)]
    valid, bad = split(batch, pd.Timestamp(reading.now))
    return valid, bad.assign(reason=reasons(batch, bad))


def refused_lines(found: list[tuple[int, str, str]]) -> pd.DataFrame:
    """Line, payload and reason of each, as a chunk holds them."""
    return pd.DataFrame(found, columns=["line", "payload", "reason"]).astype({"line": "int64"}).assign(times=1)
