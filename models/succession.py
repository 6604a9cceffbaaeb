"""What became of cabins and units: retired, renamed, moved to another cabin; and what their former names mean.

A logger goes on sending under the name that its unit had, often for years, since nobody is on site to tell it the
new one. What comes under a former name is therefore its unit's, until a named person says that no logger sends
under it any more: only then can the name be given to another unit, or two loggers would be taken for one.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from models.fleet import Fleet

Key = tuple[str, str]  # cabin and unit; a unit of "" is the cabin itself

KEY_CHARACTERS = 50  # of a contact's key that is made of a name; a slug has room for a role and a number after it


class DeedKind(StrEnum):
    """What a named person did to a name of the registry."""

    RETIRED = "retired"
    TAKEN_BACK = "taken-back"
    RENAMED = "renamed"
    MOVED = "moved"
    FREED = "freed"  # no logger sends under that former name any more


@dataclass(frozen=True, slots=True, kw_only=True)
class Deed:
    """One of these, of a cabin or of a unit; `now` is the name that it got, where it got one."""

    kind: DeedKind
    at: datetime
    who: str
    was: Key
    now: Key | None = None
    reason: str = ""

    @property
    def words(self) -> str:
        """When and by whom, and why."""
        return f"on {self.at:%Y-%m-%d} by {self.who}" + (f" ({self.reason})" if self.reason else "")


def name_of(key: Key) -> str:
    """A cabin, or a unit as `cabin/unit`."""
    return f"{key[0]}/{key[1]}" if key[1] else key[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Names:
    """What names stand for.

    Attributes
    ----------
    former : mapping
        Former name to the present one, of cabins and of units.
    retired : mapping
        Present name of what is retired to the deed that says so.
    deeds : tuple of Deed
        In the order in which they were done.
    """

    former: Mapping[Key, Key] = field(default_factory=dict)
    retired: Mapping[Key, Deed] = field(default_factory=dict)
    deeds: tuple[Deed, ...] = ()

    def units(self) -> dict[Key, Key]:
        """Former names of units alone, to the present ones of those that are not retired."""
        return {was: now for was, now in self.former.items() if was[1] and self.retired_by(now) is None}

    def signs_of(self, cabin: str) -> list[str]:
        """Former names of a cabin: a sign there may still listen under one."""
        return sorted(was for (was, unit), now in self.former.items() if not unit and now == (cabin, ""))

    def retired_by(self, key: Key) -> Deed | None:
        """The deed by which a unit, or its cabin, was retired."""
        return self.retired.get(key) or self.retired.get((key[0], ""))

    def name_at(self, key: Key, at: datetime) -> Key:
        """What a present unit was called at an instant."""
        for deed in reversed(self.deeds):
            if deed.at <= at:
                break
            if deed.now == key and deed.kind in (DeedKind.RENAMED, DeedKind.MOVED):
                key = deed.was
        return key

    def why_not_taken(self, key: Key) -> str:
        """Why nothing is taken in under the name of a unit that is not enrolled; empty where nothing is known."""
        now = self.former.get(key, key)
        deed = self.retired_by(now)
        if deed is None:
            return ""
        known = f", now {name_of(now)}," if now != key else ""
        return (f"unit {key[1]!r} of cabin {key[0]!r}{known} was retired {deed.words}: what its logger sends "
                "counts nowhere")

    def trouble(self, key: Key) -> str:
        """Why a name cannot be given to something new; empty where it can."""
        kind = "unit" if key[1] else "cabin"
        if key in self.former:
            now = self.former[key]
            last = next(one for one in reversed(self.deeds) if one.was == key and one.now is not None)
            return (
                f"{name_of(key)} is a former name of the {kind} {name_of(now)} ({last.kind} {last.words}), whose "
                f"logger may still send under it. Write {name_of(now)}; or, once nothing sends under it any more, "
                f"free it: tarnlight rename --free {name_of(key)} --by NAME")
        deed = self.retired.get(key)
        if deed is not None:
            return (
                f"the {kind} {name_of(key)} was retired {deed.words}, and its record stands under that name. Take "
                "it out of the file, give what is new another slug, or take it back: tarnlight retire --back "
                f"--cabin {key[0]}{f' --unit {key[1]}' if key[1] else ''} --by NAME")
        return ""


def names_of(deeds: Iterable[Deed]) -> Names:
    """What names stand for after these deeds, in the order in which they were done."""
    former: dict[Key, Key] = {}
    retired: dict[Key, Deed] = {}
    kept = tuple(deeds)
    for deed in kept:
        if deed.kind is DeedKind.RETIRED:
            retired[deed.was] = deed
        elif deed.kind is DeedKind.TAKEN_BACK:
            retired.pop(deed.was, None)
        elif deed.kind is DeedKind.FREED:
            former = {was: now for was, now in former.items()
                      if was != deed.was and (deed.was[1] or was[0] != deed.was[0])}
        elif deed.now is not None:
            former = {was: deed.now if now == deed.was else now for was, now in former.items()}
            former.pop(deed.now, None)  # it has its own name again
            former[deed.was] = deed.now
            if deed.was in retired:
                retired[deed.now] = retired.pop(deed.was)
    return Names(former=former, retired=retired, deeds=kept)


def reused(names: Names, fleet: Fleet, enrolled: Fleet) -> list[str]:
    """Why cabins and units of a fleet that are not enrolled cannot have the names that they are given."""
    out = []
    for cabin in fleet.cabins:
        if not enrolled.has_cabin(cabin.slug) and (why := names.trouble((cabin.slug, ""))):
            out.append(why)
            continue
        for unit in cabin.units:
            key = (cabin.slug, unit.slug)
            if not enrolled.has_unit(*key) and (why := names.trouble(key)):
                out.append(why)
    return out


def contact_key(name: str, role: str, taken: Collection[str]) -> str:
    """A key for a contact whom nobody gave one: of the name, and of the role where that is taken.

    Examples
    --------
    >>> contact_key("Ann Lund", "owner", ())
    'ann-lund'
    >>> contact_key("Ann Lund", "manager", {"ann-lund"})
    'ann-lund-manager'
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    base = re.sub(r"[^a-z0-9]+", "-", plain)[:KEY_CHARACTERS].strip("-") or role
    for key in (base, f"{base}-{role}"):
        if key not in taken:
            return key
    number = 2
    while f"{base}-{number}" in taken:
        number += 1
    return f"{base}-{number}"
