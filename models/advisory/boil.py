"""How long to boil water at an altitude, by whose rule, and what boiling does not do.

Agencies differ. The default takes, at a cabin's altitude, the longest of the rules listed here and names whose it
is; a fleet may follow one authority instead. The local health authority goes before any of them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from models.wording import Wording, worded

_COMPARISON = (
    "Dorris, Miko, Kunz, Hill: Variance Among Public Health Agencies' Boil Water Guidance, "
    "Emerging Infectious Diseases 31(8), 2025, Table"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class BoilRule:
    """One authority's rule: minutes at a rolling boil, and more from an altitude on.

    Attributes
    ----------
    authority : str
        Whose rule.
    minutes : float
        At a rolling boil; 0: reaching it is enough. [min]
    high_minutes : float
        At or above `high_m`. [min]
    high_m : float
        Altitude from which `high_minutes` holds, the altitude itself included although most rules say "above": the
        longer time is the safe reading. inf: no such rule. [m]
    source : str
        Where it stands.
    """

    authority: str
    minutes: float
    high_minutes: float
    high_m: float
    source: str

    def __post_init__(self) -> None:
        if not self.authority.strip():
            raise ValueError("authority must say whose rule it is; got an empty text")
        for name in ("minutes", "high_minutes"):
            value = getattr(self, name)
            if not 0 <= value < math.inf:
                raise ValueError(f"{name} must be a finite number, at least 0; got {value!r}")
        if self.high_minutes < self.minutes:
            raise ValueError(f"high_minutes must be at least minutes ({self.minutes:g}); got {self.high_minutes!r}")
        if math.isnan(self.high_m):
            raise ValueError("high_m must be an altitude in metres, or inf; got nan")

    def at(self, altitude_m: float) -> float:
        """Minutes at this altitude. [min]"""
        return self.high_minutes if altitude_m >= self.high_m else self.minutes


# SOURCES.md section 6; the comparison's figures seen, its title and place seen.
EPA = BoilRule(
    authority="US Environmental Protection Agency", minutes=1, high_minutes=3, high_m=1524,
    source=f"{_COMPARISON} (5,000 ft)",
)
CDC = BoilRule(
    authority="US Centers for Disease Control and Prevention", minutes=1, high_minutes=3, high_m=1981,
    source=f"{_COMPARISON} (6,500 ft)",
)
HEALTH_CANADA = BoilRule(
    authority="Health Canada", minutes=1, high_minutes=2, high_m=2000, source=f"{_COMPARISON} (6,562 ft)"
)
WHO = BoilRule(
    authority="World Health Organization", minutes=0, high_minutes=0, high_m=math.inf,
    source="WHO/FWC/WSH/15.02, 2015: reach a rolling boil, then cool, at any altitude",
)
RULES = (EPA, CDC, HEALTH_CANADA, WHO)

CAUTIONS = (
    worded(
        "Boiling does not remove chemicals (fuel, pesticides, metals): if the water looks, smells or tastes "
        "unusual, or chemicals may have got in, use bottled water."),
    worded(
        "Boiling makes nitrate stronger: for babies and during pregnancy use bottled water unless a laboratory "
        "found little nitrate."),
    worded("Boiled water keeps no protection: cool it covered, in clean containers with a lid."),
    worded("Water that boils can scald: keep children away from it."),
)
ALTERNATIVES = (
    worded("Bottled water, or water brought from a supply that is known to be safe."),
    worded(
        "If you can neither boil nor get bottled water: plain, unscented household bleach, 2 drops of 8.25 % bleach"
        " to a litre of clear water, twice that if it is cloudy, coloured or very cold; stir, and let it stand 30 "
        "minutes. Chlorine does not reliably kill Cryptosporidium, so boiling is better."),
)
USES = (
    worded(
        "Use boiled or bottled water to drink, to make ice, baby food and drinks, to brush teeth, to wash food that"
        " is eaten raw, and for pets."),
    worded("Throw away ice and drinks made since the notice began."),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class BoilAdvice:
    """What to tell at one altitude."""

    minutes: float  # at a rolling boil [min]
    authorities: tuple[str, ...]  # whose rule asks for it
    sources: tuple[str, ...]
    altitude_m: float | None  # None: not known
    words: Wording


def boil_advice(altitude_m: float | None, rules: Iterable[BoilRule] = RULES) -> BoilAdvice:
    """How long to boil at this altitude: the longest that any of the rules asks for.

    Parameters
    ----------
    altitude_m : float or None
        Of the cabin. None or NaN: not known, which takes the time of the highest place. [m]
    rules : iterable of BoilRule
        Those that count; one alone to follow a single authority.

    Raises
    ------
    ValueError
        If no rule is given.
    """
    rules = tuple(rules)
    if not rules:
        raise ValueError("rules must hold at least one BoilRule; got none")
    known = altitude_m is not None and not math.isnan(altitude_m)
    here = altitude_m if known and altitude_m is not None else math.inf
    minutes = max(rule.at(here) if known else rule.high_minutes for rule in rules)
    longest = [rule for rule in rules if (rule.at(here) if known else rule.high_minutes) == minutes]
    if minutes == 0:
        how = worded(
            "Bring the water to a rolling boil (large bubbles that stirring does not stop), then let it cool.")
    elif minutes == 1:
        how = worded(
            "Bring the water to a rolling boil (large bubbles that stirring does not stop), keep it boiling for "
            "1 minute, then let it cool.")
    else:
        how = worded(
            "Bring the water to a rolling boil (large bubbles that stirring does not stop), keep it boiling for "
            "{minutes:g} minutes, then let it cool.", minutes=minutes)
    return BoilAdvice(
        minutes=minutes, authorities=tuple(rule.authority for rule in longest),
        sources=tuple(rule.source for rule in longest), altitude_m=altitude_m if known else None, words=how,
    )
