"""`commission`: whether a unit is set up as it should be, its seasonal shut-down and start-up, and their record."""

from __future__ import annotations

import argparse
import math
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from dashboard.commands._opening import open_settings, settings_any
from dashboard.commands._words import command, instant, print_cautions, print_json
from dashboard.commands.status import require_cabin
from dashboard.sheets.commission_sheet import commission_sheet
from dashboard.text import commissioning as said
from dashboard.text.measures import Units, flow_unit, from_volume
from dashboard.text.verdicts import CAUTION
from ingest import private_files
from ingest.outlook.commissioning import Commissioning, commissioning_of
from ingest.outlook.lamp_days import lamp_days
from ingest.registry.tables import load_fleet
from ingest.settings import BadInput
from ingest.store import Access
from models.advisory.work_cautions import Work
from models.commissioning import CHECKLISTS, ItemState, Occasion
from models.commissioning.checklist import FIRST_READING, FLOW_CHECK, SENSOR_ZERO
from models.fleet import Cabin, Fleet
from models.water_quality import hardness_mg_l

SEASONS = (str(Occasion.SHUT_DOWN), str(Occasion.START_UP))
UNKNOWN, BY_RECORD = "unknown", "measured"
WATER_OPTIONS = {  # option: (column, unit)
    "hardness": ("hardness_mg_l", "mg/L as CaCO3"), "iron": ("iron_mg_l", "mg/L"),
    "manganese": ("manganese_mg_l", "mg/L"), "turbidity": ("turbidity_ntu", "NTU"), "ph": ("ph", ""),
    "tannin": ("tannin_mg_l", "mg/L")}


def add(commands: Any) -> None:
    """Add the command."""
    out = command(
        commands, "commission", do_commission, json_option=True, private=True,
        example="tarnlight commission --cabin heron-point --unit main --done room level valves --who 'Ann Lund'")
    out.add_argument("--cabin", required=True)
    out.add_argument("--unit", help="which unit of the cabin (default: all are shown)")
    out.add_argument("--season", choices=SEASONS, help="the list of that season (default: the commissioning)")
    out.add_argument("--units", choices=[str(one) for one in Units], help="what flows and temperatures are told in")
    out.add_argument("--sheet", type=Path, metavar="FILE.html", help="write the list as a page to print; anew")
    items = out.add_argument_group("record items", "of commissioning: " + ", ".join(
        one.key for one in CHECKLISTS[Occasion.COMMISSIONING]) + "; of shut-down: " + ", ".join(
        one.key for one in CHECKLISTS[Occasion.SHUT_DOWN]) + "; of start-up: " + ", ".join(
        one.key for one in CHECKLISTS[Occasion.START_UP]))
    for name in ("done", "not-done", "not-applicable"):
        items.add_argument(f"--{name}", nargs="+", metavar="ITEM", default=[], action="extend")
    items.add_argument("--sensor-zero", type=float, metavar="W/m2", help="done: what the sensor read in the dark")
    items.add_argument("--bucket", type=float, nargs=2, metavar=("SIZE", "SECONDS"),
                       help="flow-check done: the bucket's litres (US gallons with --units us), and seconds")
    items.add_argument("--first-reading", metavar="W/m2",
                       help=f"done: the reading at 100 h; '{BY_RECORD}': by the unit's own record")
    water = out.add_argument_group(
        "record the water before the unit", f"a number, or '{UNKNOWN}' to take back what was said; the "
        "transmittance is recorded by `tarnlight service record water-tested`")
    for name, (_, unit) in WATER_OPTIONS.items():
        water.add_argument(f"--{name}", metavar=unit.split(" ")[0] or "PH", help=unit or None)
    water.add_argument("--hardness-gpg", type=float, metavar="GRAINS", help="hardness in grains per US gallon")
    said_by = out.add_argument_group("who says so")
    said_by.add_argument("--who", help="the name of whoever did it")
    said_by.add_argument("--at", help="when, ISO 8601 with offset or Z (default: now)")
    said_by.add_argument("--note", default="", help="a serial, a laboratory, what was found")


def do_commission(options: argparse.Namespace) -> int:
    """Record what was said, then show where it stands."""
    settings = settings_any(options)
    units = Units(settings.units)
    occasion = Occasion(options.season or Occasion.COMMISSIONING)
    store = open_settings(settings)
    try:
        require_cabin(store, options.cabin)
        fleet = load_fleet(store)
        cabin = fleet.cabin(options.cabin)
        chosen = _units(cabin, options.unit)
        recorded = _record(store, fleet, cabin, chosen, occasion, options, units)
        now = store.now()
        known = lamp_days(store, fleet, now)
        found = [(name, commissioning_of(store, fleet, known, (cabin.slug, slug), occasion, now))
                 for slug, name in chosen]
    finally:
        store.close()
    if options.sheet is not None:
        _write_sheet(options.sheet, found, units, now, quiet=options.json)
    if options.json:
        print_json([one.to_json() for _, one in found])
        return 0
    if recorded:
        print(recorded)
    if options.sheet is None or recorded:
        _print(found, units, now)
    return 0


def _units(cabin: Cabin, unit: str | None) -> list[tuple[str, str]]:
    """Slugs and names of the units that are asked for."""
    known = [one.slug for one in cabin.units]
    if unit is not None and unit not in known:
        raise BadInput(f"no unit {unit!r} in {cabin.slug!r}; its units are: {', '.join(known) or 'none'}")
    return [(slug, cabin.name if len(known) == 1 else f"{cabin.name}, {slug}")
            for slug in known if unit in (None, slug)]


