"""`lamps`: how far each lamp is from too weak, what ails it, what to do by when; how good such dates have been."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from dashboard.commands._lists import add_list_options, listed
from dashboard.commands._opening import open_any
from dashboard.commands._words import command, instant, print_cautions, print_json
from dashboard.sheets.ics import lamps_calendar
from dashboard.sheets.outlook_lists import lamps_list
from dashboard.text.lamps import (
    action_words,
    calibration_words,
    crossing_words,
    date_words,
    first_words,
    headline,
    lamp_name,
    need_words,
    won_words,
)
from dashboard.text.verdicts import CAUTION
from ingest.outlook.lamps import LampOutlook, lamp_outlook
from models.advisory.work_cautions import Work
from models.lamp.standing import Standing


def add(commands: Any) -> None:
    """Add the command."""
    lamps = command(
        commands, "lamps", do_lamps, json_option=True, example="tarnlight lamps --ics > lamps.ics")
    lamps.add_argument("--at", help="as of that instant, ISO 8601 with offset or Z")
    add_list_options(lamps)
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
    if listed(options, lambda: lamps_list(found.lamps)):
        return 0
    if options.json:
        print_json([one.to_json() for one in found.lamps])
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
            reads = "" if one.standing(found.at.date()) is Standing.BELOW else f"; reads {need_words(one)}"
            print(f"       {crossing_words(one)}{reads}")
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


def _backtest(found: LampOutlook, *, as_json: bool) -> int:
    judged = found.calibration
    if as_json:
        print_json([] if judged is None or not judged.units else [{
            "units": judged.units, "coverage_of_80_pct": judged.coverage,
            "median_error_days": judged.median_error_days, "interval_scale": judged.interval_scale}])
        return 0
    print(calibration_words(found))
    return 0
