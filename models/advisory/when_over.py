"""When is it over? At the earliest, and more likely, from the steps that are left: an estimate and never a promise.

Minutes of steady power, light and dose; litres at the flow of supply, well or one tap; the contact of chlorine;
what the septic bed takes in a day; the days on which the laboratory takes samples, how long one may travel, and the
day that a plate stands in the incubator. `earliest` takes each step at its quickest, one right after the other: it
is hardly over before. `likely` goes by one tap at a time and the laboratory's usual round. What nobody can
foretell, as when the power comes back, is said as such; then there is no `likely`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from models.advisory import Advisory, How, Proof, Step, StepPolicy
from models.advisory.chlorination import CONTACT_H, CONTACT_MIN_H
from models.advisory.cleaning import Cleaning, Way, cleaning_of
from models.advisory.laboratory import LEAST_WAY_H, WEEKDAYS, LaboratoryPolicy
from models.advisory.proofs import measured
from models.fleet import TAP_FLOW_L_MIN, Cabin, Unit
from models.wording import Wording, joined, moment, worded

# Common practice, no source, all of these: a plate is read after a day, a laboratory takes samples in its working
# hours, and a tank takes up to an evening to heat.
INCUBATION = timedelta(hours=24)
LABORATORY_OPENS_H, LABORATORY_SHUTS_H = 8, 16
HEATS_UP = timedelta(hours=6)
LEAST_WAY = timedelta(hours=LEAST_WAY_H)
NOTHING = timedelta(0)
SAMPLES = (Step.SAMPLE_1, Step.SAMPLE_2)
SENSORS = (Step.POWER_STABLE, Step.LAMP_LIT, Step.DOSE_BACK)

_NOBODY_KNOWS = {
    Step.POWER_STABLE: worded("when the power is back"), Step.LAMP_LIT: worded("when the lamp is lit again"),
    Step.DOSE_BACK: worded("when the dose is back"),
    Step.FLUSH_COLD: worded("how long the cold pipes take, since how much they hold is not enrolled"),
    Step.FLUSH_HOT: worded("how long the hot tank takes, since how much it holds is not enrolled"),
    Step.DISINFECT: worded(
        "how long the chlorine's rinse takes, since how much the plumbing holds is not enrolled")}
ONLY_LIFT = "Every step is done: it is over when a named person lifts it."
SAMPLES_MAY = "a sample may fail, one that is on its way already is not counted here, and "
WATER_STILL_PASSES = worded("when the last under-dosed water has passed")


@dataclass(frozen=True, slots=True, kw_only=True)
class SamplePlan:
    """A sample that is still to be taken: from when on, and what the laboratory can say when, at the earliest.

    In the cabin's time zone; `travels_h` is how old it may be when the laboratory begins with it. [h]
    """

    step: Step
    take_from: datetime
    at_laboratory: datetime
    result: datetime
    travels_h: float

    @property
    def words(self) -> str:
        """For which day of the laboratory it is, and from when on it is taken; empty where that is one day."""
        if self.at_laboratory.date() == self.take_from.date():
            return ""
        which = "first" if self.step is Step.SAMPLE_1 else "second"
        return (
            f"The {which} sample is for the laboratory's {self.at_laboratory:%A %d %b}: take it from "
            f"{weekday(self.take_from)} on, for it may travel {self.travels_h:g} h.")


@dataclass(frozen=True, slots=True, kw_only=True)
class WhenOver:
    """When every step of an advisory can be done, in the cabin's time zone.

    Attributes
    ----------
    earliest : datetime
        If the work begins now and what nobody can foretell comes right now.
    likely : datetime or None
        At the pace of one tap and of the laboratory's usual round; None: nobody can say.
    samples : tuple of SamplePlan
        Those that are left, by the earliest.
    not_known : tuple of str
        What nobody can foretell, each as half a sentence.
    only_lift : bool
        Nothing is left but that a named person lifts it.
    """

    earliest: datetime
    likely: datetime | None
    samples: tuple[SamplePlan, ...] = ()
    not_known: tuple[str, ...] = ()
    only_lift: bool = False


@dataclass(frozen=True, slots=True)
class _Takes:
    """How long a step takes at least, and more likely; None: nobody can say."""

    least: timedelta
    likely: timedelta | None


def when_over(
    advisory: Advisory, *, unit: Unit, cabin: Cabin, now: datetime, policy: StepPolicy | None = None,
    laboratory: LaboratoryPolicy | None = None,
) -> WhenOver:
    """When an open advisory can be over.

    Parameters
    ----------
    advisory : Advisory
        With what the sensors say now.
    unit, cabin : Unit, Cabin
        Plumbing, supply, well and septic bed; the laboratory keeps the cabin's time.
    now : datetime
        Aware.
    policy : StepPolicy, optional
        How many minutes prove a step.
    laboratory : LaboratoryPolicy, optional
        When it takes samples, and how old.

    Raises
    ------
    ValueError
        If the advisory is lifted.

    Notes
    -----
    A sample that is on its way or at the laboratory is on no record until its result is: what is undone counts as
    not begun. The second sample is taken `Advisory.sample_gap_h` after the first, and neither waits for the other's
    result.
    """
    if advisory.lifted is not None:
        raise ValueError(f"advisory is lifted since {advisory.lifted.at}: it is over")
    policy, laboratory = policy or StepPolicy(), laboratory or LaboratoryPolicy()
    now = now.astimezone(UTC)  # hours are added there: a zone's clocks may change in between
    left = [step for step in advisory.open_steps if step is not Step.NOTICE_REMOVED]
    asked = cleaning_of(advisory, unit, cabin)
    not_known = [WATER_STILL_PASSES] if advisory.evidence_since is None else []
    sensing = [_sensors_take(step, advisory, policy, now) for step in left if step in SENSORS]
    work = [
        *([_cold_takes(advisory, asked, unit, cabin)] if Step.FLUSH_COLD in left else []),
        *([_hot_takes(asked, unit, cabin)] if Step.FLUSH_HOT in left else []),
        *([_chlorine_takes(asked, unit, cabin)] if Step.DISINFECT in left else [])]
    steps = [step for step in left if step not in SAMPLES]
    unknown = [step for step, takes in zip(steps, [*sensing, *work], strict=True) if takes.likely is None]
    # light waits for power and dose for light: the first of them says it for those behind it
    said = [step for step in unknown if step not in SENSORS or step is unknown[0]]
    not_known += [_NOBODY_KNOWS[step] for step in said]
    # the sensors go on while the taps run; as people work, one waits for the other
    proven = now + max((one.least for one in sensing), default=NOTHING)
    ready = now + sum((one.least for one in work), NOTHING)
    plans = tuple(_plans(advisory, left, ready, cabin, laboratory))
    likely = None
    if not not_known:
        waited = max((one.likely or NOTHING for one in sensing), default=NOTHING)
        done = now + waited + sum((one.likely or NOTHING for one in work), _septic_days(left, asked, cabin))
        likely = _likely(advisory, left, done, cabin, laboratory).astimezone(cabin.zone)
    return WhenOver(
        earliest=max([proven, ready, *(one.result for one in plans)]).astimezone(cabin.zone), likely=likely,
        samples=plans, not_known=tuple(not_known), only_lift=not left)


def over_words(found: WhenOver, *, arrival: datetime | None = None) -> tuple[str, ...]:
    """The estimate in sentences: how early, how late, what nobody knows, which samples, and the next guests.

    Parameters
    ----------
    arrival : datetime or None
        When the next guests come, in the cabin's time zone; None: nobody knows, or none come.
    """
    if found.only_lift:
        return (ONLY_LIFT,)
    pace = "one tap open at a time" + (" and the laboratory's usual round" if found.samples else "")
    likely = f"; more likely {_later(found)}, with {pace}" if _later(found) else ""
    return tuple(filter(None, [
        f"At the earliest {weekday(found.earliest)}, if the work begins now{likely}.", _unknown(found),
        *(one.words for one in found.samples), against(found, arrival),
        "An estimate and no promise: " + (SAMPLES_MAY if found.samples else "more water may have to be drawn, and ")
        + "only a named person lifts the notice."]))


def message_words(found: WhenOver, *, arrival: datetime | None = None) -> str:
    """The same in a sentence or two for a telephone; empty where only the lifting is left."""
    if found.only_lift:
        return ""
    earliest, later = weekday(found.earliest), _later(found)
    over = worded(
        "Over at the earliest {earliest}, more likely {later}, if the work begins now: an estimate, no promise.",
        earliest=earliest, later=later) if later else worded(
        "Over at the earliest {earliest}, if the work begins now: an estimate, no promise.", earliest=earliest)
    return joined(over, _unknown(found), against(found, arrival))


def against(found: WhenOver, arrival: datetime | None) -> str:
    """The estimate held against the next guests; empty where none are known."""
    if arrival is None:
        return ""
    when = weekday(arrival)
    if found.earliest >= arrival:
        return worded(
            "Not before the guests of {when} come: tell them, and have boiled or bottled water there.", when=when)
    if found.likely is not None and found.likely < arrival:
        return worded("Likely before the guests of {when} come; while it stands, tell them.", when=when)
    return worded("Perhaps not before the guests of {when} come: tell them beforehand.", when=when)


def weekday(at: datetime) -> Wording:
    """An instant with its day of the week, in its own time zone."""
    return moment(at, "%A %d %b %H:%M %Z")


def _later(found: WhenOver) -> str:
    """The later end, up to the next whole minute; empty where nobody knows it, or it is the earlier one."""
    if found.likely is None or found.likely <= found.earliest:
        return ""
    return weekday(found.likely + timedelta(microseconds=59_999_999))


def _unknown(found: WhenOver) -> str:
    if not found.not_known:
        return ""
    what = found.not_known[0]
    for one in found.not_known[1:]:
        what = worded("{first}, or {second}", first=what, second=one)
    return worded("Nobody can say {what}.", what=what)


def _sensors_take(step: Step, advisory: Advisory, policy: StepPolicy, now: datetime) -> _Takes:
    """Minutes that a sensor's proof still lacks; nobody can say when what has not begun begins."""
    needed = timedelta(minutes={
        Step.POWER_STABLE: policy.power_stable_min, Step.LAMP_LIT: policy.lamp_lit_min,
        Step.DOSE_BACK: policy.dose_back_min}[step])
    proof = _proof_of(step, advisory)
    if advisory.evidence_since is None:  # the dose counts from its end; power and lamp may be long back
        return _Takes(needed if step is Step.DOSE_BACK else NOTHING, needed)
    if proof is None or proof.done is None:  # nobody measures it: a person may record it, but no dose
        return _Takes(NOTHING, None if step is Step.DOSE_BACK else needed)
    share = measured(proof.evidence)
    if share is None or share[0] <= 0:
        return _Takes(needed, None)
    lacks = max(timedelta(minutes=share[1] - share[0]) - max(now - proof.at, NOTHING), NOTHING)
    return _Takes(lacks, lacks)


