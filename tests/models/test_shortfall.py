"""Shortfall in logs, mixtures, and what may be left, worked by hand from the published responses.

Cryptosporidium and Giardia: 40 CFR 141.720(d)(1), models/SOURCES.md section 1 (seen in a secondary copy).
Rotavirus: 10 mJ/cm2 a log, section 14 (from memory). The arithmetic of mixing is the definition of a mean.
"""

import doctest

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models import shortfall
from models.shortfall import (
    marginal_from_mj_cm2,
    mixture_shortfall_log,
    reductions_log,
    share_allowed,
    shortfall_log,
    under_treated_from_mj_cm2,
)

DOSES = st.floats(0, 300)
TARGETS = st.floats(5, 200)


def test_examples_in_the_docstrings_hold():
    found = doctest.testmod(shortfall)
    assert found.attempted >= 3
    assert found.failed == 0


@pytest.mark.parametrize(("dose", "target", "short"), [
    # target 40: all three stand at 4 log. Rotavirus at 39.7: 3.97; Cryptosporidium and Giardia keep 4 down to 22
    (39.7, 40, 0.03), (35.0, 40, 0.5), (32.0, 40, 0.8), (20.0, 40, 2.0), (0.0, 40, 4.0), (float("nan"), 40, 4.0),
    # 12: Cryptosporidium 3.0, Giardia 3 + (12 - 11) / 4 x 0.5 = 3.125, rotavirus 1.2: 4 - 1.2
    (12.0, 40, 2.8),
    # target 16: Cryptosporidium 3.5 + 1/7 x 0.5 = 3.571; at 10 it has 2.5 + 1.5/3.5 x 0.5 = 2.714: 0.857 short.
    # Giardia 3.571 - (2.5 + 2.3/3.3 x 0.5 = 2.848) = 0.723; rotavirus 0.6
    (10.0, 16, 0.857),
    # target 60: the virus row joins: 1 + 2/21 x 0.5 = 1.0476; at 50: 0.5 + 11/19 x 0.5 = 0.7895. Others are at 4
    (50.0, 60, 0.258), (39.0, 60, 0.548),
    # target 209: 4 + 23/23 x 0.5 = 4.5 beyond the table; at 186: 4
    (186.0, 209, 0.5), (250.0, 209, 0.0),
])
def test_shortfall_of_a_dose_by_hand(dose, target, short):
    assert shortfall_log(dose, target)[0] == pytest.approx(short, abs=6e-4)


@pytest.mark.parametrize(("doses", "litres", "target", "short"), [
    # mean of what lives of rotavirus, 10^(-dose/10), against 1e-4
    ([0, 40], [10, 90], 40, 3.0),  # 0.1 lives: 1 log of 4
    ([0, 40], [1, 99], 40, 2.004),  # 0.01 + 0.99e-4: 1.996 log
    ([0, 40], [1, 999], 40, 1.041),  # 0.001 + 0.999e-4 = 1.0999e-3: 2.959 log
    ([20, 40], [50, 50], 40, 1.703),  # (0.01 + 1e-4) / 2 = 5.05e-3: 2.297 log
    ([35, 40], [50, 50], 40, 0.318),  # (3.162e-4 + 1e-4) / 2 = 2.081e-4: 3.682 log
    ([float("nan"), 30, 60], [1, 9, 90], 40, 2.008),  # 0.01 + 9e-5 + 9e-5 = 0.01018: 1.992 (4 log at most)
    ([38, 39], [3, 1], 40, 0.177),  # (3 x 1.585e-4 + 1.259e-4) / 4 = 1.5034e-4: 3.823 log
    ([0], [2], 40, 4.0), ([40], [2], 40, 0.0),
    ([0, 40], [0, 5], 40, 0.0),  # nothing of the first
    ([0, 40], [0, 0], 40, 0.0),  # no water
    ([0, 40], [float("inf"), 90], 40, 4.0),  # nobody knows how much: all of it
])
def test_shortfall_of_a_mixture_by_hand(doses, litres, target, short):
    assert mixture_shortfall_log(doses, litres, target) == pytest.approx(short, abs=1.5e-3)


def test_a_share_that_is_allowed_makes_a_mixture_half_a_log_short():
    for doses, litres in (([0.0], [1.0]), ([0.0, 30.0], [1.0, 9.0]), ([22.0], [4.0])):
        share = share_allowed(doses, litres, 40.0)
        parts = [share * litre / sum(litres) for litre in litres]
        assert mixture_shortfall_log([*doses, 40.0], [*parts, 1 - share], 40.0) == pytest.approx(0.5, abs=1e-9)
    assert share_allowed([35.0], [7.0], 40.0) == pytest.approx(1.0)
    assert share_allowed([0.0], [0.0], 40.0) == 1.0


@given(DOSES, DOSES, TARGETS)
def test_less_dose_is_never_less_short(one, other, target):
    less, more = sorted((one, other))
    assert shortfall_log(less, target)[0] >= shortfall_log(more, target)[0]
    assert (reductions_log(less, target) <= reductions_log(more, target)).all()


@given(st.lists(st.tuples(DOSES, st.floats(0.1, 100)), min_size=1, max_size=5), TARGETS)
def test_a_mixture_lies_between_its_parts_and_is_worse_than_the_mean_of_logs(parts, target):
    doses, litres = (np.array(column) for column in zip(*parts, strict=True))
    mixed, each = mixture_shortfall_log(doses, litres, target), shortfall_log(doses, target)
    assert mixed <= each.max() + 1e-9
    asked = reductions_log(target, target)[:, 0]
    means = np.average(reductions_log(doses, target), weights=litres, axis=1)
    assert mixed >= max(0.0, (asked - means).max()) - 1e-9


@given(TARGETS, st.floats(0, 40))
def test_marginal_begins_where_the_shortfall_is_half_a_log_and_the_protozoa_are_kept(target, protozoa):
    start = marginal_from_mj_cm2(target, protozoa)
    assert shortfall_log(start + 1e-6, target)[0] <= 0.5 + 1e-6
    assert start >= protozoa
    if start > max(protozoa, 0.0):
        assert shortfall_log(start - 1e-3, target)[0] > 0.5 - 1e-6


def test_half_the_target_is_under_treated_unless_a_protozoan_keeps_less_than_3_log():
    assert under_treated_from_mj_cm2(40.0, 12.0, 0.5) == 20.0
    assert under_treated_from_mj_cm2(40.0, 22.5, 0.5) == 22.5
    assert under_treated_from_mj_cm2(16.0, 12.0, 0.5) == 12.0
