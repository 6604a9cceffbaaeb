"""What an open advisory asks of people on site: visits in their order, with tasks, minutes and parts.

Chlorine has to stand, so its rinse is a visit of its own on a later day; a second sample is another. Minutes go by
one open tap, litres by `models.advisory.cleaning`: a crew that opens more taps is done sooner. Whoever is there may
do the same work: the plan follows the record.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta

from models.advisory import Advisory, Cause, How, Step
from models.advisory.chlorination import CONTACT_MIN_H, DOSE_MG_L, STRENGTHS_PCT, bleach_ml
from models.advisory.cleaning import Cleaning, cleaning_of
from models.advisory.events import times_words
from models.advisory.when_over import HEATS_UP, one_tap_l_min
from models.fleet import Cabin, Unit

# Common practice, no source, all of these. [min]
NOTICE_MIN, LAMP_MIN, SAMPLE_MIN, DOSING_MIN = 5.0, 15.0, 15.0, 60.0
NOT_ENROLLED_MIN = 120.0  # a flush of plumbing of which nobody enrolled how much it holds
SAMPLE_KIT, LAMP, NOTICE = "sample kit", "lamp", "boil notice"
BY_THEMSELVES = {Step.POWER_STABLE, Step.LAMP_LIT, Step.DOSE_BACK, Step.NOTICE_REMOVED}  # the sensors see these
BLEACH = f"bleach, litre of {STRENGTHS_PCT[0]:g} %"


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteVisit:
    """One visit of the advisory's work.

    Attributes
    ----------
    tasks : tuple of str
        In the order of work; their cautions are `work_cautions.works_of_tasks`.
    parts : mapping
        Part to number.
    work_min : float
        [min]
    samples : bool
        It ends with a sample that has to reach the laboratory.
    after : timedelta
        At least since the end of the visit before.
    """

    tasks: tuple[str, ...]
    parts: Mapping[str, int] = field(default_factory=dict)
    work_min: float
    samples: bool = False
    after: timedelta = timedelta(0)


@dataclass(frozen=True, slots=True)
class _Work:
    """One task of a visit."""

    task: str
    minutes: float
    part: str = ""
    number: int = 1


def site_visits(advisory: Advisory, *, unit: Unit, cabin: Cabin) -> tuple[SiteVisit, ...]:
    """The visits that an open advisory still asks for, in their order.

    Parameters
    ----------
    advisory : Advisory
        With what the sensors say now.
    unit, cabin : Unit, Cabin
        Plumbing and supply.

    Raises
    ------
    ValueError
        If the advisory is lifted.
    """
    if advisory.lifted is not None:
        raise ValueError(f"advisory is lifted since {advisory.lifted.at}: it asks for nothing")
    left = advisory.open_steps
    if set(left) <= {Step.NOTICE_REMOVED}:
        return (_visit([_Work("take the boil notice down, once a named person lifted the advisory", NOTICE_MIN)]),)
    if set(left) <= BY_THEMSELVES and advisory.cause is not Cause.LAMP_FAILURE:
        return ()
    asked, tap_l_min = cleaning_of(advisory, unit, cabin), one_tap_l_min(unit, cabin)
    hangs = _Work("see that the boil notice hangs at every tap", NOTICE_MIN, NOTICE)
    here = [hangs, *_at_the_lamp(advisory, unit)]
    if Step.FLUSH_COLD in left:
        here.append(_Work("flush the cold pipes" + _litres(asked.cold_l), _minutes(asked.cold_l, tap_l_min)))
    if Step.FLUSH_HOT in left:
        here.append(_hot(asked, tap_l_min))
    out: list[SiteVisit] = []
    if Step.DISINFECT in left:
        out.append(_visit([*here, _chlorine(unit)]))
        loop = asked.way(How.CHLORINATED)
        rinse_l = asked.cold_l if loop is None else loop.litres
        here = [_Work("rinse the chlorine out" + _litres(rinse_l), _minutes(rinse_l, tap_l_min))]
    wait = timedelta(hours=CONTACT_MIN_H) if out else timedelta(0)
    if Step.SAMPLE_1 in left:
        here.append(_Work("take the first sample", SAMPLE_MIN, SAMPLE_KIT))
        out.append(_visit(here, samples=True, after=wait))
        here, wait = [], timedelta(hours=advisory.sample_gap_h)
    if Step.SAMPLE_2 in left:
        here.append(_Work("take the second sample", SAMPLE_MIN, SAMPLE_KIT))
        out.append(_visit(here, samples=True, after=wait))
        here = []
    if here:
        out.append(_visit(here, after=wait))
    return tuple(out)


def _visit(works: list[_Work], *, samples: bool = False, after: timedelta = timedelta(0)) -> SiteVisit:
    parts: dict[str, int] = {}
    for one in works:
        if one.part:
            parts[one.part] = parts.get(one.part, 0) + one.number
    return SiteVisit(
        tasks=tuple(one.task for one in works), parts=parts, work_min=sum(one.minutes for one in works),
        samples=samples, after=after)


def _at_the_lamp(advisory: Advisory, unit: Unit) -> list[_Work]:
    """Whoever comes looks whether it burns; a lamp that failed by itself may have to go."""
    if Step.LAMP_LIT not in advisory.open_steps:
        return []
    looks = _Work("see whether the lamp is lit", LAMP_MIN)
    if advisory.cause is not Cause.LAMP_FAILURE:
        return [looks]
    return [looks, _Work("swap lamp if it stays dark", 2 * LAMP_MIN, f"{LAMP} {unit.reactor}")]


def _hot(asked: Cleaning, tap_l_min: float) -> _Work:
    """The way that keeps people there for the shortest time."""
    ways = [one for one in asked.ways if not one.why_not and one.how is not How.CHLORINATED]
    if asked.hot_l is None or not ways:
        return _Work("clean the hot tank" + _litres(asked.hot_l), _minutes(asked.hot_l, tap_l_min))

    def minutes(litres: float, hold_min: float | None, heated: bool) -> float:
        return litres / tap_l_min + (hold_min or 0.0) + (HEATS_UP / timedelta(minutes=1) if heated else 0.0)

    took, way = min(
        ((minutes(one.litres, one.hold_min, one.how is How.HEATED), one) for one in ways), key=lambda one: one[0])
    match way.how:
        case How.DRAINED:
            task = f"drain and refill the hot tank {times_words(way.times or 0)}"
        case How.HEATED:
            task = "heat the hot tank and hold it"
        case _:
            task = "flush the hot tank"
    return _Work(task + _litres(way.litres), math.ceil(took))


def _chlorine(unit: Unit) -> _Work:
    """Pipes and tank filled once; a volume that nobody enrolled takes a litre of bleach along at least."""
    water_l = (unit.cold_plumbing_l or 0.0) + (unit.hot_tank_l or 0.0)
    bleach_l = bleach_ml(water_l=water_l, dose_mg_l=DOSE_MG_L, strength_pct=STRENGTHS_PCT[0]) / 1000.0
    return _Work("disinfect with chlorine, let it stand", DOSING_MIN, BLEACH, max(1, math.ceil(bleach_l)))


def _litres(litres: float | None) -> str:
    if litres is None:
        return " (how much they hold is not enrolled)"
    return f", {litres:g} L" if litres else ""


def _minutes(litres: float | None, flow_l_min: float) -> float:
    return NOT_ENROLLED_MIN if litres is None else float(math.ceil(litres / flow_l_min))
