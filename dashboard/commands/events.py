"""`events`: trouble that several cabins share, and what stands at each of them."""

from __future__ import annotations

import argparse
from typing import Any

from dashboard.commands._opening import open_any
from dashboard.commands._words import command, instant, print_cautions, print_json
from dashboard.text.shared import TROUBLE_WORDS
from dashboard.text.verdicts import CAUTION
from ingest import queries
from ingest.evaluation.shared import SPAN, events_since
from ingest.queries import UnitStatus
from ingest.registry.tables import load_fleet
from models.advisory.shared_event import SharedEvent
from models.advisory.work_cautions import Work
from models.fleet import Fleet


def add(commands: Any) -> None:
    """Add the command."""
    found = command(commands, "events", do_events, json_option=True, example="tarnlight events --json")
    found.add_argument("--since", help="only what went on after that instant (default: the last 30 days)")


def do_events(options: argparse.Namespace) -> int:
    """Shared events, newest first, each with all of its members."""
    store = open_any(options)
    now, fleet = store.now(), load_fleet(store)
    since = instant(options.since) if options.since else now - SPAN
    found = events_since(store, fleet, now, since)[::-1]
    units = {(one.cabin, one.unit) for event in found for one in event.members}
    status = {(one.cabin.slug, one.unit.slug): one for one in queries.status(store, now, units=units)}
    store.close()
    if options.json:
        print_json([_json(event, status) for event in found])
        return 0
    for event in found:
        _print(event, fleet, status)
    if not found:
        print("No power cut or silence that several cabins share.")
    print_cautions(frozenset[Work]().union(*(one.verdict.works for one in status.values())))
    print(CAUTION)
    return 0


def _json(event: SharedEvent, status: dict[tuple[str, str], UnitStatus]) -> dict[str, Any]:
    """An event as it is printed for machines."""
    members = []
    for one in event.members:
        now = status.get((one.cabin, one.unit))
        members.append({
            "cabin": one.cabin, "unit": one.unit, "trouble": str(one.trouble), "start": one.start, "end": one.end,
            "verdict": str(now.verdict.verdict) if now else None,
            "advisory": now.standing.id if now and now.standing else None})
    return {"id": event.id, "trouble": str(event.trouble), "start": event.start, "end": event.end,
            "supply_line": event.supply_line or None, "members": members}


def _print(event: SharedEvent, fleet: Fleet, status: dict[tuple[str, str], UnitStatus]) -> None:
    """One line for the event, one for each member."""
    zone = fleet.cabin(event.members[0].cabin).zone
    until = f" to {event.end.astimezone(zone):%Y-%m-%d %H:%M %Z}" if event.end else ", goes on"
    line = f" on {event.supply_line}" if event.supply_line else ""
    print(f"{event.id}  {TROUBLE_WORDS[event.trouble]}{line} at {len(event.cabins)} cabins, "
          f"{event.start.astimezone(zone):%Y-%m-%d %H:%M}{until}")
    for one in event.members:
        now, here = status.get((one.cabin, one.unit)), fleet.cabin(one.cabin).zone
        ends = f"to {one.end.astimezone(here):%H:%M}" if one.end else "goes on"
        stands = f", advisory {now.standing.id}" if now and now.standing else ""
        word = str(now.verdict.verdict).upper() if now else "NOT ENROLLED"
        print(f"  {word:7}{one.cabin}/{one.unit}  {TROUBLE_WORDS[one.trouble]} from "
              f"{one.start.astimezone(here):%H:%M} {ends}{stands}")
