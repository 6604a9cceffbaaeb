"""The next step of an open advisory as facts: which of how many, where, how much, how long."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from math import ceil

from dashboard.text.measures import Units, duration, enough
from dashboard.text.recovery import NextStep, next_step, with_litres
from models.advisory import Advisory, How, Step
from models.advisory.chlorination import CONTACT_H, STRENGTHS_PCT, chlorination
from models.advisory.cleaning import Cleaning, cleaning_of
from models.advisory.events import StepPolicy
from models.fleet import Cabin, Unit

WHERE: Mapping[Step, str] = {
    Step.POWER_STABLE: "the unit's power supply", Step.LAMP_LIT: "the unit", Step.DOSE_BACK: "the unit",
    Step.FLUSH_COLD: "every cold tap, one after the other", Step.FLUSH_HOT: "the hot tank and every hot tap",
    Step.DISINFECT: "cold pipes, hot pipes and the hot tank",
    Step.SAMPLE_1: "a tap that people drink from, as the laboratory says",
    Step.SAMPLE_2: "the same tap as the first sample",
    Step.NOTICE_REMOVED: "every tap where the notice hangs"}


def step_number(advisory: Advisory, step: NextStep) -> str:
    """Which step it is, of how many that apply; those that are done count along."""
    every = len(advisory.steps)
    if advisory.evidence_since is None:
        return f"Before step 1 of {every}"
    code = step.step or Step.NOTICE_REMOVED
    return f"Step {advisory.steps.index(code) + 1 if code in advisory.steps else every} of {every}"


def step_here(advisory: Advisory, unit: Unit, cabin: Cabin, units: Units) -> tuple[NextStep, Cleaning]:
    """The next step with its amounts behind this unit, and what its water asks for."""
    asked = cleaning_of(advisory, unit, cabin)
    return with_litres(next_step(advisory), asked, cabin, unit.peak_flow_l_min, units), asked


def step_sentence(advisory: Advisory, step: NextStep) -> str:
    """Which step, what, and how, as every page of the unit says it."""
    return f"{step_number(advisory, step)}: {step.title}. {step.how}".strip()


def step_facts(
    advisory: Advisory, step: NextStep, asked: Cleaning, policy: StepPolicy, *, unit: Unit, cabin: Cabin,
    units: Units,
) -> list[tuple[str, str]]:
    """Where, how much, how long: as far as each is known of this step.

    Parameters
    ----------
    asked : Cleaning
        What the advisory's water asks for behind this unit.
    policy : StepPolicy
        The fleet's.
    """
    code = step.step
    if code is None:
        return []
    much, long = "", ""
    if code is Step.FLUSH_COLD and asked.cold_l:
        flow_l_min = min(unit.peak_flow_l_min, cabin.well_l_min or unit.peak_flow_l_min)
        much, long = _runs(asked.cold_l, asked.cold_l / flow_l_min, units)
    elif code is Step.FLUSH_HOT and (way := asked.offered) is not None:
        much, long = _runs(way.litres, way.minutes, units)
        if way.how is How.HEATED and way.degrees_c is not None and way.hold_min is not None:
            long = f"{way.hold_min:g} min hot, then {long}"
    elif code is Step.DISINFECT:
        much, long = bleach_words(unit), f"{CONTACT_H:g} h, the bleach standing in it"
    elif code in (Step.POWER_STABLE, Step.LAMP_LIT, Step.DOSE_BACK):
        minutes = {Step.POWER_STABLE: policy.power_stable_min, Step.LAMP_LIT: policy.lamp_lit_min,
                   Step.DOSE_BACK: policy.dose_back_min}[code]
        long = f"{duration(timedelta(minutes=minutes))} without a break"
    elif code in (Step.SAMPLE_1, Step.SAMPLE_2):
        much = "as much as the laboratory's bottle holds"
        long = f"taken at least {advisory.sample_gap_h:g} h after the first" if code is Step.SAMPLE_2 else ""
    return [(title, words) for title, words in (
        ("Where", WHERE[code]), ("How much", much), ("How long", long)) if words]


def bleach_words(unit: Unit) -> str:
    """How much household bleach this unit's plumbing takes, by the strength on its label."""
    if unit.cold_plumbing_l is None or unit.hot_tank_l is None:
        return "not known: what the cold pipes and the hot tank hold is not enrolled"
    try:
        plans = [chlorination(cold_plumbing_l=unit.cold_plumbing_l, hot_tank_l=unit.hot_tank_l, strength_pct=pct)
                 for pct in STRENGTHS_PCT]
    except ValueError as error:
        return f"no plan can be made: {error}"
    return "; ".join(
        f"{plan.bleach_ml:,.0f} mL where the label says {pct:g} %"
        for plan, pct in zip(plans, STRENGTHS_PCT, strict=True))


def _runs(litres: float, minutes: float, units: Units) -> tuple[str, str]:
    return enough(litres, units), f"about {ceil(minutes)} min at the most that the supply can deliver"
