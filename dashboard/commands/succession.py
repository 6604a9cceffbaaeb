"""`retire`, `rename`, `move`: what becomes of cabins and units, by a named person, shown before it is done."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from dashboard.commands._opening import open_any
from dashboard.commands._words import command
from ingest.settings import BadInput
from models.succession import DeedKind

WITHIN_S = 3600.0  # archived months of years are written anew


def add(commands: Any) -> None:
    """Add the commands."""
    retire = command(
        commands, "retire", do_retire, private=True,
        example="tarnlight retire --cabin heron-point --unit annex --by 'Ann Lund' --reason 'well filled in'")
    retire.add_argument("--cabin", help="all its units too, unless --unit names one")
    retire.add_argument("--unit", help="one unit of it")
    retire.add_argument(
        "--contact", metavar="KEY", help="in place of a cabin: a contact, by its key (enroll --export)")
    retire.add_argument(
        "--other-collector", action="store_true",
        help="in place of the cabin: its other collector, which is no more; what that said last counts no more")
    retire.add_argument("--back", action="store_true", help="take back what was retired: enrolled again as it was")
    rename = command(
        commands, "rename", do_rename, private=True,
        example="tarnlight rename --cabin heron-point --to north-point --by 'Ann Lund'")
    rename.add_argument("--cabin")
    rename.add_argument("--unit", help="one unit of it, in place of the cabin")
    rename.add_argument("--to", metavar="SLUG", help="the new slug")
    rename.add_argument(
        "--free", metavar="CABIN[/UNIT]",
        help="a former name under which no logger sends any more: from then on it can be enrolled anew")
    move = command(
        commands, "move", do_move, private=True,
        example="tarnlight move --cabin heron-point --unit annex --to-cabin otter-cove --by 'Ann Lund'")
    move.add_argument("--cabin", required=True)
    move.add_argument("--unit", required=True)
    move.add_argument("--to-cabin", required=True, metavar="SLUG")
    move.add_argument("--to", metavar="SLUG", help="its slug there (default: the one that it has)")
    for one in (retire, rename, move):
        one.add_argument(
            "--by", required=True, metavar="NAME", help="who decides it; kept in the registry's history")
        one.add_argument("--reason", default="", metavar="WHY", help="kept with it")
        one.add_argument("--yes", action="store_true", help="do not ask")


def do_retire(options: argparse.Namespace) -> int:
    """Out of the registry, or back into it."""
    if bool(options.cabin) == bool(options.contact) or (options.contact and (options.unit or options.back)):
        raise BadInput("give --cabin, with --unit for one unit of it, or --contact KEY alone")
    if options.other_collector:
        if not options.cabin or options.unit or options.back:
            raise BadInput("--other-collector goes with --cabin alone, and not with --unit or --back")
        return _do(options, None, {"cabin": options.cabin})
    kind = DeedKind.TAKEN_BACK if options.back else DeedKind.RETIRED
    return _do(options, kind, {"cabin": options.cabin, "unit": options.unit, "contact": options.contact})


def do_rename(options: argparse.Namespace) -> int:
    """Another slug, or a former one free again."""
    if options.free is not None:
        if options.cabin or options.unit or options.to:
            raise BadInput("--free stands alone: rename --free CABIN/UNIT --by NAME")
        cabin, _, unit = options.free.partition("/")
        return _do(options, DeedKind.FREED, {"cabin": cabin, "unit": unit})
    if not (options.cabin and options.to):
        raise BadInput("give --cabin and --to, with --unit for one unit of it; or --free CABIN[/UNIT]")
    to = {"to_unit": options.to} if options.unit else {"to_cabin": options.to}
    return _do(options, DeedKind.RENAMED, {"cabin": options.cabin, "unit": options.unit, **to})


def do_move(options: argparse.Namespace) -> int:
    """Into another cabin."""
    return _do(options, DeedKind.MOVED, {
        "cabin": options.cabin, "unit": options.unit, "to_cabin": options.to_cabin, "to_unit": options.to})


def _do(options: argparse.Namespace, kind: DeedKind | None, asked: dict[str, Any]) -> int:
    """Show what it comes to, ask, and do it; None: not of the registry, but of a cabin's other collector."""
    body = {**asked, "by": options.by, "reason": options.reason} | ({} if kind is None else {"kind": str(kind)})
    action = "counterpart-give-up" if kind is None else "registry-deed"
    store = open_any(options)
    try:
        told = store.act(action, {**body, "look": True}, within_s=WITHIN_S)["lines"]
        at_terminal = sys.stdin.isatty()
        for line in told:
            print(line, file=sys.stdout if options.yes or at_terminal else sys.stderr)
        if not (options.yes or at_terminal):
            print(f"tarnlight {options.command}: nothing was done; give --yes if it is to be", file=sys.stderr)
            return 2
        if not options.yes and not _agreed():
            print("Nothing was done.")
            return 1
        store.act(action, body, within_s=WITHIN_S)
    finally:
        store.close()
    print(f"Done, by {options.by.strip()}." if kind is None else
          f"Done, by {options.by.strip()}. `tarnlight enroll --export` prints the registry as it is now.")
    return 0


def _agreed() -> bool:
    """The answer of whoever sits at the terminal; no answer is no."""
    try:
        return input("Do it? (y/N) ").strip().lower() in ("y", "yes")
    except EOFError:
        return False
