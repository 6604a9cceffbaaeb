"""Lists that leave: `--csv` on standard output, `--xlsx FILE` as a workbook, alike for all commands that list."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path

from dashboard.sheets.lists import Listed, csv_of, xlsx_of
from ingest import private_files
from ingest.settings import BadInput


def add_list_options(
    command: argparse.ArgumentParser, *, csv_help: str = "print comma-separated values and nothing else",
) -> None:
    """The options."""
    command.add_argument("--csv", action="store_true", help=csv_help)
    command.add_argument("--xlsx", type=Path, metavar="FILE", help="write it as a workbook; anew if it is there")


def listed(options: argparse.Namespace, made: Callable[[], Listed]) -> bool:
    """Whether the list was asked for as a table, and has left as one.

    Raises
    ------
    BadInput
        If the workbook cannot be written, or has no name that a spreadsheet opens.
    """
    if options.xlsx is None and not options.csv:
        return False
    if options.xlsx is not None:
        if options.xlsx.suffix.lower() != ".xlsx":
            raise BadInput(f"--xlsx must name a file that ends in .xlsx; got {options.xlsx.name!r}")
        try:
            private_files.write(options.xlsx, xlsx_of(made()))
        except OSError as error:
            raise BadInput(f"{options.xlsx}: {error.strerror or error}") from error
        print(options.xlsx)
        return True
    sys.stdout.write(csv_of(made()).decode())
    return True
