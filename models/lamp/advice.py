"""What is said of one lamp in the end: cause, action and date, once all that overrides the fit has had its word."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta

from models.lamp.diagnosis import Action, LossCause

LEAST_KNOWN_DAYS = 7  # with fewer days of intensity nothing is foretold; common practice, no source
CHECK_WITHIN_DAYS = 30  # a suspect sensor: the guidance manual's monthly check (SOURCES.md section 2, from memory)


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """What ails a lamp, what to do by when, and on what evidence; None where nothing can be told."""

    cause: str | None
    action: str | None
    act_by: date | None
    evidence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LampFacts:
    """What overrides a fit, of one unit.

    Attributes
    ----------
    fault : str
        What is wrong with its sensor; empty: nothing is.
    filter_words : str
        What its filter costs in flow; empty: nothing is known.
    threshold_w_m2 : float
        Least intensity that still gives the target dose; NaN where not even a new lamp does. [W/m2]
    read_w_m2 : float
        Intensity of its last day. [W/m2]
    read_on, record_ends : date
        That day, and the last day of the fleet's record.
    p10, rated_on : date or None
        When one chance in ten is reached, and when the rated life ends.
    past_rated : bool
        Whether the lamp is past its rated life.
    lamp_life_h : float
        [h]
    uvt_pct, dose_target_mj_cm2, peak_flow_l_min : float
        Its water, its target and the most that its supply can deliver. [%], [mJ/cm2], [L/min]
    """

    fault: str
    filter_words: str
    threshold_w_m2: float
    read_w_m2: float
    read_on: date
    record_ends: date
    p10: date | None
    rated_on: date | None
    past_rated: bool
    lamp_life_h: float
    uvt_pct: float
    dose_target_mj_cm2: float
    peak_flow_l_min: float


def advice(cause: str, action: str, evidence: str, facts: LampFacts, *, today: date) -> Advice:
    """What is said of a lamp whose fit gave this cause, action and evidence."""
    hopeless = math.isnan(facts.threshold_w_m2)
    parts = [facts.fault, evidence, facts.filter_words]
    if facts.past_rated:
        parts.append(f"The lamp is past its rated {facts.lamp_life_h:,.0f} h: bring a new one.")
    if facts.read_w_m2 < facts.threshold_w_m2 and (facts.p10 is None or facts.p10 > facts.record_ends):
        parts.append(
            f"On its last day, {facts.read_on}, it read {facts.read_w_m2:.1f} W/m2, below the threshold; the fit "
            "takes that for water that will clear. Until it does the unit's verdict counts, not these dates.")
    if hopeless:
        cause, action = str(LossCause.WATER), str(Action.TEST_WATER)
        parts.insert(0, (
            f"In water of {facts.uvt_pct:.0f} % not even a new lamp gives {facts.dose_target_mj_cm2:g} mJ/cm2 at "
            f"the {facts.peak_flow_l_min:g} L/min that this supply can deliver: limit the flow or treat the "
            "water."))
    return Advice(
        cause=cause, action=action, evidence=" ".join(one for one in parts if one),
        act_by=_act_by(action, facts, hopeless, today))


def advice_unknown(*, days_known: int, ever_heard: bool, fault: str, filter_words: str, today: date) -> Advice:
    """What is said of a lamp of which too little is known for dates; a sensor's fault is said all the same."""
    why = (
        f"Days known with water drawn past a lit, warm lamp: {days_known}; dates need {LEAST_KNOWN_DAYS}."
        if ever_heard else "This unit was never heard for a whole day.")
    return Advice(
        cause=str(LossCause.SENSOR) if fault else None, action=str(Action.CHECK_SENSOR) if fault else None,
        act_by=today + timedelta(days=CHECK_WITHIN_DAYS) if fault else None,
        evidence=" ".join(one for one in (fault, why, filter_words) if one))


def _act_by(action: str, facts: LampFacts, hopeless: bool, today: date) -> date | None:
    """The last sensible day: when one chance in ten is reached or the rated life ends, and not in the past."""
    if action == Action.NONE:
        return None
    dates = [one for one in (facts.p10, facts.rated_on) if one is not None]
    if action == Action.CHECK_SENSOR:
        dates.append(today + timedelta(days=CHECK_WITHIN_DAYS))
    return today if hopeless or not dates else max(min(dates), today)
