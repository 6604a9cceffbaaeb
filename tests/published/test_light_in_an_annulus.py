"""Optics against tables, special functions, quadrature and rays, each source named beside its check."""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy import integrate

from models.dose import optics
from models.dose.finite_lamp import (
    WATER_INDEX,
    finite_fluence_rate_mw_cm2,
    finite_mean_mw_cm2,
    finite_mean_to_sensor,
    radial_excess,
)
from tests.models.reactors import ANNULAR, BETWEEN, NEAR_SLEEVE

# Definition of absorbance (IUPAC); values of SOURCES.md section 2, "UVT conversions", [calc], 6 digits.
CONVERSIONS = [
    (70, 0.154902, 0.356675), (75, 0.124939, 0.287682), (80, 0.096910, 0.223144), (85, 0.070581, 0.162519),
    (90, 0.045757, 0.105361), (95, 0.022276, 0.051293), (98, 0.008774, 0.020203),
]

# SOURCES.md section 4: annulus of 1.15 and 3.5 cm, 0.2 W/cm, sleeve of transmittance 1, mW/cm2, [calc] from the
# radial model of Haas and Sakellaropoulos 1979 and Liu, Ducoste et al. 2004 (both from memory).
RADIAL = [(70, 27.6791, 3.93335, 9.26951), (75, 27.6791, 4.62568, 9.95092), (85, 27.6791, 6.20750, 11.37970),
          (95, 27.6791, 8.06181, 12.89779)]
TABLED = replace(
    ANNULAR, chamber_inner_radius_cm=3.5, sleeve_outer_radius_cm=1.15, arc_length_cm=30.0, lamp_uvc_w=6.0,
    sleeve_transmittance=1.0,
)
ABSORPTIONS = optics.absorption_per_cm([40.0, 70.0, 75.0, 82.0, 90.0, 97.0, 99.9, 100.0])


def long(reactor, arc_length_cm):
    """The same lamp, as strong per centimetre, but longer."""
    stretched = arc_length_cm / reactor.arc_length_cm
    return replace(reactor, arc_length_cm=arc_length_cm, lamp_uvc_w=reactor.lamp_uvc_w * stretched)


@pytest.mark.parametrize(("uvt_pct", "a254", "absorption"), CONVERSIONS)
def test_transmittance_turns_into_absorbance_by_beer_and_lambert_and_back(uvt_pct, a254, absorption):
    assert optics.absorbance_per_cm(uvt_pct) == pytest.approx(a254, abs=5e-7)
    assert optics.absorption_per_cm(uvt_pct) == pytest.approx(absorption, abs=5e-7)
    assert optics.uvt_pct_from_absorbance(optics.absorbance_per_cm(uvt_pct)) == pytest.approx(uvt_pct, rel=1e-14)


def test_light_through_ten_centimetres_is_the_tenth_power_of_one():
    # SOURCES.md section 5, "UVT path trap": 95 % over 10 mm is 59.874 % over 100 mm [calc].
    over_10_cm = 100 * math.exp(-10 * float(optics.absorption_per_cm(95.0)))
    assert over_10_cm == pytest.approx(59.874, abs=5e-4)


@pytest.mark.parametrize("uvt_pct", [0.0, -1.0, 100.01, math.inf])
def test_a_transmittance_that_can_not_be_is_refused_with_its_place(uvt_pct):
    with pytest.raises(ValueError, match=r"uvt_pct must be above 0 and at most 100 %; got .* at index 1"):
        optics.absorption_per_cm([80.0, uvt_pct])


@pytest.mark.parametrize(("uvt_pct", "at_sleeve", "at_wall", "mean"), RADIAL)
def test_radial_field_has_the_tabled_values(uvt_pct, at_sleeve, at_wall, mean):
    a = optics.absorption_per_cm(uvt_pct)
    assert optics.fluence_rate_mw_cm2(TABLED, 1.15, a) == pytest.approx(at_sleeve, rel=2e-6)
    assert optics.fluence_rate_mw_cm2(TABLED, 3.5, a) == pytest.approx(at_wall, rel=2e-6)
    assert optics.mean_fluence_rate_mw_cm2(TABLED, a) == pytest.approx(mean, rel=1e-6)


