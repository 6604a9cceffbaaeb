"""`enroll`: the registry in and out."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from dashboard.commands._opening import open_any
from dashboard.commands._words import command, settings_of
from ingest import private_files
from ingest.registry import load_fleet, read_fleet, write_fleet
from ingest.settings import BadInput
from ingest.store import open_store


def add(commands: Any) -> None:
    """Add the command."""
    enroll = command(
        commands, "enroll", do_enroll, help="write the registry from a fleet.toml, or print it as one",
        private=True, example="tarnlight enroll fleet.toml")
    enroll.add_argument("file", nargs="?", type=Path, metavar="fleet.toml")
    enroll.add_argument("--export", action="store_true", help="print what is enrolled, as a fleet.toml")
    enroll.add_argument("--out", type=Path, metavar="FILE", help="where --export writes (default: standard output)")


def do_enroll(options: argparse.Namespace) -> int:
    """Registry in, or out."""
    if options.export == (options.file is not None):
        raise BadInput("give a fleet.toml to read, or --export to print what is enrolled")
    if options.out is not None and not options.export:
        raise BadInput("--out is where --export writes; give both, or neither")
    if options.export:
        store = open_any(options)
        found = write_fleet(load_fleet(store))
        store.close()
        _write(found, options.out)
        return 0
    try:
        text = options.file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise BadInput(f"{options.file}: {error}") from error
    read_fleet(text, options.file.name)  # refuse before anything is opened
    store = open_store(settings_of(options))
    told = store.act("enroll", {"text": text, "source": options.file.name})
    store.close()
    for word, names in (("enrolled", told["new"]), ("changed", told["changed"])):
        for name in names:
            print(f"{word}: {name}")
    print(f"{len(told['new'])} new, {len(told['changed'])} changed, {len(told['same'])} as they were")
    return 0


def _write(text: str, out: Path | None) -> None:
    if out is None:
        sys.stdout.write(text)
        return
    try:
        private_files.write(out, text.encode())
    except OSError as error:
        raise BadInput(f"{out}: {error.strerror}") from error
