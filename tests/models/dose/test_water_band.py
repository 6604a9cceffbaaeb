"""A water test's band: fresh, aging, of a day that nobody knows; and clearer water behind the same reading."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from models.dose import assess, optics
from models.dose.reactor import Geometric
from models.dose.water_band import Water, band_points, looks_worse
from tests.models.reactors import ANNULAR, BY_EQUATION, NEAR_SLEEVE

NOW = datetime(2026, 11, 26, tzinfo=UTC)


def test_the_band_widens_by_a_point_a_month_up_to_a_years_and_is_widest_where_nobody_knows():
    found = band_points(ANNULAR, [0.0, 29.0, 31.0, 200.0, 365.0, 2500.0, math.nan, -31.0])
    assert found.tolist() == [4.0, 4.0, 5.0, 10.0, 16.0, 16.0, 7.0, 5.0]


def test_a_test_of_more_than_a_year_is_too_old():
    def too_old_days(tested_at):
        return Water.tested(ANNULAR, 82.0, tested_at, NOW).too_old_days(NOW)

    assert too_old_days(NOW - timedelta(days=364)) is None
    assert too_old_days(NOW - timedelta(days=366)) == 366
    assert too_old_days(None) is None  # of a day that nobody knows
    assert Water.tested(ANNULAR, 82.0, None, NOW).points == 7.0


@pytest.mark.parametrize("tested_pct", [78.0, 82.0, 88.0])
@pytest.mark.parametrize("off", [-8.0, -4.0, 4.0, 8.0, 12.0, 15.0])
def test_a_bound_of_an_old_test_holds_in_any_water_of_its_band(tested_pct, off):
    # the sensor reads what the true water lets through; the lamp is as weak as that takes, at most as new
    truth = min(tested_pct + off, 99.0)
    for reading in np.linspace(15.0, 60.0, 10):
        absorption = optics.absorption_per_cm(np.array(truth))
        true = Geometric(ANNULAR)
        if reading > float(optics.fluence_rate_mw_cm2(ANNULAR, ANNULAR.chamber_inner_radius_cm, absorption)) * 10:
            continue  # no lamp gives that in this water
        dose = float(true.validated(true.product(np.array(reading), absorption, np.array(20.0))))
        low = float(assess(
            ANNULAR, intensity_w_m2=reading, flow_l_min=20.0, uvt_pct=tested_pct, uvt_live=False,
            uvt_test_points=16.0).red_low_mj_cm2)
        assert low <= dose * 1.001


def test_clearer_water_with_a_weaker_lamp_is_covered():
    # tested at 82 %, in truth 97 %: at the reading at which the bound of an old test says 40, 40 is what it gets
    readings = np.linspace(20.0, 70.0, 2001)
    low = assess(
        ANNULAR, intensity_w_m2=readings, flow_l_min=18.0, uvt_pct=82.0, uvt_live=False,
        uvt_test_points=16.0).red_low_mj_cm2
    reading = readings[np.searchsorted(low, 40.0)]
    model = Geometric(ANNULAR)
    absorption = optics.absorption_per_cm(np.array(97.0))
    true = model.validated(model.product(np.array(reading), absorption, np.array(18.0)))
    assert float(true) * (1 - float(model.excess(absorption))) >= 40.0


@pytest.mark.parametrize(("kind", "clearer"), [(ANNULAR, True), (NEAR_SLEEVE, False), (BY_EQUATION, False)])
def test_clearer_water_looks_worse_only_where_it_takes_dose_away(kind, clearer):
    """At the wall light of one reading was weakened by all of the water; near the sleeve by hardly any of it.

    By the equation from 82 to 90 %, a of 0.198 to 0.105: exp(-0.093 x 3.2 x 0.9) x (0.105 / 0.198)^-0.6 = 1.12.
    """
    assert looks_worse(kind, 90.0, 82.0) == clearer
    assert looks_worse(kind, 74.0, 82.0) and not looks_worse(kind, 82.0, 82.0)
