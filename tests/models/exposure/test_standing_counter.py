"""A lamp that is said to burn while its own counter stands: believed only where a live intensity shows it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from models.exposure import microseconds
from tests.models.exposed import exposed, intervals_of, state_at, unit_state
from tests.models.exposure.test_outage_scenarios import REACTOR, stored, unit
from tests.models.outage_scenarios import every, well

UNIT = unit()
# The counter has stood for 150 min at the reading of 07:30: the minute that ends there is no longer believed.
AT_0, BELIEVED_TO, END = "05:00", pd.Timestamp("2026-06-15T07:29", tz="UTC"), "10:30"


def log(*, hours_advance: bool = False, intensity: str = "one value") -> pd.DataFrame:
    rows = well(AT_0, END, Q=2.0, D=50.0, H=5000.0, DP=45.0)
    rng = np.random.default_rng(1)
    for n, row in enumerate(rows):
        if hours_advance:
            row["H"] = 5000.0 + n // 60  # read out in whole hours
        if intensity == "alive":
            row["I"] = 41.0 + round(float(rng.normal(0, 0.4)), 1)
        elif intensity == "none":
            row["I"] = None
    return stored([rows])


def kinds(readings: pd.DataFrame) -> list[tuple[str, pd.Timestamp]]:
    pieces, _ = exposed(readings, unit=UNIT, reactor=REACTOR)
    found = intervals_of(pieces)
    return list(zip(found["kind"], found["start"], strict=True))


@pytest.mark.parametrize("intensity", ["one value", "none"])
def test_a_status_alone_is_not_believed_against_a_counter_that_stands(intensity):
    found = kinds(log(intensity=intensity))
    assert [kind for kind, _ in found][-2:] == ["lit", "unheard"]  # unseen, its first two minutes are warming
    assert found[-1][1] == BELIEVED_TO
    pieces, states = exposed(log(intensity=intensity), unit=UNIT, reactor=REACTOR)
    tail = pieces[pieces["start"] >= BELIEVED_TO]
    # 10:29 is the last reading: 180 min at 2 L/min may have missed their dose
    assert tail["underdosed_l_upper"].sum() == pytest.approx(2.0 * 180)
    assert tail["underdosed_l"].isna().all()
    assert set(tail["rests_on"]) == {"lamp hours and intensity stand still, flow"}
    assert unit_state(states, UNIT).lit is None


@pytest.mark.parametrize("given", [
    {"hours_advance": True}, {"intensity": "alive"}, {"hours_advance": True, "intensity": "none"},
])
def test_a_counter_that_counts_or_an_intensity_that_lives_is_enough(given):
    found = kinds(log(**given))
    assert found[-1][0] == "lit"
    assert {kind for kind, _ in found} <= {"lit", "warming"}


def test_a_lamp_just_put_on_after_days_of_darkness_has_time_for_its_counter_to_move():
    rows = every("05:00", "09:00", I=0.0, Q=0.0, lamp=False, power=True, H=5000.0)
    rows += well("09:00", "10:00", H=5000.0) + well("10:00", "11:00", H=5001.0)
    assert [kind for kind, _ in kinds(stored([rows]))] == ["dark", "warming", "lit"]


def test_a_counter_that_moves_again_is_believed_again_and_accuses_the_time_in_which_it_stood():
    rows = well("05:00", "08:30", H=5000.0) + well("08:30", "10:30", H=5001.0)
    # one hour counted from 05:00 to its step at 08:30, read out within a minute: dark for at least 149 of 210 min,
    # of which only the 61 since 07:29 are under suspicion already
    assert [kind for kind, _ in kinds(stored([rows]))] == ["dark", "unheard", "lit"]


@pytest.mark.parametrize("cut", range(1, 330, 37))
def test_taking_up_again_anywhere_gives_the_same_bit_for_bit(cut):
    readings = log()
    pieces, _ = exposed(readings, unit=UNIT, reactor=REACTOR)
    _, states = exposed(readings.iloc[:cut], unit=UNIT, reactor=REACTOR)
    state = state_at(states)
    again, _ = exposed(readings.iloc[cut:].reset_index(drop=True), unit=UNIT, reactor=REACTOR, state=state)
    after = pieces[microseconds(pieces["start"]) >= state["at_us"].iloc[0]].reset_index(drop=True)
    pd.testing.assert_frame_equal(again.drop(columns="row"), after.drop(columns="row"), check_exact=True)
