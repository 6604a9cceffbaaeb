"""`visits`: which cabins on which trip, in which order, with which parts."""

from __future__ import annotations

import argparse
import re
import sys
import tomllib
from datetime import timedelta
from pathlib import Path
from typing import Any

import pandas as pd

from dashboard.commands._lists import add_list_options, listed
from dashboard.commands._opening import open_settings, settings_any
from dashboard.commands._words import command, instant, print_cautions, print_json
from dashboard.sheets.ics import visits_calendar
from dashboard.sheets.outlook_lists import visits_list
from dashboard.text.lamps import (
    CLEAR_TITLE,
    YEAR_HEADERS,
    clear_lines,
    date_words,
    parts_words,
    trip_title,
    visits_headline,
    year_rows,
    year_words,
)
from dashboard.text.measures import Units
from dashboard.text.verdicts import CAUTION
from ingest.bookings.addresses import allowed_of
from ingest.bookings.kept import occupancy, read_now
from ingest.outlook.advisory_visits import open_boils
from ingest.outlook.lamps import lamp_outlook
from ingest.outlook.trip_settings import DAY_HOURS, Base, Terms
from ingest.outlook.visit_compare import Compared, compared
from ingest.outlook.visit_tasks import PLANNED_DAYS
from ingest.outlook.visits import Visits, visits
from ingest.registry.tables import load_fleet
from ingest.settings import BadInput
from models.visits.travel import SPEED_KM_H

TABLE_COLUMNS = ("from", "to", "km", "minutes")


def add(commands: Any) -> None:
    """Add the command."""
    out = command(
        commands, "visits", do_visits, json_option=True, private=True,
        example="tarnlight visits --from 'the yard' 45.33,-79.22 --stock van.toml")
    out.add_argument("--at", help="as of that instant, ISO 8601 with offset or Z")
    add_list_options(out, csv_help="print a row per stop and nothing else")
    out.add_argument("--ics", action="store_true", help="print an iCalendar and nothing else: an event per trip")
    out.add_argument("--from", dest="base", nargs=2, metavar=("PLACE", "LAT,LON"),
                     help="where the van starts and ends (default: the middle of each trip's cabins)")
    out.add_argument("--day-hours", type=float, default=DAY_HOURS, metavar="H",
                     help="longest day, leaving to being back (default %(default)g)")
    out.add_argument("--speed", type=float, default=SPEED_KM_H, metavar="KMH",
                     help="on the road, km/h (default %(default)g)")
    out.add_argument("--matrix", type=Path, metavar="FILE.csv",
                     help="ways as from,to,km,minutes; the van's start is called start, cabins by slug")
    out.add_argument("--stock", type=Path, metavar="FILE.toml",
                     help='what the van carries on a day: [stock] "lamp annular-40" = 4')
    out.add_argument("--compare", action="store_true", help="a year of this against every lamp on its anniversary")


def do_visits(options: argparse.Namespace) -> int:
    """The trips."""
    terms = Terms(
        base=base_of(options.base), day_hours=options.day_hours, speed_km_h=options.speed,
        table=travel_table(options.matrix), stock=stock_of(options.stock))
    settings = settings_any(options)
    store = open_settings(settings)
    try:
        at = instant(options.at) if options.at else store.now()
        fleet = load_fleet(store)
        found = lamp_outlook(store, at)
        if not options.compare:
            read_now(store, fleet, allowed_of(settings), store.now())
        boils = () if options.compare else open_boils(store, fleet, at)
        taken = occupancy(store, fleet, at.date(), at.date() + timedelta(days=PLANNED_DAYS + 1), store.now())
    finally:
        store.close()
    if not fleet.cabins:
        raise BadInput("no cabin is enrolled yet: tarnlight enroll fleet.toml")
    if options.compare:
        return _compare(compared(found, fleet, terms), as_json=options.json)
    plan = visits(found, fleet, taken, terms, boils)
    if listed(options, lambda: visits_list(plan)):
        return 0
    if options.json:
        print_json(plan.to_json())
    elif options.ics:
        sys.stdout.buffer.write(visits_calendar(plan, at))
    else:
        _text(plan)
    return 0


