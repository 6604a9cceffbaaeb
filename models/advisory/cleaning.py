"""What it takes to clean the plumbing behind a unit, sized to the under-dosed water that may stand in it.

Cold pipes are run. A hot tank can be run, drained, heated or chlorinated: any one is enough, and what each asks for
comes from how much under-dosed water can have entered it and how bad that was. "Clean" means that no reference
organism is more than half a log short of the unit's target (`models.shortfall`). Every bound errs to more cleaning:
litres are the most that can have passed, the worst of it stands nearest, and it is met last.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from models.advisory.chlorination import CONTACT_H, DOSE_MG_L
from models.advisory.events import NO_CRYPTOSPORIDIUM, OF_PEOPLE, Exposure, How, StepRecorded, times_words
from models.advisory.pieces import LIT_KINDS, Piece
from models.advisory.plumbing import FLUSH_PECLET, Plumbing, breakthrough, flush_cold_l
from models.advisory.state_machine import Advisory
from models.advisory.work_cautions import DRINKABLE_MG_L
from models.bisection import least_enough
from models.exposure.instants import Floats
from models.fleet import Cabin, Unit
from models.shortfall import Severity, marginal_from_mj_cm2, mean_surviving, reductions_log, times_over

# WHO/FWC/WSH/15.02, 2015: above 70 C viruses lose more than 5 log and Cryptosporidium its life in less than 1 min,
# and above 65 C bacteria a log in less than 1 min (SOURCES.md sections 6 and 14, seen).
HEAT_C = 70.0
# 6 log of bacteria take 6 min by the same source. Five times that for a tank whose water is not all equally hot:
# common practice, no source.
HEAT_MIN = 30.0
HEEL_SHARE = 0.1  # of a tank stays below its drain and in its bottom; common practice, no source
MOST_DRAINS = 8  # nobody drains a tank more often; common practice, no source
LEAST_SHARE_TOLD = 1e-6  # two logs beyond what any organism counts up to
MOST_PIPES = 30.0  # pipe volumes beyond which nothing of a front is left

HEAT_SOURCE = (
    "WHO/FWC/WSH/15.02, 2015 (seen): above 70 C viruses > 5 log and C. parvum in under 1 min, bacteria under 1 min "
    "a log; 30 min is common practice, no source")
DILUTION_SOURCE = "a stirred tank: what is left falls by e with each tank volume; models/SOURCES.md section 14"
DRAIN_SOURCE = "what stays in the tank, mixed into each refill; a heel of 10 % is common practice, no source"
CHLORINE_SOURCE = "models/SOURCES.md section 7: 50 to 100 mg/L for 6 h and more (seen), rinse to 4 mg/L (memory)"


@dataclass(frozen=True, slots=True, kw_only=True)
class UnderDosed:
    """Under-dosed water that may stand behind a unit, worst first.

    Attributes
    ----------
    parts : tuple of (dose_low_mj_cm2, litres)
        Rising in dose; litres are the most that can have passed, inf where that is not known. [mJ/cm2], [L]
    dose_target_mj_cm2 : float
        [mJ/cm2]
    """

    parts: tuple[tuple[float, float], ...]
    dose_target_mj_cm2: float

    @property
    def doses(self) -> tuple[float, ...]:
        """Lower bound of dose of each part. [mJ/cm2]"""
        return tuple(dose for dose, _ in self.parts)

    @property
    def clean(self) -> bool:
        """Whether the worst of it, undiluted, is no more short than what may be left."""
        return not self.parts or float(times_over(self.doses[:1], self.dose_target_mj_cm2).max()) <= 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """One way to clean the hot tank with its pipes.

    Attributes
    ----------
    how : How
        Its code.
    words : str
        What to do, in a sentence or two with the numbers.
    litres : int
        That run in all, with the rinse and the hot pipes. [L]
    minutes : float
        That these take at the flow of supply and well. [min]
    proof : str
        What a named person records for it to count.
    source : str
        Where its numbers come from, with marks.
    degrees_c, hold_min : float or None
        Of a tank that is heated. [C], [min]
    times : int or None
        Of one that is drained.
    why_not : str
        Why it is not possible here; empty where it is.
    """

    how: How
    words: str
    litres: int
    minutes: float
    proof: str
    source: str
    degrees_c: float | None = None
    hold_min: float | None = None
    times: int | None = None
    why_not: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cleaning:
    """What is to be drawn and done behind one unit.

    Attributes
    ----------
    cold_l, hot_l : int or None
        To run through the cold taps, and through the hot taps where the tank is flushed. 0: nothing has to be.
        None: what the plumbing holds is not enrolled. [L]
    ways : tuple of Way
        For the hot tank, the one that is offered first; empty where `hot_l` is 0 or None.
    """

    cold_l: int | None
    hot_l: int | None
    ways: tuple[Way, ...] = ()

    @property
    def offered(self) -> Way | None:
        """The way of fewest litres that is possible here and leaves no organism out."""
        return self.ways[0] if self.ways else None

    def way(self, how: str) -> Way | None:
        """The way of that code; None: it is not asked for."""
        return next((one for one in self.ways if one.how == (how or How.FLUSHED)), None)


def water_of(exposure: Exposure, dose_target_mj_cm2: float, *, unclean: bool = False) -> UnderDosed:
    """The water of an advisory's exposure.

    Parameters
    ----------
    exposure : Exposure
        Its pieces, or what is known of it in one.
    dose_target_mj_cm2 : float
        The unit's, where the exposure does not say its own. [mJ/cm2]
    unclean : bool
        A sample or a person says that the plumbing is not clean: then untreated water fills it.
    """
    target = exposure.dose_target_mj_cm2 or dose_target_mj_cm2
    if unclean or exposure.cause in OF_PEOPLE:
        return UnderDosed(parts=((0.0, math.inf),), dose_target_mj_cm2=target)
    if exposure.underdosed_l_upper is None:
        dose = exposure.dose_low_mj_cm2
        return UnderDosed(parts=((dose or 0.0, math.inf),), dose_target_mj_cm2=target)
    by_dose: dict[float, float] = {}
    for one in exposure.known_pieces:
        dose = _dose_of(one, target)
        litres = math.inf if math.isnan(one.underdosed_l_upper) else one.underdosed_l_upper
        if litres > 0:
            by_dose[dose] = by_dose.get(dose, 0.0) + litres
    return UnderDosed(parts=tuple(sorted(by_dose.items())), dose_target_mj_cm2=target)


def advisory_water(advisory: Advisory, unit: Unit) -> UnderDosed:
    """The water that an advisory is about; after a failed sample, untreated water that fills the plumbing.

    So too where a person raised it: water that the sensors find later only adds to what that person knew.
    """
    unclean = advisory.failed_at is not None or bool(advisory.raised_by)
    return water_of(advisory.exposure, unit.dose_target_mj_cm2, unclean=unclean)


def cleaning_of(advisory: Advisory, unit: Unit, cabin: Cabin | None = None) -> Cleaning:
    """What an advisory's water asks for behind its unit."""
    return cleaning(advisory_water(advisory, unit), unit, cabin)


