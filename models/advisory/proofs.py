"""What the sensors prove of an advisory's steps, from figures since the last exposure."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from models.advisory.events import FLUSH_STEPS, PERSON_STEPS, Proof, Step, StepPolicy

_MEASURED = re.compile(r"^([\d.]+(?:e[+-]?\d+)?) of ([\d.]+(?:e[+-]?\d+)?) ")


@dataclass(frozen=True, slots=True, kw_only=True)
class Flush:
    """A flush that a named person recorded, with what was metered in its time.

    Attributes
    ----------
    step : Step
        `FLUSH_COLD` or `FLUSH_HOT`.
    begun_at, ended_at : datetime
        From when to when the taps ran, as recorded.
    metered_l : float or None
        Litres that the unit's own sensors counted in between, at least; None: nothing counted them. [L]
    heard : bool
        Whether readings of all that time are there.
    most_l : float
        The most that the supply can deliver in that time. [L]
    """

    step: Step
    begun_at: datetime
    ended_at: datetime
    metered_l: float | None
    heard: bool
    most_l: float = math.inf

    def __post_init__(self) -> None:
        object.__setattr__(self, "step", Step(self.step))


def proofs(
    *, at: datetime, power_on_since: datetime | None, lamp_on_since: datetime | None, power_on: bool | None,
    lamp_on: bool | None, dose_ok_min: float | None, metered_l: float | None, flush_cold_l: float | None,
    flush_hot_l: float | None, policy: StepPolicy | None = None, flushes: Sequence[Flush] = (),
    metered_alone: bool = False, clean_since: datetime | None = None, left: str = "", ways: str = "",
    too_little: str = "",
) -> tuple[Proof, ...]:
    """What the sensors say of the steps that they can prove.

    Parameters
    ----------
    at : datetime
        Now.
    power_on, lamp_on : bool or None
        As last heard, within time that was heard; None: no such sensor, or not known.
    power_on_since, lamp_on_since : datetime or None
        Since when without a break; None: not known, which proves nothing.
    dose_ok_min : float or None
        Minutes since `Advisory.evidence_since` during which the lower bound of dose was at or above target
        without a break up to now (standing water judged at peak flow). None or NaN: not known. [min]
    metered_l : float or None
        Litres through the unit since `Advisory.evidence_since`; all of it dosed, or else the exposure would not be
        over. None or NaN: no meter. [L]
    flush_cold_l, flush_hot_l : float or None
        Flush volume of the cold pipes and of the hot tank with its pipes. None: what they hold is not enrolled, so
        no number of litres proves that they are flushed. 0: nothing has to be drawn. [L]
    policy : StepPolicy, optional
        The fleet's; by default the safe one.
    flushes : sequence of Flush
        What people recorded, at most one per step.
    metered_alone : bool
        Records of before a person had to name the time of a flush: all that was metered counts.
    clean_since : datetime or None
        Since when a flush of which nothing has to be drawn counts as done; by default now.
    left : str
        What normal use has left at the cold tap, in half a sentence. It shows, and ticks nothing.
    ways : str
        The ways to clean the hot tank, in words.
    too_little : str
        Why what a person recorded of the hot tank, other than a flush, is not enough; empty where it is.

    Returns
    -------
    proofs : tuple of Proof
        One per step of `SENSOR_STEPS`; an advisory ignores those that it does not ask for.

    Notes
    -----
    A meter cannot tell hot from cold, nor a tap from a hose. So it ticks no flush by itself: a named person says
    which taps ran from when to when, and the meter confirms the litres of that time. Litres of a time that stands
    for both flushes have to be enough for both. That a tank was drained, heated or chlorinated no sensor sees: a
    named person's record with what proves it is all there is (`models.advisory.cleaning`).
    """
    policy = policy or StepPolicy()
    good_min = _known(dose_ok_min)
    needed = {Step.FLUSH_COLD: flush_cold_l, Step.FLUSH_HOT: flush_hot_l}
    if metered_alone:
        needed[Step.FLUSH_HOT] = _sum(flush_cold_l, flush_hot_l)
    lacking = {
        Step.FLUSH_COLD: ("cold_plumbing_l",) if flush_cold_l is None else (),
        Step.FLUSH_HOT: tuple(name for name, known in (
            ("cold_plumbing_l", flush_cold_l), ("hot_tank_l", flush_hot_l)) if known is None)}
    return (
        _minutes(Step.POWER_STABLE, at, power_on, power_on_since, policy.power_stable_min, "power", "on"),
        _minutes(Step.LAMP_LIT, at, lamp_on, lamp_on_since, policy.lamp_lit_min, "lamp", "lit"),
        _measured(
            Step.DOSE_BACK, at, dose_ok_min, policy.dose_back_min, "min", "of dose at or above target",
            missing="dose not known",
            since=None if good_min is None else at - timedelta(minutes=max(0.0, good_min - policy.dose_back_min)),
        ),
        *(_flushed(step, at, metered_l, needed, flushes, metered_alone=metered_alone,
                   lacking=" and ".join(lacking[step]), clean_since=clean_since or at,
                   more=left if step is Step.FLUSH_COLD else ways,
                   too_little=too_little if step is Step.FLUSH_HOT else "") for step in FLUSH_STEPS),
    )


def _flushed(
    step: Step, at: datetime, metered_l: float | None, needed: Mapping[Step, float | None],
    flushes: Sequence[Flush], *, metered_alone: bool, lacking: str, clean_since: datetime, more: str,
    too_little: str,
) -> Proof:
    """Proof of a flush. Of plumbing whose volume nobody enrolled, the volume is asked for first."""
    needed_l, have_l, since = needed[step], _known(metered_l), "metered since the last under-dosed litre"
    if needed_l is None or lacking:
        have = "" if have_l is None else f"; {_down(have_l)} L {since}, of how many is not known"
        first = f"first enrol how much there is to flush: {lacking}{have}"
        return Proof(at=at, step=step, done=False, evidence=first)
    if metered_alone:
        hot = " (cold and hot together)" if step is Step.FLUSH_HOT else ""
        return _measured(step, at, metered_l, needed_l, "L", since + hot, missing="no metered flow")
    if needed_l == 0:
        little = "what can stand there is within half a log of the target: nothing has to be drawn"
        return Proof(at=at, step=step, done=True, evidence=little, since=min(clean_since, at), alone=True)
    if too_little:
        return Proof(at=at, step=step, done=False, evidence=too_little)
    mine = next((one for one in flushes if one.step is step), None)
    if mine is None and step is Step.FLUSH_HOT and more:
        so_far = "" if have_l is None else (
            f"; {_down(have_l)} L have passed since the last under-dosed litre, hot or cold, which no meter tells")
        return Proof(at=at, step=step, done=None, evidence=f"{more}{so_far}; record which way, and when")
    if mine is None:
        so_far = f"no metered flow, it takes {needed_l:g} L" if have_l is None else (
            f"{_down(have_l)} of {needed_l:g} L {since}" + (f": {more}" if more else ""))
        return Proof(
            at=at, step=step, done=None, evidence=f"{so_far}; record from when to when the taps ran")
    other = _of_the_same_time(mine, flushes)
    if other is None:
        return _confirmed(mine, at, needed_l, "")
    return _confirmed(mine, at, needed_l + (needed[other.step] or 0.0), ", cold and hot together")


def _of_the_same_time(mine: Flush, flushes: Sequence[Flush]) -> Flush | None:
    """The flush of the other pipes, where both were recorded for times that overlap."""
    other = next((one for one in flushes if one.step is not mine.step), None)
    if other is None or mine.begun_at >= other.ended_at or other.begun_at >= mine.ended_at:
        return None
    return other


def _confirmed(mine: Flush, at: datetime, needed_l: float, both: str) -> Proof:
    """Proof of a flush that a person recorded, by what was metered in its time."""
    if mine.metered_l is None and mine.most_l < needed_l:
        short = f"at most {_down(mine.most_l)} of {needed_l:g} L can run in that time{both}"
        return Proof(at=at, step=mine.step, done=False, evidence=short)
    if mine.metered_l is None:
        return Proof(at=at, step=mine.step, done=None, evidence="nothing metered the water of that time")
    have = f"{_down(mine.metered_l)} of {needed_l:g} L"
    if mine.metered_l >= needed_l:
        return Proof(
            at=at, step=mine.step, done=True, evidence=f"{have} metered in that time{both}",
            since=min(mine.ended_at, at))
    so_far = "metered in that time" if mine.heard else "of that time heard of so far"
    return Proof(at=at, step=mine.step, done=False, evidence=f"{have} {so_far}{both}")


def measured(evidence: str) -> tuple[float, float] | None:
    """How much is there and how much is needed, by a proof's words ("12 of 36 L metered ..."); None: no such."""
    found = _MEASURED.match(evidence)
    return None if found is None else (float(found[1]), float(found[2]))


