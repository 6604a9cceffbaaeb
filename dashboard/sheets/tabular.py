"""Tables that leave: comma-separated values and workbooks, in which nothing that a person typed is a formula."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime, tzinfo
from enum import Enum
from io import BytesIO
from pathlib import Path
from types import TracebackType
from typing import IO, Any

import pandas as pd
from xlsxwriter import Workbook

from dashboard.text.csv_cells import cells, is_formula

Cell = str | int | float | bool | None
MOST_LETTERS = 32_000  # in a cell of a workbook; its format holds 32,767 (ECMA-376 does not say; common practice)
CUT = " ... (cut here: the CSV has the whole text)"


def cell(value: object, zone: tzinfo = UTC) -> Cell:
    """A value as a table holds it: None where it is not known, an instant as ISO 8601 with that place's offset."""
    if isinstance(value, datetime):
        return None if pd.isna(value) else value.astimezone(zone).isoformat(timespec="seconds")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Enum):
        return str(value)
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, (list, tuple)):
        return "; ".join(str(one) for one in value)
    if value is None or isinstance(value, (bool, int, str)):
        return value
    return None if value is pd.NA else str(value)


def write_csv(out: IO[str], columns: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """A head and its rows; what is not known is an empty cell."""
    table = csv.writer(out)
    table.writerow(cells(columns))
    table.writerows(cells(cell(one) for one in row) for row in rows)


class Book:
    """A workbook on its way into a file, a sheet per table; rows go to disk as they come.

    Made by a library of its own kind in constant memory. A text is written as a text whatever it begins with, and
    bears a workbook's own quote mark where a spreadsheet could take it for a formula once somebody edits it.
    """

    def __init__(self, out: Path | BytesIO) -> None:
        self._book = Workbook(str(out) if isinstance(out, Path) else out, {
            "constant_memory": True, "strings_to_formulas": False, "strings_to_urls": False,
            "strings_to_numbers": False, "default_date_format": "yyyy-mm-dd"})
        self._head = self._book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
        self._text = self._book.add_format({"num_format": "@"})
        self._quoted = self._book.add_format({"num_format": "@", "quote_prefix": True})
        self._sheets: dict[str, tuple[Any, int]] = {}  # the sheet, and its rows so far

    def __enter__(self) -> Book:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._book.close()

    def add(self, name: str, columns: Sequence[str]) -> None:
        """A sheet with its head, which stays in sight."""
        sheet = self._book.add_worksheet(name)
        sheet.freeze_panes(1, 0)
        for number, title in enumerate(columns):
            sheet.set_column(number, number, max(10, min(len(title) + 2, 40)))
            sheet.write_string(0, number, title, self._head)
        self._sheets[name] = (sheet, 1)

    def append(self, name: str, rows: Iterable[Sequence[object]]) -> None:
        """Rows below those that a sheet has."""
        sheet, at = self._sheets[name]
        for row in rows:
            for number, value in enumerate(row):
                self._write(sheet, at, number, cell(value))
            at += 1
        self._sheets[name] = (sheet, at)

    def _write(self, sheet: Any, row: int, column: int, value: Cell) -> None:
        if value is None or value == "":
            return
        if isinstance(value, bool):
            sheet.write_boolean(row, column, value)
        elif isinstance(value, str):
            text = value if len(value) <= MOST_LETTERS else value[:MOST_LETTERS] + CUT
            sheet.write_string(row, column, text, self._quoted if is_formula(value) else self._text)
        else:
            sheet.write_number(row, column, value)


def book_of(tables: Iterable[tuple[str, Sequence[str], Iterable[Sequence[object]]]]) -> bytes:
    """A workbook of a few tables that are at hand: name, columns, rows of each."""
    out = BytesIO()
    with Book(out) as book:
        for name, columns, rows in tables:
            book.add(name, columns)
            book.append(name, rows)
    return out.getvalue()
