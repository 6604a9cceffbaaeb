"""The exact model's own edges: where a reading's dose over the water is least, wherever the sensor sits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.dose import assess, optics
from models.dose.reactor import Geometric, drops, model_of
from models.dose.sizing import new_lamp_intensity_w_m2
from tests.models.reactors import ANNULAR, BETWEEN, BY_EQUATION


@pytest.mark.parametrize("share", [0.02, 0.25, 0.49, 0.499999, 0.5, 0.5000001, 0.75, 1.0])
def test_the_worst_water_is_found_wherever_the_sensor_sits(share):
    for sleeve_cm in np.linspace(0.8, 2.0, 20):
        for wall_cm in np.linspace(2.5, 7.0, 27):
            kind = replace(
                ANNULAR, sleeve_outer_radius_cm=float(sleeve_cm), chamber_inner_radius_cm=float(wall_cm),
                sensor_radius_cm=float(min(sleeve_cm + share * (wall_cm - sleeve_cm), wall_cm)))
            worst = Geometric(kind).worst_absorption
            around = np.concatenate([np.linspace(0, 4 * worst + 1e-6, 400), np.geomspace(1e-6, 20, 200)])
            least = optics.mean_to_sensor(kind, np.array(worst))
            assert (optics.mean_to_sensor(kind, around) >= least * (1 - 1e-12)).all()


@pytest.mark.parametrize("kind", [BY_EQUATION, BETWEEN])
def test_the_least_dose_of_a_band_of_water_is_found_inside_the_band(kind):
    # searched for by brute force over the band that a live sensor leaves open
    kind = replace(kind, sensor_uncertainty_pct=0.0, flow_uncertainty_pct=0.0)
    model, reading, one = model_of(kind), np.array(30.0), np.array(1.0)
    worst_uvt = 100.0 * np.exp(-model.worst_absorption)
    assert 5 < worst_uvt < 95  # else this tells nothing
    for off in (0.0, 1.5, 4.0):
        water = optics.absorption_per_cm(np.array(worst_uvt + off))
        band = optics.absorption_per_cm(np.linspace(worst_uvt + off - 6, worst_uvt + off + 6, 2001))
        value = model.product(reading, water, one)
        least = model.product(reading, band, one).min()
        assert drops(model, reading, water, uvt_points=6.0).uvt == pytest.approx(1 - least / value, abs=1e-7)


@pytest.mark.parametrize("uvt_live", [True, False])
@pytest.mark.parametrize("flow_l_min", [0.01, 0.125, 8.0, 30.0])
def test_with_the_lamp_as_it_is_clearer_water_never_lowers_the_bound_at_any_dose(uvt_live, flow_l_min):
    for kind in (ANNULAR, BETWEEN, BY_EQUATION):
        waters = np.linspace(kind.test_uvt_pct, 100.0, 501)
        readings = [new_lamp_intensity_w_m2(kind, uvt_pct=float(one), output=0.9) for one in waters]
        low = assess(
            kind, intensity_w_m2=readings, flow_l_min=flow_l_min, uvt_pct=waters, uvt_live=uvt_live).red_low_mj_cm2
        assert (np.diff(low) >= -1e-9 * low[1:]).all()