def _cold_takes(advisory: Advisory, asked: Cleaning, unit: Unit, cabin: Cabin) -> _Takes:
    """The litres left of the cold pipes' flush."""
    if asked.cold_l is None:
        return _Takes(NOTHING, None)
    proof = _proof_of(Step.FLUSH_COLD, advisory)
    share = measured(proof.evidence) if proof is not None else None
    left_l = asked.cold_l if share is None else min(asked.cold_l, max(share[1] - share[0], 0.0))
    return _Takes(_minutes(left_l, _most_flow(unit, cabin)), _minutes(asked.cold_l, one_tap_l_min(unit, cabin)))


def _hot_takes(asked: Cleaning, unit: Unit, cabin: Cabin) -> _Takes:
    """The quickest way that is possible at the hot tank, and more likely the one that is offered.

    Chlorine in the tank is neither: it takes no fewer litres than a flush, and stands for hours (`cleaning`).
    """
    if asked.hot_l is None:
        return _Takes(NOTHING, None)
    if asked.offered is None:
        return _Takes(NOTHING, NOTHING)
    ways = [one for one in asked.ways if not one.why_not and one.how is not How.CHLORINATED]
    heats = HEATS_UP if asked.offered.how is How.HEATED else NOTHING
    return _Takes(
        min(_way_takes(one, _most_flow(unit, cabin)) for one in ways),
        _way_takes(asked.offered, one_tap_l_min(unit, cabin)) + heats)


