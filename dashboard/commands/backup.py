"""`backup` and `restore`: a copy of the store while it runs, and such a copy in the store's place."""

from __future__ import annotations

import argparse
import re
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from dashboard.commands._opening import open_settings, settings_any
from dashboard.commands._words import command, settings_of
from dashboard.commands.load import progress_bar
from ingest.clock import Clock
from ingest.db import archive, archive_files, snapshot
from ingest.settings import BadInput, StoreUnavailable
from ingest.store import Access, Store, client

RENEW_S = 10.0  # between two words to the collector that the copy is still being made
# Of copies that `backup` names itself.
_NAMED = "tarnlight-%Y%m%dT%H%M%SZ.duckdb"
_NAME = re.compile(r"tarnlight-\d{8}T\d{6}Z\.duckdb")


def add(commands: Any) -> None:
    """Add the commands."""
    backup = command(commands, "backup", do_backup, example="tarnlight backup /mnt/usb --keep-days 60")
    backup.add_argument(
        "to", type=Path, metavar="FILE", help="a file that does not exist yet; in a folder it is named by the time")
    backup.add_argument(
        "--keep-days", type=int, help="in a folder: delete those named by the time that are over so much older")
    restore = command(
        commands, "restore", do_restore,
        example="tarnlight restore /mnt/usb/tarnlight-20261120T030000Z.duckdb")
    restore.add_argument("file", type=Path, help="a copy that `tarnlight backup` made")


def do_backup(options: argparse.Namespace) -> int:
    """A copy of the store, opened once to see that it is whole."""
    if options.keep_days is not None and (options.keep_days < 1 or not options.to.is_dir()):
        raise BadInput(
            f"--keep-days goes with a folder, and must be at least 1; got {options.keep_days} and {options.to}")
    own = settings_any(options)
    store = open_settings(own)
    try:
        now = store.now()
        target = options.to / now.strftime(_NAMED) if options.to.is_dir() else options.to
        copied = make_copy(store, target.absolute())
    finally:
        store.close()
    print(f"{target}: {copied / 2**20:.1f} MiB, opened and whole")
    lacking = _with_archive(own.archive, target.absolute())
    if options.keep_days is not None:
        for path in _older(target, options.keep_days):
            path.unlink()
            print(f"{path}: deleted, older than {options.keep_days} days")
        old = timedelta(days=options.keep_days + 1).total_seconds()
        archive_files.remove_old(target.parent / archive_files.COPIES, time.time() - old)
    return 1 if lacking else 0


def _with_archive(folder: Path, target: Path) -> list[str]:
    """Copy the files of archived readings that a copy lists beside it, once for all copies; what is missing."""
    some = archive.files_of_copy(target)
    if not some:
        return []
    copies = target.parent / archive_files.COPIES
    lacking = archive_files.copy_files(some, [folder], copies)
    whole = "" if lacking else ", all whole; keep this folder with the copies"
    print(f"{copies}: {archive.in_words(some)}{whole}")
    for line in lacking:
        print(f"not in the backup: {line}", file=sys.stderr)
    return lacking


def make_copy(store: Access, target: Path) -> int:
    """Have the file held still, copy it, look whether it is whole, and let it go again; its bytes."""
    held = store.act("hold-for-backup", {})
    copied = None
    try:
        with progress_bar() as bar:
            task = bar.add_task(target.name, total=None)
            renewed = time.monotonic()

            def told(done: int, total: int) -> None:
                nonlocal renewed
                bar.update(task, completed=done, total=total)
                if time.monotonic() >= renewed + RENEW_S:
                    renewed = time.monotonic()
                    store.act("renew-backup", {"id": held["id"]})

            copied = snapshot.copy(Path(held["file"]), target, told)
    finally:
        try:
            store.act("release-backup", {"id": held["id"], "bytes": copied})
        except (BadInput, StoreUnavailable):
            if copied is not None:
                target.unlink()  # nobody says that it is whole
            raise
    try:
        snapshot.require_whole(target, int(held["readings"]))
    except BadInput:
        target.unlink()
        raise
    return copied


def _older(newest: Path, days: int) -> list[Path]:
    """Copies beside the newest, named by the time, that are more days older than it."""
    stamps = {
        path: datetime.strptime(path.name, _NAMED).replace(tzinfo=UTC)
        for path in newest.parent.iterdir() if _NAME.fullmatch(path.name)}
    return sorted(path for path, at in stamps.items() if at < stamps[newest] - timedelta(days=days))


def do_restore(options: argparse.Namespace) -> int:
    """A copy in the store's place; what stood there is kept."""
    settings = settings_of(options)
    if not options.file.is_file():
        raise BadInput(f"{options.file}: no such file")
    try:
        client(settings).close()
    except StoreUnavailable:
        pass
    else:
        raise BadInput(f"a collector holds {settings.store}: stop it first, then restore, then start it again")
    if settings.store.exists():
        Store(settings.store).close()  # refused where another process holds it, such as a load
    kept = snapshot.restore(options.file, settings.store, Clock().now())
    some = archive.files_of_copy(options.file)
    places = [options.file.absolute().parent / archive_files.COPIES]
    if settings.archive.exists() and kept is not None:  # a store's files go where it goes
        places.append(archive_files.folder_of(kept))
        settings.archive.rename(places[-1])
    lacking = archive_files.copy_files(some, places, settings.archive)
    settings.tally_file.unlink(missing_ok=True)  # it counted what stood there
    Store(settings.store).close()  # brings an older one to this version
    beside = f"; what stood there is kept as {kept}" if kept else ""
    print(f"{settings.store}: restored from {options.file}{beside}")
    print("What came after that copy was made is not in it: load the loggers' files of that time, and look at "
          "every tap's verdict before anybody drinks. Advisories lifted since stand again.")
    if some:
        print(f"{settings.archive}: {archive.in_words(some)}")
    for line in lacking:
        print(f"not restored, so nothing is known of it: {line}", file=sys.stderr)
    return 1 if lacking else 0
