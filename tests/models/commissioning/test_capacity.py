"""Is a unit large enough: against the closed form by hand, and at the edges that it names itself."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from models.commissioning import END_OF_LIFE_OUTPUT, capacity, feed_limits
from models.fleet import Unit
from models.water_quality import LIMITS, Mark, WaterTest, water_findings
from tests.models.reactors import ANNULAR

UNIT = Unit(slug="main", reactor="annular-40", uvt_pct=82.0, peak_flow_l_min=19.0)
FRESH = {"uvt_age_days": 0.0, "uvt_live": False}


def test_the_reading_at_the_end_of_its_life_is_that_of_the_radial_model_by_hand():
    # E(r) = P_L / (2 pi r) T exp(-alpha (r - r_s)), SOURCES.md section 4 (from memory); 80 % of it, section 8 (from
    # memory). P_L = 13 W / 42 cm, T 0.92, wall 4.4 cm, sleeve 1.2 cm, alpha = -ln 0.82; 1 W/cm2 = 10,000 W/m2
    wall = 13 / 42 / (2 * math.pi * 4.4) * 0.92 * math.exp(math.log(0.82) * 3.2) * 1e4
    found = capacity(ANNULAR, UNIT, uvt_pct=82.0, **FRESH)
    assert found.intensity_w_m2 == pytest.approx(0.8 * wall, rel=1e-9) == pytest.approx(43.666, abs=0.001)
    assert END_OF_LIFE_OUTPUT == 0.80


def test_the_dose_is_that_of_the_test_scaled_by_hand():
    # In water of the test's own transmittance D goes as S/Q (the geometric model): tested at 41 W/m2 and
    # 30 L/min with 40 mJ/cm2 by the organism's own response; four tanks: RED = (n/k) ln(1 + k D/n), SOURCES.md
    # section 4. So D of the test is n/k (exp(k RED/n) - 1), up to the tie that makes the test point right.
    k, n = ANNULAR.challenge_k_cm2_mj, ANNULAR.mixing_tanks
    found = capacity(ANNULAR, UNIT, uvt_pct=75.0, **FRESH)
    ratio = found.intensity_w_m2 / 41.0 * 30.0 / 19.0
    assert ratio == pytest.approx(1.264, abs=0.001)
    tied = n / k * math.log(1 + ratio * (math.exp(k * 40.0 / n) - 1))
    assert found.dose_mj_cm2 == pytest.approx(tied, rel=0.02)  # which of tie and tanks bears it moves it a little
    assert found.dose_low_mj_cm2 < found.dose_mj_cm2


def test_the_most_flow_is_enough_and_a_little_more_is_not():
    most = capacity(ANNULAR, UNIT, uvt_pct=82.0, **FRESH).most_flow_l_min
    at = capacity(ANNULAR, replace(UNIT, peak_flow_l_min=most * (1 - 1e-9)), uvt_pct=82.0, **FRESH)
    over = capacity(ANNULAR, replace(UNIT, peak_flow_l_min=most * 1.001), uvt_pct=82.0, **FRESH)
    assert at.enough and not over.enough and over.dose_low_mj_cm2 < 40.0
    assert 15.0 < most < 30.0


def test_outside_of_what_was_tested_no_size_is_promised():
    cloudy = capacity(ANNULAR, UNIT, uvt_pct=74.0, **FRESH)
    assert not cloudy.enough and cloudy.outside == ("water at 74 %, this unit was tested down to 75 %",)
    fast = capacity(ANNULAR, replace(UNIT, peak_flow_l_min=31.0), uvt_pct=95.0, **FRESH)
    assert not fast.enough and "tested up to 30 L/min" in fast.outside[0]


def test_a_test_of_which_nobody_said_the_day_promises_less():
    fresh, undated, live = (
        capacity(ANNULAR, UNIT, uvt_pct=82.0, uvt_age_days=age, uvt_live=live).dose_low_mj_cm2
        for age, live in ((0.0, False), (math.nan, False), (0.0, True)))
    assert undated < fresh < live


def test_a_lamp_that_would_sound_the_alarm_is_named():
    assert capacity(replace(ANNULAR, alarm_intensity_w_m2=44.0), UNIT, uvt_pct=82.0, **FRESH).below_alarm
    assert not capacity(replace(ANNULAR, alarm_intensity_w_m2=43.0), UNIT, uvt_pct=82.0, **FRESH).below_alarm


@pytest.mark.parametrize(("tested_pct", "least_pct"), [(70.0, 75.0), (75.0, 75.0), (85.0, 85.0)])
def test_the_narrower_of_the_trades_limit_and_the_units_own_test_counts(tested_pct, least_pct):
    # 75 %: trade usage, SOURCES.md section 5 (from memory)
    limits = feed_limits(replace(ANNULAR, uvt_min_pct=tested_pct))
    (limit,) = [one for one in limits if one.name == "uvt_pct"]
    assert limit.value == least_pct and len(limits) == len(LIMITS)
    assert (limit.mark is Mark.ENROLLED) is (tested_pct > 75)
    over = water_findings(WaterTest(uvt_pct=least_pct - 0.1), limits)
    kept = water_findings(WaterTest(uvt_pct=least_pct), limits)
    assert [one.limit.name for one in over.over] == ["uvt_pct"] and kept.over == ()


def test_of_each_limit_it_is_said_whether_it_is_kept_and_unknown_never_is():
    found = water_findings(WaterTest(iron_mg_l=0.3, ph=7.0))
    assert {one.limit.name: one.kept for one in found.each} == {
        "hardness_mg_l": None, "iron_mg_l": False, "manganese_mg_l": None, "turbidity_ntu": None, "ph": True,
        "tannin_mg_l": None, "uvt_pct": None}
    assert len(found.each) == len(LIMITS)
    assert all("not known" in one.words for one in found.each if one.kept is None)
