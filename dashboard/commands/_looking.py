"""Options that say how a logger's file is written, and the words for what it is taken for."""

from __future__ import annotations

import argparse
from pathlib import Path

import pandas as pd

from ingest.settings import BadInput
from ingest.wire.csv_look import Look
from ingest.wire.csv_shape import (
    DATE_ORDERS,
    DECIMALS,
    DELIMITERS,
    ENCODINGS,
    TARGETS,
    Source,
    column_map,
    column_told,
    event_told,
    word_told,
)
from ingest.wire.csv_told import Told
from models.units import UNITS


def add_options(load: argparse.ArgumentParser) -> None:
    """What can be told of a file, and profiles of it."""
    load.add_argument(
        "--look", action="store_true",
        help="say what the file is taken for and what must be told, and load nothing (exit 2 while something must)")
    load.add_argument("--profile", metavar="NAME", help="what was saved under that name; other options come first")
    load.add_argument("--save-profile", metavar="NAME", help="save what the file is taken for under a name")
    load.add_argument(
        "--zone", "--tz", help="IANA time zone of times without an offset; without it they are refused")
    load.add_argument("--encoding", help=f"one of {', '.join(ENCODINGS)}")
    load.add_argument("--delimiter", help=f"one of {', '.join(DELIMITERS)}, or the character")
    load.add_argument("--decimal", help=f"the decimal mark: {' or '.join(DECIMALS)}")
    load.add_argument("--header-row", type=int, metavar="LINE", help="the line that names the columns")
    load.add_argument("--date-order", help=f"of day, month and year: one of {', '.join(DATE_ORDERS)}")
    load.add_argument(
        "--column", action="append", default=[], metavar="HEADER=COLUMN:UNIT",
        help='"Flow=flow_l_min:gpm"; "Note=-" leaves a column out; "Annex flow=otter-cove/annex/flow_l_min:gpm" '
             "where columns are of several units")
    load.add_argument(
        "--word", action="append", default=[], metavar="WORD=on",
        help='what a word in a column of on and off means: "alarm=off", or on, or unknown')
    load.add_argument(
        "--event", action="append", default=[], metavar="TEXT=lamp_on:off",
        help='what a line of a log of events says, where --column "Message=event" names its column: '
             '"Lamp fault=lamp_on:off", "Mains back=power_on:on", "Door opened=unknown"')


def told_by(options: argparse.Namespace) -> Told:
    """What the options say of a file."""
    columns: dict[str, Source | None] = dict(column_map(options.columns)) if options.columns else {}
    return Told(
        encoding=options.encoding, delimiter=options.delimiter, decimal=options.decimal,
        header_row=options.header_row, date_order=options.date_order, zone=options.zone,
        words=dict(word_told(one) for one in options.word),
        events=dict(event_told(one) for one in options.event),
        columns=columns | dict(column_told(one) for one in options.column),
        whole_map=bool(options.columns), cabin=options.cabin, unit=options.unit)


def open_of_look(path: Path, found: Look) -> None:
    """Refuse a file of which something must be told."""
    if found.needs:
        raise BadInput("\n".join((
            f"{path}: not loaded; to be told:", *(f"  - {one}" for one in found.needs), *_columns(found),
            "  `tarnlight load --look` shows the file as understood so far")))


def print_look(path: Path, found: Look) -> None:
    """What a file is taken for, and what is still needed."""
    print(f"{path}:")
    for what, value in found.found:
        print(f"  {what}: {value}")
    for source in found.sources:
        print(f"  column {source.header!r}: {_filled(source)}")
    for header in found.left_out:
        print(f"  column {header!r}: left out")
    if not found.rows.empty:
        print("  first rows, " + ("as they are written:" if found.needs else "as understood:"))
        for line in _table(found.rows).splitlines():
            print(f"    {line}")
    for note in found.notes:
        print(f"  would be refused: {note}")
    for one in found.needs:
        print(f"  to be told: {one}")
    for line in _columns(found):
        print(line)
    if not found.needs:
        print("  nothing has to be told: it can be loaded like this")


def _columns(found: Look) -> list[str]:
    """Which columns a log has, where something asks for one of them."""
    asks = any("columns of a log" in one for one in found.needs)
    return [f"  columns of a log: {', '.join(TARGETS)}"] if asks else []


def _filled(one: Source) -> str:
    """What a column fills, from which unit."""
    own = next(iter(UNITS.get(one.column, {})), "")
    unit = one.unit or own
    gallons = ", US gallons" if unit.startswith("gal") else ""
    return "/".join((*(one.owner or ()), one.column)) + (f" in {unit}{gallons}" if unit else "")


def _table(rows: pd.DataFrame) -> str:
    """Rows with the line of each in front."""
    shown = rows.copy()
    if "at" in shown and isinstance(shown["at"].dtype, pd.DatetimeTZDtype):
        shown["at"] = shown["at"].dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    shown.insert(0, "line", [str(line) for line in shown.index])
    return shown.to_string(index=False, na_rep="")