def base_of(words: list[str] | None) -> Base | None:
    """PLACE and LAT,LON; None where nothing was said."""
    if words is None:
        return None
    found = re.fullmatch(r"\s*(-?\d+(?:\.\d+)?)\s*,\s*(-?\d+(?:\.\d+)?)\s*", words[1])
    if not found:
        raise BadInput(f"--from takes a name and LAT,LON in degrees, like yard 45.33,-79.22; got {words[1]!r}")
    latitude, longitude = float(found[1]), float(found[2])
    if not (-90 <= latitude <= 90 and -180 <= longitude <= 180):
        raise BadInput(f"--from: latitude must be -90 to 90 and longitude -180 to 180; got {words[1]!r}")
    return Base(name=words[0], latitude=latitude, longitude=longitude)


def travel_table(path: Path | None) -> pd.DataFrame | None:
    """Ways from a CSV file."""
    if path is None:
        return None
    try:
        table = pd.read_csv(path, dtype={"from": "str", "to": "str"})
    except (OSError, ValueError) as error:
        raise BadInput(f"{path} cannot be read: {error}") from error
    if missing := set(TABLE_COLUMNS) - set(table.columns):
        raise BadInput(f"{path} lacks columns {', '.join(sorted(missing))}; it needs {', '.join(TABLE_COLUMNS)}")
    for name in ("km", "minutes"):
        number = pd.to_numeric(table[name], errors="coerce")
        bad = ~(number >= 0)
        if bad.any():
            line = int(bad.to_numpy().argmax())
            got = table[name].iloc[line]
            raise BadInput(f"{path}:{line + 2}: {name} must be a number, at least 0; got {got!r}")
        table[name] = number
    return table


def stock_of(path: Path | None) -> dict[str, int] | None:
    """What the van carries, from TOML."""
    if path is None:
        return None
    try:
        found = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, RecursionError, tomllib.TOMLDecodeError) as error:
        raise BadInput(f"{path} cannot be read: {error}") from error
    stock = found.get("stock")
    if not isinstance(stock, dict) or set(found) != {"stock"}:
        raise BadInput(f'{path} must hold one table, [stock], with lines like "lamp annular-40" = 4')
    for part, number in stock.items():
        if isinstance(number, bool) or not isinstance(number, int) or number < 0:
            raise BadInput(f"{path}: {part!r} must be a whole number, at least 0; got {number!r}")
    return stock


def _text(plan: Visits) -> None:
    print(visits_headline(plan, Units.METRIC))
    for trip in plan.trips:
        print(trip_title(trip, Units.METRIC))
        for stop in trip.stops:
            print(f"  {stop.arrive:%H:%M}  {stop.cabin.name}: {'; '.join(stop.tasks)} (due {date_words(stop.due)})")
        print(f"  Load: {parts_words(dict(trip.parts))}")
    for one in plan.left_out:
        print(f"In no trip: {one.cabin.name}, {'; '.join(one.tasks)}, due {date_words(one.due)}: {one.reason}")
    if plan.clear:
        print(f"{CLEAR_TITLE}:")
        for line in clear_lines(plan):
            print(f"  {line}")
    if len(plan.trips) > 1:
        print(f"All trips together: {parts_words(plan.parts)}")
    for remark in plan.remarks:
        print(remark)
    print_cautions(plan.works)
    print(CAUTION)


def _compare(found: Compared, *, as_json: bool) -> int:
    if as_json:
        print_json([
            {"rule": rule, "trips": one.trips, "distance_km": round(one.distance_km, 1),
             "lamp_hours_thrown_away": round(one.lamp_hours_thrown_away, 1),
             "days_under_threshold": one.days_under_threshold, "lamps": one.lamps}
            for rule, one in (("planned", found.planned), ("anniversary", found.anniversary))])
        return 0
    print(f"{YEAR_HEADERS[0]:34}{YEAR_HEADERS[1]:>24}{YEAR_HEADERS[2]:>32}")
    for name, mine, theirs in year_rows(found, Units.METRIC):
        print(f"{name:34}{mine:>24}{theirs:>32}")
    print(year_words(found))
    return 0
