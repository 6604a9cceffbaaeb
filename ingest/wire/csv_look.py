"""What a file is taken for, before a row of it is: what was found, what was told, and what is still to be said."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

import pandas as pd

from ingest.db.schema import DECIMALS, QUANTITY_COLUMNS
from ingest.settings import BadInput
from ingest.wire import csv_head, csv_log
from ingest.wire.csv_cells import FALSE, INSTANT, TRUE
from ingest.wire.csv_headers import meant_by, unit_settled
from ingest.wire.csv_lines import blocks, lines_of, skip_lines
from ingest.wire.csv_shape import COLUMNS, DELIMITERS, EVENT, Shape, Source, zone
from ingest.wire.csv_told import Told
from ingest.wire.date_orders import distinct_days, orders_of
from models.units import FLAGS

SHOWN_ROWS = 5
MOST_WORDS = 10  # of a column that says on and off
_ISO_DAY = r"^\s*\d{4}-?\d{2}-?\d{2}(?:[Tt ]|$)"
_GROUPED = r"^[+-]?[1-9]\d{0,2}(?:[.,]\d{3})+$"  # a fraction of three digits, or thousands
_DAY_WORDS = {"ymd": "year, month, day", "dmy": "day, month, year", "mdy": "month, day, year"}


@dataclass(slots=True, kw_only=True)
class Look:
    """What a file is taken for.

    Attributes
    ----------
    found : list of (str, str)
        What each thing is taken for, and on what.
    needs : list of str
        What must be told before it can be loaded.
    settled : Told
        All of it, as a profile keeps it; to be used where nothing is needed.
    rows : DataFrame
        The first rows: as the store would have them, or their text where something is needed still.
    notes : list of str
        What of the file's start would be refused.
    """

    shape: Shape = field(default_factory=Shape)
    found: list[tuple[str, str]] = field(default_factory=list)
    needs: list[str] = field(default_factory=list)
    sources: list[Source] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)
    settled: Told = field(default_factory=Told)
    rows: pd.DataFrame = field(default_factory=pd.DataFrame)
    notes: list[str] = field(default_factory=list)
    utc: bool = False


def look(path: Path, told: Told, now: datetime) -> Look:
    """Look at a file; only where its days can be read in several orders is all of it read, its days alone.

    Raises
    ------
    BadInput
        If it cannot be opened, or what is told is against what it holds.
    """
    out = Look()
    try:
        if not _head(path, told, out):
            return out
        headers = csv_log.headers_of(path, out.shape)
        _columns(path, headers, told, out)
        sample = _sample(path, headers, out)
        if not sample.empty:
            _decimal(path, headers, sample, told, out)
            _words(headers, sample, told, out)
            _times(path, headers, sample, told, out)
        else:
            out.needs.append(f"rows: none was found below line {out.shape.header_row}")
        _settle(path, headers, sample, told, now, out)
    except OSError as error:
        raise BadInput(f"{path}: {error.strerror}") from error
    return out


def _take(out: Look, what: str, one: csv_head.Found, shown: str = "") -> bool:
    """Note what was found, or what is asked."""
    if one.asked:
        out.needs.append(one.asked)
        out.found.append((what, "not known"))
    else:
        out.found.append((what, f"{shown or one.value} ({one.how})"))
    return not one.asked


def _head(path: Path, told: Told, out: Look) -> bool:
    """Encoding, delimiter and header row; False where one of them is not known."""
    head = csv_head.head_of(path)
    encoding = csv_head.encoding_of(head, told.encoding, str(path))
    if not _take(out, "encoding", encoding):
        return False
    lines = head.decode(encoding.value, "replace").removeprefix("\ufeff").splitlines()
    if not any(line.strip() for line in lines):
        raise BadInput(f"{path}: no header; the file is empty")
    if told.header_row and not any(line.strip() for line in lines[told.header_row - 1 : told.header_row]):
        raise BadInput(f"{path}: no header; line {told.header_row} is empty or not there")
    delimiter, row = csv_head.delimiter_of(lines, told.delimiter, told.header_row)
    names = {character: name for name, character in DELIMITERS.items()}
    both = [_take(out, "delimiter", delimiter, names.get(delimiter.value, "")), _take(out, "header row", row)]
    if not all(both):
        return False
    out.shape = Shape(
        encoding=encoding.value, delimiter=delimiter.value, header_row=int(row.value), words=dict(told.words),
        events=dict(told.events))
    return True


def _columns(path: Path, headers: list[str], told: Told, out: Look) -> None:
    """What each header fills."""
    where = f"{path}: line {out.shape.header_row}"
    if no_name := csv_head.no_name(headers):
        raise BadInput(f"{where} does not name the columns: {no_name!r} is no name. --header-row says which does")
    missing = [header for header in told.columns if header not in headers]
    if missing:
        raise BadInput(f"{where}: no column {missing[0]!r}, which was told; its columns are: {', '.join(headers)}")
    twice = [header for header in headers if header and headers.count(header) > 1]
    if twice:
        raise BadInput(f"{where}: two columns are named {twice[0]!r}")
    for header in headers:
        if header in told.columns:
            given = told.columns[header]
            settled = unit_settled(given) if given else None
            if isinstance(settled, Source):
                out.sources.append(settled)
            elif given and settled:
                if given.unit:
                    raise BadInput(f"{where}: {settled}")
                out.needs.append(str(settled))
            else:
                out.left_out.append(header)
        elif not header or (told.whole_map and header not in COLUMNS):
            out.left_out.append(header)
        else:
            _by_itself(header, headers, out)
    given_whole = {"cabin": told.cabin, "unit": told.unit}
    if not out.needs:
        try:
            csv_log.require_columns(where, out.sources, given_whole)
        except BadInput as error:
            out.needs.append(str(error).removeprefix(f"{where}: "))


def _by_itself(header: str, headers: list[str], out: Look) -> None:
    meant = meant_by(header, headers)
    if meant.source is not None:
        out.sources.append(meant.source)
        out.utc = out.utc or meant.utc
        return
    out.needs.append(meant.asked or (
        f'what {header!r} is: --column "{header}=COLUMN:UNIT" with one of the columns of a log, or "{header}=-" to '
        "leave it out"))


def _sample(path: Path, headers: list[str], out: Look) -> pd.DataFrame:
    """The cells of the file's start as text."""
    head = csv_head.head_of(path)
    text = head.decode(out.shape.encoding, "replace").encode()
    block = next(skip_lines(iter([text]), out.shape.header_row), b"")
    if not block:
        return pd.DataFrame()
    lines = lines_of(block, out.shape.header_row + 1, len(headers), out.shape)
    if lines.number.size <= len(lines.refused):
        raise BadInput(
            f"{path}: line {out.shape.header_row} has {len(headers)} cells, and most lines below it another "
            "number: another line names the columns (--header-row), or the --delimiter is another")
    if out.needs:  # more may be wrong with it than was found
        out.notes += [f"line {line}: {reason}" for line, _, reason in lines.refused[:SHOWN_ROWS]]
    cells = csv_log.text_of(lines, headers, headers, out.shape)
    return pd.DataFrame({column: cells[column].str.strip() for column in cells})


