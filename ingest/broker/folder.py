"""A folder whose files one user alone may read: the broker's, or else whoever runs the command."""

from __future__ import annotations

import os
from pathlib import Path

from ingest import private_files

BROKER_USER = "mosquitto"  # as whom Debian's mosquitto runs once it has its ports


def give_to_broker(folder: Path) -> tuple[list[str], list[str]]:
    """Make a folder the broker's user's, where root runs the command; its files then take after it.

    Returns
    -------
    notes, warnings : list of str
        Whose it is now, and what to be warned of.
    """
    if not _as_root():
        return [f"{folder}: its files are yours alone; run mosquitto as the same user"], []
    import pwd  # only where there is a root

    try:
        found = pwd.getpwnam(BROKER_USER)
    except KeyError:
        return [], [f"this machine has no user {BROKER_USER}, so the files belong to root alone. Give them to the "
                    f"user that the broker runs as: chown -R USER {folder}"]
    barred = next((one for one in folder.parents if not _may_enter(one, found.pw_uid, found.pw_gid)), None)
    if barred is not None:
        return [], [f"user {BROKER_USER} may not enter {barred}, so the files belong to root and the broker runs "
                    "as root. Safer: a folder that it may enter, such as /var/lib/tarnlight-broker"]
    os.chown(folder, found.pw_uid, found.pw_gid)
    return [f"{folder}: its files belong to user {BROKER_USER}, as whom the broker runs"], []


def runs_as(folder: Path) -> str | None:
    """Whom a broker that root starts has to become, to read the folder; None: what mosquitto does by itself."""
    if not _as_root():
        return None
    import pwd

    try:
        pwd.getpwnam(BROKER_USER)
        return pwd.getpwuid(folder.stat().st_uid).pw_name
    except KeyError:
        return None


def write_like_folder(path: Path, text: str) -> None:
    """Write a file that is its folder's owner's alone; nothing where it says so already."""
    if path.exists() and path.read_text(encoding="utf-8") == text:
        return
    private_files.write(path, text.encode(), follow=False, owner=_owner(path.parent))


def give_like_folder(folder: Path) -> None:
    """Give a folder that root made to whom the folder above it belongs."""
    owner = _owner(folder.parent)
    if owner is not None:
        os.chown(folder, *owner, follow_symlinks=False)


def _owner(folder: Path) -> tuple[int, int] | None:
    """User and group of a folder; None where only one's own files can be made."""
    if not _as_root():
        return None
    found = folder.stat()
    return found.st_uid, found.st_gid


def _as_root() -> bool:
    return hasattr(os, "geteuid") and os.geteuid() == 0


def _may_enter(folder: Path, uid: int, gid: int) -> bool:
    found = folder.stat()
    shift = 6 if found.st_uid == uid else 3 if found.st_gid == gid else 0
    return bool(found.st_mode >> shift & 0o1)
