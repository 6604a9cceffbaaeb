"""`enroll`: the registry in and out, and what an edit would change in the past before it is made."""

from __future__ import annotations

import argparse
import contextlib
import io
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, TextIO

from rich.progress import Progress

from dashboard.commands._opening import open_any
from dashboard.commands._words import command, instant, settings_of
from dashboard.commands.load import progress_bar
from dashboard.text.dose_explanation import shares_words
from dashboard.text.measures import Units, between
from ingest import private_files
from ingest.bookings.addresses import allowed_of, refuse_calendars
from ingest.registry.succession import history
from ingest.registry.tables import load_fleet, read_fleet, write_fleet
from ingest.settings import BadInput
from ingest.store import Access, open_store
from models.dose.tested_range import words_of_the_test
from models.fleet import Fleet

BAR_AFTER_S = 2.0
PART_S = 1.0  # of a preview that a collector works out at once: between two parts it takes in messages
EDIT_WITHIN_S = 3600.0  # what was judged is judged anew: a year of many units takes its time


def add(commands: Any) -> None:
    """Add the command."""
    enroll = command(
        commands, "enroll", do_enroll, private=True,
        example="tarnlight enroll fleet.toml --since 2026-10-01T00:00:00Z")
    enroll.add_argument("file", nargs="?", type=Path, metavar="fleet.toml")
    enroll.add_argument("--export", action="store_true", help="print what is enrolled, as a fleet.toml")
    enroll.add_argument("--out", type=Path, metavar="FILE", help="where --export writes (default: standard output)")
    enroll.add_argument(
        "--since", metavar="TIME",
        help="what the file changes has held since then, and what was judged after is judged anew (default: an "
             "edit holds from now and changes nothing past)")
    enroll.add_argument(
        "--keep-sections", action="store_true",
        help="sections such as [crew] that the file lacks stay as they are, and do not go back to their defaults")
    enroll.add_argument("--history", action="store_true", help="print what was retired, renamed or moved, by whom")
    enroll.add_argument("--yes", action="store_true", help="do not ask, even where something past would change")


def do_enroll(options: argparse.Namespace) -> int:
    """Registry in, or out."""
    if options.history and not (options.export or options.file):
        return _history(options)
    if options.export == (options.file is not None) or options.history:
        raise BadInput("give a fleet.toml to read, or --export to print what is enrolled")
    if options.out is not None and not options.export:
        raise BadInput("--out is where --export writes; give both, or neither")
    if options.export:
        if options.since or options.yes:
            raise BadInput("--since and --yes are for a fleet.toml that is read, not for --export")
        store = open_any(options)
        found = write_fleet(load_fleet(store))
        store.close()
        _write(found, options.out)
        return 0
    try:
        text = options.file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise BadInput(f"{options.file}: {error}") from error
    body: dict[str, Any] = {
        "text": text, "source": options.file.name, "defaults": not options.keep_sections}
    if options.since is not None:
        body["since"] = instant(options.since).isoformat()
    asked = read_fleet(text, options.file.name)  # refuse before anything is opened
    settings = settings_of(options)
    refuse_calendars(asked, allowed_of(settings))
    store = open_store(settings)
    try:
        return _edit(store, body, asked, options.yes)
    finally:
        store.close()


def _edit(store: Access, body: dict[str, Any], asked: Fleet, yes: bool) -> int:
    """Show what would change, ask where that is something past, and do it."""
    found, sections = _preview(store, body)
    past = [one for one in found if one["past"]]
    asks = bool(past or sections) and not yes
    at_terminal = sys.stdin.isatty()
    out = sys.stderr if asks and not at_terminal else sys.stdout
    _print_differences(found, out)
    for name in sections:
        print(f"[{name}] is not in the file: what it said goes back to the default (--keep-sections leaves it)",
              file=out)
    if asks and not at_terminal:
        print("tarnlight: nothing was enrolled: the above, "
              f"{'judged in the past, ' if past and not sections else ''}would change; give --yes if it is to",
              file=sys.stderr)
        return 2
    if asks and not _agreed():
        print("Nothing was enrolled.")
        return 1
    told = store.act("enroll", body, within_s=EDIT_WITHIN_S)
    for word, names in (("enrolled", told["new"]), ("changed", told["changed"])):
        for name in names:
            print(f"{word}: {name}")
    for name in sections:
        print(f"back to the default: [{name}]")
    edited = {*told["new"], *told["changed"]}
    for line in (one for kind in asked.reactors if kind.name in edited for one in words_of_the_test(kind)):
        print(line)
    print(f"{len(told['new'])} new, {len(told['changed'])} changed, {len(told['same'])} as they were")
    return 0