def cleaning(water: UnderDosed, unit: Unit, cabin: Cabin | None = None) -> Cleaning:
    """What this water asks for behind this unit.

    Parameters
    ----------
    water : UnderDosed
        What may stand there.
    unit : Unit
        Its plumbing, heater and supply.
    cabin : Cabin, optional
        Its well and septic bed.

    Notes
    -----
    Cold pipes: litres until the share of under-dosed water at the tap is what `models.shortfall.share_allowed` lets
    be, by `plumbing.breakthrough` with `FLUSH_PECLET`; at least one pipe volume, since in plug flow a slug of any
    size comes out as it went in.

    Hot tank of T litres into which at most E can have entered, c = min(E, T) / T of it, with a share a allowed:

    ===========  =====================================================================================
    flushed      front + T ln(c / a) + hot pipes
    drained      n times, the least with h/T (h/T)^(n - 1) <= a, h being the heel (at most E of it bad)
    heated       the heel through the drain, and the hot pipes
    chlorinated  a filling of pipes and tank, then the rinse from the dose to 4 mg/L by the same formulas; no less
                 than flushed, since chlorine leaves Cryptosporidium
    ===========  =====================================================================================

    `front` is the cold flush's litres, until clean water reaches the tank. The hot pipes behind the tank are taken
    as much as the cold plumbing and flushed alike: common practice, no source. What stays in the heel counts as not
    mixed before the first draining, since cold water enters a tank at its bottom.
    """
    return _cleaning(
        water, unit.cold_plumbing_l, unit.hot_tank_l, unit.hot_tank_heel_l, unit.hot_max_c,
        min(unit.peak_flow_l_min, (cabin.well_l_min if cabin else None) or math.inf))


