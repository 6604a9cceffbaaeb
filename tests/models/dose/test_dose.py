"""`assess`: stated results for what isn't plain, the worst explanation, and what holds for every reading."""

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.dose import DoseReason, assess
from models.dose.reactor import Sensor, explained, flow_max_l_min, uvt_min_pct
from models.dose.sizing import new_lamp_intensity_w_m2
from models.fleet import CalculatedDose
from tests.models.reactors import ANNULAR, BETWEEN, BLIND, BY_EQUATION, EVERY_KIND, NEAR_SLEEVE

ROUNDING = 1 + 1e-12
PLAIN = {"intensity_w_m2": 50.0, "flow_l_min": 20.0, "uvt_pct": 82.0, "uvt_live": False}
NAN = math.nan


def dose(reactor, **changes):
    """Central value and bound of one reading."""
    found = assess(reactor, **(PLAIN | changes))
    return float(found.red_mj_cm2), float(found.red_low_mj_cm2)


@pytest.mark.parametrize("reactor", [ANNULAR, NEAR_SLEEVE, BETWEEN, BLIND, replace(ANNULAR, validation_factor=1.3)])
def test_test_point_with_measured_transmittance_gives_the_reports_dose_over_the_validation_factor(reactor):
    found = assess(
        reactor, intensity_w_m2=reactor.test_intensity_w_m2, flow_l_min=reactor.test_flow_l_min,
        uvt_pct=reactor.test_uvt_pct, uvt_live=True,
    )
    expected = reactor.test_red_mj_cm2 / reactor.validation_factor
    assert float(found.red_mj_cm2) == pytest.approx(expected, rel=1e-9)


def test_test_point_without_live_transmittance_is_the_same_where_the_test_used_the_lamp_as_new():
    found, low = dose(ANNULAR, intensity_w_m2=41.0, flow_l_min=30.0, uvt_pct=75.0)
    assert found == pytest.approx(40.0, rel=1e-9) and low < found


def test_a_dose_reckoned_by_hand():
    # By hand, UVT 82 %: a = 0.198451; ratio 2.195158; E = 0.1 x 54 x 2.195158 = 11.85385 mW/cm2;
    # t = 60 x 2.364488/28 = 5.066761 s; D = 60.06063; at the test point 50.00072;
    # C = 40 / (4/0.115 ln(1 + 0.115 x 50.00072/4)) = 1.290711;
    # dose = 1.290711 x 4/0.115 x ln(1 + 0.115 x 60.06063/4) = 45.0338.
    assert dose(ANNULAR, intensity_w_m2=54.0, flow_l_min=28.0)[0] == pytest.approx(45.0338, abs=5e-5)


STATED = [
    # changes, central, bound (None: any above 0), reason
    ({}, None, None, DoseReason.OK),
    ({"lamp_on": False}, 0.0, 0.0, DoseReason.LAMP_OFF),
    ({"lamp_on": False, "flow_l_min": 0.0}, 0.0, 0.0, DoseReason.LAMP_OFF),
    ({"lamp_on": False, "intensity_w_m2": NAN}, 0.0, 0.0, DoseReason.LAMP_OFF),
    ({"warm": False}, None, 0.0, DoseReason.WARMING),
    ({"warm": True}, None, None, DoseReason.OK),
    ({"intensity_w_m2": 0.0}, 0.0, 0.0, DoseReason.NO_LIGHT),
    ({"intensity_w_m2": 0.0, "flow_l_min": 0.0}, 0.0, 0.0, DoseReason.NO_LIGHT),
    ({"intensity_w_m2": NAN}, NAN, NAN, DoseReason.NO_INTENSITY),
    ({"intensity_w_m2": NAN, "flow_l_min": 0.0}, NAN, NAN, DoseReason.NO_INTENSITY),
    ({"uvt_pct": NAN}, NAN, NAN, DoseReason.NO_UVT),
    ({"uvt_pct": NAN, "flow_l_min": 0.0}, NAN, NAN, DoseReason.NO_UVT),
    ({"flow_l_min": NAN}, NAN, NAN, DoseReason.NO_FLOW_READING),
    ({"flow_l_min": NAN, "peak_flow_l_min": 25.0}, NAN, None, DoseReason.NO_FLOW_READING),
    ({"flow_l_min": 0.0}, math.inf, None, DoseReason.NO_FLOW),
    ({"flow_l_min": 0.0, "warm": False}, math.inf, 0.0, DoseReason.WARMING),
    ({"flow_l_min": 0.0, "peak_flow_l_min": 41.0}, math.inf, None, DoseReason.NO_FLOW),
    ({"flow_l_min": 41.0}, None, None, DoseReason.ABOVE_TESTED_FLOW),
    ({"uvt_pct": 69.0}, None, None, DoseReason.BELOW_TESTED_UVT),
    ({"uvt_pct": 69.0, "intensity_w_m2": NAN}, NAN, NAN, DoseReason.NO_INTENSITY),
    ({"intensity_w_m2": 150.0}, None, None, DoseReason.ABOVE_NEW_LAMP),
    ({"intensity_w_m2": 20.0}, None, None, DoseReason.BELOW_ALARM),
]


