"""The drawing of the evidence: what it shows, and that it hides no gap."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from dashboard.charts.readings import LANES, Span, broken, clipped, evidence_figure, states
from dashboard.text.measures import Units
from models.fleet import Unit
from tests.dashboard.text.test_verdicts import REACTOR

SINCE = datetime(2026, 1, 10, 6, 0, tzinfo=UTC)
UNTIL = SINCE + timedelta(hours=2)
SPAN = Span(since=SINCE, until=UNTIL, zone=ZoneInfo("America/Toronto"))
UNIT = Unit(slug="main", reactor="annular-40", uvt_pct=82, peak_flow_l_min=19)


def at(minutes: float) -> pd.Timestamp:
    """An instant of the span."""
    return pd.Timestamp(SINCE) + pd.Timedelta(minutes=minutes)


def readings() -> pd.DataFrame:
    """Lit for 30 min, then nothing heard until minute 60, then dark without power."""
    minutes = [*range(0, 31), *range(60, 121)]
    lit = np.array(minutes) < 40
    return pd.DataFrame({
        "at": pd.DatetimeIndex([at(one) for one in minutes]), "lamp_on": pd.array(lit, dtype="boolean"),
        "power_on": pd.array(lit, dtype="boolean"), "intensity_w_m2": np.where(lit, 50.0, 0.0), "flow_l_min": 7.57,
        "dose_mj_cm2": np.where(lit, 90.0, 0.0), "dose_low_mj_cm2": np.where(lit, 80.0, 0.0)})


def intervals() -> pd.DataFrame:
    """The same as whole intervals, beginning before the span."""
    return pd.DataFrame({
        "start": [at(-60), at(33), at(60)], "end": [at(33), at(60), at(120)], "kind": ["lit", "unheard", "dark"],
        "cause": ["none", "no-link", "no-power"], "underdosed_l": [0.0, np.nan, 450.0],
        "underdosed_l_upper": [0.0, 500.0, 454.0]})


def drawn(units: Units = Units.METRIC):
    """The figure of both."""
    return evidence_figure(readings(), intervals(), unit=UNIT, reactor=REACTOR, span=SPAN, units=units)


def lane(figure, name: str):
    """The bars of a lane that have a length."""
    return [trace for trace in figure.data
            if trace.type == "bar" and trace.base is not None and len(trace.base) and name in trace.y]


def test_a_line_breaks_where_nothing_was_heard():
    rows = broken(readings(), intervals())
    assert rows.loc[rows["at"] == at(33), "intensity_w_m2"].isna().all()
    assert len(rows) == len(readings()) + 1
    line = next(trace for trace in drawn().data if trace.name == "intensity")
    assert np.isnan(np.asarray(line.y, float)).sum() == 1 and line.connectgaps is False


def test_a_state_holds_until_the_next_of_its_kind_but_not_across_what_nobody_heard():
    found = states(broken(readings(), intervals()), "power_on", UNTIL)
    assert found["on"].tolist() == [1.0, 0.0]
    assert found["start"].tolist() == [at(0), at(60)] and found["end"].tolist() == [at(33), at(120)]


def test_an_event_that_came_once_holds():
    rows = readings().iloc[:31].assign(power_on=pd.array([True] + [None] * 30, dtype="boolean"))
    found = states(broken(rows, intervals().iloc[:0]), "power_on", UNTIL)
    assert len(found) == 1 and found["end"].iloc[0] == pd.Timestamp(UNTIL)


def test_intervals_are_cut_at_the_ends_of_the_span():
    assert clipped(intervals(), SPAN)["start"].min() == pd.Timestamp(SINCE)


def test_every_kind_has_a_lane_with_its_name_and_not_only_a_colour():
    figure = drawn()
    assert list(figure.layout.yaxis4.categoryarray) == list(reversed(LANES))
    (dark,) = lane(figure, "Dark")
    assert list(dark.x) == [60 * 60 * 1000.0]  # plotly takes a bar's length on a time axis in milliseconds
    assert "no power" in dark.customdata[0] and "450 to 454 L" in dark.customdata[0]
    (unheard,) = lane(figure, "Not heard")
    assert unheard.marker.pattern.shape == "." and "up to 500 L" in unheard.customdata[0]


def test_target_and_alarm_are_drawn_with_their_figures():
    told = [note.text for note in drawn().layout.annotations]
    assert "target 40" in told and "alarm 29" in told


def test_time_is_the_cabins_and_says_its_offset():
    figure = drawn()
    # America/Toronto is UTC-5 in January (IANA time zone database)
    assert figure.layout.xaxis4.title.text == "Time at the cabin (EST, UTC-05:00)"
    assert figure.layout.xaxis4.range[0] == datetime(2026, 1, 10, 1, 0)


def test_a_change_of_clocks_draws_no_hour_twice():
    # clocks in Toronto went back on 2026-11-01 at 06:00 UTC (IANA time zone database)
    span = Span(since=datetime(2026, 11, 1, 4, tzinfo=UTC), until=datetime(2026, 11, 1, 8, tzinfo=UTC),
                zone=ZoneInfo("America/Toronto"))
    wall = span.wall(pd.Series(pd.date_range(span.since, span.until, freq="30min")))
    assert wall.is_monotonic_increasing and wall.is_unique


@pytest.mark.parametrize(("units", "most"), [(Units.METRIC, 7.57), (Units.US, 2.0)])
def test_flow_is_drawn_in_the_readers_units(units, most):
    # 7.57 L is 2.0 US gallons of 3.785 L (NIST SP 811, B.8; from memory)
    line = next(trace for trace in drawn(units).data if trace.name == "flow")
    assert np.nanmax(np.asarray(line.y, float)) == pytest.approx(most, abs=0.001)


def test_dose_without_limit_is_not_drawn_as_a_number():
    standing = readings().assign(dose_mj_cm2=np.inf, flow_l_min=0.0)
    figure = evidence_figure(standing, intervals(), unit=UNIT, reactor=REACTOR, span=SPAN, units=Units.METRIC)
    dots = next(trace for trace in figure.data if trace.name == "dose")
    assert len(dots.x) == 0


def test_a_unit_with_intervals_but_no_reading_in_the_span_is_drawn():
    figure = evidence_figure(
        readings().iloc[:0], intervals(), unit=UNIT, reactor=REACTOR, span=SPAN, units=Units.METRIC)
    assert lane(figure, "Not heard") and not lane(figure, "Power")
