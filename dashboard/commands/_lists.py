"""Lists that leave: `--csv` on standard output, `--xlsx FILE` as a workbook, alike for all commands that list."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from ingest import private_files
from ingest.settings import BadInput


def add_list_options(command: argparse.ArgumentParser, *, csv_too: bool = True) -> None:
    """The options; without `csv_too` the command has a `--csv` of its own."""
    if csv_too:
        command.add_argument("--csv", action="store_true", help="print comma-separated values and nothing else")
    command.add_argument("--xlsx", type=Path, metavar="FILE", help="write it as a workbook; anew if it is there")


def listed(
    options: argparse.Namespace, name: str, columns: Sequence[str], rows: Iterable[Mapping[Any, Any]]
) -> bool:
    """Whether the list was asked for as a table, and has left as one; instants are in UTC.

    Raises
    ------
    BadInput
        If the workbook cannot be written, or has no name that a spreadsheet opens.
    """
    if options.xlsx is None and not options.csv:
        return False
    from dashboard.sheets.tabular import (  # what writes workbooks is loaded where one is asked for
        book_of,
        write_csv,
    )

    table = ([row.get(column) for column in columns] for row in rows)
    if options.xlsx is not None:
        if options.xlsx.suffix.lower() != ".xlsx":
            raise BadInput(f"--xlsx must name a file that ends in .xlsx; got {options.xlsx.name!r}")
        try:
            private_files.write(options.xlsx, book_of([(name, columns, table)]))
        except OSError as error:
            raise BadInput(f"{options.xlsx}: {error.strerror or error}") from error
        print(options.xlsx)
        return True
    write_csv(sys.stdout, columns, table)
    return True