def _record(
    store: Access, fleet: Fleet, cabin: Cabin, chosen: Sequence[tuple[str, str]], occasion: Occasion,
    options: argparse.Namespace, units: Units,
) -> str:
    """Send what the options say; empty where they say nothing."""
    items, values = _items(options, units)
    water = _water(options)
    if not items and not water and options.first_reading is None:
        if options.who or options.at or options.note:
            raise BadInput("nothing to record: name items (--done, ...) or figures of the water")
        return ""
    if len(chosen) != 1:
        raise BadInput(f"name the unit with --unit, one of: {', '.join(slug for slug, _ in chosen)}")
    if not options.who:
        raise BadInput("--who must name the person who says so")
    slug, name = chosen[0]
    note = options.note
    if options.first_reading is not None:
        items[FIRST_READING] = str(ItemState.DONE)
        values[FIRST_READING], how = _first(store, fleet, (cabin.slug, slug), occasion, options.first_reading)
        note = "; ".join(filter(None, (note, how)))
    at = instant(options.at) if options.at else store.now()
    store.act("record-commissioning", {
        "cabin": cabin.slug, "unit": slug, "occasion": str(occasion), "at": at.isoformat(), "who": options.who,
        "note": note, "items": items, "values": values, "water": water})
    return f"recorded for {name} by {options.who.strip()}: {', '.join([*items, *water])}"


def _items(options: argparse.Namespace, units: Units) -> tuple[dict[str, str], dict[str, float]]:
    """States of items and their figures."""
    items: dict[str, str] = {}
    values: dict[str, float] = {}
    for state in ItemState:
        for key in getattr(options, str(state).replace("-", "_")):
            if items.get(key, state) != state:
                raise BadInput(f"{key} is named as {items[key]} and as {state}")
            items[key] = str(state)
    if options.sensor_zero is not None:
        items[SENSOR_ZERO], values[SENSOR_ZERO] = str(ItemState.DONE), options.sensor_zero
    if options.bucket is not None:
        size, seconds = options.bucket
        if not (size > 0 and seconds > 0 and math.isfinite(size) and math.isfinite(seconds)):
            raise BadInput(f"--bucket must be two numbers above 0; got {size:g} and {seconds:g}")
        items[FLOW_CHECK], values[FLOW_CHECK] = str(ItemState.DONE), from_volume(size, units) * 60.0 / seconds
    return items, values


def _first(
    store: Access, fleet: Fleet, key: tuple[str, str], occasion: Occasion, said_so: str
) -> tuple[float, str]:
    """The first reading as typed, or by the unit's own record, and how it came about."""
    if said_so != BY_RECORD:
        return _number("--first-reading", said_so, f"'{BY_RECORD}'"), ""
    now = store.now()
    found = commissioning_of(store, fleet, lamp_days(store, fleet, now), key, occasion, now)
    if found.proposed is None:
        raise BadInput("no day at 100 h of this unit's present lamp is on record: read it off and give the number")
    return found.proposed.intensity_w_m2, f"median of {found.proposed.days} days from {found.proposed_on}"


def _water(options: argparse.Namespace) -> dict[str, float | None]:
    """Figures of the feed water by column; None takes back what was said."""
    out: dict[str, float | None] = {}
    for option, (column, _) in WATER_OPTIONS.items():
        text = getattr(options, option)
        if text is not None:
            out[column] = None if text == UNKNOWN else _number(f"--{option}", text, f"'{UNKNOWN}'")
    if options.hardness_gpg is not None:
        if "hardness_mg_l" in out:
            raise BadInput("give the hardness once: --hardness in mg/L or --hardness-gpg")
        out["hardness_mg_l"] = hardness_mg_l(options.hardness_gpg)
    return out


def _number(name: str, text: str, other: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise BadInput(f"{name} must be a number or {other}; got {text!r}")
    return value


def _write_sheet(
    path: Path, found: Sequence[tuple[str, Commissioning]], units: Units, now: datetime, *, quiet: bool
) -> None:
    if path.suffix.lower() not in (".html", ".htm"):
        raise BadInput(f"--sheet must name a file that ends in .html; got {path.name!r}")
    try:
        private_files.write(path, commission_sheet(found, units, now).encode())  # names of people stand on it
    except OSError as error:
        raise BadInput(f"{path}: {error.strerror or error}") from error
    if not quiet:
        print(f"{path}: the list of {len(found)} unit{'s' if len(found) > 1 else ''} to print. {CAUTION}")


def _print(found: Sequence[tuple[str, Commissioning]], units: Units, now: datetime) -> None:
    """Each unit: where it stands, the list, the water, the size."""
    for name, one in found:
        print(said.headline(one, name))
        for line in said.open_words(one):
            print(f"  {line}")
        print(f"  {said.OCCASION_WORDS[one.occasion]}:")
        for item in one.lines:
            print(f"    {item.item.key:14} {said.record_words(item, one, units)}")
            if item.open:
                print(f"    {'':14} {said.how_words(item, one.unit)}")
        if one.occasion is Occasion.COMMISSIONING:
            _print_commissioning(one, units)
        else:
            print(f"  {said.frost_words(one.frost, now, units)}")
        print(f"  {said.UNTIL_THEN[one.occasion]}")
    print(said.NOT_ACCEPTANCE)
    print_cautions(frozenset[Work]().union(*(one.works for _, one in found)))
    print(CAUTION)


def _print_commissioning(one: Commissioning, units: Units) -> None:
    """Water, size in the reader's units, first reading."""
    print("  Water before the unit:")
    for finding in one.water.each:
        title, measured, limit, state = said.water_row(finding, one)
        print(f"    {title}: {measured}; {limit}")
        print(f"    {'':14} {state}")
    print(f"  Size, flows in {flow_unit(units)}:")
    for line in [*said.size_words(one, units), *said.first_words(one)]:
        print(f"    {line}")
