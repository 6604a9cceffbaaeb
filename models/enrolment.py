"""What the registry does not say of a unit, what that costs in certainty, and what would close it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass

from models.fleet import COVERED_CADENCES, Fleet, JudgingPolicy, Role, Total, Unit

MUCH_UNSEEN_S = 60.0  # what can pass unseen in more than this is worth closing; common practice, no source

Key = tuple[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """What a unit sends, by its readings of late; all False where nothing was heard."""

    total: bool = False
    lamp_hours: bool = False
    flow: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Lacking:
    """Something that is not known of units, and what that costs."""

    what: str
    cost: str
    units: tuple[Key, ...]


def has_health_authority(fleet: Fleet) -> bool:
    """Whether owners would know which authority to call."""
    return any(one.role is Role.HEALTH_AUTHORITY for one in fleet.contacts)


def two_ends_s(unit: Unit, policy: JudgingPolicy) -> float:
    """The longest time that two lit readings alone cover. [s]"""
    return min(COVERED_CADENCES * unit.cadence_s, policy.two_ends_s)


def not_enrolled(fleet: Fleet, sent: Mapping[Key, Sent]) -> tuple[Lacking, ...]:
    """What units do not have enrolled, one item a kind.

    Parameters
    ----------
    sent : mapping
        What each unit that was heard of late sends; a unit without a total or a counter needs nothing said of it.
    """
    kinds: tuple[tuple[str, str, Callable[[Unit, Sent | None], bool]], ...] = (
        ("cold_plumbing_l", "a flush asks for the volume first: no litre ticks it, and no bleach is measured out",
         lambda unit, _: unit.cold_plumbing_l is None),
        ("hot_tank_l", "a hot tank may be there: its flush asks for the volume first (0 says that there is none)",
         lambda unit, _: unit.hot_tank_l is None),
        ("hot_max_c", "heating cannot be offered for the hot tank, which takes the least water of all ways",
         lambda unit, _: unit.hot_tank_l != 0 and unit.hot_max_c is None),
        ("hot_tank_heel_l", "a tenth of the hot tank counts as what draining leaves in it",
         lambda unit, _: bool(unit.hot_tank_l) and unit.hot_tank_heel_l is None),
        ("uvt_tested", "the water test counts as a quarter of a year old, until one is recorded",
         lambda unit, _: unit.uvt_tested is None),
        ("total", "counts as pulses that the logger counts itself: it says nothing of the time in which the logger "
         "was off, so a gap without a draw is not known to be dry",
         lambda unit, heard: unit.total is None and (heard is None or heard.total)),
        ("lamp_hours_step_h", "how finely the lamp's counter counts is not known, so that short dark times may not "
         "show in it",
         lambda unit, heard: unit.lamp_hours_step_h is None and (heard is None or heard.lamp_hours)),
        ("drawdown_l", "with the power off, the peak flow counts for the whole time in place of what the pressure "
         "tank gives",
         lambda unit, _: not unit.gravity_fed and unit.drawdown_l == 0),
        ("sends_every_s", "each reading counts as sent at once: a logger that sends in packs is silent between two",
         lambda unit, _: unit.sends_every_s is None),
    )
    out = []
    for what, cost, lacks in kinds:
        units = tuple(key for key, unit in _units(fleet) if lacks(unit, sent.get(key)))
        if units:
            out.append(Lacking(what=what, cost=cost, units=units))
    return tuple(out)


def unseen(fleet: Fleet, sent: Mapping[Key, Sent]) -> tuple[Lacking, ...]:
    """Units of which more than a minute between two readings can be dark and leave no trace.

    Only a counter of lamp hours shows such a time whatever the water did, if a step of it is no longer than the
    time; a total says at least how much water passed, and an event the moment of a change.

    Returns
    -------
    tuple of Lacking
        One item for each length of time and what would close it, longest first; `what` is the time in words.
    """
    found: dict[tuple[float, tuple[str, ...]], list[Key]] = {}
    for key, unit in _units(fleet):
        span_s = two_ends_s(unit, fleet.judging)
        closing = _closing(unit, sent.get(key, Sent()), span_s)
        if span_s > MUCH_UNSEEN_S and closing:
            found.setdefault((span_s, closing), []).append(key)
    return tuple(
        Lacking(what=f"up to {span_s:g} s between two readings can be dark unseen",
                cost=f"would close it: {'; or '.join(closing)}", units=tuple(units))
        for (span_s, closing), units in sorted(found.items(), key=lambda item: -item[0][0]))


def unwatched_valves(fleet: Fleet, sent: Mapping[Key, Sent]) -> tuple[Lacking, ...]:
    """Units with a shut-off valve that were heard of late and send nothing which would show that it leaks."""
    units = tuple(
        key for key, unit in _units(fleet)
        if unit.shutoff is not None and key in sent and not (sent[key].total or sent[key].flow))
    return (Lacking(
        what="shut-off valve", units=units,
        cost="neither a total nor a flow is sent, so that a valve that does not close would not be seen: the most "
        "that can have passed counts, as without a valve"),) if units else ()


def _closing(unit: Unit, sent: Sent, span_s: float) -> tuple[str, ...]:
    """What would show a dark time of this length; empty where something does already."""
    step_h = unit.lamp_hours_step_h
    if sent.lamp_hours and step_h is not None and step_h * 3600.0 <= span_s:
        return ()
    counter = "the lamp's hour counter" if not sent.lamp_hours else (
        "the step of its lamp counter (lamp_hours_step_h)" if step_h is None else "a lamp counter of finer steps")
    out = [f"{counter}, of at most {span_s / 3600.0:.3f} h a step"]
    if not sent.total:
        out.append("a running total, which says how much water passed")
    elif unit.total is not Total.METER:
        out.append("a total kept by the meter")
    out.append("readings sent at the moment that power or lamp change")
    return tuple(out)


def _units(fleet: Fleet) -> Iterator[tuple[Key, Unit]]:
    for cabin in fleet.cabins:
        for unit in cabin.units:
            yield (cabin.slug, unit.slug), unit


def in_words(units: Iterable[Key], most: int = 5) -> str:
    """Units in words: the first few by name, and how many more."""
    names = ["/".join(key) for key in units]
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more
