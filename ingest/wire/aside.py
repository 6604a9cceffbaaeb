"""Messages that were too much to take, kept whole in a folder beside the store.

The folder is bounded in bytes and files; the oldest goes first. Names are our own: a running number, which also
says how many there ever were, and a random word, so that a number used again never names an older message.
"""

from __future__ import annotations

import contextlib
import logging
import os
import re
import secrets
from dataclasses import dataclass
from pathlib import Path

logger = logging.getLogger(__name__)

MOST_BYTES = 600_000_000  # room for two of the largest that MQTT carries: 268,435,455 bytes (MQTT 3.1.1, 2.2.3)
MOST_FILES = 1_000
_NAME = re.compile(r"(\d{8,})-[0-9a-f]{8}\.payload")


@dataclass(frozen=True, slots=True)
class AsideTally:
    """What the folder holds, and how many had to go."""

    files: int
    bytes: int
    gone: int

    def in_words(self, folder: Path) -> str:
        """As people read it."""
        if not self.files:
            return "no message was too much to take"
        gone = f"; {self.gone:,} older ones went" if self.gone else "; none had to go"
        return (f"{self.files:,} kept whole in {folder}, {self.bytes / 1e6:.1f} MB "
                f"(at most {MOST_FILES:,} and {MOST_BYTES / 1e6:.0f} MB, oldest out){gone}")


def _listed(folder: Path) -> list[tuple[int, Path, int]]:
    """Number, path and size of each message, oldest first."""
    out: list[tuple[int, Path, int]] = []
    try:
        found = list(os.scandir(folder))
    except (FileNotFoundError, NotADirectoryError):
        return []
    for entry in found:
        match = _NAME.fullmatch(entry.name)
        if match:
            with contextlib.suppress(FileNotFoundError):  # gone since we looked
                out.append((int(match[1]), Path(entry.path), entry.stat(follow_symlinks=False).st_size))
    return sorted(out)


def tally(folder: Path) -> AsideTally:
    """What the folder holds now; all zero where there is none.

    Raises
    ------
    OSError
        If it cannot be read by this user.
    """
    found = _listed(folder)
    return AsideTally(len(found), sum(size for *_, size in found), found[-1][0] - len(found) if found else 0)


def put(folder: Path, payload: bytes) -> str:
    """Keep a message whole, on disk before this returns; the name of its file.

    The oldest make room first: neither bound is ever passed.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    folder.chmod(0o700)
    for part in folder.glob("*.part"):  # of a process that was killed while it wrote
        part.unlink(missing_ok=True)
    found = _listed(folder)
    number = found[-1][0] + 1 if found else 1
    held = sum(size for *_, size in found)
    while found and (len(found) >= MOST_FILES or held + len(payload) > MOST_BYTES):
        _, oldest, size = found.pop(0)
        oldest.unlink(missing_ok=True)
        held -= size
        logger.info("%s went: the folder of messages set aside is full", oldest.name)
    path = folder / f"{number:08d}-{secrets.token_hex(4)}.payload"
    part = path.with_suffix(".part")
    descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "wb") as file:
        file.write(payload)
        file.flush()
        os.fsync(descriptor)
    part.rename(path)
    if os.name == "posix":  # the name as well, or a power cut could take the message with it
        names = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(names)
        finally:
            os.close(names)
    return path.name
