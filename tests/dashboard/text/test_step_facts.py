"""The next step as facts: which of how many, where, how much, how long; figures by hand."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from dashboard.text.measures import Units
from dashboard.text.recovery import NextStep, Waits, next_step
from dashboard.text.step_facts import WHERE, bleach_words, step_facts, step_here, step_number, step_sentence
from models.advisory import How, Step
from models.advisory.cleaning import Cleaning, Way
from models.advisory.events import StepPolicy
from tests.dashboard.text.test_recovery import CABIN, CUT, flushed, proven, raised

UNIT = CABIN.units[0]  # 28 L/min at the most
HEATED = Way(how=How.HEATED, words="", litres=60, minutes=4.2, proof="", source="", degrees_c=70, hold_min=30)
ASKED = Cleaning(cold_l=61, hot_l=300, ways=(HEATED,))


def facts(step: Step, *, cabin=CABIN, unit=UNIT, asked=ASKED, units=Units.METRIC, policy=None):
    one = NextStep(waits=Waits.PERSON, step=step, title="", how="")
    return dict(step_facts(raised(), one, asked, policy or StepPolicy(), unit=unit, cabin=cabin, units=units))


def test_the_number_counts_done_steps_along_and_none_before_the_water_is_dosed_again() -> None:
    passing = raised(replace(CUT, end=None))
    assert step_number(passing, next_step(passing)) == "Before step 1 of 9"
    known = proven(raised())
    assert next_step(known).step is Step.FLUSH_COLD and step_number(known, next_step(known)) == "Step 4 of 9"
    later = flushed()
    assert next_step(later).step is Step.DISINFECT and step_number(later, next_step(later)) == "Step 6 of 9"
    end = NextStep(waits=Waits.LIFT, step=None, title="", how="")
    assert step_number(later, end) == "Step 9 of 9"


def test_61_l_at_28_l_min_take_three_minutes_and_at_what_a_well_gives_longer() -> None:
    assert facts(Step.FLUSH_COLD) == {
        "Where": "every cold tap, one after the other", "How much": "61 L",
        "How long": "about 3 min at the most that the supply can deliver"}  # 61 / 28 = 2.2
    assert "about 16 min" in facts(Step.FLUSH_COLD, cabin=replace(CABIN, well_l_min=4.0))["How long"]  # 15.25
    assert facts(Step.FLUSH_COLD, units=Units.US)["How much"] == "17 gal"  # 61 / 3.785 = 16.1: 16 are too few


def test_the_step_in_words_says_gallons_that_are_enough_and_the_litres_that_a_meter_may_show() -> None:
    unit = replace(UNIT, peak_flow_l_min=28.0, cold_plumbing_l=18.0, hot_tank_l=150.0)
    advisory = proven(raised(replace(CUT, underdosed_l_upper=10.0)))
    metric = step_sentence(advisory, step_here(advisory, unit, CABIN, Units.METRIC)[0])
    assert metric.startswith("Step 4 of 9: Run every cold tap. Open the cold taps fully")
    litres = re.findall(r"has seen (\d+) L: about (\d+) min", metric)
    assert len(litres) == 1
    us = step_sentence(advisory, step_here(advisory, unit, CABIN, Units.US)[0])
    gallons, same = re.findall(r"has seen (\d+) gal \((\d+) L\)", us)[0]
    assert same == litres[0][0] and 0 <= int(gallons) - int(same) / 3.785411784 < 1


def test_a_tank_that_is_heated_stands_hot_before_it_runs() -> None:
    told = facts(Step.FLUSH_HOT)
    assert told["How much"] == "60 L" and told["How long"].startswith("30 min hot, then about 5 min")


def test_what_is_not_known_is_left_out_or_said() -> None:
    assert facts(Step.FLUSH_COLD, asked=Cleaning(cold_l=None, hot_l=None)) == {"Where": WHERE[Step.FLUSH_COLD]}
    assert "not enrolled" in bleach_words(UNIT) and "not enrolled" in facts(Step.DISINFECT)["How much"]


def test_bleach_stands_by_the_strength_on_the_label() -> None:
    """18 + 150 L at 100 mg/L: 16.8 g of chlorine. A litre of 5.25 % w/v NaOCl has 52.5 g, or 50.0 g as chlorine."""
    told = bleach_words(replace(UNIT, cold_plumbing_l=18.0, hot_tank_l=150.0))
    assert told.startswith("336 mL where the label says 5.25 %") and "8.25 %" in told
    assert facts(Step.DISINFECT)["How long"].startswith("12 h")


def test_minutes_and_hours_are_the_fleets() -> None:
    assert facts(Step.POWER_STABLE)["How long"] == "30 min without a break"
    assert facts(Step.LAMP_LIT, policy=StepPolicy(lamp_lit_min=15))["How long"] == "15 min without a break"
    assert facts(Step.SAMPLE_2)["How long"] == "taken at least 24 h after the first"


@pytest.mark.parametrize("step", list(Step))
def test_every_step_has_a_place(step: Step) -> None:
    assert facts(step)["Where"]
