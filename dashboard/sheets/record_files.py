"""The record of months into a file, by its ending; a month at a time, so that a year needs no more room than one.

CSV is one file with a column `table`: what is mailed or filed stays together under the name that was asked for, and
one look at the column takes a table out again. A workbook has a sheet per table.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable
from pathlib import Path

from dashboard.sheets.notice_pdf import Paper
from dashboard.sheets.record_pdf import record_pdf
from dashboard.sheets.record_tables import TABLES, about, tables_of
from dashboard.sheets.tabular import Book
from dashboard.text.csv_cells import cells
from ingest import private_files
from ingest.months.record import MonthRecord
from ingest.settings import BadInput

COLUMNS = ("table", *dict.fromkeys(name for columns in TABLES.values() for name in columns))


def write_record(path: Path, records: Iterable[MonthRecord], *, paper: Paper = Paper.A4) -> None:
    """Write the record; the file is there whole or not at all.

    Raises
    ------
    BadInput
        If the ending is none that is known, or the file cannot be written.
    """
    form = require_form(path)
    try:
        with private_files.placing(path) as spare:
            form(spare, records, paper)
    except OSError as error:
        raise BadInput(f"{path}: {error.strerror or error}") from error


def require_form(path: Path) -> Callable[[Path, Iterable[MonthRecord], Paper], None]:
    """What writes a file of that name."""
    form = FORMS.get(path.suffix.lower())
    if form is None:
        raise BadInput(f"--out must end in {', '.join(FORMS)}; got {path.name!r}")
    return form


def _csv(path: Path, records: Iterable[MonthRecord], paper: Paper) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file)
        out.writerow(COLUMNS)

        def rows(name: str, found: Iterable[Iterable[object]]) -> None:
            for row in found:
                given = dict(zip(TABLES[name], row, strict=True))
                out.writerow(cells((name, *(given.get(column) for column in COLUMNS[1:]))))

        for number, record in enumerate(records):
            if not number:
                rows("about", about(record))
            for name, found in tables_of(record):
                rows(name, found)


def _xlsx(path: Path, records: Iterable[MonthRecord], paper: Paper) -> None:
    with Book(path) as book:
        for name, columns in TABLES.items():
            book.add(name, columns)
        for number, record in enumerate(records):
            if not number:
                book.append("about", about(record))
            for name, found in tables_of(record):
                book.append(name, found)


def _pdf(path: Path, records: Iterable[MonthRecord], paper: Paper) -> None:
    record_pdf(path, records, paper=paper)


FORMS: dict[str, Callable[[Path, Iterable[MonthRecord], Paper], None]] = {
    ".csv": _csv, ".xlsx": _xlsx, ".pdf": _pdf}
