"""Which verdict holds where two collectors judge the same cabin: its own, beside its broker, and the centre's.

Each judges by what it hears, and tells the other its own verdict. The worse of the two is shown at both. What each
tells is its own alone and never the worse of both, or two that once said boil would hold each other up for ever.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import StrEnum

from models.advisory.work_cautions import Work
from models.verdict import Verdict, Word, is_worse

Key = tuple[str, str]  # cabin and unit

# For how long what a collector states holds that is not renewed: to the other one, and on a sign.
HOLDS_FOR = timedelta(minutes=10)


class Place(StrEnum):
    """Where a collector stands."""

    CABIN = "cabin"
    CENTRE = "centre"

    @property
    def other(self) -> Place:
        """Where the other of the two stands."""
        return Place.CENTRE if self is Place.CABIN else Place.CABIN

    @property
    def collector(self) -> str:
        """How its collector is called in a sentence."""
        return "the cabin's own collector" if self is Place.CABIN else "the centre's collector"


@dataclass(frozen=True, slots=True, kw_only=True)
class CounterpartVerdict:
    """What the other collector said last of a unit.

    Attributes
    ----------
    place : Place
        Where that collector stands.
    at : datetime
        When it said so, aware; not after it was heard.
    reason, next_action : str
        Its first reason, and what it says to do.
    works : frozenset of Work
        What that action asks for, for the cautions.
    """

    place: Place
    verdict: Word
    at: datetime
    since: datetime | None = None
    reason: str = ""
    next_action: str = ""
    works: frozenset[Work] = field(default_factory=frozenset)

    def holds(self, now: datetime) -> bool:
        """Whether it still counts.

        A boil counts until that collector says otherwise, however long the link is cut: no silence lifts it. All
        else runs out, since a cut leaves the one that hears no logs silent, and the other judges by itself.
        """
        return self.verdict is Word.BOIL or now - self.at <= HOLDS_FOR


def said_of(
    others: Mapping[Key, CounterpartVerdict], unit: Key, enrolled: Collection[Key]
) -> CounterpartVerdict | None:
    """What the other collector says of a unit.

    Of one that it does not name, a boil of a unit of the cabin that is not enrolled here counts: that may be the
    same one by another name, which was changed at one of the two.

    Parameters
    ----------
    others : mapping
        By cabin and unit, whatever is not enrolled here among them.
    """
    named = others.get(unit)
    strangers = [(key, one) for key, one in sorted(others.items())
                 if key[0] == unit[0] and key not in enrolled and one.verdict is Word.BOIL]
    if named is not None or not strangers:
        return named
    key, one = strangers[0]
    return replace(
        one, reason=f"of a unit that it calls {key[1]!r}, which is not enrolled here. {one.reason}".strip())


def worse_of(own: Verdict, other: CounterpartVerdict | None, now: datetime) -> Verdict:
    """The verdict that is shown: one's own, unless the other collector's is worse and holds.

    Parameters
    ----------
    own : Verdict
        By what this collector hears.
    other : CounterpartVerdict or None
        None: no other judges this unit, or nothing was heard of it.
    now : datetime
        Aware.
    """
    if other is None or not other.holds(now) or not is_worse(other.verdict, own.verdict):
        return own
    who = other.place.collector
    told = f"{who[0].upper()}{who[1:]} says {other.verdict}"
    if now - other.at > HOLDS_FOR:
        told += ", and has not been heard since: it holds until that collector says otherwise"
    reason = f"{told}: {other.reason}" if other.reason else f"{told}."
    return replace(
        own, verdict=other.verdict, since=other.since, reasons=(reason, *own.reasons),
        next_action=other.next_action or own.next_action, works=own.works | other.works)
