"""A running total that stands still explains a gap, unless it stood still while water flowed."""

from __future__ import annotations

import pandas as pd
import pytest

from models.exposure import microseconds
from tests.models.exposed import exposed, state_at
from tests.models.exposure.test_outage_scenarios import REACTOR, stored, unit
from tests.models.outage_scenarios import well

UNIT = unit()
GOOD = {"D": 50.0, "DP": 45.0}


def log(flow_l_min: float, minutes: int, *, moves: bool = False) -> pd.DataFrame:
    """A stretch of flow beside a total of 5003 L, then an hour and more of nothing heard (11:09 to 12:00)."""
    rows = well("10:00", "11:10", T=5003.0, **GOOD)
    for n in range(minutes):
        rows[n]["Q"] = flow_l_min
    for n, row in enumerate(rows):
        if moves:
            row["T"] = 5003.0 + flow_l_min * min(n, minutes)
    return stored([rows + well("12:00", "12:05", T=rows[-1]["T"], **GOOD)])


def gap_upper_l(readings: pd.DataFrame) -> float:
    pieces, _ = exposed(readings, unit=UNIT, reactor=REACTOR)
    return float(pieces.loc[pieces["kind"] == "unheard", "underdosed_l_upper"].sum())


@pytest.mark.parametrize(("flow_l_min", "minutes", "moves", "upper_l"), [
    (0.0, 0, False, 0.0),  # nobody drew: nothing passed in the gap either
    (5.0, 30, True, 0.0),  # 150 L, counted
    (5.0, 3, False, 0.0),  # 15 L may be less than a coarse meter's pulse
    (5.0, 30, False, 28.0 * 51),  # 150 L that the meter did not see: 51 min at the most that can flow
])
def test_a_meter_that_stood_still_while_water_flowed_explains_no_gap(flow_l_min, minutes, moves, upper_l):
    assert gap_upper_l(log(flow_l_min, minutes, moves=moves)) == pytest.approx(upper_l)


GALLON_L = 231 * 2.54**3 / 1000  # 231 cubic inches (NIST SP 811, B.8; from memory)


@pytest.mark.parametrize(("before_l", "after_l", "step_l"), [
    (5003.0, 5041.0, 1.0),
    (5003.1, 5041.1, 0.1),
    (5003.17, 5041.17, 0.01),
    (round(1000 * GALLON_L, 2), round(1010 * GALLON_L, 2), 10 * GALLON_L),  # in tens of gallons
    (round(1001 * GALLON_L, 2), round(1011 * GALLON_L, 2), GALLON_L),
    (round(1001.3 * GALLON_L, 2), round(1011.4 * GALLON_L, 2), GALLON_L / 10),
    (0.0, 38.0, 1.0),  # at 0 all steps fit
])
def test_of_a_total_in_steps_a_step_more_may_have_passed_in_gallons_too(before_l, after_l, step_l):
    rows = well("10:00", "11:10", T=before_l, **GOOD)
    gap = stored([rows + well("12:00", "12:05", T=after_l, **GOOD)])
    # to a hundredth of a litre, in which totals are kept
    assert gap_upper_l(gap) == pytest.approx(after_l - before_l + step_l, abs=0.011)


@pytest.mark.parametrize("cut", [1, 3, 10, 31, 64, 69])
def test_taking_up_again_anywhere_gives_the_same_bit_for_bit(cut):
    readings = log(5.0, 30)
    pieces, _ = exposed(readings, unit=UNIT, reactor=REACTOR)
    _, states = exposed(readings.iloc[:cut], unit=UNIT, reactor=REACTOR)
    state = state_at(states)
    again, _ = exposed(readings.iloc[cut:].reset_index(drop=True), unit=UNIT, reactor=REACTOR, state=state)
    after = pieces[microseconds(pieces["start"]) >= state["at_us"].iloc[0]].reset_index(drop=True)
    pd.testing.assert_frame_equal(again.drop(columns="row"), after.drop(columns="row"), check_exact=True)