@pytest.mark.parametrize("reactor", [ANNULAR, BY_EQUATION], ids=lambda r: r.name)
@pytest.mark.parametrize("uvt_live", [True, False])
@pytest.mark.parametrize(("changes", "central", "low", "reason"), STATED)
def test_what_is_not_plain_has_a_stated_result_that_is_never_optimistic(
    reactor, uvt_live, changes, central, low, reason
):
    found = assess(reactor, **(PLAIN | changes | {"uvt_live": uvt_live}))
    assert found.reason == reason
    for value, stated in ((float(found.red_mj_cm2), central), (float(found.red_low_mj_cm2), low)):
        if stated is None:
            assert 0 < value < math.inf
        else:
            assert value == pytest.approx(stated, nan_ok=True)
    assert found.red_low_mj_cm2 != math.inf


@pytest.mark.parametrize("reactor", [ANNULAR, BY_EQUATION], ids=lambda r: r.name)
@pytest.mark.parametrize("uvt_live", [True, False])
def test_outside_of_the_test_the_bound_goes_on_less_a_fifth_and_a_share_for_each_point(reactor, uvt_live):
    at = {"uvt_live": uvt_live}
    flow, uvt = flow_max_l_min(reactor), uvt_min_pct(reactor)
    edge, beyond = (dose(reactor, flow_l_min=flow * part, **at)[1] for part in (1.0, 1.0 + 1e-9))
    assert beyond == pytest.approx(0.8 * edge, rel=1e-6)
    edge, beyond, far = (dose(reactor, uvt_pct=uvt - points, **at)[1] for points in (0.0, 1e-9, 5.0))
    assert beyond == pytest.approx(0.8 * edge, rel=1e-4)
    assert 0 < far <= beyond  # at one reading cloudier water means a brighter lamp
    both = dose(reactor, flow_l_min=flow + 1.0, uvt_pct=uvt - 5.0, **at)[1]
    assert 0 < both < far
    exact = explained(
        reactor, np.array(50.0), np.array(25.0), np.array(uvt - 5.0), uvt_points=reactor.uvt_uncertainty_points,
        water_may_differ=False)[0]
    share = 0.8 if reactor.equation is None else 0.8 * (1 - 5 * 0.015)  # 1.5 % a point (ours, no source)
    within = float(exact.dose_low_mj_cm2)
    found = dose(reactor, uvt_pct=uvt - 5.0, uvt_live=True, intensity_w_m2=50.0, flow_l_min=25.0)[1]
    assert found == pytest.approx(share * within, rel=1e-3)


def test_standing_water_is_bound_by_what_the_next_draw_would_get():
    at_most_tested, at_peak = dose(ANNULAR, flow_l_min=30.0)[1], dose(ANNULAR, flow_l_min=25.0)[1]
    assert dose(ANNULAR, flow_l_min=0.0)[1] == at_most_tested
    assert dose(ANNULAR, flow_l_min=0.0, peak_flow_l_min=25.0)[1] == at_peak
    assert dose(ANNULAR, flow_l_min=NAN, peak_flow_l_min=25.0)[1] == at_peak


