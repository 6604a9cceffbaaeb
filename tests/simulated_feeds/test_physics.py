"""The simulator's physics against general libraries and published figures."""

import numpy as np
import pytest
from scipy import integrate, optimize

from simulated_feeds import lamp_physics as ageing
from simulated_feeds import weather
from simulated_feeds.reactor import chamber

REACTOR = {
    "chamber_inner_radius_cm": 4.4, "sleeve_outer_radius_cm": 1.2, "arc_length_cm": 42.0, "lamp_uvc_w": 13.0,
    "sleeve_transmittance": 0.92, "mixing_tanks": 4, "test_flow_l_min": 30.0, "test_uvt_pct": 75.0,
    "test_intensity_w_m2": 41.0, "test_red_mj_cm2": 40.0, "challenge_k_cm2_mj": 0.115, "validation_factor": 1.0,
}


@pytest.mark.parametrize("uvt_pct", [65.0, 75.0, 88.0, 98.0])
def test_the_mean_fluence_rate_is_that_of_an_adaptive_quadrature(uvt_pct):
    # Beer-Lambert with transmittance of 1 cm, base 10 or e alike; scipy.integrate.quad as the reference
    def ring(r):
        rate = 1e4 * 13.0 * 0.92 / (2 * np.pi * r * 42.0) * (uvt_pct / 100) ** (r - 1.2)
        return rate * 2 * np.pi * r
    expected = integrate.quad(ring, 1.2, 4.4)[0] / (np.pi * (4.4**2 - 1.2**2))
    vessel = chamber(REACTOR)
    found = np.interp(-np.log10(uvt_pct / 100), vessel.grid_absorbance, vessel.mean_w_m2)
    assert found == pytest.approx(expected, rel=1e-4)  # the table's interpolation


def test_the_dose_at_the_test_point_is_the_test_points():
    vessel = chamber(REACTOR)
    absorbance = -np.log10(0.75)
    assert vessel.dose(41.0 / vessel.wall(absorbance), absorbance, 30.0) == pytest.approx(40.0, rel=1e-9)


def test_survival_through_the_tanks_is_that_of_their_mass_balance():
    # Tanks in series with first-order decay (any reactor engineering text, e.g. Levenspiel; from memory):
    # steady mass balance of tank i: 0 = (N[i-1] - N[i])/tau - k E N[i]; solved here numerically.
    vessel = chamber(REACTOR)
    absorbance, flow_l_min, output = 0.09, 18.0, 0.8
    rate = 0.1 * output * np.interp(absorbance, vessel.grid_absorbance, vessel.mean_w_m2)  # mW/cm2
    tau_s = 60 * vessel.volume_l / flow_l_min / 4
    survivors = 1.0
    for _ in range(4):
        before = survivors
        survivors = optimize.brentq(lambda n, n0=before: (n0 - n) / tau_s - 0.115 * rate * n, 0, 1, xtol=1e-15)
    expected = -np.log(survivors) / 0.115 * vessel.calibration
    assert vessel.dose(output, absorbance, flow_l_min) == pytest.approx(expected, rel=1e-6)


def test_a_lamp_worn_at_the_rated_pace_has_lost_a_fifth_at_9000_hours():
    # "80 % or more of 100-h output left at 9,000 h", SOURCES.md section 8, from memory
    lamp = ageing.Lamp(loss_per_h=-np.log(0.8) / 9000, start_costs_h=0, first_output=1.0, burn_in_log=0.0)
    hours = np.array([100.0, 9100.0])
    assert np.exp(np.diff(lamp.log_output(hours, 0)))[0] == pytest.approx(0.8, rel=1e-12)
    # "at 4,500 h 89.443 %", same place, calculated there
    assert np.exp(lamp.log_output(4600.0, 0)) == pytest.approx(0.89443, abs=5e-6)


def test_a_lamp_warms_up_to_within_a_hundredth_in_its_warm_up_time():
    assert ageing.warm_share(120.0, 120.0) == pytest.approx(0.99, rel=1e-9)
    assert np.all(np.diff(ageing.warm_share(np.arange(600), 120.0)) > 0)


def test_cold_water_dims_a_lamp():
    # "output falls well below 10 C water", SOURCES.md section 8, from memory
    assert ageing.temperature_share(4.0) < 0.85 < ageing.temperature_share(20.0)


@pytest.mark.parametrize(("day_of_year", "latitude"), [(172, 45.0), (355, 45.0), (80, 60.0), (172, 55.0)])
def test_days_are_as_long_as_the_sunrise_equation_says(day_of_year, latitude):
    # cos w = -tan(latitude) tan(declination), declination 23.45 deg x sin(360/365 (n - 81)) (Cooper 1969; memory)
    declination = np.deg2rad(23.45) * np.sin(2 * np.pi * (day_of_year - 81) / 365)
    expected_h = 24 / np.pi * np.arccos(-np.tan(np.deg2rad(latitude)) * np.tan(declination))
    at_s = np.arange(0, 86_400, 60) + 86_400 * day_of_year
    lit_h = (weather.sun_w_m2(at_s, latitude=latitude, longitude=-79.0) > 0).sum() / 60
    assert lit_h == pytest.approx(expected_h, abs=0.25)
