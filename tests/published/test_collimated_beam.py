"""Bolton and Linden 2003, J. Environ. Eng. 129(3):209-215, form from memory: SOURCES.md section 3."""

import pytest

from models.dose import collimated_beam

# Inputs are ours, factors are [calc] in SOURCES.md section 3 by the paper's form (no published example was
# retrievable): A254, depth, lamp distance, E0, Pf -> WF, DF, mean fluence rate, seconds for 40 mJ/cm2.
EXAMPLES = [
    (0.05, 1, 30, 0.20, 0.95, 0.944582, 0.967742, 0.169339, 236.21),
    (0.10, 2, 30, 0.20, 0.95, 0.801366, 0.937500, 0.139175, 287.41),
    (0.155, 1, 25, 0.30, 0.93, 0.841013, 0.961538, 0.219977, 181.84),
]


@pytest.mark.parametrize(("a254", "depth", "distance", "e0", "pf", "wf", "df", "mean", "seconds"), EXAMPLES)
def test_factors_and_mean_have_the_tabled_values(a254, depth, distance, e0, pf, wf, df, mean, seconds):
    assert collimated_beam.water_factor(a254, depth) == pytest.approx(wf, abs=1e-6)
    assert collimated_beam.divergence_factor(distance, depth) == pytest.approx(df, abs=1e-6)
    found = collimated_beam.petri_dish_fluence_rate_mw_cm2(
        e0, petri_factor=pf, absorbance_per_cm=a254, depth_cm=depth, lamp_distance_cm=distance
    )
    assert found == pytest.approx(mean, abs=1e-6)
    assert 40 / found == pytest.approx(seconds, abs=5e-3)


def test_clear_water_weakens_nothing():
    assert collimated_beam.water_factor(0.0, 3.0) == 1.0
    assert collimated_beam.water_factor(1e-9, 3.0) == pytest.approx(1.0, abs=1e-8)