def test_light_beyond_a_new_lamp_in_clear_water_earns_no_more_than_that():
    brightest = Sensor(ANNULAR).brightest_w_m2
    for live in (True, False):
        most = dose(ANNULAR, intensity_w_m2=brightest, uvt_live=live)
        assert dose(ANNULAR, intensity_w_m2=1e5, uvt_live=live) == most


def test_at_the_wall_a_weak_lamp_is_the_worse_explanation_of_a_fallen_reading():
    found = assess(ANNULAR, **PLAIN | {"intensity_w_m2": 40.0})
    assert found.explanation == "weak-lamp"
    assert float(found.red_mj_cm2) == pytest.approx(dose(ANNULAR, intensity_w_m2=40.0, uvt_live=True)[0])


def test_near_the_sleeve_cloudy_water_is_the_worse_explanation_of_a_fallen_reading():
    as_new = new_lamp_intensity_w_m2(NEAR_SLEEVE, uvt_pct=82.0)
    found = assess(NEAR_SLEEVE, **PLAIN | {"intensity_w_m2": 0.8 * as_new})
    assert found.explanation == "cloudy-water"
    assert float(found.red_mj_cm2) < 0.8 * dose(NEAR_SLEEVE, intensity_w_m2=0.8 * as_new, uvt_live=True)[0]


def test_a_reading_above_a_new_lamps_is_taken_for_clearer_water_where_that_means_less_dose():
    as_new = new_lamp_intensity_w_m2(ANNULAR, uvt_pct=82.0)
    found = assess(ANNULAR, **PLAIN | {"intensity_w_m2": 1.1 * as_new})
    assert found.explanation == "clear-water"
    assert float(found.red_mj_cm2) < dose(ANNULAR, intensity_w_m2=1.1 * as_new, uvt_live=True)[0]


def test_a_sensor_that_sees_no_water_blames_the_lamp():
    for intensity in (150.0, 300.0):
        assert assess(BLIND, **PLAIN | {"intensity_w_m2": intensity}).explanation == "weak-lamp"


def test_a_mixture_of_weak_lamp_and_cloudy_water_counts_where_it_is_worse_than_either():
    as_new = new_lamp_intensity_w_m2(BETWEEN, uvt_pct=98.0)
    reading = {"intensity_w_m2": 0.3 * as_new, "flow_l_min": 20.0, "uvt_pct": 98.0}
    ways = explained(
        BETWEEN, *(np.array(x) for x in reading.values()), uvt_points=4.0, water_may_differ=True
    )
    ends = [float(way.dose_mj_cm2) for way in ways if not np.isnan(way.dose_mj_cm2)][:3]
    assert float(assess(BETWEEN, **reading, uvt_live=False).red_mj_cm2) < min(ends) / ROUNDING


def test_a_measured_transmittance_leaves_no_choice_and_widens_no_bound():
    found = assess(ANNULAR, **PLAIN | {"uvt_live": True})
    assert found.explanation == "measured"
    assert float(found.red_low_mj_cm2) > dose(ANNULAR)[1]


def test_bound_narrows_to_the_value_without_uncertainty_at_the_tests_water():
    sure = replace(
        ANNULAR, sensor_uncertainty_pct=0.0, flow_uncertainty_pct=0.0, uvt_uncertainty_points=0.0,
        uvt_test_uncertainty_points=0.0, test_red_uncertainty_pct=0.0,
    )
    value, low = dose(sure, uvt_pct=75.0, intensity_w_m2=40.0)
    assert low == pytest.approx(value, rel=1e-9)


def test_an_equation_that_would_reward_flow_or_cloudy_water_is_refused():
    with pytest.raises(ValueError, match=r"equation.b must be at most 0; got 0.5"):
        CalculatedDose(a=1.0, b=0.5, c=1.0, d=1.0)
    with pytest.raises(ValueError, match=r"equation.d must be above 0; got -1.0"):
        CalculatedDose(a=1.0, b=-0.5, c=1.0, d=-1.0)