def _way_takes(way: Way, flow_l_min: float) -> timedelta:
    return _minutes(way.litres, flow_l_min) + timedelta(minutes=way.hold_min or 0.0)


def _chlorine_takes(asked: Cleaning, unit: Unit, cabin: Cabin) -> _Takes:
    """Contact, and the rinse: of pipes and tank together."""
    if asked.cold_l is None or asked.hot_l is None:
        return _Takes(timedelta(hours=CONTACT_MIN_H), None)
    loop = asked.way(How.CHLORINATED)
    rinse_l = loop.litres if loop is not None else asked.cold_l
    return _Takes(
        timedelta(hours=CONTACT_MIN_H), timedelta(hours=CONTACT_H) + _minutes(rinse_l, one_tap_l_min(unit, cabin)))


def _septic_days(left: Sequence[Step], asked: Cleaning, cabin: Cabin) -> timedelta:
    """Whole days more where the septic bed does not take the flushes in one; a hose to the ground takes none."""
    hot_l = asked.offered.litres if asked.offered is not None else 0
    litres = (asked.cold_l or 0 if Step.FLUSH_COLD in left else 0) + (hot_l if Step.FLUSH_HOT in left else 0)
    if not cabin.septic_l_day or litres <= cabin.septic_l_day:
        return NOTHING
    return timedelta(days=math.ceil(litres / cabin.septic_l_day) - 1)


