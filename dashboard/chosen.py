"""Which unit a page is about, as its address and the fleet have it; `dashboard.views.choice` shows and keeps it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from dashboard.text.verdicts import FACES, WORST_FIRST, listed
from ingest.queries import UnitStatus
from models.fleet import Cabin, Fleet
from models.verdict import Word

CABIN, UNIT = "cabin", "unit"  # names in the address
EVENT = "event"  # and of a shared event, on its own page alone
AT: Mapping[Word, str] = {Word.BOIL: "is at boil", Word.SILENT: "is silent"}  # those that need somebody
LONGEST_SHOWN = 63  # of a name that an address made up: no slug is longer

Key = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Asked:
    """What an address names; "" where it names none."""

    cabin: str = ""
    unit: str = ""

    @classmethod
    def of(cls, parameters: Mapping[str, str]) -> Asked:
        """What the parameters of an address name."""
        return cls(parameters.get(CABIN, ""), parameters.get(UNIT, ""))

    @property
    def parameters(self) -> dict[str, str]:
        """The parameters of an address that names the same."""
        return {name: value for name, value in ((CABIN, self.cabin), (UNIT, self.unit)) if value}


def addressed(asked: Asked, fleet: Fleet, worst_first: Iterable[UnitStatus]) -> Key | None:
    """The unit that an address leads to.

    Parameters
    ----------
    asked : Asked
        What it names.
    fleet : Fleet
        What is enrolled.
    worst_first : iterable of UnitStatus
        Verdicts in the order of `ingest.queries.worst_first`.

    Returns
    -------
    (cabin, unit) or None
        The unit that it names; where it names only a cabin, that cabin's worst unit, and where it names nothing,
        the worst of all. None where what it names is not enrolled: another's page would be taken for its own.
    """
    keys = [(one.slug, unit.slug) for one in fleet.cabins for unit in one.units]
    if asked.unit:
        wanted = (asked.cabin, asked.unit)
        return wanted if wanted in keys else None
    judged = [(one.cabin.slug, one.unit.slug) for one in worst_first]
    # what was enrolled a moment ago has no verdict yet
    return next((key for key in (*judged, *keys) if key in keys and asked.cabin in ("", key[0])), None)


def unknown_words(asked: Asked, fleet: Fleet) -> str:
    """What is wrong with an address that names nothing enrolled."""
    cabin, unit = asked.cabin[:LONGEST_SHOWN], asked.unit[:LONGEST_SHOWN]
    if not cabin:
        return f"The address names a unit {unit!r} and no cabin"
    if not any(one.slug == asked.cabin for one in fleet.cabins):
        return f"No cabin {cabin!r} is enrolled"
    return f"Cabin {cabin!r} has no unit {unit!r}" if unit else f"Cabin {cabin!r} has no unit yet"


def full_name(cabin: Cabin, unit: str) -> str:
    """Whose form it is: always both names, so that a form of one unit is never taken for another's."""
    return f"{cabin.name}, {unit}"


def worse_words(here: UnitStatus, of_cabin: Iterable[UnitStatus]) -> str:
    """Which other units of the cabin stand worse and need somebody; nothing where none does."""
    rank = WORST_FIRST.index
    worse = [f"{one.unit.slug} {AT[one.verdict.verdict]}" for one in of_cabin
             if one.verdict.verdict in AT and rank(one.verdict.verdict) < rank(here.verdict.verdict)]
    return f"This page is about {here.unit.slug} only. In the same cabin {listed(worse)}." if worse else ""


def unit_label(word: Word, unit: str) -> str:
    """A unit in a row of a cabin's units."""
    return f"{FACES[word].shape} {FACES[word].word}: {unit}"