@lru_cache(maxsize=4096)  # asked at every look at an advisory, of the same few waters
def _cleaning(
    water: UnderDosed, cold_l: float | None, tank_l: float | None, heel_l: float | None, hot_max_c: float | None,
    flow_l_min: float,
) -> Cleaning:
    if water.clean:
        return Cleaning(cold_l=0, hot_l=0)
    if cold_l is None:
        return Cleaning(cold_l=None, hot_l=0 if tank_l == 0 else None)
    front_l = _front_l(water, cold_l)
    cold = _up(front_l)
    if tank_l is None:
        return Cleaning(cold_l=cold, hot_l=None)
    over = _times_over(water, tank_l, tank_l) if tank_l > 0 else 0.0
    if over <= 1:
        return Cleaning(cold_l=cold, hot_l=0)
    pipes_l = front_l
    hot = _up(front_l + tank_l * math.log(over) + pipes_l)
    heel = HEEL_SHARE * tank_l if heel_l is None else heel_l
    found = (
        _flushed(hot, flow_l_min), _drained(water, tank_l, heel, pipes_l, flow_l_min),
        _heated(heel, pipes_l, hot_max_c, flow_l_min), _chlorinated(cold_l, tank_l, hot, flow_l_min))
    ways = sorted(found, key=lambda one: (bool(one.why_not), one.how is How.CHLORINATED, one.litres))
    return Cleaning(cold_l=cold, hot_l=hot, ways=tuple(ways))


def too_little(record: StepRecorded, asked: Cleaning) -> str:
    """Why a tank that was drained, heated or chlorinated so is not clean yet; empty where it is, or was flushed.

    What runs through taps is for the meter to say.
    """
    if record.how in ("", How.FLUSHED) or asked.hot_l == 0:
        return ""
    way = asked.way(record.how)
    if way is None:
        return "first enrol how much there is to clean: cold_plumbing_l and hot_tank_l"
    if way.how is not How.HEATED and way.why_not:
        return way.why_not
    if record.times is not None and way.times is not None and record.times < way.times:
        return f"drained {times_words(record.times)}; this water asks for {times_words(way.times)}"
    if record.degrees_c is not None and record.degrees_c < HEAT_C:
        return f"{record.degrees_c:g} C at the hot tap; it takes {HEAT_C:g} C or more"
    if record.minutes is not None and record.minutes < HEAT_MIN:
        return f"{record.minutes:g} min; it takes {HEAT_MIN:g} min at {HEAT_C:g} C or more"
    return ""


def ways_words(ways: Sequence[Way]) -> str:
    """The way that is offered with its numbers, the other possible ones shortly."""
    possible = [one for one in ways if not one.why_not]
    first, rest = possible[:1], possible[1:]
    out = "".join(_short(one) for one in first)
    return out + (f" (or {'; or '.join(_short(one) for one in rest)})" if rest else "")


def _short(way: Way) -> str:
    water = f"{way.litres} L"
    match way.how:
        case How.DRAINED:
            return f"drain and refill the tank {times_words(way.times or 0)}, {water}"
        case How.HEATED:
            return f"heat the tank, {HEAT_C:g} C for {HEAT_MIN:g} min, then {water}"
        case How.CHLORINATED:
            return f"chlorinate it, {water} with the rinse"
    return f"run {water} hot, {math.ceil(way.minutes)} min"


