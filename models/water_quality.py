"""What the water may carry before it reaches the lamp, and what a water test says of it.

Too much of these fouls the sleeve, hides germs from the light or takes the light away. Each limit names where it
comes from, and whether that was seen or is from memory (SOURCES.md, section 5). They are limits for the unit to
work, not for health: what is fit to drink is for the local health authority to say.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

L_PER_US_GALLON = 3.785411784  # exact: 231 cubic inches of 2.54 cm (NIST SP 811, B.8; from memory)
MG_L_PER_GRAIN = 17.118  # hardness, 1 grain per US gallon in mg/L as calcium carbonate (SOURCES.md section 5)
_TRADE = "trade usage, not a standard"


class Mark(StrEnum):
    """How well a value is known to us."""

    SEEN = "seen"
    MEMORY = "memory"
    ENROLLED = "enrolled"  # by whoever wrote the registry, from a test report


class Side(StrEnum):
    """What the limit allows."""

    BELOW = "below"
    AT_MOST = "at most"
    AT_LEAST = "at least"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """One limit of one quantity. `name` carries the unit; `effect` and `remedy` are for people."""

    name: str
    title: str
    unit: str
    side: Side
    value: float
    source: str
    mark: Mark
    effect: str
    remedy: str

    def kept(self, value: float) -> bool:
        """Does a known value keep it?"""
        match self.side:
            case Side.BELOW:
                return value < self.value
            case Side.AT_MOST:
                return value <= self.value
            case Side.AT_LEAST:
                return value >= self.value


_SOFTEN = "Have a softener fitted or checked."
_IRON = "Have an iron filter fitted or checked."
_CLEAR = "Change the sediment filter; test again after calm weather."

LIMITS: tuple[Limit, ...] = (
    Limit(
        name="hardness_mg_l", title="Hardness", unit="mg/L as CaCO3", side=Side.BELOW, value=120.0,
        source=f"7 grains per US gallon, about 120 mg/L: {_TRADE} (S28)", mark=Mark.SEEN,
        effect="leaves scale on the sleeve", remedy=_SOFTEN,
    ),
    Limit(
        name="iron_mg_l", title="Iron", unit="mg/L", side=Side.BELOW, value=0.3,
        source=f"40 CFR 143.3 (S27); {_TRADE} (S28)", mark=Mark.SEEN,
        effect="stains the sleeve and takes light away", remedy=_IRON,
    ),
    Limit(
        name="manganese_mg_l", title="Manganese", unit="mg/L", side=Side.BELOW, value=0.05,
        source=f"40 CFR 143.3 (S27); {_TRADE} (S28)", mark=Mark.SEEN,
        effect="stains the sleeve", remedy=_IRON,
    ),
    Limit(
        name="turbidity_ntu", title="Turbidity", unit="NTU", side=Side.BELOW, value=1.0,
        source=f"{_TRADE} (S28)", mark=Mark.SEEN,
        effect="hides germs from the light", remedy=_CLEAR,
    ),
    Limit(
        name="ph", title="pH", unit="", side=Side.AT_LEAST, value=6.5,
        source=f"40 CFR 143.3 (S27); {_TRADE} (S28)", mark=Mark.SEEN,
        effect="is acid and eats metal", remedy="Ask a water treatment firm about raising it.",
    ),
    Limit(
        name="ph", title="pH", unit="", side=Side.AT_MOST, value=8.5,
        source="40 CFR 143.3 (S27); trade usage allows up to 9.5 (S28), the narrower counts", mark=Mark.SEEN,
        effect="helps scale to form on the sleeve", remedy="Ask a water treatment firm about lowering it.",
    ),
    Limit(
        name="tannin_mg_l", title="Tannin", unit="mg/L", side=Side.BELOW, value=0.1,
        source=_TRADE, mark=Mark.MEMORY,
        effect="colours the water and takes light away", remedy="Ask a water treatment firm about a tannin filter.",
    ),
    Limit(
        name="uvt_pct", title="Transmittance of 1 cm", unit="%", side=Side.AT_LEAST, value=75.0,
        source=_TRADE, mark=Mark.MEMORY,
        effect="leaves too little light for the far side of the chamber",
        remedy="Find what takes the light: iron, tannin or cloudiness.",
    ),
)
TURBIDITY_NEVER_NTU = 5.0  # above it no unit can be trusted: trade usage, from memory


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterTest:
    """Figures of one sample, taken before the unit; None (NaN is taken too): not measured."""

    hardness_mg_l: float | None = None
    iron_mg_l: float | None = None
    manganese_mg_l: float | None = None
    turbidity_ntu: float | None = None
    ph: float | None = None
    tannin_mg_l: float | None = None
    uvt_pct: float | None = None

    def __post_init__(self) -> None:
        most = {"ph": 14.0, "uvt_pct": 100.0}
        for name in FEED_QUANTITIES:
            value = getattr(self, name)
            if value is None:
                continue
            if math.isnan(value):
                object.__setattr__(self, name, None)
            elif not 0 <= value <= most.get(name, math.inf) or math.isinf(value):
                high = f" and at most {most[name]:g}" if name in most else ""
                raise ValueError(f"{name} must be a finite number, at least 0{high}; got {value!r}")


FEED_QUANTITIES = tuple(dict.fromkeys(limit.name for limit in LIMITS))


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterFinding:
    """One limit and what a test says of it. `kept` is None where nobody measured it; `words` are empty if kept."""

    limit: Limit
    value: float | None
    kept: bool | None
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterFindings:
    """What a test says of each limit, what was not measured, and all of it in words."""

    each: tuple[WaterFinding, ...]
    not_measured: tuple[str, ...]  # column names
    words: tuple[str, ...]

    @property
    def over(self) -> tuple[WaterFinding, ...]:
        """The limits that are not kept."""
        return tuple(one for one in self.each if one.kept is False)

    @property
    def suits(self) -> bool | None:
        """Does the water suit the unit? None while something was not measured and nothing is over."""
        if self.over:
            return False
        return None if self.not_measured else True


def hardness_mg_l(grains_per_us_gallon: float) -> float:
    """Hardness as calcium carbonate. [mg/L]"""
    return MG_L_PER_GRAIN * grains_per_us_gallon


def water_findings(test: WaterTest, limits: Iterable[Limit] = LIMITS) -> WaterFindings:
    """Hold a water test against the limits of the feed water.

    Parameters
    ----------
    test : WaterTest
        Of the water before the unit.
    limits : iterable of Limit
        Those that count; by default all of `LIMITS`.
    """
    each = tuple(_finding(limit, getattr(test, limit.name)) for limit in limits)
    missing = {one.limit.name: one.limit.title for one in each if one.kept is None}
    words = [one.words for one in each if one.kept is False]
    if test.turbidity_ntu is not None and test.turbidity_ntu > TURBIDITY_NEVER_NTU:
        never = f"Turbidity is above {TURBIDITY_NEVER_NTU:g} NTU: ultraviolet light cannot be relied on there. "
        words.insert(0, f"{never}Boil the water or use bottled water, and ask the local health authority.")
    if missing:
        words.append(
            f"Not measured: {', '.join(missing.values())}. Without them nobody can say that the water suits."
        )
    if not words:
        words.append(
            "The water keeps every limit for the unit. Whether it is fit to drink is for a laboratory and the "
            "local health authority to say."
        )
    return WaterFindings(each=each, not_measured=tuple(missing), words=tuple(words))


def _finding(limit: Limit, value: float | None) -> WaterFinding:
    """One limit against one value."""
    if value is None:
        return WaterFinding(limit=limit, value=None, kept=None, words="not known: nobody measured it")
    kept = limit.kept(value)
    return WaterFinding(limit=limit, value=value, kept=kept, words="" if kept else _words(limit, value))


def meant_uvt_pct(value: float) -> float | None:
    """What a transmittance of 0 to 1 was likely meant as: a ratio, so 100 times as many per cent; None: no doubt.

    Laboratories and SenML give a ratio, people per cent. Water of 1 % is all but ink, so it is asked about.
    """
    return round(100.0 * value, 6) if 0 < value <= 1 else None


def _words(limit: Limit, value: float) -> str:
    """What is wrong, what it does, what to do, and by whose limit."""
    unit = f" {limit.unit}" if limit.unit else ""
    from_memory = ", from memory" if limit.mark is Mark.MEMORY else ""
    return (
        f"{limit.title} is {value:g}{unit}, and should be {limit.side} {limit.value:g}{unit} "
        f"({limit.source}{from_memory}): it {limit.effect}. {limit.remedy}"
    )
