"""`quarantine`: readings that were set aside for their time, and how a named person brings them back."""

from __future__ import annotations

import argparse
from typing import Any

from dashboard.commands import HELP
from dashboard.commands._lists import add_list_options
from dashboard.commands._lists import listed as tabled
from dashboard.commands._opening import open_any
from dashboard.commands._words import command, instant, print_json, settings_of
from dashboard.sheets.lists import frame_list
from dashboard.text.verdicts import CAUTION
from ingest.db import flood, held
from ingest.db.engine import named
from ingest.settings import BadInput
from ingest.store import open_store
from models.own_clock import lasting

WITHIN_S = 600.0  # what is released is judged before the answer comes


def add(commands: Any) -> None:
    """Add the command."""
    aside = commands.add_parser(
        "quarantine", help=HELP["quarantine"],
        description="A reading that lies ahead of its arrival bears a wrong time, or came to a wrong clock. It is "
        "held until its time has come; one that is far ahead, or over 400 days behind what its unit last told, is "
        "refused.",
        epilog="example: tarnlight quarantine list", formatter_class=argparse.RawDescriptionHelpFormatter)
    verbs = aside.add_subparsers(dest="verb", metavar="VERB", required=True)
    listed = command(verbs, "list", do_list, json_option=True, help="list what was set aside, per unit",
                     example="tarnlight quarantine list --cabin heron-point")
    listed.add_argument("--cabin", help="one cabin only")
    listed.add_argument("--unit", help="one unit only")
    add_list_options(listed)
    out = command(verbs, "release", do_release, help="take a unit's readings in, their times corrected, by name",
                  example="tarnlight quarantine release --cabin heron-point --unit main --by 'Ann Lund' "
                  "--shift=-3600")
    out.add_argument("--cabin", required=True)
    out.add_argument("--unit", required=True)
    out.add_argument("--by", required=True, metavar="NAME", help="who releases them; kept in the record of service")
    out.add_argument("--shift", required=True, type=float, metavar="SECONDS",
                     help="what is added to their times: -3600 where the logger's clock was an hour ahead, 0 where "
                     "the collector's was wrong")
    out.add_argument("--refused", action="store_true",
                     help="what was refused for its time, and not what waits for it")
    out.add_argument("--since", metavar="TIME", help="with --refused: only what arrived from then on")
    out.add_argument("--until", metavar="TIME", help="with --refused: only what arrived up to then")


def do_list(options: argparse.Namespace) -> int:
    """Per unit what waits, and what was refused for its time."""
    store = open_any(options)
    told = [*flood.in_words(store).values(), *held.in_words(store, store.now())]
    found = held.set_aside(store)
    store.close()
    for name in ("cabin", "unit"):
        asked = getattr(options, name)
        found = found if asked is None else found[found[name] == asked]
    if tabled(options, lambda: frame_list("quarantine", found)):
        return 0
    if options.json:
        print_json(found.to_dict("records"))
        return 0
    for sentence in told:
        print(sentence)
    for one in named(found):
        what = "held" if one.held else "refused for their time"
        ahead = f"up to {lasting(one.ahead_s)} ahead of their arrival" if one.ahead_s > 0 else (
            f"at least {lasting(-one.ahead_s)} before their arrival")
        print(f"{one.cabin}/{one.unit}  {one.rows:,} readings {what} since {one.since:%Y-%m-%d %H:%M UTC}, {ahead}")
    print("See which clock was wrong and by how much before you release any: a wrong correction puts dark time "
          "where the lamp was lit, or the other way round." if len(found) else
          "No reading is set aside for its time.")
    return 0


def do_release(options: argparse.Namespace) -> int:
    """A unit's readings in, moved."""
    span = {name: instant(value).isoformat() for name in ("since", "until") if (value := getattr(options, name))}
    if span and not options.refused:
        raise BadInput("--since and --until choose among what was refused: give --refused, or leave them out")
    store = open_store(settings_of(options))
    told = store.act("release", {
        "cabin": options.cabin, "unit": options.unit, "by": options.by, "shift_s": options.shift,
        "refused": options.refused, **span,
    }, within_s=WITHIN_S)
    store.close()
    print(f"{told['kept'] + told['filled']} readings taken in, {told['already']} already there, {told['refused']} "
          f"refused; they lie between {told['since']} and {told['until']}")
    if told["lacking"]:
        print(f"{told['lacking']} more had been refused in long messages or a flood and only counted: load them "
              "from the logger (tarnlight load)")
    print(f"`tarnlight status --cabin {options.cabin}` says what that means for the tap.")
    print(CAUTION)
    return 0