def test_an_equation_gives_what_its_coefficients_say():
    # By hand: A254 = -log10(0.82) = 0.0861861; S0 = 103.0029 exp(-0.1984509 x 3.2) = 54.5818;
    # 10^2.4 x 0.0861861^-0.6 x (44/54.5818)^0.9 x 20^-0.95 / 1.2 = 43.584.
    by_hand = 10**2.4 * 0.0861861**-0.6 * (44 / 54.5818) ** 0.9 * 20**-0.95 / 1.2
    assert dose(BY_EQUATION, intensity_w_m2=44.0, uvt_live=True)[0] == pytest.approx(by_hand, rel=2e-5)


@pytest.mark.parametrize(
    ("name", "value", "allowed"),
    [("intensity_w_m2", -1.0, "at least 0 and finite"), ("flow_l_min", math.inf, "at least 0 and finite"),
     ("flow_l_min", -0.1, "at least 0 and finite"), ("uvt_pct", 0.0, "above 0 and at most 100"),
     ("uvt_pct", 100.5, "above 0 and at most 100")],
)
def test_a_reading_that_can_not_be_is_refused_with_its_place_even_far_down_the_column(name, value, allowed):
    column = np.full(200_000, PLAIN[name])
    column[150_000], column[150_001] = NAN, value
    with pytest.raises(ValueError, match=rf"{name} must be {allowed}; got {value!r} at index 150001"):
        assess(ANNULAR, **PLAIN | {name: column})


def test_words_for_numbers_are_refused():
    with pytest.raises(ValueError, match="intensity_w_m2 must hold numbers"):
        assess(ANNULAR, **PLAIN | {"intensity_w_m2": ["bright"]})
    with pytest.raises(ValueError, match="lamp_on must hold true, false or unknown"):
        assess(ANNULAR, **PLAIN | {"lamp_on": ["yes"]})
    with pytest.raises(ValueError, match="peak_flow_l_min must be above 0"):
        assess(ANNULAR, **PLAIN, peak_flow_l_min=0.0)


def test_columns_of_every_kind_mean_the_same():
    plain = np.array([50.0, 40.0, NAN])
    lamp = [True, None, False]
    expected = assess(ANNULAR, **PLAIN | {"intensity_w_m2": plain, "lamp_on": np.array([1.0, NAN, 0.0])})
    for column, flags in (
        ([50.0, 40.0, None], lamp), (pd.Series(plain), pd.Series(lamp, dtype="boolean")),
        (pd.array([50.0, 40.0, None], dtype="Float64"), pd.Series(lamp, dtype=object)),
        (plain.astype(np.float32), np.array(lamp, dtype=object)),
    ):
        found = assess(ANNULAR, **PLAIN | {"intensity_w_m2": column, "lamp_on": flags})
        np.testing.assert_array_equal(found.red_low_mj_cm2, expected.red_low_mj_cm2)
        assert found.reason.tolist() == expected.reason.tolist() == ["ok", "ok", "lamp-off"]


def test_inputs_broadcast_and_no_rows_give_no_rows():
    flows, intensities = np.array([[10.0], [20.0]]), [40.0, 50.0, 60.0]
    found = assess(ANNULAR, **PLAIN | {"flow_l_min": flows, "intensity_w_m2": intensities})
    assert found.red_mj_cm2.shape == found.reason.shape == (2, 3)
    assert float(found.red_mj_cm2[1, 1]) == dose(ANNULAR)[0]
    assert assess(ANNULAR, **PLAIN | {"flow_l_min": []}).red_mj_cm2.shape == (0,)


