"""Files of archived readings: where they lie, what they are called, and whether one is what was written.

A file never changes once it has its name. Names hold a month and a random number, nothing that a device sent.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import secrets
import shutil
import threading
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from ingest import private_files
from ingest.settings import ArchiveUnavailable, BadInput

NAME = re.compile(r"\d{4}-\d{2}\.[0-9a-f]{32}\.parquet")
PART = ".part"  # after the name of one that is being written
COPIES = "tarnlight.archive"  # the folder beside copies of the store that has the files of all of them
TRUSTED_S = 3600.0  # so long a file that was found whole is not read through again, unless it looks changed

_whole: dict[tuple[str, str], tuple[tuple[int, int, int], float]] = {}
_whole_lock = threading.Lock()


@dataclass(frozen=True, slots=True)
class Archived:
    """A unit's month in a file; `month` and `end` bound it, `sha_hex` is the whole file's SHA-256."""

    cabin: str
    unit: str
    month: datetime
    end: datetime
    file: str
    rows: int
    bytes: int
    sha_hex: str

    @property
    def words(self) -> str:
        """What it holds, for a person."""
        return f"the readings of {self.cabin}/{self.unit} of {self.month:%Y-%m}"


def folder_of(store: Path) -> Path:
    """Where a store's files lie."""
    return store.with_name(store.name + ".archive")


def new_name(month: datetime) -> str:
    """A name for a new file."""
    return f"{month:%Y-%m}.{secrets.token_hex(16)}.parquet"


def place(folder: Path, file: str) -> Path:
    """Where a file lies; a name that is none of ours leads nowhere.

    Raises
    ------
    ArchiveUnavailable
        If it is none.
    """
    if not NAME.fullmatch(file):
        raise ArchiveUnavailable(f"the store names a file of archived readings that cannot be one: {file!r}")
    return folder / file


def sync(path: Path) -> None:
    """Have a file or a folder's names on the disk, whatever happens next."""
    opened = os.open(path, os.O_RDONLY)
    try:
        with contextlib.suppress(OSError) if path.is_dir() else contextlib.nullcontext():
            os.fsync(opened)
    finally:
        os.close(opened)


def digest(path: Path) -> str:
    """A file's SHA-256, as hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def trouble(folder: Path, one: Archived, *, anew: bool = False) -> str:
    """What is wrong with a file, in a line; empty where it is as it was written.

    Read through once an hour and whenever it looks changed; `anew`: now.
    """
    try:
        path = place(folder, one.file)
        found = path.stat()
        if found.st_size != one.bytes:
            return f"{path} is damaged or another's: {found.st_size:,} bytes, {one.bytes:,} were written"
        looks = (found.st_ino, found.st_mtime_ns, found.st_size)
        key = (str(path), one.sha_hex)
        with _whole_lock:
            known = _whole.get(key)
        if known is not None and known[0] == looks and time.monotonic() - known[1] < TRUSTED_S and not anew:
            return ""
        if digest(path) != one.sha_hex:
            return f"{path} is damaged or another's: it is not what was written"
        with _whole_lock:
            _whole[key] = (looks, time.monotonic())
        return ""
    except FileNotFoundError:
        return f"{folder / one.file} is missing"
    except OSError as error:
        return f"{folder / one.file} cannot be read: {error.strerror or error}"
    except ArchiveUnavailable as error:
        return str(error)


HOW = "put it back from a backup's folder " + COPIES


def require_whole(folder: Path, some: Iterable[Archived]) -> None:
    """Refuse to go on without a file, or with one that is not what was written.

    Raises
    ------
    ArchiveUnavailable
        In one line: whose readings, of when, which file and what to do.
    """
    for one in some:
        if why := trouble(folder, one):
            raise ArchiveUnavailable(f"{one.words} cannot be had: {why}; {HOW}")


@contextlib.contextmanager
def writing(folder: Path, file: str) -> Iterator[Path]:
    """A place to write a new file at; it takes its name, on disk, once it is whole.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    private_files.make_folder(folder)
    path = place(folder, file)
    part = path.with_name(file + PART)
    try:
        yield part
        sync(part)
        part.rename(path)
        sync(folder)
    finally:
        part.unlink(missing_ok=True)


def remove_parts(folder: Path) -> None:
    """Remove what was being written when a process ended; only the one that holds the store writes, and calls."""
    for path in folder.glob(f"*{PART}") if folder.is_dir() else ():
        if NAME.fullmatch(path.name.removesuffix(PART)):
            path.unlink(missing_ok=True)


def copy_files(some: Iterable[Archived], sources: Iterable[Path], target: Path) -> list[str]:
    """Have all these files in a folder too, each whole; what could not be had, in a line each.

    A file that is there already is not copied again; that it is needed now is kept as its time of change.

    Raises
    ------
    BadInput
        If the folder cannot be written.
    """
    lacking, places = [], list(sources)
    try:
        for one in some:
            private_files.make_folder(target)
            if not trouble(target, one, anew=True):
                os.utime(target / one.file)
                continue
            whole = next((folder for folder in places if not trouble(folder, one, anew=True)), None)
            if whole is None:
                lacking.append(f"{one.words}: " + "; ".join(trouble(folder, one) for folder in places))
                continue
            with writing(target, one.file) as part:
                shutil.copyfile(whole / one.file, part)
                part.chmod(0o600)
    except OSError as error:
        raise BadInput(f"{target} cannot be written: {error.strerror or error}") from error
    return lacking


def remove_old(folder: Path, before: float) -> None:
    """Remove copies of files that no backup has needed since that time, in seconds since 1970."""
    for path in folder.glob("*.parquet") if folder.is_dir() else ():
        if NAME.fullmatch(path.name) and path.stat().st_mtime < before:
            path.unlink(missing_ok=True)
