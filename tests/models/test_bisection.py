"""The least that is enough, against scipy's root-finder (a reference library)."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from models.bisection import least_enough


@given(wanted=st.floats(0.0, 0.999), scale=st.floats(1e-3, 1e4))
def test_it_is_where_a_root_finder_finds_it_and_enough(wanted, scale):
    def share(litres: float) -> float:
        return 1 - math.exp(-litres / scale)

    found = least_enough(lambda litres: share(litres) >= wanted, 0.0, 10 * scale)
    assert share(found) >= wanted
    root = brentq(lambda litres: share(litres) - wanted, 0.0, 10 * scale)
    assert found == pytest.approx(root, abs=1e-8, rel=1e-7)


def test_what_is_enough_from_the_start_is_left_there():
    assert least_enough(lambda value: value >= 3, 5.0, 9.0) == 5.0


@pytest.mark.parametrize("within", [1.0, 1e-3, 1e-6])
def test_it_is_no_more_than_so_much_above_the_least(within):
    found = least_enough(lambda value: value >= math.pi, 0.0, 100.0, within=within)
    assert math.pi <= found <= math.pi + within


def test_it_ends_where_no_number_lies_between():
    asked = []

    def enough(value: float) -> bool:
        asked.append(value)
        return value >= math.pi * 1e9

    assert least_enough(enough, 0.0, 1e10, within=0.0) == math.pi * 1e9
    assert len(asked) < 1100  # the exponents of a double, and its digits
