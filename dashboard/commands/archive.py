"""`archive`: readings of months past into files beside the store, a list of these, or a month back."""

from __future__ import annotations

import argparse
import time
from typing import Any

from dashboard.commands._opening import open_settings, settings_any
from dashboard.commands._words import command, print_json
from dashboard.commands.load import progress_bar
from ingest.archiving import ARCHIVE, BRING_BACK
from ingest.db import archive
from ingest.store import Access, Store

LOOK_S = 0.2  # between two looks at how a collector gets on


def add(commands: Any) -> None:
    """Add the command."""
    out = command(
        commands, "archive", do_archive, json_option=True, example="tarnlight archive --keep-months 12")
    wish = out.add_mutually_exclusive_group()
    wish.add_argument(
        "--keep-months", type=int, metavar="N",
        help="whole months that stay in the store, 2 or more; default: the setting keep_months")
    wish.add_argument(
        "--bring-back", metavar="MONTH", help="like 2026-03: its readings go back into the store, and stay there")
    wish.add_argument("--list", action="store_true", help="only say what is archived")


def do_archive(options: argparse.Namespace) -> int:
    """Archive, bring back or list; exit 1 where something could not be done."""
    settings = settings_any(options)
    store = open_settings(settings)
    try:
        if options.bring_back is not None:
            return _bring_back(store, options)
        if not options.list:
            keep = settings.keep_months if options.keep_months is None else options.keep_months
            told = _archive(store, keep)
            if not options.json:
                _say(told)
            return _list(store, options) or (1 if told["trouble"] else 0)
        return _list(store, options)
    finally:
        store.close()


def _archive(store: Access, keep: int) -> dict[str, Any]:
    done = 0
    told = store.act(ARCHIVE, {"keep_months": keep})
    with progress_bar() as bar:
        task = bar.add_task("archive", total=None)
        while True:
            # a collector counts from the beginning, a store that we hold the part that was asked for
            done = done + told["archived"] if isinstance(store, Store) else told["archived"]
            bar.update(task, completed=done, total=done + told["left"] or None)
            if not told["running"]:
                return {**told, "archived": done}
            if not isinstance(store, Store):
                time.sleep(LOOK_S)
            told = store.act(ARCHIVE, {"keep_months": keep, "goes_on": True})


def _say(told: dict[str, Any]) -> None:
    many = told["archived"]
    print(f"{many or 'no'} unit{'' if many == 1 else 's'} x month archived"
          + (f"; {told['waits']} wait, since readings of them came just now" if told["waits"] else "")
          + (f"; {told['trouble']}" if told["trouble"] else ""))


def _bring_back(store: Access, options: argparse.Namespace) -> int:
    rows, after, lacking = 0, "", []
    while after is not None:
        told = store.act(BRING_BACK, {"month": options.bring_back, "after": after})
        after = told["file"]
        rows += told["rows"]
        if told["trouble"]:
            lacking.append(str(told["trouble"]))
    if options.json:
        print_json([{"month": options.bring_back, "rows": rows, "lacking": lacking}])
    else:
        print(f"{rows:,} readings of {options.bring_back} are in the store again, until somebody archives by hand")
        for line in lacking:
            print(f"not brought back: {line}")
    return 1 if lacking else 0


def _list(store: Access, options: argparse.Namespace) -> int:
    some = archive.as_listed(store.ask(archive.EVERYTHING))
    if options.json:
        print_json([{
            "cabin": one.cabin, "unit": one.unit, "month": f"{one.month:%Y-%m}", "file": one.file,
            "rows": one.rows, "bytes": one.bytes} for one in some])
        return 0
    by_month: dict[str, list[archive.Archived]] = {}
    for one in some:
        by_month.setdefault(f"{one.month:%Y-%m}", []).append(one)
    for month, mine in by_month.items():
        print(f"{month}  {len(mine)} unit{'' if len(mine) == 1 else 's'}, "
              f"{sum(one.rows for one in mine):,} readings, {sum(one.bytes for one in mine) / 2**20:.1f} MiB")
    if not some:
        print("nothing is archived")
    return 0