def where_it_may_run(litres: float, cabin: Cabin | None, *, chlorinated: bool = False) -> str:
    """Whether a cabin's septic bed takes it, and what to do where it does not; empty where it does.

    Parameters
    ----------
    litres : float
        That run in all. [L]
    chlorinated : bool
        Whether there is chlorine in it.
    """
    limit = None if cabin is None else cabin.septic_l_day
    neutral = " Take the chlorine out of it first." if chlorinated else ""
    hose = (
        "lead it by a hose to ground that takes it, away from well, septic bed and buildings, never to a lake or "
        f"stream.{neutral} Local rules go first.")
    if chlorinated:
        return f"Chlorinated water harms a septic bed: {hose}"
    if limit is None or litres <= limit:
        return ""
    days = math.ceil(litres / limit)
    return (
        f"{litres:.0f} L is more than the septic bed takes in a day ({limit:g} L): spread it over {days} days, or "
        f"{hose}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """What is left at a cold tap of under-dosed water, at most."""

    share: float  # of the water at the tap, 0..1
    reduction_log: float  # of the organism that is furthest from what the target gives it
    asked_log: float  # what the target gives it

    @property
    def words(self) -> str:
        """In half a sentence; the share is rounded up, the logs down."""
        share = f"{_percent(self.share)} of it is left at the cold tap"
        if 1e-9 < self.asked_log - self.reduction_log < 0.1:  # rounded down it would never be told as reached
            return f"{share}, less than 0.1 log short of {self.asked_log:g}"
        logs = math.floor(self.reduction_log * 10 + 1e-9) / 10
        return f"{share}, {logs:g} log of {self.asked_log:g}"


def left_at_cold_tap(water: UnderDosed, cold_l: float, passed_l: float) -> Left:
    """The most that is left at the cold tap after dosed water of so many litres has passed the unit.

    Parameters
    ----------
    water : UnderDosed
        What had entered before.
    cold_l : float
        Of the pipes. [L]
    passed_l : float
        Since; below a pipe volume all of it may still come. [L]
    """
    target = water.dose_target_mj_cm2
    asked = reductions_log(target, target)[:, 0]
    shares = _at_tap(water, cold_l, passed_l) if passed_l >= cold_l else np.eye(1, len(water.parts))[0]
    share = float(shares.sum())
    parts = [*water.doses, target]
    left = -np.log10(mean_surviving(parts, [*shares, max(0.0, 1.0 - share)], target))
    worst = int(np.argmax(asked - left))
    return Left(share=share, reduction_log=float(left[worst]), asked_log=float(asked[worst]))


def _dose_of(piece: Piece, target: float) -> float:
    """The dose that a piece's water is reckoned with. [mJ/cm2]

    Dark and unheard water got none. Water that is worse than marginal for more than its dose (a unit out of
    what it was tested at) counts as just short by more than may be left.
    """
    if piece.dose_low_mj_cm2 is None or piece.kind not in LIT_KINDS:
        return 0.0
    if piece.severity in ("", Severity.MARGINAL):
        return piece.dose_low_mj_cm2
    return min(piece.dose_low_mj_cm2, float(np.nextafter(marginal_from_mj_cm2(target, 0.0), 0.0)))


# Parts ---------------------------------------------------------------------------------------------------------


def _times_over(water: UnderDosed, room_l: float, tank_l: float) -> float:
    """How many times over the allowed share a tank is, if the worst of the water fills `room_l` of it."""
    ends = np.minimum(np.cumsum([0.0, *(litres for _, litres in water.parts)]), room_l)
    over = times_over(water.doses, water.dose_target_mj_cm2) @ np.diff(ends)
    return float(over.max()) / tank_l


def _at_tap(water: UnderDosed, cold_l: float, passed_l: float) -> Floats:
    """Share of each part at the cold tap, if it stood nearest the unit with the worst at the very end."""
    ends = np.cumsum([0.0, *(litres for _, litres in water.parts)])
    ends = np.minimum(ends, MOST_PIPES * cold_l)
    front = breakthrough(passed_l + ends, Plumbing(cold_l=cold_l, peclet=FLUSH_PECLET))
    shares: Floats = np.maximum(np.diff(front), 0.0)
    return shares


def _front_l(water: UnderDosed, cold_l: float) -> float:
    """Litres until what comes out of the cold pipe is clean."""
    if cold_l == 0:
        return 0.0
    excess = times_over(water.doses, water.dose_target_mj_cm2)

    def clean(drawn_l: float) -> bool:
        return float((excess @ _at_tap(water, cold_l, drawn_l)).max()) <= 1.0

    most = cold_l
    while not clean(most):
        most *= 2
    return least_enough(clean, cold_l, most, within=1e-6)


def _flushed(litres: int, flow_l_min: float) -> Way:
    minutes = litres / flow_l_min
    return Way(
        how=How.FLUSHED, litres=litres, minutes=minutes, source=DILUTION_SOURCE,
        words=f"Run the hot taps, one after the other and fully open, until {litres} L have passed: about "
        f"{math.ceil(minutes)} min.",
        proof="from when to when the hot taps ran; the meter confirms the litres of that time")


def _drained(water: UnderDosed, tank_l: float, heel_l: float, pipes_l: float, flow_l_min: float) -> Way:
    over = _times_over(water, heel_l, tank_l)
    times = 1
    if over > 1:
        times += math.ceil(math.log(over) / math.log(tank_l / heel_l) - 1e-9) if heel_l < tank_l else MOST_DRAINS
    litres = _up(times * tank_l + pipes_l)
    return Way(
        how=How.DRAINED, litres=litres, minutes=litres / flow_l_min, times=times, source=DRAIN_SOURCE,
        words="Flush the cold pipes first. Heater off and cooled down, drain the hot tank and refill it, "
        f"{times_words(times)} ({times * tank_l:.0f} L). Then run every hot tap, {_up(pipes_l)} L in all.",
        proof="how many times it was drained and refilled, and when that was done",
        why_not="" if times <= MOST_DRAINS else (
            f"{heel_l:g} L stay in the tank each time: that would take {times} drainings"))


def _heated(heel_l: float, pipes_l: float, hot_max_c: float | None, flow_l_min: float) -> Way:
    why_not = "" if hot_max_c is not None and hot_max_c >= HEAT_C else (
        "how hot its heater makes the tank is not enrolled (hot_max_c)" if hot_max_c is None else
        f"its heater makes {hot_max_c:g} C, and it takes {HEAT_C:g} C")
    litres = _up(heel_l + pipes_l)
    return Way(
        how=How.HEATED, litres=litres, minutes=litres / flow_l_min, degrees_c=HEAT_C, hold_min=HEAT_MIN,
        source=HEAT_SOURCE, why_not=why_not,
        words=f"Flush the cold pipes first. Set the heater to {HEAT_C:g} C or more. Let the cooler water at the "
        f"bottom out by the drain, about {_up(heel_l)} L, until it runs as hot. Measure {HEAT_C:g} C or more at a "
        f"hot tap, keep it so for {HEAT_MIN:g} min, then run every hot tap, {_up(pipes_l)} L in all.",
        proof=f"the degrees measured at the hot tap ({HEAT_C:g} C or more), for how many minutes ({HEAT_MIN:g} or "
        "more), and until when")


def _chlorinated(cold_l: float, tank_l: float, hot_l: int, flow_l_min: float) -> Way:
    left = DRINKABLE_MG_L / DOSE_MG_L
    pipe_l = flush_cold_l(Plumbing(cold_l=cold_l, peclet=FLUSH_PECLET), 1.0 - left)
    rinsed = _up(cold_l + tank_l + pipe_l + tank_l * math.log(1.0 / left) + pipe_l)
    litres = max(rinsed, hot_l)  # Cryptosporidium goes by the rinse alone, so that is no less than a flush
    return Way(
        how=How.CHLORINATED, litres=litres, minutes=litres / flow_l_min, source=CHLORINE_SOURCE,
        words=f"Heater off and cooled down, chlorinate pipes and tank together, {DOSE_MG_L:g} mg/L for "
        f"{CONTACT_H:g} h. Then rinse hot and cold taps down to {DRINKABLE_MG_L:g} mg/L: {litres} L in all; "
        f"{NO_CRYPTOSPORIDIUM}.",
        proof="when it was chlorinated with the tank in the loop and rinsed")


def _up(litres: float) -> int:
    """Whole litres, never too few; what is a whole number but for the last digit stays one."""
    return math.ceil(litres - 1e-6)


def _percent(share: float) -> str:
    """A share in per cent by one digit, rounded up; of what nobody could measure, that it is less than that."""
    if share <= 0:
        return "0 %"
    if share < LEAST_SHARE_TOLD:
        return f"less than {100 * LEAST_SHARE_TOLD:g} %"
    digits = max(0, 1 - math.floor(math.log10(100 * share)) - 1) if share < 0.1 else 0
    return f"{math.ceil(100 * share * 10**digits - 1e-9) / 10**digits:g} %"
