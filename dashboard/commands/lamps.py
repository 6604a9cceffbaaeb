"""`lamps`: how far each lamp is from too weak, what ails it, what to do by when; how good such dates have been."""

from __future__ import annotations

import argparse
import csv
import sys
from typing import Any

from dashboard.commands._lists import add_list_options, listed
from dashboard.commands._opening import open_any
from dashboard.commands._words import command, instant, print_cautions, print_json
from dashboard.sheets.ics import lamps_calendar
from dashboard.text.csv_cells import cells
from dashboard.text.lamps import (
    action_words,
    calibration_words,
    crossing_words,
    date_words,
    first_words,
    headline,
    lamp_name,
    won_words,
)
from dashboard.text.verdicts import CAUTION
from ingest.outlook.lamps import Lamp, LampOutlook, lamp_outlook
from models.advisory.work_cautions import Work


def add(commands: Any) -> None:
    """Add the command."""
    lamps = command(
        commands, "lamps", do_lamps, json_option=True, example="tarnlight lamps --ics > lamps.ics")
    lamps.add_argument("--at", help="as of that instant, ISO 8601 with offset or Z")
    lamps.add_argument("--csv", action="store_true", help="print comma-separated values and nothing else")
    add_list_options(lamps, csv_too=False)
    lamps.add_argument("--ics", action="store_true", help="print an iCalendar and nothing else: dates to act by")
    lamps.add_argument("--backtest", action="store_true",
                       help="how the forecast did on this fleet's own last sixty days, held out")


def do_lamps(options: argparse.Namespace) -> int:
    """Decay and crossing dates."""
    store = open_any(options)
    try:
        at = instant(options.at) if options.at else store.now()
        found = lamp_outlook(store, at)
    finally:
        store.close()
    if options.backtest:
        return _backtest(found, as_json=options.json)
    if options.xlsx:
        rows = _rows(found.lamps)
        listed(options, "lamps", list(rows[0]) if rows else ["cabin", "unit"], rows)
    elif options.json:
        print_json([one.to_json() for one in found.lamps])
    elif options.csv:
        _csv(found.lamps)
    elif options.ics:
        sys.stdout.buffer.write(lamps_calendar(found.lamps, at))
    else:
        _text(found)
    return 0


def _text(found: LampOutlook) -> None:
    print(headline(found))
    for one in found.lamps:
        print(f"{lamp_name(one)}: {action_words(one)}")
        if one.forecast:
            reads = f"reads {one.intensity_w_m2:.1f} W/m2, needs {one.threshold_w_m2:.1f}"
            print(f"       {crossing_words(one)}; {reads}")
        print(f"       {one.evidence}")
        if one.forecast and one.act_by:
            print(f"       {won_words(one)}")
        if one.rated_life_on and one.rated_life_on > found.at.date():
            print(f"       Rated life ends {date_words(one.rated_life_on)}")
        for sentence in filter(None, (first_words(one), one.sensor.divided, one.sensor.due_words(found.at))):
            print(f"       {sentence}")
    print(calibration_words(found))
    print_cautions(frozenset[Work]().union(*(one.works for one in found.lamps)))
    print(CAUTION)


def _rows(lamps: tuple[Lamp, ...]) -> list[dict[str, Any]]:
    """The keys of `--json`; sensor faults by name, cautions as one text."""
    rows = [one.to_json() for one in lamps]
    for row in rows:
        row["sensor_faults"] = ", ".join(one["fault"] for one in row["sensor_faults"])
        row["cautions"] = " ".join(row["cautions"])
    return rows


def _csv(lamps: tuple[Lamp, ...]) -> None:
    rows = _rows(lamps)
    if not rows:
        return
    out = csv.writer(sys.stdout)
    out.writerow(rows[0])
    out.writerows(cells(row.values()) for row in rows)


def _backtest(found: LampOutlook, *, as_json: bool) -> int:
    judged = found.calibration
    if as_json:
        print_json([] if judged is None or not judged.units else [{
            "units": judged.units, "coverage_of_80_pct": judged.coverage,
            "median_error_days": judged.median_error_days, "interval_scale": judged.interval_scale}])
        return 0
    print(calibration_words(found))
    return 0
