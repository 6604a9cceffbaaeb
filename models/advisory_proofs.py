"""What the sensors prove of an advisory's steps, from figures since the last exposure."""

from __future__ import annotations

import math
from datetime import datetime, timedelta

from models.advisory_events import PERSON_STEPS, Proof, Step, StepPolicy


def proofs(
    *, at: datetime, power_on_since: datetime | None, lamp_on_since: datetime | None, power_on: bool | None,
    lamp_on: bool | None, dose_ok_min: float | None, metered_l: float | None, flush_cold_l: float | None,
    flush_hot_l: float | None, policy: StepPolicy | None = None, flushed_cold_at: datetime | None = None,
    flushed_hot_at: datetime | None = None,
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
        no number of litres proves that they are flushed. [L]
    policy : StepPolicy, optional
        The fleet's; by default the safe one.
    flushed_cold_at, flushed_hot_at : datetime, optional
        When the meter had counted the cold flush, and both together, in the time of the readings. Not known: now.

    Returns
    -------
    proofs : tuple of Proof
        One per step of `SENSOR_STEPS`; an advisory ignores those that it does not ask for.

    Notes
    -----
    The meter sits before the hot tank and cannot tell hot from cold, so the hot flush asks for the sum of both
    volumes; that hot taps were opened rests on whoever did it.
    """
    policy = policy or StepPolicy()
    both = None if flush_cold_l is None or flush_hot_l is None else flush_cold_l + flush_hot_l
    return (
        _minutes(Step.POWER_STABLE, at, power_on, power_on_since, policy.power_stable_min, "power", "on"),
        _minutes(Step.LAMP_LIT, at, lamp_on, lamp_on_since, policy.lamp_lit_min, "lamp", "lit"),
        _measured(
            Step.DOSE_BACK, at, dose_ok_min, policy.dose_back_min, "min", "of dose at or above target",
            missing="dose not known",
            since=None if dose_ok_min is None or math.isnan(dose_ok_min) else at - timedelta(
                minutes=max(0.0, dose_ok_min - policy.dose_back_min)),
        ),
        _flushed(
            Step.FLUSH_COLD, at, metered_l, flush_cold_l, "metered since the last under-dosed litre",
            since=flushed_cold_at, lacking="cold_plumbing_l",
        ),
        _flushed(
            Step.FLUSH_HOT, at, metered_l, both,
            "metered since the last under-dosed litre (cold and hot together)", since=flushed_hot_at,
            lacking=" and ".join(name for name, known in (
                ("cold_plumbing_l", flush_cold_l), ("hot_tank_l", flush_hot_l)) if known is None),
        ),
    )


def _flushed(
    step: Step, at: datetime, metered_l: float | None, needed_l: float | None, what: str, *,
    since: datetime | None, lacking: str,
) -> Proof:
    """Proof of a flush. Of plumbing whose volume nobody enrolled, the volume is asked for first."""
    if needed_l is not None:
        return _measured(step, at, metered_l, needed_l, "L", what, missing="no metered flow", since=since)
    have = "" if metered_l is None or math.isnan(metered_l) else (
        f"; {math.floor(metered_l * 10) / 10:g} L {what}, of how many is not known")
    return Proof(at=at, step=step, done=False, evidence=f"first enrol how much there is to flush: {lacking}{have}")


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
        done = None if step in PERSON_STEPS else False
        hint = "; a person may record it" if done is None else ""
        return Proof(at=at, step=step, done=done, evidence=f"{missing}{hint}")
    # Shown rounded down, so that the words never claim the amount before it is there.
    shown = math.floor(have * 10) / 10
    done = have >= needed
    words = f"{shown:g} of {needed:g} {unit} {what}"
    if done and unit == "min":  # that it is long past its time says nothing more
        words = f"{needed:g} {unit} and more {what}"
    return Proof(at=at, step=step, done=done, evidence=words, since=min(since, at) if done and since else None)
