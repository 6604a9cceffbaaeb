"""What an organism's own response makes of the doses behind a validated dose: by drawing parcels of water."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from models.dose.credit import (
    CREDITS_LOG,
    DOSES_MJ_CM2,
    Organism,
    bias_factor,
    credit_in,
    log_credit,
    own_reduction_log,
)
from tests.models.reactors import ANNULAR, BY_EQUATION
from tests.seeds import generator

PARCELS = 400_000


def by_parcels(tanks: int, k_cm2_mj: float, dose_mj_cm2: float, organism: str) -> float:
    """-log10 of the surviving share of parcels that stayed as long as `tanks` mixed tanks let them. [log]

    The tanks' stay is a sum of exponentials (one a tank); the mean dose is found so that the challenge organism's
    survival is that of a collimated beam of `dose_mj_cm2`. The organism's rows are those of 40 CFR 141.720(d)(1).
    """
    stay = generator("parcels").exponential(1.0, (tanks, PARCELS)).sum(axis=0) / tanks
    low, high = 0.0, 60.0 * dose_mj_cm2
    for _ in range(80):
        mean = (low + high) / 2
        beam = -math.log(np.mean(np.exp(-k_cm2_mj * mean * stay))) / k_cm2_mj
        low, high = (mean, high) if beam < dose_mj_cm2 else (low, mean)
    response = np.interp(mean * stay, [0.0, *DOSES_MJ_CM2[Organism(organism)]], [0.0, *CREDITS_LOG])
    return -math.log10(np.mean(10.0**-response))


@pytest.mark.parametrize("organism", list(Organism))
@pytest.mark.parametrize("dose", [4.0, 12.0, 22.0, 40.0])
@pytest.mark.parametrize("tanks", [1, 4, 20])
def test_the_own_reduction_is_that_of_parcels_drawn_from_the_tanks(organism, dose, tanks):
    kind = replace(ANNULAR, mixing_tanks=tanks)
    if kind.challenge_k_cm2_mj * dose / tanks > 3:
        pytest.skip("one mixed tank would need a mean dose that no draw of parcels resolves")
    assert own_reduction_log(kind, dose, organism) == pytest.approx(
        by_parcels(tanks, kind.challenge_k_cm2_mj, dose, organism), abs=0.03)


@pytest.mark.parametrize(
    ("dose", "by_table", "in_the_chamber"), [(40.0, 4.0, 3.5), (22.0, 4.0, 3.0), (12.0, 3.0, 2.0)])
def test_a_chamber_of_four_tanks_credits_cryptosporidium_less_than_the_table_does(dose, by_table, in_the_chamber):
    assert float(log_credit(dose, "cryptosporidium")) == by_table
    assert credit_in(ANNULAR, dose, "cryptosporidium") == in_the_chamber


def test_the_credit_is_never_more_than_the_tables_and_plug_flow_gives_the_tables():
    many = replace(ANNULAR, mixing_tanks=100_000)
    for organism in Organism:
        for dose in np.geomspace(0.5, 300.0, 60):
            table = float(log_credit(dose, organism))
            for kind in (ANNULAR, BY_EQUATION):
                assert credit_in(kind, float(dose), organism) <= table
            assert credit_in(many, float(dose) * 1.002, organism) in (table, table - 0.5)
    assert credit_in(many, 22.5, "giardia") == 4.0


def test_the_bias_is_one_in_plug_flow_and_grows_with_mixing():
    bias = [
        bias_factor(replace(ANNULAR, mixing_tanks=tanks), 20.0, "cryptosporidium") for tanks in (2, 4, 10, 10_000)]
    assert sorted(bias, reverse=True) == bias and bias[-1] == pytest.approx(1.0, abs=0.01) and bias[1] > 1.2


def test_nothing_known_gives_no_credit_that_is_known():
    assert math.isnan(credit_in(ANNULAR, math.nan, "virus"))
    assert credit_in(ANNULAR, 0.0, "virus") == 0.0
    with pytest.raises(ValueError, match="organism must be one of"):
        credit_in(ANNULAR, 10.0, "legionella")