@pytest.mark.parametrize("a", ABSORPTIONS)
def test_closed_form_mean_is_the_quadrature_of_the_same_field(a):
    # scipy.integrate.quad (QUADPACK) over the annulus: independent of the closed form.
    outer, inner = ANNULAR.chamber_inner_radius_cm, ANNULAR.sleeve_outer_radius_cm
    total, _ = integrate.quad(
        lambda r: float(optics.fluence_rate_mw_cm2(ANNULAR, r, a)) * 2 * math.pi * r, inner, outer,
        epsabs=0, epsrel=1e-12,
    )
    assert optics.mean_fluence_rate_mw_cm2(ANNULAR, a) == pytest.approx(
        total / (math.pi * (outer**2 - inner**2)), rel=1e-9
    )


@pytest.mark.parametrize("reactor", [ANNULAR, NEAR_SLEEVE, BETWEEN], ids=lambda r: r.name)
def test_ratio_is_mean_over_the_field_at_the_sensor(reactor):
    at_sensor = optics.fluence_rate_mw_cm2(reactor, optics.sensor_radius_cm(reactor), ABSORPTIONS)
    mean = optics.mean_fluence_rate_mw_cm2(reactor, ABSORPTIONS)
    assert optics.mean_to_sensor(reactor, ABSORPTIONS) == pytest.approx(mean / at_sensor, rel=1e-12)


def test_both_models_reach_the_limit_of_transparent_water():
    # By hand: without absorption E goes as 1/r, so mean over wall is 2 ro / (ro + rs), whatever the rays do.
    limit = 2 * 4.4 / (4.4 + 1.2)
    assert optics.mean_to_sensor(ANNULAR, 0.0) == pytest.approx(limit, rel=1e-14)
    assert optics.mean_to_sensor(ANNULAR, 1e-9) == pytest.approx(limit, rel=1e-8)
    endless = long(ANNULAR, 400_000.0)
    for index in (1.0, WATER_INDEX):
        assert finite_mean_to_sensor(endless, 0.0, index=index) == pytest.approx(limit, rel=2e-4)


def test_finite_mean_nears_the_closed_form_as_the_lamp_lengthens_and_its_rays_are_bent_outward():
    exact = optics.mean_fluence_rate_mw_cm2(ANNULAR, ABSORPTIONS)
    errors = [
        float(np.max(np.abs(finite_mean_mw_cm2(long(ANNULAR, length), ABSORPTIONS, index=1e7) / exact - 1)))
        for length in (42.0, 420.0, 4200.0, 42_000.0)
    ]
    assert all(b < a / 5 for a, b in pairwise(errors)), errors
    assert errors[-1] < 1e-4


def test_straight_rays_of_an_endless_lamp_give_the_bickley_function():
    # Infinite isotropic line: E = P_L/(2 pi r) Ki1(a (r - rs)), Ki1 the Bickley function; Ki1(0) = pi/2
    # (Abramowitz and Stegun, Handbook of Mathematical Functions, 11.2.8 ff., from memory); by scipy's quadrature.
    endless = long(ANNULAR, 1e6)
    for r in (1.2, 2.0, 4.4):
        for a in (0.0, 0.1, 0.3, 0.9):
            depth = a * (r - 1.2)
            bickley, _ = integrate.quad(lambda t, x=depth: math.exp(-x * math.cosh(t)) / math.cosh(t), 0, 40)
            per_cm = 1000 * ANNULAR.lamp_uvc_w * ANNULAR.sleeve_transmittance / ANNULAR.arc_length_cm
            assert finite_fluence_rate_mw_cm2(endless, r, 0.0, a) == pytest.approx(
                per_cm / (2 * math.pi * r) * bickley, rel=2e-5
            )


