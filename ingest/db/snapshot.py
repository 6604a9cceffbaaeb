"""A copy of the store's file while the collector goes on: what it writes meanwhile goes into the log beside it.

DuckDB changes the file itself only at a checkpoint. So one is made, no other is let until the copy is there, and
who asked copies it, in a process of their own: the intake never waits for a disk.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import platform
import re
import shutil
import time
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import duckdb

try:
    import fcntl
except ImportError:  # Windows, which removes no file that somebody has open
    fcntl = None  # type: ignore[assignment]

from ingest import private_files
from ingest.settings import BadInput

HELD_AT_MOST = timedelta(minutes=30)  # without a word of who copies; after it the collector checkpoints again
_OFF, _OFF_SHOWN = "1TB", "931.3 GiB"  # a log that long never comes; and how the engine says it
_PART = 8 * 2**20
_TRIES_S = 5.0  # a checkpoint waits for what others write just then


@dataclass(frozen=True, slots=True)
class Snapshot:
    """What the file holds while it is held still."""

    id: str
    readings: int


def hold(con: duckdb.DuckDBPyConnection, now: datetime) -> Snapshot:
    """Bring the file up to date and let it be as it is until `release`.

    Raises
    ------
    BadInput
        If another copy is being made.
    """
    if is_held(con):
        raise BadInput("another backup is being made; wait until it is done")
    number = uuid.uuid4().hex
    con.execute("DELETE FROM backup_made WHERE bytes IS NULL")  # whose hold was let go: they may be torn
    con.execute("INSERT INTO backup_made VALUES ($id, $now, NULL)", {"id": number, "now": now})
    _checkpoint(con)
    con.execute(f"SET GLOBAL checkpoint_threshold = '{_OFF}'")
    found = con.execute("SELECT count(*) FROM reading").fetchone()
    return Snapshot(number, int(found[0]) if found else 0)


def is_held(con: duckdb.DuckDBPyConnection) -> bool:
    """Whether the file is being held still."""
    found = con.execute("SELECT current_setting('checkpoint_threshold')").fetchone()
    return found is not None and found[0] == _OFF_SHOWN


def renew(con: duckdb.DuckDBPyConnection, number: str, now: datetime) -> None:
    """Go on holding the file: whoever copies it is still at it.

    Raises
    ------
    BadInput
        If the file was let go meanwhile, so that the copy may be torn.
    """
    _require_held(con, number)
    con.execute("""
        DELETE FROM backup_made WHERE id = $id AND "at" > (SELECT min("at") FROM backup_made WHERE id = $id)
    """, {"id": number})  # of the words before this one; the first says since when
    con.execute("INSERT INTO backup_made VALUES ($id, $now, NULL)", {"id": number, "now": now})


def release(con: duckdb.DuckDBPyConnection, number: str, *, bytes_copied: int | None) -> None:
    """Let the file change again; `bytes_copied` None where nothing came of the copy.

    Raises
    ------
    BadInput
        If the file was not held all the while, so that the copy may be torn.
    """
    _require_held(con, number)
    con.execute("RESET GLOBAL checkpoint_threshold")
    made = con.execute('SELECT min("at") FROM backup_made WHERE id = $id', {"id": number}).fetchone()
    con.execute("DELETE FROM backup_made WHERE id = $id", {"id": number})
    if bytes_copied is not None and made:  # it holds what there was when it was begun
        con.execute("INSERT INTO backup_made VALUES ($id, $made, $bytes)", {
            "id": number, "made": made[0], "bytes": bytes_copied})


def _require_held(con: duckdb.DuckDBPyConnection, number: str) -> None:
    known = con.execute(
        "SELECT count(*) FROM backup_made WHERE id = $id AND bytes IS NULL", {"id": number}).fetchone()
    if not (is_held(con) and known and known[0]):  # another's hold goes on
        raise BadInput("the collector was started anew or waited too long: the copy may be torn; make another")


def release_what_was_left(con: duckdb.DuckDBPyConnection, now: datetime) -> None:
    """Let the file change again where whoever held it did not come back."""
    if not is_held(con):
        return
    late = con.execute("SELECT count(*) FROM backup_made WHERE bytes IS NULL AND \"at\" > $since", {
        "since": now - HELD_AT_MOST}).fetchone()
    if not (late and late[0]):
        con.execute("DELETE FROM backup_made WHERE bytes IS NULL")
        con.execute("RESET GLOBAL checkpoint_threshold")


def copy(store: Path, target: Path, told: Callable[[int, int], None] = lambda done, total: None) -> int:
    """Copy the file, whole or not at all, readable by its owner alone; its bytes.

    Parameters
    ----------
    told : callable
        Is told how many bytes of how many are there.

    Raises
    ------
    BadInput
        If the target is there, or cannot be written.
    """
    if target.exists():
        raise BadInput(f"{target} exists; name a file that does not")
    if not target.parent.is_dir():
        raise BadInput(f"{target.parent} is no folder")
    private_files.keep_private()
    remove_what_was_left(target.parent)
    part = target.with_name(f"{target.name}.{_this_machine()}.{uuid.uuid4().hex}.part")
    total, done = store.stat().st_size, 0
    try:
        with store.open("rb") as source, part.open("xb") as out:
            _keep_ours(out.fileno())
            while block := source.read(_PART):
                out.write(block)
                done += len(block)
                told(done, total)
            out.flush()
            os.fsync(out.fileno())
        part.rename(target)
    except OSError as error:
        raise BadInput(f"{target} cannot be written: {error.strerror or error}") from error
    finally:
        part.unlink(missing_ok=True)
    return done


# What we call a copy that is not whole yet: its name, the machine that makes it, and a number of its own.
_PART_NAME = re.compile(r".+\.(?P<machine>[0-9a-f]{16})\.[0-9a-f]{32}\.part")


def remove_what_was_left(folder: Path) -> None:
    """Remove copies that were begun on this machine by a process that is no more.

    Who makes one holds its lock, which ends with the process, however that ends. What another machine makes in a
    folder that both have is left alone: not every such folder passes locks on.
    """
    if fcntl is None:
        return
    for path in folder.iterdir():
        found = _PART_NAME.fullmatch(path.name)
        if found is None or found["machine"] != _this_machine():
            continue
        with contextlib.suppress(OSError):  # it is made just now, or cannot be locked or removed
            opened = os.open(path, os.O_RDWR | os.O_NOFOLLOW)
            try:
                fcntl.flock(opened, fcntl.LOCK_EX | fcntl.LOCK_NB)
                path.unlink()
            finally:
                os.close(opened)


def _keep_ours(opened: int) -> None:
    """Hold a file's lock until it is closed; where that cannot be had, it is never taken for a dead one's.

    Raises
    ------
    OSError
        If another took it, and removed the file, in the instant since it was made.
    """
    if fcntl is not None:
        with contextlib.suppress(OSError):
            fcntl.flock(opened, fcntl.LOCK_EX)
        if os.fstat(opened).st_nlink == 0:
            raise OSError(errno.EAGAIN, "another backup began in the same instant; make it again")


def _this_machine() -> str:
    """A name of this machine in which nothing of it can be read."""
    return hashlib.sha256(f"{platform.node()}/{uuid.getnode()}".encode()).hexdigest()[:16]


def require_whole(path: Path, readings: int | None = None) -> int:
    """Open a copy and look whether it is a store, with so many readings at least; how many it holds.

    Raises
    ------
    BadInput
        If it is none, or fewer are there.
    """
    try:
        con = duckdb.connect(str(path), read_only=True)
    except duckdb.Error as error:
        raise BadInput(f"{path} is no store that can be opened: {str(error).splitlines()[0]}") from error
    try:
        found = con.execute("SELECT count(*), (SELECT max(version) FROM schema_version) FROM reading").fetchone()
        con.execute('SELECT max("at"), sum(intensity_w_m2), sum(total_l) FROM reading').fetchone()
    except duckdb.Error as error:
        raise BadInput(f"{path} is no store of this program: {str(error).splitlines()[0]}") from error
    finally:
        con.close()
    held = int(found[0]) if found else 0
    if readings is not None and held < readings:
        raise BadInput(f"{path} holds {held:,} readings of {readings:,}: the copy is torn; make another")
    return held


def restore(backup: Path, store: Path, now: datetime) -> Path | None:
    """Put a copy in the store's place; what stood there is kept beside it, under the name returned.

    Raises
    ------
    BadInput
        If the backup is no store, or cannot be put there.
    """
    require_whole(backup)
    private_files.make_folder(store.parent)
    kept = None
    fresh = store.with_name(f"{store.name}.restoring")
    fresh.unlink(missing_ok=True)
    copy(backup, fresh)
    log = store.with_name(f"{store.name}.wal")
    if store.exists() or log.exists():  # a log alone would be played into what is put there
        kept = store.with_name(f"{store.name}.before-{now:%Y%m%dT%H%M%SZ}")
        if kept.exists():
            raise BadInput(f"{kept} exists; move it away first")
        for path in (store, log):
            if path.exists():
                shutil.move(path, kept.with_name(kept.name + path.name.removeprefix(store.name)))
    fresh.rename(store)
    return kept


def _checkpoint(con: duckdb.DuckDBPyConnection) -> None:
    """Bring the file up to date; waits for what others write just then."""
    until = time.monotonic() + _TRIES_S
    while True:
        try:
            con.execute("CHECKPOINT")
            return
        except duckdb.TransactionException:
            if time.monotonic() > until:
                raise
            time.sleep(0.05)
