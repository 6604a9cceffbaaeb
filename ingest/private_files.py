"""Files that only their owner may read: whatever holds names, telephone numbers, readings or tokens.

Files are 0600 and folders 0700 from their birth, under any umask; what an older version left wider is mended when
its store is opened. On Windows modes say nothing, and the folder's own rights decide.
"""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from ingest.settings import default_store

OTHERS = 0o077
POSIX = os.name == "posix"


def keep_private() -> None:
    """Let nothing that this process makes from here on be read or written by others.

    For good, and not for a moment: DuckDB unlinks a store's WAL at each checkpoint and makes it anew with the next
    write; and a umask is the whole process's, so that setting it to and fro would race with the other threads.
    """
    before = os.umask(OTHERS)
    os.umask(before | OTHERS)


def make_folder(path: Path) -> None:
    """Make a folder, and those above it, for their owner alone; one that is there already stays as it is."""
    keep_private()  # mkdir gives a mode to the last folder only
    path.mkdir(mode=0o700, parents=True, exist_ok=True)


def write(path: Path, data: bytes, *, follow: bool = True, owner: tuple[int, int] | None = None) -> None:
    """Write a file that only its owner may read, whole or not at all.

    A regular file that is there is replaced and not filled again: who had opened it while it was wider reads
    nothing of the new one.

    Parameters
    ----------
    path : Path
    data : bytes
    follow : bool
        Follow a link, and write a device or a pipe as it is. False in a folder of another user, who could lead
        root anywhere by a link: what is there is replaced, whatever it is.
    owner : (int, int) or None
        User and group to give the file to, before it takes its name; None: whoever runs.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    if follow:
        with contextlib.suppress(FileNotFoundError):
            if not stat.S_ISREG(path.stat().st_mode):
                path.write_bytes(data)
                return
        path = path.resolve()
    spare = path.with_name(f".{path.name}.{secrets.token_hex(8)}")
    try:
        with os.fdopen(os.open(spare, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
            file.write(data)
            file.flush()
            if owner is not None:
                os.fchown(file.fileno(), *owner)
            os.fsync(file.fileno())  # else a power cut could leave an empty file under the name
        spare.replace(path)
    finally:
        spare.unlink(missing_ok=True)


@contextlib.contextmanager
def placing(path: Path) -> Iterator[Path]:
    """A new file that only its owner may read, to be written in parts; it takes its name once all of it is there.

    Raises
    ------
    OSError
        If it cannot be made, or what is there is no regular file.
    """
    path = path.resolve()
    if path.exists() and not path.is_file():
        raise OSError(errno.EINVAL, "not a regular file")
    spare = path.with_name(f".{path.name}.{secrets.token_hex(8)}")
    try:
        os.close(os.open(spare, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
        yield spare
        spare.replace(path)
    finally:
        spare.unlink(missing_ok=True)


def narrow_output(stream: IO[str]) -> None:
    """Take others' rights from the file that a shell made for our output (`tarnlight ... > FILE`).

    Only from a regular file of our own that holds nothing yet: one that is added to has a reader already.
    """
    if not POSIX:
        return
    with contextlib.suppress(OSError, ValueError, AttributeError):  # no descriptor, or a file system without modes
        found = os.fstat(stream.fileno())
        if stat.S_ISREG(found.st_mode) and found.st_size == 0 and found.st_uid == os.geteuid():
            os.fchmod(stream.fileno(), stat.S_IMODE(found.st_mode) & ~OTHERS)


def mend(store: Path) -> None:
    """Narrow what an older version left wider: the store, all that is named after it, and the default folder.

    What is another user's stays as it is; `wider` names it.
    """
    if not POSIX:
        return
    for path, mode in _open_to_others(_of_store(store)).items():
        with contextlib.suppress(OSError):
            # by its name: DuckDB's lock on a file ends with the first descriptor that its process closes
            path.chmod(mode & ~OTHERS)


def wider(store: Path) -> list[tuple[Path, int]]:
    """Files of a store, and copies beside it, that others have rights to, each with its mode.

    Parameters
    ----------
    store : Path
        The store's file; it need not exist.

    Returns
    -------
    list of (Path, int)
        Sorted by name; with them the store's folder where anybody may put another file in the store's place.
    """
    if not POSIX:
        return []
    with contextlib.suppress(OSError):
        copies = [path for path in store.parent.iterdir() if path.suffix == store.suffix != ""]
        found = _open_to_others({*_of_store(store), *copies})
        mode = stat.S_IMODE(store.parent.stat().st_mode)
        if mode & stat.S_IWOTH and not mode & stat.S_ISVTX:
            found[store.parent] = mode
        return sorted(found.items())
    return []


def _of_store(store: Path) -> set[Path]:
    """The store's file, all that is named after it, and what lies in folders that are."""
    out = {store.resolve()}
    if store.parent == default_store().parent:
        out.add(store.parent)
    with contextlib.suppress(OSError):
        for path in store.parent.iterdir():
            if path.name.startswith(store.name + "."):
                out |= {path, *_below(path)}
    return out


def _below(path: Path) -> Iterator[Path]:
    if path.is_dir() and not path.is_symlink():
        with contextlib.suppress(OSError):
            yield from path.rglob("*")


def _open_to_others(paths: set[Path]) -> dict[Path, int]:
    """Those that others have a right to, and their modes; links have none of their own."""
    out: dict[Path, int] = {}
    for path in paths:
        with contextlib.suppress(OSError):  # gone meanwhile, as a WAL goes
            found = path.lstat().st_mode
            if (stat.S_ISREG(found) or stat.S_ISDIR(found)) and found & OTHERS:
                out[path] = stat.S_IMODE(found)
    return out
