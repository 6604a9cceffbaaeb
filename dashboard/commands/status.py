"""`status`, `outages`: what the store knows."""

from __future__ import annotations

import argparse
import sys
from datetime import datetime, timedelta
from typing import Any

from dashboard.commands._lists import add_list_options, listed
from dashboard.commands._opening import open_any
from dashboard.commands._words import command, instant, print_cautions, print_json
from dashboard.sheets.lists import OUTAGE_COLUMNS, outages_list
from dashboard.text.measures import Units, between, on_the_clock
from dashboard.text.outage_days import by_day
from dashboard.text.verdicts import CAUTION
from ingest import queries
from ingest.as_known import as_known
from ingest.db import held
from ingest.db.engine import by_unit, named
from ingest.registry.tables import load_fleet, load_names, load_whole_fleet
from ingest.settings import BadInput
from ingest.store import Access
from ingest.wire import sessions
from models.advisory.work_cautions import Work
from models.exposure import IntervalKind, IntervalReason
from models.shortfall import Severity

SHOWN_DAYS = 30  # of outages, where nobody says since when
NOT_ENROLLED = "No cabin is enrolled yet: tarnlight enroll fleet.toml"


def add(commands: Any) -> None:
    """Add the commands."""
    status = command(
        commands, "status", do_status, json_option=True,
        example="tarnlight status --cabin heron-point")
    status.add_argument("--cabin", help="one cabin only")
    status.add_argument("--at", help="as of that instant, ISO 8601 with offset or Z, by all that is stored now")
    status.add_argument(
        "--as-known", action="store_true", help="with --at: by what had arrived by then alone, worked out anew")
    outages = command(
        commands, "outages", do_outages, json_option=True, example="tarnlight outages --cabin heron-point --json")
    outages.add_argument("--cabin", help="one cabin only")
    outages.add_argument(
        "--since", help=f"only what ended after that instant (default {SHOWN_DAYS} days ago; with --json, --csv or "
        "--xlsx all there is)")
    add_list_options(outages)



def do_status(options: argparse.Namespace) -> int:
    """Verdict per unit."""
    store = open_any(options)
    at = instant(options.at) if options.at else None
    if options.as_known and at is None:
        raise BadInput("--as-known says what was known at an instant: give it with --at TIME")
    require_cabin(store, options.cabin)
    now = store.now()
    if at is not None and options.as_known:
        found = _as_known(store, at, options.cabin)
    else:
        found = queries.status(store, at or now, cabin=options.cabin, as_of=at is not None)
    of_now = [] if at else [queries.held_back(queries.collector(store)), *held.in_words(store, now)]
    for sentence in filter(None, [*of_now, *sessions.lost_in_words(store, at or now)]):
        print(f"tarnlight status: {sentence}", file=sys.stderr)
    store.close()
    if options.json:
        print_json([one.to_json() for one in found])
        return 0
    if not found:
        print(NOT_ENROLLED)
    for one in found:
        name = one.cabin.name if len(one.cabin.units) == 1 else f"{one.cabin.name}, {one.unit.slug}"
        since = one.verdict.since
        local = f" since {since.astimezone(one.cabin.zone):%Y-%m-%d %H:%M %Z}" if since else ""
        print(f"{str(one.verdict.verdict).upper():7}{name}{local}")
        for reason in one.verdict.reasons:
            print(f"       {on_the_clock(reason, one.cabin.zone)}")
        print(f"       Next: {one.verdict.next_action}")
        if one.sensor.kept and one.sensor.due is not None:
            print(f"       {one.sensor.due_words(at or now)}")
    print_cautions(frozenset[Work]().union(*(one.verdict.works for one in found)))
    print(CAUTION)
    return 0


def _as_known(store: Access, at: datetime, cabin: str | None) -> list[queries.UnitStatus]:
    """The status by what had arrived by then; a bar shows while it is worked out."""
    from dashboard.commands.load import progress_bar

    with progress_bar() as bar:
        task = bar.add_task("", total=None)
        with as_known(store, at, cabin=cabin, told=lambda words: bar.update(task, description=words)) as known:
            return queries.status(known, at, cabin=cabin)  # its present is that instant


def require_cabin(store: Access, cabin: str | None, *, retired: bool = False) -> None:
    """Refuse a cabin that is not enrolled; the message lists those that are, or says what became of it.

    `retired`: what is asked for is of the past, so that one that is retired will do.
    """
    if cabin is None:
        return
    known = [one.slug for one in load_fleet(store).cabins]
    if cabin in known or (retired and load_whole_fleet(store).has_cabin(cabin)):
        return
    became = load_names(store).trouble((cabin, ""))
    raise BadInput(f"no cabin {cabin!r} is enrolled; enrolled are: {', '.join(known) or 'none'}"
                   + (f". {became}" if became else ""))


def do_outages(options: argparse.Namespace) -> int:
    """Intervals and volumes."""
    store = open_any(options)
    require_cabin(store, options.cabin, retired=True)
    now = store.now()
    since = instant(options.since) if options.since else None
    for_people = not (options.json or options.csv or options.xlsx)
    of_late = for_people and since is None
    if of_late:
        since = now - timedelta(days=SHOWN_DAYS)
    found = queries.outages(store, now, cabin=options.cabin, since=since)
    fleet = load_fleet(store)
    zones = {one.slug: one.zone for one in load_whole_fleet(store).cabins}
    units = sum(len(one.units) for one in fleet.cabins if options.cabin in (None, one.slug))
    if not for_people:
        store.close()
        if not listed(options, lambda: outages_list(found)):
            print_json(found[list(OUTAGE_COLUMNS)].to_dict("records"))
        return 0
    never = queries.never_heard(store, cabin=options.cabin)
    store.close()
    if of_late and zones:
        print(f"The last {SHOWN_DAYS} days; --since 2026-01-01T00:00Z, say, shows more.")
    for (cabin, unit), group in by_unit(found).items():
        for row in named(by_day(group, zones[cabin])):
            start, end = (at.astimezone(zones[cabin]) for at in (row.start, row.end))
            length, begun = row.end - row.start, f"{start:%Y-%m-%d}" if row.end >= now else ""
            drawn = litres(row.drawn_l, row.drawn_l_upper, length, since=begun)
            short = litres(row.underdosed_l, row.underdosed_l_upper, length, since=begun)
            often = f", {row.times} times" if row.times > 1 else ""
            print(f"{cabin}/{unit}  {start:%Y-%m-%d %H:%M} to {end:%Y-%m-%d %H:%M %Z}  "
                  f"{stretch_words(row.kind, row.cause, row.severity)}{often}: "
                  f"{drawn} drawn, {short} under-dosed; rests on {row.rests_on}")
    for cabin, unit in never:
        print(f"{cabin}/{unit}  never heard: nothing is known of it")
    if found.empty:
        print("Every minute heard was lit." if len(never) < units else NOT_ENROLLED if not zones else
              "No minute was heard.")
    return 0


def litres(central: float, upper: float, length: timedelta, *, since: str = "") -> str:
    """A volume that may be known only up to a bound, which is never rounded down; over weeks, by the day.

    `since` is the day from which it goes on, if it does.
    """
    told = between(central, upper, Units.METRIC, length=length)
    return f"{told} since {since}" if since and told.endswith(" a day") else told


def stretch_words(kind: str, cause: str, severity: str) -> str:
    """What a stretch was, why where that is known, and of lit water how bad."""
    if kind in (IntervalKind.WEAK, IntervalKind.WARMING) and severity in list(Severity):
        return f"{kind} ({severity})"
    return kind if cause == IntervalReason.NONE else f"{kind} ({cause})"
