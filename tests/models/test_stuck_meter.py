"""A running total that stands still explains a gap, unless it stood still while water flowed."""

from __future__ import annotations

import json

import pandas as pd
import pytest
from outage_scenarios import well
from test_outage_scenarios import REACTOR, stored, unit

from models.outage import Carry, timeline

UNIT = unit()
GOOD = {"D": 50.0, "DP": 45.0}


def log(flow_l_min: float, minutes: int, *, moves: bool = False) -> pd.DataFrame:
    """A stretch of flow beside a total of 5000 L, then an hour and more of nothing heard (11:12 to 12:00)."""
    rows = well("10:00", "11:10", T=5000.0, **GOOD)
    for n in range(minutes):
        rows[n]["Q"] = flow_l_min
    for n, row in enumerate(rows):
        if moves:
            row["T"] = 5000.0 + flow_l_min * min(n, minutes)
    return stored([rows + well("12:00", "12:05", T=rows[-1]["T"], **GOOD)])


def gap_upper_l(readings: pd.DataFrame) -> float:
    pieces, _ = timeline(readings, unit=UNIT, reactor=REACTOR)
    return float(pieces.loc[pieces["kind"] == "unheard", "underdosed_l_upper"].sum())


@pytest.mark.parametrize(("flow_l_min", "minutes", "moves", "upper_l"), [
    (0.0, 0, False, 0.0),  # nobody drew: nothing passed in the gap either
    (5.0, 30, True, 0.0),  # 150 L, counted
    (5.0, 3, False, 0.0),  # 15 L may be less than a coarse meter's pulse
    (5.0, 30, False, 28.0 * 48),  # 150 L that the meter did not see: 48 min at the most that can flow
])
def test_a_meter_that_stood_still_while_water_flowed_explains_no_gap(flow_l_min, minutes, moves, upper_l):
    assert gap_upper_l(log(flow_l_min, minutes, moves=moves)) == pytest.approx(upper_l)


@pytest.mark.parametrize("cut", [1, 3, 10, 31, 64, 69])
def test_taking_up_again_anywhere_gives_the_same_bit_for_bit(cut):
    readings = log(5.0, 30)
    pieces, _ = timeline(readings, unit=UNIT, reactor=REACTOR)
    _, carries = timeline(readings.iloc[:cut], unit=UNIT, reactor=REACTOR)
    carry = Carry.from_row(json.loads(json.dumps(Carry.from_row(carries.iloc[-1].to_dict()).to_row())))
    again, _ = timeline(readings.iloc[cut:], unit=UNIT, reactor=REACTOR, carry=carry)
    after = pieces[pieces["start"] >= carry.at].reset_index(drop=True)
    pd.testing.assert_frame_equal(again, after, check_exact=True)
