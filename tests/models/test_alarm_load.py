"""Alarm load by hand. The figures of reference: EEMUA 191 (models/SOURCES.md, section 14)."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from models.alarm_load import alarm_load

NOW = datetime(2026, 11, 27, 12, tzinfo=UTC)
MIN = timedelta(minutes=1)


@pytest.mark.parametrize(("ages_min", "most"), [
    ([], 0), ([5], 1), ([30, 20], 1), ([30, 20.1], 2), ([100, 95, 91, 90, 80], 3)])
def test_ten_minutes_hold_what_came_in_less_than_ten_minutes(ages_min: list[float], most: int) -> None:
    found = alarm_load([NOW - one * MIN for one in ages_min], [], now=NOW, span=timedelta(days=1))
    assert found.most_together == most and found.steady == (most <= 1)
    assert found.raised == len(ages_min) == found.per_day


def test_what_was_raised_before_the_span_or_lies_ahead_is_not_of_it() -> None:
    found = alarm_load([NOW - timedelta(days=8), NOW - MIN, NOW + MIN], [], now=NOW, span=timedelta(days=7))
    assert found.raised == 1 and found.per_day == pytest.approx(1 / 7)


def test_what_stands_for_more_than_a_day_is_stale_and_five_are_too_many() -> None:
    since = [NOW - timedelta(hours=hours) for hours in (1, 24, 25, 26, 27, 28)]
    found = alarm_load([], since, now=NOW, span=timedelta(days=7))
    assert (found.standing, found.stale, found.few_stale) == (6, 4, True)
    assert found.oldest == timedelta(hours=28) and found.median_age == timedelta(hours=26)
    assert not alarm_load([], [*since, NOW - timedelta(hours=99)], now=NOW, span=timedelta(days=7)).few_stale


def test_without_anything_standing_there_is_no_age() -> None:
    found = alarm_load([], [], now=NOW, span=timedelta(days=7))
    assert found.oldest is None and found.median_age is None and found.few_stale and found.steady