def _plans(
    advisory: Advisory, left: Sequence[Step], ready: datetime, cabin: Cabin, laboratory: LaboratoryPolicy
) -> Iterator[SamplePlan]:
    """The samples that are left, each as early as water, laboratory and the one before it allow."""
    hours = timedelta(hours=laboratory.laboratory_hours)
    for step in SAMPLES:
        if step not in left:
            ready = max(ready, _second_from(advisory, step) or ready)
            continue
        arrives = _taken_in(ready + LEAST_WAY, cabin, laboratory)
        take = max(ready, arrives - hours)  # taken sooner it would be too old by then
        yield SamplePlan(
            step=step, take_from=take.astimezone(cabin.zone), at_laboratory=arrives.astimezone(cabin.zone),
            result=(arrives + INCUBATION).astimezone(cabin.zone), travels_h=laboratory.laboratory_hours)
        ready = take + timedelta(hours=advisory.sample_gap_h)


def _likely(
    advisory: Advisory, left: Sequence[Step], ready: datetime, cabin: Cabin, laboratory: LaboratoryPolicy
) -> datetime:
    """When the results are there if each sample goes with the next day of the laboratory, and in by its end."""
    over = ready
    for step in SAMPLES:
        if step not in left:
            ready = max(ready, _second_from(advisory, step) or ready)
            continue
        arrives = next(shuts for opens, shuts in _days(ready, cabin, laboratory) if ready <= opens)
        over = arrives + INCUBATION
        ready = arrives - LEAST_WAY + timedelta(hours=advisory.sample_gap_h)
    return over


def _second_from(advisory: Advisory, step: Step) -> datetime | None:
    """From when a second sample counts, where the first was taken; None: it was not, or none is asked for."""
    taken = next((one.since for one in advisory.statuses if one.code is step and one.done), None)
    if step is not Step.SAMPLE_1 or taken is None:
        return None
    return (taken + timedelta(hours=advisory.sample_gap_h)).astimezone(UTC)


def _taken_in(at: datetime, cabin: Cabin, laboratory: LaboratoryPolicy) -> datetime:
    """The first moment from `at` on at which the laboratory takes samples."""
    return next(max(at, opens) for opens, shuts in _days(at, cabin, laboratory) if at <= shuts)


def _days(at: datetime, cabin: Cabin, laboratory: LaboratoryPolicy) -> Iterator[tuple[datetime, datetime]]:
    """When the laboratory opens and shuts, from the day of `at` on, on days on which it takes samples."""
    first = at.astimezone(cabin.zone).date()
    for number in range(15):  # a day of the week comes twice at least
        day = first + timedelta(days=number)
        if WEEKDAYS[day.weekday()] in laboratory.laboratory_days:
            opens = datetime(day.year, day.month, day.day, LABORATORY_OPENS_H, tzinfo=cabin.zone)
            yield opens.astimezone(UTC), opens.replace(hour=LABORATORY_SHUTS_H).astimezone(UTC)


def _proof_of(step: Step, advisory: Advisory) -> Proof | None:
    return next((one for one in advisory.proofs if one.step is step), None)


def _most_flow(unit: Unit, cabin: Cabin) -> float:
    """All taps open. [L/min]"""
    return min(unit.peak_flow_l_min, cabin.well_l_min or math.inf)


def one_tap_l_min(unit: Unit, cabin: Cabin) -> float:
    """What one open tap gives of this supply. [L/min]"""
    return min(TAP_FLOW_L_MIN, _most_flow(unit, cabin))


def _minutes(litres: float, flow_l_min: float) -> timedelta:
    return timedelta(minutes=litres / flow_l_min)
