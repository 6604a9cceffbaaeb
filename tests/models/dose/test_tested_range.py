"""Outside of what a unit was tested at, its dose says so with both numbers."""

from __future__ import annotations

from dataclasses import replace

import pytest

from models.dose.tested_range import outside_tested
from models.fleet import CalculatedDose
from models.water_quality import meant_uvt_pct
from tests.models.reactors import ANNULAR

EQUATION = CalculatedDose(a=2.0, b=-1.0, c=1.0, d=1.0)


@pytest.mark.parametrize(("change", "reading", "words"), [
    ({}, {"uvt_pct": 74.0}, ("water at 74 %, this unit was tested down to 75 %",)),
    ({}, {"uvt_pct": 75.0}, ()),
    ({"uvt_min_pct": 70.0}, {"uvt_pct": 74.0}, ()),
    ({}, {"uvt_pct": 97.0}, ()),  # nobody stated an upper end, and the bound bears it
    ({"uvt_max_pct": 95.0}, {"uvt_pct": 97.0}, ("water at 97 %, this unit was tested up to 95 %",)),
    ({"equation": EQUATION}, {"uvt_pct": 80.0}, ("water at 80 %, this unit was tested up to 75 %",)),
    ({"uvt_max_pct": 95.0}, {"uvt_pct": 95.0}, ()),
    ({}, {"flow_l_min": 30.0}, ()),
    ({}, {"flow_l_min": 31.0}, ("flow of 31 L/min, this unit was tested up to 30 L/min",)),
    ({}, {"uvt_pct": 74.0, "flow_l_min": 31.0},
     ("water at 74 %, this unit was tested down to 75 %", "flow of 31 L/min, this unit was tested up to 30 L/min")),
    ({}, {"uvt_pct": float("nan")}, ()),
    ({}, {}, ()),
])
def test_both_numbers_are_named(change, reading, words):
    assert outside_tested(replace(ANNULAR, **change), **reading) == words


@pytest.mark.parametrize(("value", "pct"), [(0.88, 88.0), (1.0, 100.0), (0.007, 0.7), (1.01, None), (88.0, None)])
def test_a_transmittance_of_0_to_1_was_likely_a_ratio(value, pct):
    assert meant_uvt_pct(value) == pct