def _decimal(path: Path, headers: list[str], sample: pd.DataFrame, told: Told, out: Look) -> None:
    """The decimal mark, by the cells of the columns that hold numbers."""
    numbers = [headers.index(one.header) for one in out.sources if one.column in DECIMALS]
    cells = pd.concat([sample[number] for number in numbers]) if numbers else pd.Series(dtype=str)
    with_mark = {mark: cells[cells.str.contains(rf"^[+-]?\d+{re.escape(mark)}\d+$")] for mark in (".", ",")}
    seen = [mark for mark, some in with_mark.items() if len(some)]
    if told.decimal:
        if seen and told.decimal not in seen:
            one = with_mark[seen[0]].iloc[0]
            raise BadInput(f"{path}: its decimal mark is not {told.decimal!r}: it has {one!r}")
        found = csv_head.Found(told.decimal, "as told")
    elif len(seen) == 2:
        both = " and ".join(repr(some.iloc[0]) for some in with_mark.values())
        found = csv_head.Found(asked=f"its decimal mark: it has {both}: --decimal . or --decimal ,")
    elif seen and out.shape.delimiter != "," and with_mark[seen[0]].str.contains(_GROUPED).all():
        one = with_mark[seen[0]].iloc[0]
        found = csv_head.Found(asked=f"its decimal mark: {one!r} may be a fraction or thousands: --decimal . or ,")
    else:
        found = csv_head.Found(seen[0] if seen else ".", "by its numbers" if seen else "no number has a fraction")
    if _take(out, "decimal mark", found):
        out.shape = replace(out.shape, decimal=found.value)


def _words(headers: list[str], sample: pd.DataFrame, told: Told, out: Look) -> None:
    """Words in columns of on and off that mean neither by themselves."""
    known = {*TRUE, *FALSE, *told.words, ""}
    for one in out.sources:
        if one.column == EVENT:
            text = sample[headers.index(one.header)]
            out.needs += [
                f'what {event!r} in {one.header!r} says: --event "{event}=lamp_on:off" (or power_on, or on), or '
                f'"{event}=unknown"'
                for event in text[~text.str.lower().isin([*told.events, ""])].unique()[:MOST_WORDS]]
        if one.column in FLAGS:
            cells = sample[headers.index(one.header)].str.lower().unique()
            out.needs += [
                f'what {word!r} in {one.header!r} means: --word "{word}=off" (or on, or unknown)'
                for word in [word for word in cells if word not in known][:MOST_WORDS]]


