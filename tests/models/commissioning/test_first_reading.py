"""The reading at 100 h by a unit's days. 100 h: SOURCES.md section 8, from memory; the week and the three days are
common practice, no source."""

from __future__ import annotations

import numpy as np
import pytest

from models.commissioning import first_reading, share_of_first_pct


def test_it_is_the_median_of_the_first_three_days_from_100_h_on():
    hours = np.arange(1, 12) * 24.0  # 24, 48, 72, 96, 120, ...
    light = np.array([70, 66, 63, 61, 60.0, 58.0, 59.0, 50, 50, 50, 50])
    found = first_reading(light, hours, np.zeros(11, int))
    assert (found.intensity_w_m2, found.first, found.days, found.lamp_hours) == (59.0, 4, 3, 120.0)


def test_days_without_a_reading_are_passed_over():
    hours = np.arange(1, 12) * 24.0
    light = np.array([70, 66, 63, 61, np.nan, np.nan, 57.0, np.nan, 56.0, np.nan, 55.0])
    found = first_reading(light, hours, np.zeros(11, int))
    assert (found.intensity_w_m2, found.first, found.days) == (56.0, 6, 3)  # 57, 56 and 55


@pytest.mark.parametrize("hours", [[95.0, 99.9], [269.0, 300.0]])
def test_a_record_that_does_not_reach_100_h_or_begins_later_has_none(hours):
    assert first_reading([60.0, 60.0], hours, [0, 0]) is None


def test_only_the_latest_lamp_counts():
    found = first_reading([60.0, 60.0, 40.0], [100.0, 124.0, 110.0], [0, 0, 1])
    assert (found.intensity_w_m2, found.first) == (40.0, 2)
    assert first_reading([60.0, 60.0, 40.0], [100.0, 124.0, 10.0], [0, 0, 1]) is None
    assert first_reading([], [], []) is None


@pytest.mark.parametrize(("now", "first", "pct"), [
    (48.0, 60.0, 80.0), (None, 60.0, None), (48.0, None, None), (48.0, 0.0, None), (float("nan"), 60.0, None)])
def test_what_is_left_of_it_is_a_share_or_not_known(now, first, pct):
    assert share_of_first_pct(now, first) == pct
