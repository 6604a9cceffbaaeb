"""Is the collector alive, and are the managers told where it is not? By a process of its own, started by a timer.

A collector that is dead or hangs tells nobody. So this one keeps beside the store which channels the managers have,
as long as it can read them there, and sends through the same channels without the collector.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from ingest import private_files, queries
from ingest.notification import channels
from ingest.registry.tables import load_fleet
from ingest.settings import Settings, StoreUnavailable
from ingest.store import Access, client, open_store

SILENT_FOR = timedelta(minutes=5)  # a machine's update restarts it within that; common practice, no source
AGAIN_AFTER = timedelta(hours=6)


@dataclass(slots=True)
class Notes:
    """What is kept from one look to the next.

    Attributes
    ----------
    names : list of str
        Channels of the managers, in their order.
    since : datetime or None
        Since when the collector is silent; None: it lives.
    told_at : datetime or None
        When the managers were last told that.
    """

    names: list[str] = field(default_factory=list)
    since: datetime | None = None
    told_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Look:
    """What a look found: whether it lives, in words, and what came of telling (empty: nobody was to be told)."""

    lives: bool
    words: str
    told: tuple[str, ...] = ()


def look(settings: Settings, now: datetime) -> Look:
    """See whether the collector gives signs of life, and tell the managers where it has given none for a while.

    Parameters
    ----------
    now : datetime
        Of the wall clock.
    """
    kept = _read(settings.alive_file)
    lives, words = _alive(settings, kept)
    told: tuple[str, ...] = ()
    if lives:
        if kept.told_at is not None:
            told = _tell(settings, kept.names, "The collector is back", (
                f"{words} What loggers held meanwhile comes in now: look at every tap's verdict before anybody "
                "drinks."))
        kept.since = kept.told_at = None
    else:
        kept.since = kept.since or now
        late = kept.told_at is None or now - kept.told_at >= AGAIN_AFTER
        if now - kept.since >= SILENT_FOR and late:
            told = _tell(settings, kept.names, "Nothing is watched: the collector is silent", (
                f"{words} It is so since {kept.since:%Y-%m-%d %H:%M} UTC at least. Until it runs again no tap can "
                "be called fit to drink from: boil tap water before drinking or use bottled water. On its machine "
                "`tarnlight doctor` says what is wrong. Your local health authority's word goes first."))
            kept.told_at = now
    private_files.write(settings.alive_file, json.dumps({
        "names": kept.names, "since": _text(kept.since), "told_at": _text(kept.told_at)}).encode())
    return Look(lives, words, told)


def _alive(settings: Settings, kept: Notes) -> tuple[bool, str]:
    """Whether it lives, in words; brings the managers' channels up to date where the store can be read."""
    asked = _asked(settings)
    if isinstance(asked, str):
        if not settings.address_file.exists():  # else somebody holds the store
            _names_of_file(settings, kept)
        return False, asked
    kept.names, age_s = asked
    if age_s is None:
        return False, "When the collector last gave a sign of life is not known."
    if age_s > queries.BEAT_WITHIN_S:
        return False, f"The collector's last sign of life is {age_s:.0f} s old."
    return True, f"The collector lives: its last sign of life is {age_s:.0f} s old."


def _asked(settings: Settings) -> tuple[list[str], float | None] | str:
    """The managers' channels and how old the collector's last sign of life is [s]; or why it does not say.
    """
    try:
        store = client(settings)
        try:
            return _names(store), queries.sign_of_life_s(store)
        finally:
            store.close()
    except StoreUnavailable as error:
        return f"{error}."


def _names_of_file(settings: Settings, kept: Notes) -> None:
    """The managers' channels from a store that nobody holds."""
    if not settings.store.exists():
        return
    try:
        store = open_store(settings)
    except StoreUnavailable:
        return  # held by a process that does not answer: what was kept has to do
    try:
        kept.names = _names(store)
    finally:
        store.close()


def _names(store: Access) -> list[str]:
    managers = sorted(
        (one for one in load_fleet(store).contacts if one.role == "manager"), key=lambda one: one.order)
    return list(dict.fromkeys(name for one in managers for name in one.channels))


def _tell(settings: Settings, names: list[str], title: str, body: str) -> tuple[str, ...]:
    """What came of each channel, in words; the address of none."""
    if not names:
        return ("no manager has a channel: nobody was told",)
    out = []
    for name in names:
        why = channels.send(settings, name, title=title, body=body)
        out.append(f"{name}: {why or 'told'}")
    return tuple(out)


def _read(path: Path) -> Notes:
    """What was kept; nothing where there is no such file or it cannot be understood."""
    try:
        found: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        since, told_at = (
            None if found[name] is None else datetime.fromisoformat(found[name]) for name in ("since", "told_at"))
        return Notes([str(one) for one in found["names"]], since, told_at)
    except (OSError, ValueError, KeyError, TypeError):
        return Notes()


def _text(at: datetime | None) -> str | None:
    return None if at is None else at.isoformat()