def _times(path: Path, headers: list[str], sample: pd.DataFrame, told: Told, out: Look) -> None:
    """Date order and zone."""
    columns = {one.column: headers.index(one.header) for one in out.sources if one.column in ("at", "date", "time")}
    day_at = columns.get("date", columns.get("at"))
    if day_at is None:
        return
    day = sample[day_at]
    if told.date_order or not day.str.contains(_ISO_DAY).all():
        _date_order(path, headers, headers[day_at], told, out)
    else:
        # the time of day may still be written on twelve hours, or without a leading zero
        whole = day.str.contains(INSTANT).all() and not day.str.contains(r"[AaPp]\.?[Mm]").any()
        out.shape = replace(out.shape, date_order="" if whole else "ymd")
        out.found.append(("date order", "year, month, day (ISO 8601)"))
    written = day if "time" not in columns or "date" not in columns else day + " " + sample[columns["time"]]
    if written.str.contains(r"(?:[Zz]|\d\s?[+-]\d{2}(?::?\d{2})?)$").all() and written.str.contains(":").all():
        out.found.append(("zone", "by each time's offset"))
    elif told.zone:
        if out.utc and zone(told.zone).key not in ("UTC", "Etc/UTC", "GMT", "Etc/GMT"):
            raise BadInput(
                f"{path}: its header says that times are in UTC, and --zone {told.zone}: one of them is wrong")
        out.found.append(("zone", f"{told.zone} (as told)"))
    elif out.utc:
        out.found.append(("zone", "UTC (by its header)"))
    else:
        out.needs.append(
            f"the zone of times like {written.iloc[0]!r}: --zone with an IANA name, like America/Toronto")


def _date_order(path: Path, headers: list[str], header: str, told: Told, out: Look) -> None:
    fits = orders_of(distinct_days(_column(path, headers, header, out.shape)), told.date_order or "", str(path))
    if told.date_order or len(fits) == 1:
        order = told.date_order or fits[0]
        how = "as told" if told.date_order else "no other order fits all of its dates"
        _take(out, "date order", csv_head.Found(order, how), _DAY_WORDS[order])
        out.shape = replace(out.shape, date_order=order)
        return
    either = " or ".join(f"--date-order {order} ({_DAY_WORDS[order]})" for order in fits)
    _take(out, "date order", csv_head.Found(
        asked=f"the order of its dates, ambiguous since nothing in it tells them apart: {either}"))


def _column(path: Path, headers: list[str], header: str, shape: Shape) -> Iterator[pd.Series]:
    """One column's text, block by block."""
    first = shape.header_row + 1
    with path.open("rb") as file:
        for block in skip_lines(blocks(file, shape.encoding, csv_log.BLOCK_BYTES), shape.header_row):
            lines = lines_of(block, first, len(headers), shape)
            yield csv_log.text_of(lines, headers, [header], shape)[headers.index(header)]
            first = lines.after


def _settle(
    path: Path, headers: list[str], sample: pd.DataFrame, told: Told, now: datetime, out: Look
) -> None:
    """The whole as a profile would keep it, and the first rows as understood."""
    zone_name = told.zone or ("UTC" if out.utc else None)
    columns: dict[str, Source | None] = {one.header: one for one in out.sources}
    columns |= dict.fromkeys(header for header in out.left_out if header)
    out.settled = Told(
        encoding=out.shape.encoding, delimiter=out.shape.delimiter, decimal=out.shape.decimal,
        header_row=out.shape.header_row, date_order=out.shape.date_order or None, zone=zone_name,
        words=out.shape.words, events=out.shape.events, columns=columns, whole_map=True, cabin=told.cabin,
        unit=told.unit)
    if out.needs:
        if not sample.empty:
            shown = [headers.index(one.header) for one in out.sources]
            out.rows = sample[shown].head(SHOWN_ROWS).set_axis([one.header for one in out.sources], axis=1)
        return
    chunk = next(rows_of(path, out.settled, out.shape, now, block_bytes=csv_head.HEAD_BYTES), None)
    if chunk is not None:
        filled = ["at", "cabin", "unit", *(one for one in QUANTITY_COLUMNS if chunk.rows[one].notna().any())]
        out.rows = chunk.rows[filled].sort_index(kind="stable").head(SHOWN_ROWS)
        out.notes = [f"line {line}: {reason}" for line, reason in zip(
            chunk.refused["line"].head(SHOWN_ROWS), chunk.refused["reason"].head(SHOWN_ROWS), strict=True)]


def rows_of(
    path: Path, settled: Told, shape: Shape, now: datetime, *, block_bytes: int = csv_log.BLOCK_BYTES
) -> Iterator[csv_log.Chunk]:
    """The rows of a file that nothing is asked of any more."""
    return csv_log.read_csv(
        path, now=now, mapping=settled.columns, tz=zone(settled.zone) if settled.zone else None,
        cabin=settled.cabin, unit=settled.unit, shape=shape, block_bytes=block_bytes)


def is_plain(path: Path, mapping: dict[str, Source]) -> bool:
    """Whether the first line names the columns of a plain log, in UTF-8 with commas: nothing is to be found."""
    try:
        headers = csv_log.headers_of(path, Shape())
    except (BadInput, OSError):
        return False
    columns = [mapping[one].column if one in mapping else one for one in headers]
    if any(isinstance(unit_settled(one), str) for one in mapping.values()):
        return False  # a header's own unit is another than the map's
    return "at" in columns and (bool(mapping) or all(one in COLUMNS for one in headers))
