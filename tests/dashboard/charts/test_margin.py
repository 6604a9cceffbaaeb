"""The margin's drawing: around 0, thick below, honest gaps, and a lane for each kind of time."""

from __future__ import annotations

from datetime import UTC, timedelta

import numpy as np
import pandas as pd

from dashboard.charts.margin import LANES, line_of, margin_figure
from dashboard.charts.readings import Span
from dashboard.text.measures import Units
from tests.dashboard.charts.test_margin_line import SINCE, of


def drawn(margins, intervals: list[tuple[int, int, str, str]]):
    """A drawing of four hours with these intervals: first and last hour, kind, what it rests on."""
    table = pd.DataFrame([{
        "start": pd.Timestamp(SINCE + timedelta(hours=one)), "end": pd.Timestamp(SINCE + timedelta(hours=two)),
        "kind": kind, "cause": "", "underdosed_l": 0.0, "underdosed_l_upper": 0.0, "rests_on": rests}
        for one, two, kind, rests in intervals])
    return margin_figure(line_of(margins), margins, table, target_mj_cm2=40.0, units=Units.METRIC,
                         span=Span(since=SINCE, until=SINCE + timedelta(hours=4), zone=UTC))


def test_a_shortfall_of_2_is_a_tenth_of_half_the_axis_and_thick() -> None:
    figure = drawn(of([3.0, -2.0, -2.0, np.nan]), [(0, 4, "lit", "lamp status")])
    low, high = figure.layout.yaxis.range
    assert low < 0 < high and -2.0 / low > 0.09  # the axis ends at half the target
    above, below = (one for one in figure.data if one.name in ("above target", "below target"))
    assert above.line.width < below.line.width
    assert np.nanmin(below.y) == -2.0 and np.nanmax(above.y) == 3.0


def test_what_is_not_known_is_a_gap_and_what_is_far_off_keeps_its_true_figure_on_hover() -> None:
    figure = drawn(of([500.0, np.nan, np.nan, 1.0]), [(0, 4, "lit", "")])
    above = next(one for one in figure.data if one.name == "above target")
    assert np.isnan(above.y[2]) and above.connectgaps is False
    assert above.y[0] == 20.0 and above.customdata[0] == 500.0


def test_dark_cold_and_unheard_are_marked_with_patterns_of_their_own_over_the_margin() -> None:
    figure = drawn(of([1.0] * 4), [(0, 1, "dark", "no power"), (1, 2, "warming", ""), (2, 3, "unheard", "")])
    marks = [one for one in figure.data if one.type == "bar" and one.base is not None and one.orientation is None]
    looks = {(one.marker.color, one.marker.pattern.shape) for one in marks}
    assert len(looks) == 3
    lanes = {name for one in figure.data if one.type == "bar" and one.orientation == "h" for name in one.y}
    assert lanes == set(LANES)
    rests = next(one for one in figure.data if one.name == "Rests on")
    assert list(rests.customdata) == ["no power"]


def test_litres_solid_at_least_and_outlined_at_most() -> None:
    figure = drawn(of([1.0] * 4, litres=[0, 10, 0, 0]), [(0, 4, "lit", "")])
    most, least = (one for one in figure.data if one.name == "under target")
    assert list(most.y) == [20.0] and list(least.y) == [10.0] and least.marker.color != most.marker.color
    assert list(least.customdata) == ["10 to 20 L"]
