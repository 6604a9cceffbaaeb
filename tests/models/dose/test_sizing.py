"""What a unit may carry: each edge is an edge of what `assess` accepts."""

import math

import pytest

from models.dose import assess
from models.dose.sizing import least_intensity_w_m2, least_uvt_pct, most_flow_l_min, new_lamp_intensity_w_m2
from tests.models.dose.test_dose import WIDE
from tests.models.reactors import ANNULAR, EVERY_KIND

NEARLY = 1e-6


def low(reactor, **reading):
    return float(assess(reactor, uvt_live=False, **reading).red_low_mj_cm2)


@pytest.mark.parametrize("reactor", WIDE, ids=lambda r: r.name)
def test_most_flow_reaches_the_target_and_a_little_more_does_not(reactor):
    reading = {"uvt_pct": 82.0, "intensity_w_m2": new_lamp_intensity_w_m2(reactor, uvt_pct=82.0, output=0.6)}
    flow = most_flow_l_min(reactor, target_mj_cm2=40.0, **reading)
    assert 0 < flow < 70.0
    assert low(reactor, flow_l_min=flow, **reading) >= 40.0
    assert low(reactor, flow_l_min=flow * (1 + NEARLY), **reading) < 40.0


@pytest.mark.parametrize("reactor", WIDE, ids=lambda r: r.name)
def test_least_transmittance_reaches_the_target_and_a_little_less_does_not(reactor):
    output, flow = 0.9, 20.0
    uvt = least_uvt_pct(reactor, flow_l_min=flow, target_mj_cm2=40.0, output=output)

    def at(uvt_pct):
        intensity = new_lamp_intensity_w_m2(reactor, uvt_pct=uvt_pct, output=output)
        return low(reactor, flow_l_min=flow, uvt_pct=uvt_pct, intensity_w_m2=intensity)

    assert 15.0 < uvt < 100.0
    assert at(uvt) >= 40.0 > at(uvt * (1 - NEARLY))


@pytest.mark.parametrize("reactor", WIDE, ids=lambda r: r.name)
def test_least_intensity_reaches_the_target_and_a_little_less_does_not(reactor):
    intensity = least_intensity_w_m2(reactor, flow_l_min=20.0, uvt_pct=82.0, target_mj_cm2=40.0)
    assert intensity > reactor.alarm_intensity_w_m2
    assert low(reactor, flow_l_min=20.0, uvt_pct=82.0, intensity_w_m2=intensity) >= 40.0
    assert low(reactor, flow_l_min=20.0, uvt_pct=82.0, intensity_w_m2=intensity * (1 - NEARLY)) < 40.0


def test_nothing_reaches_beyond_what_was_tested():
    reading = {"uvt_pct": 90.0, "intensity_w_m2": 70.0}
    assert most_flow_l_min(ANNULAR, target_mj_cm2=1.0, **reading) == ANNULAR.test_flow_l_min
    assert least_uvt_pct(ANNULAR, flow_l_min=1.0, target_mj_cm2=1.0) == ANNULAR.test_uvt_pct
    least = least_intensity_w_m2(ANNULAR, flow_l_min=1.0, uvt_pct=90.0, target_mj_cm2=1.0)
    assert least == ANNULAR.alarm_intensity_w_m2


@pytest.mark.parametrize("reactor", EVERY_KIND, ids=lambda r: r.name)
def test_what_can_not_be_covered_is_said_and_not_guessed(reactor):
    # Water, then flow, outside what was tested; a target out of reach.
    assert most_flow_l_min(reactor, uvt_pct=60.0, intensity_w_m2=50.0, target_mj_cm2=40.0) == 0.0
    assert math.isnan(least_uvt_pct(reactor, flow_l_min=25.0, target_mj_cm2=500.0))
    assert math.isnan(least_uvt_pct(reactor, flow_l_min=45.0, target_mj_cm2=1.0))
    assert math.isnan(least_intensity_w_m2(reactor, flow_l_min=25.0, uvt_pct=82.0, target_mj_cm2=500.0))


def test_a_weaker_lamp_carries_less():
    flows = [
        most_flow_l_min(
            ANNULAR, uvt_pct=82.0, intensity_w_m2=new_lamp_intensity_w_m2(ANNULAR, uvt_pct=82.0, output=output),
            target_mj_cm2=40.0,
        )
        for output in (0.9, 0.7, 0.5)
    ]
    assert flows[0] > flows[1] > flows[2] > 0


def test_targets_and_flows_that_can_not_be_are_refused():
    with pytest.raises(ValueError, match="target_mj_cm2 must be"):
        most_flow_l_min(ANNULAR, uvt_pct=82.0, intensity_w_m2=50.0, target_mj_cm2=0.0)
    with pytest.raises(ValueError, match="flow_l_min must be"):
        least_uvt_pct(ANNULAR, flow_l_min=0.0, target_mj_cm2=40.0)
