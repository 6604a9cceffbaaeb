"""What a laboratory found in a sample of water, and what that means for whoever drinks it.

Escherichia coli and total coliforms, each as a count per 100 mL, as a word where the plate could not be counted, or
not tested. The local health authority's own reading goes before this one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum


class Uncounted(StrEnum):
    """A plate that gave no count."""

    ESTIMATED = "est"
    OVERGROWN = "overgrown"


Count = float | Uncounted | None  # per 100 mL; None: not tested
WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")  # in the order of `datetime.weekday`
E_COLI_RAISES_AT, COLIFORMS_RAISE_AT = 1.0, 6.0  # per 100 mL; sources: `LaboratoryPolicy`
NAMES = {"e_coli": "E. coli", "total_coliforms": "total coliforms"}
# From tap to laboratory; no cabin of these lies nearer, and no laboratory takes what is older. Common practice, no
# source. [h]
LEAST_WAY_H, MOST_WAY_H = 1.0, 72.0
_SPELLED = {"est": Uncounted.ESTIMATED, "overgrown": Uncounted.OVERGROWN, "o/g": Uncounted.OVERGROWN}


class Outcome(StrEnum):
    """What a result means; from best to worst."""

    SATISFACTORY = "satisfactory"  # none of either was found
    INCOMPLETE = "incomplete"  # nothing bad was found, but total coliforms were not tested
    SAMPLE_AGAIN = "sample-again"  # a few coliforms: another sample is asked for
    UNSATISFACTORY = "unsatisfactory"  # unsafe unless boiled


def read_count(name: str, value: object) -> Count:
    """A count as a person or a report writes it.

    Parameters
    ----------
    name : str
        What is counted, for the message.
    value : object
        A number, `est`, `overgrown` (also `o/g`), or None or an empty text where it was not tested.

    Raises
    ------
    ValueError
        If it is none of these; the message says what is allowed.
    """
    words = "" if value is None else str(value).strip().lower()
    if not words:
        return None
    if words in _SPELLED:
        return _SPELLED[words]
    try:
        number = math.nan if isinstance(value, bool) else float(words)
    except ValueError:
        number = math.nan
    if not 0 <= number < math.inf:
        raise ValueError(
            f"{name} must be a count per 100 mL of at least 0, 'est' or 'overgrown' (a report's '<1' is 0, its "
            f"'>80' is 80); got {value!r}")
    return number


@dataclass(frozen=True, slots=True, kw_only=True)
class LaboratoryResult:
    """What was found. [per 100 mL]

    Attributes
    ----------
    e_coli, total_coliforms : float, Uncounted or None
        None: not tested.
    told : Outcome or None
        What the laboratory said in words alone, satisfactory or not, where it gave no count.
    """

    e_coli: Count = None
    total_coliforms: Count = None
    told: Outcome | None = None

    def __post_init__(self) -> None:
        for name in NAMES:
            object.__setattr__(self, name, read_count(name, getattr(self, name)))
        if self.counted == (self.told is not None):
            raise ValueError(
                "a result is either counts (e_coli, total_coliforms) or satisfactory or not in words: give one of "
                f"the two; got {self}")
        if self.told not in (None, Outcome.SATISFACTORY, Outcome.UNSATISFACTORY):
            raise ValueError(f"told must be satisfactory or unsatisfactory; got {self.told!r}")

    @property
    def counted(self) -> bool:
        """Whether the laboratory gave a count, or a plate that had none."""
        return self.e_coli is not None or self.total_coliforms is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class LaboratoryPolicy:
    """From which counts on a result is unsafe, and when the laboratory takes samples. One per fleet.

    A fleet's own counts may be stricter, never looser.

    ======================================================  ================================================
    result, per 100 mL                                      means, by default
    ======================================================  ================================================
    E. coli 1 or more                                       unsatisfactory: boil
    total coliforms 6 or more                               unsatisfactory: boil
    either estimated or overgrown                           unsatisfactory: boil
    total coliforms above 0 and below 6                     a second sample is asked for
    0 of both, or total coliforms 0 (E. coli are of them)   satisfactory
    E. coli 0, total coliforms not tested                   incomplete: it shows too little to count
    ======================================================  ================================================

    Attributes
    ----------
    e_coli_raises_at, total_coliforms_raises_at : float
        Counts from which on the water is unsafe unless boiled. [per 100 mL]
    laboratory_days : tuple of str
        Days of the week on which the laboratory takes samples; from Monday to Friday is common practice, no source.
    laboratory_hours : float
        How long a sample may travel until the laboratory begins with it: a day is common practice, no source. [h]

    References
    ----------
    .. [1] Leeds, Grenville and Lanark District Health Unit (Ontario), private well results: total coliforms 6 or
       more, E. coli 1 or more, "est" or "o/g" unsafe unless boiled (SOURCES.md section 14, seen).
    .. [2] Durham Region Health Department (Ontario): 0 and 0 safe, 1 to 5 coliforms evidence of contamination,
       look further (SOURCES.md section 14, seen).
    """

    e_coli_raises_at: float = E_COLI_RAISES_AT
    total_coliforms_raises_at: float = COLIFORMS_RAISE_AT
    laboratory_days: tuple[str, ...] = WEEKDAYS[:5]
    laboratory_hours: float = 24.0

    def __post_init__(self) -> None:
        days = tuple(self.laboratory_days)
        if not days or any(one not in WEEKDAYS for one in days):
            raise ValueError(
                f"laboratory_days must be a list of at least one of {', '.join(WEEKDAYS)}; got {list(days)!r}")
        object.__setattr__(self, "laboratory_days", tuple(one for one in WEEKDAYS if one in days))
        hours = self.laboratory_hours
        if isinstance(hours, bool) or not isinstance(hours, (int, float)) or not LEAST_WAY_H < hours <= MOST_WAY_H:
            raise ValueError(
                f"laboratory_hours must be above {LEAST_WAY_H:g} and at most {MOST_WAY_H:g} h, in which a sample "
                f"reaches the laboratory; got {hours!r}")
        bounds = {"e_coli_raises_at": E_COLI_RAISES_AT, "total_coliforms_raises_at": COLIFORMS_RAISE_AT}
        for name, most in bounds.items():
            value = getattr(self, name)
            if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 < value <= most:
                raise ValueError(
                    f"{name} must be a number above 0 and at most {most:g} per 100 mL (a fleet may be stricter, "
                    f"not looser); got {value!r}")

    def outcome(self, result: LaboratoryResult) -> Outcome:
        """What a result means. What was not tested, or is no count, is never taken for 0."""
        if result.told is not None:
            return result.told
        found = (
            (result.e_coli, self.e_coli_raises_at), (result.total_coliforms, self.total_coliforms_raises_at))
        if any(isinstance(count, Uncounted) or (count is not None and count >= most) for count, most in found):
            return Outcome.UNSATISFACTORY
        if any(count for count, _ in found):
            return Outcome.SAMPLE_AGAIN
        return Outcome.INCOMPLETE if result.total_coliforms is None else Outcome.SATISFACTORY


def count_words(count: Count) -> str:
    """One count as people read it."""
    match count:
        case None:
            return "not tested"
        case Uncounted.ESTIMATED:
            return "only estimated"
        case Uncounted.OVERGROWN:
            return "overgrown"
    return f"{count:g}"


def found_words(result: LaboratoryResult) -> str:
    """What was found, in half a sentence."""
    if result.told is not None:
        return "no count given"
    counts = {name: getattr(result, name) for name in NAMES}
    said = ", ".join(f"{NAMES[name]} {count_words(count)}" for name, count in counts.items())
    return f"{said} per 100 mL" if any(isinstance(one, float) for one in counts.values()) else said


def meaning(result: LaboratoryResult, policy: LaboratoryPolicy) -> str:
    """What a result means, in plain words with the numbers that it goes by."""
    said = found_words(result)
    match policy.outcome(result):
        case Outcome.SATISFACTORY:
            return f"Satisfactory: {said}."
        case Outcome.INCOMPLETE:
            return f"Incomplete: {said}. Have total coliforms tested too; until then it counts for nothing."
        case Outcome.SAMPLE_AGAIN:
            return (
                f"Sample again: {said}. From {policy.total_coliforms_raises_at:g} total coliforms on the water is "
                "unsafe; fewer say that something gets into it. Have a second sample tested.")
    if result.told is not None:
        return "Not satisfactory: unsafe to drink unboiled."
    return f"Not satisfactory, unsafe to drink unboiled: {said}. {_why(result, policy)}"


def _why(result: LaboratoryResult, policy: LaboratoryPolicy) -> str:
    """On what an unsatisfactory result rests."""
    e_coli, coliforms = result.e_coli, result.total_coliforms
    if isinstance(e_coli, float) and e_coli >= policy.e_coli_raises_at:
        return f"E. coli of {policy.e_coli_raises_at:g} or more says that faeces have got into the water."
    if isinstance(coliforms, float) and coliforms >= policy.total_coliforms_raises_at:
        return f"The limit is below {policy.total_coliforms_raises_at:g} total coliforms."
    return "A plate that cannot be counted does not show that the water is safe."