def test_a_rows_result_does_not_depend_on_the_rows_around_it():
    rng = np.random.default_rng(5)
    size = 140_000
    columns = {
        "intensity_w_m2": rng.uniform(0, 110, size), "flow_l_min": rng.uniform(0, 35, size),
        "uvt_pct": rng.uniform(65, 100, size), "uvt_live": rng.random(size) < 0.5,
    }
    columns["intensity_w_m2"][rng.random(size) < 0.05] = NAN
    columns["flow_l_min"][rng.random(size) < 0.2] = 0.0
    whole = assess(ANNULAR, **columns)
    for rows in (slice(0, 7), slice(65_530, 65_550), slice(139_999, None), slice(3, 130_000, 1013)):
        part = assess(ANNULAR, **{name: column[rows] for name, column in columns.items()})
        np.testing.assert_array_equal(part.red_mj_cm2, whole.red_mj_cm2[rows])
        np.testing.assert_array_equal(part.red_low_mj_cm2, whole.red_low_mj_cm2[rows])
        np.testing.assert_array_equal(part.reason_code, whole.reason_code[rows])
        np.testing.assert_array_equal(part.explanation_code, whole.explanation_code[rows])


def test_inputs_are_left_as_they_were():
    intensity, flow, uvt = np.array([500.0, 50.0]), np.array([0.0, 20.0]), np.array([82.0, 90.0])
    kept = [column.copy() for column in (intensity, flow, uvt)]
    assess(ANNULAR, intensity_w_m2=intensity, flow_l_min=flow, uvt_pct=uvt, uvt_live=False)
    for column, before in zip((intensity, flow, uvt), kept, strict=True):
        np.testing.assert_array_equal(column, before)


# Tested so widely that no rule cuts off the bound where the arithmetic should hold.
WIDE = [replace(one, name=f"{one.name}-wide", uvt_min_pct=15.0, flow_max_l_min=70.0) for one in EVERY_KIND]
KINDS = st.sampled_from([*EVERY_KIND, *WIDE])
LIVE = st.booleans()
INTENSITIES = st.floats(0, 600)
FLOWS = st.floats(0.01, 60)
UVTS = st.floats(5, 100)


@settings(max_examples=300, deadline=None)
@given(reactor=KINDS, live=LIVE, intensity=INTENSITIES, flow=FLOWS, uvt=UVTS)
def test_the_bound_is_never_above_the_value(reactor, live, intensity, flow, uvt):
    value, low = dose(reactor, intensity_w_m2=intensity, flow_l_min=flow, uvt_pct=uvt, uvt_live=live)
    assert 0 <= low <= value * ROUNDING


@settings(max_examples=300, deadline=None)
@given(reactor=KINDS, live=LIVE, intensity=INTENSITIES, flows=st.tuples(FLOWS, FLOWS), uvt=UVTS)
def test_dose_and_bound_never_rise_when_flow_rises(reactor, live, intensity, flows, uvt):
    less, more = (
        dose(reactor, intensity_w_m2=intensity, flow_l_min=flow, uvt_pct=uvt, uvt_live=live)
        for flow in sorted(flows)
    )
    assert more[0] <= less[0] * ROUNDING and more[1] <= less[1] * ROUNDING


@settings(max_examples=300, deadline=None)
@given(reactor=KINDS, live=LIVE, intensities=st.tuples(INTENSITIES, INTENSITIES), flow=FLOWS, uvt=UVTS)
def test_dose_and_bound_never_rise_when_intensity_falls(reactor, live, intensities, flow, uvt):
    dim, bright = (
        dose(reactor, intensity_w_m2=intensity, flow_l_min=flow, uvt_pct=uvt, uvt_live=live)
        for intensity in sorted(intensities)
    )
    assert dim[0] <= bright[0] * ROUNDING and dim[1] <= bright[1] * ROUNDING


@settings(max_examples=300, deadline=None)
@given(reactor=KINDS, live=LIVE, output=st.floats(0.05, 1.0), flow=FLOWS, uvts=st.tuples(UVTS, UVTS))
def test_with_the_lamps_output_fixed_dose_and_bound_never_rise_when_transmittance_falls(
    reactor, live, output, flow, uvts
):
    cloudy, clear = (
        dose(
            reactor, intensity_w_m2=new_lamp_intensity_w_m2(reactor, uvt_pct=uvt, output=output), flow_l_min=flow,
            uvt_pct=uvt, uvt_live=live,
        )
        for uvt in sorted(uvts)
    )
    assert cloudy[0] <= clear[0] * ROUNDING
    assert cloudy[1] <= clear[1] * ROUNDING
