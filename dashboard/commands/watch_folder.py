"""`watch-folder`: each file that comes into a folder, loaded as `load` does with a saved profile."""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path
from typing import Any

from dashboard.commands._looking import told_by
from dashboard.commands._words import command, settings_of
from dashboard.commands.load import CSV, chunks_of, load_one
from dashboard.commands.run import stop_on_signals
from ingest.settings import BadInput, Settings, StoreUnavailable
from ingest.store import open_store
from ingest.wire.profiles import profile, profile_name

EVERY_S = 10.0
DONE, REFUSED = "loaded", "refused"  # folders within, for what was taken and what was not


def add(commands: Any) -> None:
    """Add the command."""
    watch = command(
        commands, "watch-folder", do_watch,
        example="tarnlight watch-folder /srv/logs --profile hill-logger --cabin heron-point --unit main")
    watch.add_argument("folder", type=Path, metavar="DIR")
    watch.add_argument("--profile", required=True, metavar="NAME", help="as `load --save-profile` kept it")
    watch.add_argument("--cabin", help="the cabin, where the files do not say")
    watch.add_argument("--unit", help="the unit, where the files do not say")
    watch.add_argument("--every", type=float, default=EVERY_S, metavar="S",
                       help=f"seconds between two looks (default {EVERY_S:g})")
    watch.add_argument(
        "--once", action="store_true", help="load what is there, and end; exit 2 where any was refused")


def do_watch(options: argparse.Namespace) -> int:
    """Look until told to stop."""
    if not options.folder.is_dir():
        raise BadInput(f"{options.folder}: no such folder")
    if not options.every > 0:
        raise BadInput(f"--every must be above 0 seconds; got {options.every:g}")
    settings, name = settings_of(options), profile_name(options.profile)
    store = open_store(settings)
    try:
        profile(store, name)  # refuse before anything is waited for
    finally:
        store.close()
    if options.once:
        found = [_take(path, options, settings) for path in waiting(options.folder)]
        return 0 if all(found) else 2
    stop, before = stop_on_signals(), dict[Path, tuple[int, int]]()
    while not stop.is_set():
        now = {path: _looks(path) for path in waiting(options.folder)}
        for path, looks in now.items():
            if before.get(path) == looks and not stop.is_set():  # whoever writes it has ended
                _take(path, options, settings)
        before = now
        stop.wait(options.every)
    return 0


def waiting(folder: Path) -> list[Path]:
    """Files that may be loaded, the oldest first; hidden ones are still being written."""
    found = [path for path in folder.iterdir()
             if path.is_file() and path.suffix.lower() in CSV and not path.name.startswith(".")]
    return sorted(found, key=lambda path: (_looks(path)[1], path.name))


def _looks(path: Path) -> tuple[int, int]:
    """Size and time of change; -1 where it is gone by now."""
    try:
        found = path.stat()
    except OSError:
        return -1, -1
    return found.st_size, found.st_mtime_ns


def _take(path: Path, options: argparse.Namespace, settings: Settings) -> bool:
    """Load one file and put it aside; False where it was refused.

    Where the store cannot be had just now the file stays, and is taken at a later look: loading twice keeps each
    row once.
    """
    try:
        whole = _load(path, options, settings)
    except StoreUnavailable as error:
        print(f"tarnlight watch-folder: {path.name} waits: {error}", file=sys.stderr, flush=True)
        return False
    except (BadInput, OSError) as error:
        print(f"tarnlight watch-folder: {error}", file=sys.stderr, flush=True)
        whole = False
    try:
        put = _put(path, path.parent / (DONE if whole else REFUSED))
        print(f"{path.name}: now in {put.parent.name}/{put.name}", flush=True)
    except OSError as error:
        print(f"tarnlight watch-folder: {path} cannot be put aside ({error.strerror}), so it is loaded again at "
              "each look, which keeps each row once", file=sys.stderr, flush=True)
    return whole


def _load(path: Path, options: argparse.Namespace, settings: Settings) -> bool:
    """The file as `load FILE --profile NAME` takes it."""
    given = argparse.Namespace(
        profile=options.profile, save_profile=None, columns=None, column=[], word=[], event=[], cabin=options.cabin,
        unit=options.unit, encoding=None, delimiter=None, decimal=None, header_row=None, date_order=None, zone=None)
    store = open_store(settings)
    try:
        told = told_by(given).over(profile(store, options.profile))
        return load_one(store, path, settings, chunks_of(path, given, told, store))
    finally:
        store.close()


def _put(path: Path, folder: Path) -> Path:
    """Move a file into a folder under a name that is free there."""
    folder.mkdir(mode=0o700, exist_ok=True)
    place = folder / path.name
    if place.exists():
        place = folder / f"{path.stem}.{time.time_ns()}{path.suffix}"
    Path(path).replace(place)
    return place