@pytest.mark.parametrize(("r", "z"), [(1.2, 0.0), (2.5, 10.0), (4.4, 21.0), (4.4, -19.0)])
def test_transparent_water_gives_the_line_source_integral(r, z):
    # Blatchley 1997, Water Research 31(9), from memory (SOURCES.md section 4): E = (P/L)/(4 pi r) x
    # [atan((L/2 + z)/r) + atan((L/2 - z)/r)].
    length = ANNULAR.arc_length_cm
    per_cm = 1000 * ANNULAR.lamp_uvc_w * ANNULAR.sleeve_transmittance / length
    expected = per_cm / (4 * math.pi * r) * (math.atan((length / 2 + z) / r) + math.atan((length / 2 - z) / r))
    assert finite_fluence_rate_mw_cm2(ANNULAR, r, z, 0.0) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(("r", "z", "a"), [(1.3, 0.0, 0.3), (3.0, 12.0, 0.2), (4.4, -20.0, 0.05)])
def test_straight_rays_are_the_sum_over_point_sources(r, z, a):
    # Multiple point source summation (Bolton 2000, Water Research 34, SOURCES.md section 4): written out here.
    points = 200_000
    along = (np.arange(points) + 0.5) / points * ANNULAR.arc_length_cm - ANNULAR.arc_length_cm / 2
    distance = np.hypot(r, z - along)
    in_water = distance * (r - 1.2) / r
    power_mw = 1000 * ANNULAR.lamp_uvc_w * ANNULAR.sleeve_transmittance / points
    total = np.sum(power_mw / (4 * math.pi * distance**2) * np.exp(-a * in_water))
    assert finite_fluence_rate_mw_cm2(ANNULAR, r, z, a) == pytest.approx(total, rel=1e-8)


@pytest.mark.parametrize("index", [1.0, WATER_INDEX])
@pytest.mark.parametrize("uvt_pct", [70.0, 90.0, 100.0])
def test_rays_thrown_at_random_give_the_same_mean_within_their_own_error(index, uvt_pct):
    """Track-length estimate: the mean fluence rate is the path of all light in the volume over the volume."""
    rng = np.random.default_rng(8 + int(uvt_pct * index))
    rays, half, width = 200_000, 21.0, 3.2
    start = rng.uniform(-half, half, rays)
    sine = rng.uniform(-1, 1, rays)  # the same in all directions
    bent = sine / index
    leaves = start + 1.2 * sine / np.sqrt(1 - sine**2)
    left_cm = np.where(sine > 0, half - leaves, half + leaves) / np.abs(bent)
    path = np.clip(np.minimum(width / np.sqrt(1 - bent**2), left_cm), 0, None)
    a = -math.log(uvt_pct / 100)
    lit = path if a == 0 else -np.expm1(-a * path) / a
    volume = math.pi * (4.4**2 - 1.2**2) * 42
    each = 1000 * 13.0 * 0.92 * lit / volume
    mean, error = each.mean(), each.std() / math.sqrt(rays)
    assert error / mean < 0.003
    assert abs(float(finite_mean_mw_cm2(ANNULAR, a, index=index)) - mean) < 4 * error


def test_rays_that_slant_cost_nothing_at_the_test_point_and_more_the_clearer_the_water():
    excess = radial_excess(ANNULAR, optics.absorption_per_cm([60.0, 75.0, 82.0, 90.0, 97.0]))
    assert excess[0] == 0 and excess[1] == pytest.approx(0, abs=1e-12)
    assert np.all(np.diff(excess[1:]) > 0)
    assert excess[-1] < 0.1


def test_spline_of_the_finite_lamp_holds_its_stated_error():
    for reactor in (ANNULAR, NEAR_SLEEVE, BETWEEN):
        absorption = optics.absorption_per_cm(np.append(np.linspace(30.0, 100.0, 100), 75.0))
        finite = finite_mean_to_sensor(reactor, absorption, index=WATER_INDEX)
        finite /= optics.mean_to_sensor(reactor, absorption)
        expected = np.maximum(0, 1 - finite / finite[-1])
        assert radial_excess(reactor, absorption) == pytest.approx(expected, abs=1e-5)


def test_an_index_below_that_of_air_is_refused():
    with pytest.raises(ValueError, match="index must be at least 1"):
        finite_fluence_rate_mw_cm2(ANNULAR, 2.0, 0.0, 0.1, index=0.9)