def _write(text: str, out: Path | None) -> None:
    if out is None:
        if isinstance(sys.stdout, io.TextIOWrapper):
            sys.stdout.reconfigure(encoding="utf-8")  # which TOML is, whatever the terminal's encoding
        sys.stdout.write(text)
        return
    try:
        private_files.write(out, text.encode())
    except OSError as error:
        raise BadInput(f"{out}: {error.strerror}") from error


def _agreed() -> bool:
    """The answer of whoever sits at the terminal; no answer is no."""
    try:
        return input("Enrol it, and change this? (y/N) ").strip().lower() in ("y", "yes")
    except EOFError:
        return False


def _history(options: argparse.Namespace) -> int:
    """What became of cabins, units and contacts."""
    store = open_any(options)
    found = history(store)
    store.close()
    for one in found:
        became = f" -> {one['now']}" if one["now"] else ""
        reason = f": {one['reason']}" if one["reason"] else ""
        print(f"{one['at']:%Y-%m-%d %H:%M UTC}  {one['kind']:<10}  {one['was']}{became}  by {one['who']}{reason}")
    if not found:
        print("Nothing was retired, renamed or moved.")
    return 0


def _preview(store: Access, body: dict[str, Any]) -> tuple[list[dict[str, Any]], list[str]]:
    """What the edit would change of each unit that it touches, a part of the units at a time; and which sections
    would go back to their defaults."""
    began = time.monotonic()
    told = store.act("enroll-check", body, within_s=EDIT_WITHIN_S)
    units, sections = told["units"], told["default"] if body.get("defaults") else []
    out: list[dict[str, Any]] = []
    done, size = 0, 1
    with contextlib.ExitStack() as stack:
        bar: Progress | None = None
        while done < len(units):
            started = time.monotonic()
            part = units[done : done + size]
            out += store.act("enroll-preview", {**body, "units": part}, within_s=EDIT_WITHIN_S)["differences"]
            done += len(part)
            took = max(time.monotonic() - started, 0.01)
            size = max(1, min(4 * size, int(len(part) * PART_S / took)))
            if bar is None and time.monotonic() - began > BAR_AFTER_S:
                bar = stack.enter_context(progress_bar())
                task = bar.add_task("what this would change", total=len(units))
            if bar is not None:
                bar.update(task, completed=done)
    return out, sections


def _print_differences(found: list[dict[str, Any]], out: TextIO) -> None:
    """A table of what would change, and how many advisories it would raise."""
    if not found:
        return
    rows: list[tuple[str, ...]] = [("unit", "what", "as it is", "as it would be"), *(
        (one["unit"], one["what"], _words(one["what"], one["before"]), _words(one["what"], one["after"]))
        for one in found)]
    for line in _columns(rows):
        print(line, file=out)
    raised = [one["after"] for one in found if one["what"] == "advisory" and one["after"] and not one["before"]]
    if raised:
        bounds = [one["underdosed_l_upper"] for one in raised]
        all_of_it = {
            "underdosed_l": sum(one["underdosed_l"] or 0.0 for one in raised),
            "underdosed_l_upper": None if None in bounds else sum(bounds)}
        print(f"{len(raised)} {'advisory' if len(raised) == 1 else 'advisories'} would be raised, for "
              f"{_litres(all_of_it)} of under-dosed water", file=out)


def _columns(rows: list[tuple[str, ...]]) -> Iterator[str]:
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for row in rows:
        yield "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()


def _words(what: str, value: Any) -> str:
    """One side of a difference."""
    if value is None:
        return "none" if what == "advisory" else ""
    if what == "advisory":
        name = value["id"] or "raised"
        return f"{name}: {value['cause']}, {_litres(value)}"
    if isinstance(value, dict):
        if value["share_pct"] is None:
            return "no water drawn"
        return (f"{shares_words(value, 2)} of {value['volume_l']:,.0f} L "
                "in specification")
    return str(value)


def _litres(value: dict[str, Any]) -> str:
    return between(value["underdosed_l"], value["underdosed_l_upper"], Units.METRIC)
