"""Outside of what a unit was tested at, its dose says so with both numbers."""

from __future__ import annotations

from dataclasses import replace

import pytest

from models.dose.tested_range import outside_tested, words_of_the_test
from models.fleet import CalculatedDose
from models.water_quality import meant_uvt_pct
from tests.models.reactors import ANNULAR, BY_EQUATION

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


def test_a_test_that_the_stated_tanks_do_not_fit_is_named_with_the_number_that_does():
    said, = words_of_the_test(ANNULAR)
    assert "1.29 times the dose that 4 mixing tanks can; mixing_tanks = 11 would fit" in said
    assert words_of_the_test(replace(ANNULAR, mixing_tanks=11)) == ()
    above, = words_of_the_test(replace(ANNULAR, test_red_mj_cm2=55.0))
    assert "not even plug flow gives that much" in above


def test_water_that_nobody_tested_is_named_with_what_it_costs():
    said, = words_of_the_test(replace(ANNULAR, mixing_tanks=11, uvt_min_pct=70.0))
    assert "5 points below its test" in said and "1.5 % a point, 8 % in all" in said
    assert words_of_the_test(BY_EQUATION) == ()