def _known(amount: float | None) -> float | None:
    """An amount; None where it is missing, written as NaN too."""
    return None if amount is None or math.isnan(amount) else amount


def _sum(*litres: float | None) -> float | None:
    return None if any(one is None for one in litres) else sum(one for one in litres if one is not None)


def _down(litres: float) -> str:
    """Litres rounded down, so that the words never claim the amount before it is there."""
    return f"{math.floor(litres * 10) / 10:g}"


def _minutes(
    step: Step, at: datetime, on: bool | None, since: datetime | None, needed: float, what: str, word: str
) -> Proof:
    """Proof of something that has been on for long enough."""
    if on is None:
        return Proof(at=at, step=step, done=None, evidence=f"{what}: not known; a person may record it")
    if not on:
        return Proof(at=at, step=step, done=False, evidence=f"{what} is not {word}")
    if since is None:
        return Proof(at=at, step=step, done=False, evidence=f"{what} is {word}, since when is not known")
    return _measured(
        step, at, (at - since) / timedelta(minutes=1), needed, "min", f"of {what} {word}", missing="",
        since=since + timedelta(minutes=needed))


def _measured(
    step: Step, at: datetime, have: float | None, needed: float, unit: str, what: str, *, missing: str,
    since: datetime | None = None,
) -> Proof:
    """Proof of a measured amount against the amount needed, which was there at `since`."""
    if have is None or math.isnan(have):
        # A dose that nobody knows is not proven by a person either: it stays undone.
        hint = "; a person may record it" if step in PERSON_STEPS else ""
        return Proof(at=at, step=step, done=None, evidence=f"{missing}{hint}")
    done = have >= needed
    words = f"{_down(have)} of {needed:g} {unit} {what}"
    if done and unit == "min":  # that it is long past its time says nothing more
        words = f"{needed:g} {unit} and more {what}"
    return Proof(at=at, step=step, done=done, evidence=words, since=min(since, at) if done and since else None)
