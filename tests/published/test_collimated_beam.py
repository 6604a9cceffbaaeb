"""Bolton and Linden 2003, J. Environ. Eng. 129(3):209-215, form from memory: SOURCES.md section 3."""

from dataclasses import astuple, dataclass

import pytest

from models.dose import collimated_beam


@dataclass(frozen=True)
class Example:
    """A dish under the beam, and what the paper's form makes of it."""

    absorbance_per_cm: float  # A254
    depth_cm: float
    lamp_distance_cm: float
    fluence_rate_mw_cm2: float  # E0
    petri_factor: float
    water_factor: float
    divergence_factor: float
    mean_mw_cm2: float
    seconds: float  # for 40 mJ/cm2


# Inputs are ours, factors are [calc] in SOURCES.md section 3 by the paper's form (no published example was
# retrievable): A254, depth, lamp distance, E0, Pf -> WF, DF, mean fluence rate, seconds for 40 mJ/cm2.
EXAMPLES = [
    Example(0.05, 1, 30, 0.20, 0.95, 0.944582, 0.967742, 0.169339, 236.21),
    Example(0.10, 2, 30, 0.20, 0.95, 0.801366, 0.937500, 0.139175, 287.41),
    Example(0.155, 1, 25, 0.30, 0.93, 0.841013, 0.961538, 0.219977, 181.84),
]


@pytest.mark.parametrize("dish", EXAMPLES, ids=lambda dish: "-".join(f"{one:g}" for one in astuple(dish)[:5]))
def test_factors_and_mean_have_the_tabled_values(dish):
    depth_cm = dish.depth_cm
    assert collimated_beam.water_factor(dish.absorbance_per_cm, depth_cm) == pytest.approx(
        dish.water_factor, abs=1e-6)
    assert collimated_beam.divergence_factor(dish.lamp_distance_cm, depth_cm) == pytest.approx(
        dish.divergence_factor, abs=1e-6)
    found = collimated_beam.petri_dish_fluence_rate_mw_cm2(
        dish.fluence_rate_mw_cm2, petri_factor=dish.petri_factor, absorbance_per_cm=dish.absorbance_per_cm,
        depth_cm=depth_cm, lamp_distance_cm=dish.lamp_distance_cm,
    )
    assert found == pytest.approx(dish.mean_mw_cm2, abs=1e-6)
    assert 40 / found == pytest.approx(dish.seconds, abs=5e-3)


def test_clear_water_weakens_nothing():
    assert collimated_beam.water_factor(0.0, 3.0) == 1.0
    assert collimated_beam.water_factor(1e-9, 3.0) == pytest.approx(1.0, abs=1e-8)
