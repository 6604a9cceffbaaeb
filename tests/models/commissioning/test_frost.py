"""Frost by the water's temperature: 0 C freezes (SOURCES.md section 15); 1 C, 4 C, two weeks: common practice, no
source."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from models.commissioning import Frost, frost_risk

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
JUST = NOW - timedelta(minutes=5)


@pytest.mark.parametrize(("temp_c", "frost"), [
    (-0.5, Frost.FREEZING), (1.0, Frost.FREEZING), (1.1, Frost.NEAR), (4.0, Frost.NEAR), (4.1, Frost.NOT_NEAR)])
def test_the_edges(temp_c, frost):
    assert frost_risk(temp_c, JUST, NOW).frost is frost


@pytest.mark.parametrize(("temp_c", "at"), [
    (None, None), (float("nan"), JUST), (12.0, NOW - timedelta(hours=24, seconds=1)),
    (0.5, NOW - timedelta(days=2))])
def test_what_nobody_measured_of_late_is_not_known_and_never_no_frost(temp_c, at):
    found = frost_risk(temp_c, at, NOW)
    assert found.frost is Frost.NOT_KNOWN and found.temp_c is None


def test_water_that_falls_half_a_degree_a_day_is_at_four_degrees_in_twice_as_many_days():
    days = [12.0 - 0.5 * day for day in range(10)]  # 12.0 to 7.5
    found = frost_risk(7.0, JUST, NOW, days)
    assert found.days_to_near == pytest.approx((7.0 - 4.0) / 0.5) and found.frost is Frost.NEAR
    slow = frost_risk(12.0, JUST, NOW, [14.0 - 0.1 * day for day in range(10)])
    assert slow.days_to_near == pytest.approx(80.0) and slow.frost is Frost.NOT_NEAR


def test_one_warm_day_or_a_gap_does_not_turn_the_pace():
    days = [12.0 - 0.5 * day for day in range(10)]
    days[8] = 20.0
    assert frost_risk(7.0, JUST, NOW, days).days_to_near == pytest.approx(6.0, rel=0.1)
    days[8] = float("nan")
    assert frost_risk(7.0, JUST, NOW, days).days_to_near == pytest.approx(6.0)


def test_water_that_warms_and_a_record_of_four_days_foretell_nothing():
    assert frost_risk(7.0, JUST, NOW, [5.0, 5.5, 6.0, 6.5, 7.0]).days_to_near is None
    assert frost_risk(7.0, JUST, NOW, [9.0, 8.5, 8.0, 7.5]).days_to_near is None
