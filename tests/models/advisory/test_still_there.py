"""Where the under-dosed water stands, in litres worked out by hand."""

import math

import pandas as pd
import pytest

from models.advisory.plumbing import Plumbing, still_there

CABIN = Plumbing(cold_l=18.0, hot_tank_l=150.0)


def pieces(*found):
    """(kind, drawn_l, drawn_l_upper) in order of time."""
    return pd.DataFrame(found, columns=["kind", "drawn_l", "drawn_l_upper"])


# cut of 10 L into 18 L of pipe, then so many litres of dosed water: 10 L stand until 8 more are drawn, then leave
# litre by litre; the next glass is bad while the slug is at the tap
@pytest.mark.parametrize(("since_l", "cold_tap", "pipe_l"), [
    (0.0, 0.0, 10.0), (8.0, 1.0, 10.0), (12.0, 1.0, 6.0), (18.0, 0.0, 0.0), (40.0, 0.0, 0.0)])
def test_the_slug_of_a_cut_travels_through_the_pipe_and_leaves_it(since_l, cold_tap, pipe_l):
    found = still_there(pieces(("lit", 30.0, 30.0), ("dark", 10.0, 10.0), ("lit", since_l, since_l)), CABIN)
    assert found.cold_tap == cold_tap
    assert found.pipe_l == pytest.approx(pipe_l, abs=1e-9)


def test_nobody_knows_whether_hot_was_drawn_so_the_tank_keeps_the_most_until_it_is_flushed():
    # 58 L dark: 40 L may have reached the tank past 18 L of dosed water, or, were all of it drawn hot before, 58
    found = still_there(pieces(("dark", 58.0, 58.0)), CABIN)
    assert found.pipe_l == 18.0
    # mixed tank: 40 L into 150 L leave 150 (1 - e^(-40/150)) behind
    assert found.tank_l == pytest.approx(150.0 * -math.expm1(-40.0 / 150.0), rel=1e-3)
    assert found.tank_l_upper == 58.0
    assert still_there(pieces(("dark", 900.0, 900.0)), CABIN).tank_l_upper == 150.0


def test_of_what_may_have_passed_in_silence_the_most_counts_and_of_what_flushed_it_the_least():
    found = still_there(pieces(("unheard", 0.0, 20.0), ("lit", math.nan, 50.0)), CABIN)
    assert found.pipe_l == 18.0 and found.cold_tap == 1.0


def test_an_unknown_amount_is_said_to_be_unknown():
    assert still_there(pieces(("dark", math.nan, math.nan)), CABIN) is None
    assert still_there(pieces(), CABIN) is None


def test_without_a_hot_tank_nothing_stands_in_one():
    found = still_there(pieces(("dark", 10.0, 10.0)), Plumbing(cold_l=18.0))
    assert found.tank_l == found.tank_l_upper == 0.0
