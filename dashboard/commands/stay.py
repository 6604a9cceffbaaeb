"""`stay`: how the guests of a stay are reached, typed by a named person; listed without their addresses."""

from __future__ import annotations

import argparse
import getpass
import sys
from typing import Any

from dashboard.commands import HELP
from dashboard.commands._opening import open_any
from dashboard.commands._words import command, print_json
from ingest import queries
from models.wording import LANGUAGES


def add(commands: Any) -> None:
    """Add the command."""
    stay = commands.add_parser(
        "stay", help=HELP["stay"],
        description="Guests of a stay are told at once what they must not drink, and when it is over, where a "
        "named person has typed one mail address or telephone number for it. `add` reads that from standard input. "
        "The channels STAY_MAIL and STAY_PHONE say through which server, with {to} where the address goes.",
        epilog="example: tarnlight stay list", formatter_class=argparse.RawDescriptionHelpFormatter)
    actions = stay.add_subparsers(dest="action", metavar="ACTION", required=True)
    new = command(
        actions, "add", do_add, private=True, help="note how the guests of one stay are reached",
        example="tarnlight stay add --cabin heron-point --arrives 2026-12-24 --leaves 2026-12-31 --language de "
        "--by 'Ann Lund'")
    new.add_argument("--cabin", required=True, help="which cabin")
    new.add_argument("--arrives", required=True, metavar="DAY", help="like 2026-12-24, by the cabin's calendar")
    new.add_argument("--leaves", required=True, metavar="DAY", help="the day of departure")
    new.add_argument("--language", choices=LANGUAGES, default="", help="default: the cabin's")
    new.add_argument("--by", required=True, metavar="NAME", help="who types it")
    known = command(
        actions, "list", do_list, json_option=True, private=True, help="list stays whose guests can be reached",
        example="tarnlight stay list")
    known.add_argument("--cabin", help="only of that cabin")
    gone = command(
        actions, "forget", do_forget, help="forget how the guests of a stay are reached",
        example="tarnlight stay forget stay-0123456789ab")
    gone.add_argument("contact", help="as `stay list` names it")


def do_add(options: argparse.Namespace) -> int:
    """The address comes by standard input: a command line is read by others and kept in histories."""
    address = getpass.getpass("Mail address or telephone number of the guests: ") if sys.stdin.isatty() else (
        sys.stdin.readline())
    store = open_any(options)
    try:
        told = store.act("stay-contact", {
            "cabin": options.cabin, "arrives": options.arrives, "leaves": options.leaves, "by": options.by,
            "language": options.language, "address": address})
    finally:
        store.close()
    print(f"{told['contact']}: the guests of {told['cabin']} are told over {told['channel']} while they are there; "
          "the address is forgotten a week after they leave")
    return 0


def do_list(options: argparse.Namespace) -> int:
    """Stays with a contact, without the address."""
    store = open_any(options)
    try:
        found = queries.stay_contacts(store, cabin=options.cabin)
    finally:
        store.close()
    rows = found.to_dict("records")
    if options.json:
        print_json([{str(key): str(value) for key, value in row.items()} for row in rows])
        return 0
    for row in rows:
        print(f"{row['contact']}  {row['cabin']}  {row['arrives']} to {row['leaves']}, over {row['channel']}"
              f"{', ' + row['language'] if row['language'] else ''}, typed by {row['by']}")
    if not rows:
        print("No stay has a contact: where nobody there is reached, managers are told to call.")
    return 0


def do_forget(options: argparse.Namespace) -> int:
    """Take an address out."""
    store = open_any(options)
    try:
        told = store.act("stay-forget", {"contact": options.contact})
    finally:
        store.close()
    print(f"{told['contact']}: forgotten; it is told nothing more")
    return 0
