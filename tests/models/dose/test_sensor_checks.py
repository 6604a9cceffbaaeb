"""What a sensor's checks divide, from when to when, and when the next is due; by hand, and in any order."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import hypothesis.strategies as st
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings

from models.dose.sensor_checks import (
    FOREVER_US,
    MOST_DUTY_OVER_REFERENCE,
    SensorState,
    divided_words,
    first_change_us,
    sensor_check,
    sensor_due,
    sensor_stretches,
)
from models.exposure.instants import NEVER, microsecond
from models.fleet import SensorCheckPolicy

DAY = datetime(2026, 5, 1, 12, tzinfo=UTC)


def at(day: float) -> datetime:
    return DAY + timedelta(days=day)


def checks(*found: tuple[int, float, float]) -> pd.DataFrame:
    """Of (unit, day, ratio)."""
    return pd.DataFrame({
        "unit_no": pd.array([unit for unit, _, _ in found], dtype="int64"),
        "at": pd.Series([pd.Timestamp(at(day)) for _, day, _ in found], dtype="datetime64[us, UTC]"),
        "ratio": [float(ratio) for _, _, ratio in found],
        "who": pd.array([f"who of {day:g}" for _, day, _ in found], dtype=object)})


def steps(found: pd.DataFrame) -> list[tuple[int, float | None, float | None, float]]:
    """(unit, from day, until day, ratio); None: without beginning, without end."""
    def day(us: int) -> float | None:
        return None if us in (NEVER, FOREVER_US) else (us - microsecond(DAY)) / 86400e6

    return [(row.unit_no, day(row.from_us), day(row.until_us), row.ratio) for row in found.itertuples()]


def test_a_failed_check_speaks_of_all_the_time_between_the_good_ones() -> None:
    found = sensor_stretches(checks((0, 0, 1.0), (0, 30, 1.35), (0, 60, 1.02), (0, 90, 1.1)))
    assert steps(found) == [(0, 0, 60, 1.35), (0, 60, 90, 1.0), (0, 90, None, 1.0)]
    assert found["who"].tolist() == ["who of 30", "", ""]


def test_without_a_good_check_before_it_speaks_of_the_whole_record_and_units_are_kept_apart() -> None:
    found = sensor_stretches(checks((1, 30, 1.5), (0, 10, 1.0), (0, 20, 2.0)))
    assert steps(found) == [(0, 10, None, 2.0), (1, None, None, 1.5)]


def test_of_several_failed_checks_in_a_row_the_highest_counts() -> None:
    found = sensor_stretches(checks((0, 10, 1.3), (0, 20, 1.6), (0, 30, 1.4), (0, 40, 1.2)))
    assert steps(found) == [(0, None, 40, 1.6), (0, 40, None, 1.0)]


def test_two_checks_of_one_instant_that_contradict_each_other_are_no_good_check() -> None:
    assert steps(sensor_stretches(checks((0, 0, 1.0), (0, 10, 1.0), (0, 10, 1.4)))) == [(0, 0, None, 1.4)]


def test_a_check_without_a_ratio_says_nothing_and_no_check_divides_nothing() -> None:
    assert steps(sensor_stretches(checks((0, 0, np.nan)))) == []
    assert sensor_stretches(checks()).empty


# The best estimate; the lower bound bears what a check that passed found too high.
# SOURCES.md section 2, ratio arithmetic [calc]: 1.20 passes, the limit is inclusive, 1.21 does not
@pytest.mark.parametrize(("ratio", "divisor", "of_low"), [
    (1.2, 1.0, 1.2), (1.21, 1.21, 1.21), (0.5, 1.0, 1.0), (1.05, 1.0, 1.05)])
def test_what_passes_divides_no_best_estimate(ratio: float, divisor: float, of_low: float) -> None:
    found = sensor_stretches(checks((0, 0, ratio)))
    assert (found["ratio"].tolist(), found["low_ratio"].tolist()) == ([divisor], [of_low])


def test_a_sensor_that_reads_too_low_is_said_to_and_passes() -> None:
    assert "30 % too low" in sensor_check(0.70).words and sensor_check(0.70).passes
    assert "too low" not in sensor_check(0.95).words
    assert "35 % too high" in sensor_check(1.35).words and "divided by 1.35" in sensor_check(1.35).words


found_checks = st.lists(
    st.tuples(st.integers(0, 2), st.integers(0, 12), st.sampled_from([0.7, 1.0, 1.2, 1.21, 1.35, 2.5])),
    max_size=12)


@given(found_checks, st.randoms())
def test_the_order_in_which_checks_come_does_not_matter(found: list[tuple[int, float, float]], chance) -> None:
    other = list(found)
    chance.shuffle(other)
    pd.testing.assert_frame_equal(
        sensor_stretches(checks(*found)), sensor_stretches(checks(*other)), check_index_type=False)


@settings(max_examples=40)
@given(found_checks)
def test_every_instant_is_divided_as_the_rule_says_one_instant_at_a_time(
    found: list[tuple[int, float, float]]
) -> None:
    """Against the rule told for one unit and instant, check by check."""
    table = sensor_stretches(checks(*found))
    for unit in range(3):
        mine: dict[float, float] = {}
        for one, day, ratio in found:
            if one == unit:
                mine[day] = max(ratio, mine.get(day, 0.0))
        good = [day for day, ratio in mine.items() if ratio <= MOST_DUTY_OVER_REFERENCE]
        for instant in (-0.5, *(day + 0.5 for day in range(13)), *range(13)):
            before = max((day for day in good if day <= instant), default=-1.0)
            after = min((day for day in good if day > instant), default=99.0)
            between = [ratio for day, ratio in mine.items()
                       if before <= day < after and ratio > MOST_DUTY_OVER_REFERENCE]
            us = microsecond(at(instant))
            held = table[(table["unit_no"] == unit) & (table["from_us"] <= us) & (us < table["until_us"])]
            assert held["ratio"].max() == max(between, default=1.0) if len(held) else not between
            # of lower bounds also what the good check found with which that time begins
            passed = [mine[before]] if before in mine else []
            assert held["low_ratio"].max() == max([1.0, *between, *passed]) if len(held) else not between


@given(found_checks, st.tuples(st.just(0), st.integers(0, 12), st.sampled_from([0.7, 1.0, 1.35, 2.5])))
def test_the_first_change_is_where_the_divisor_first_differs(
    found: list[tuple[int, float, float]], one: tuple[int, float, float]
) -> None:
    mine = [check for check in found if check[0] == 0]
    before, after = sensor_stretches(checks(*mine)), sensor_stretches(checks(*mine, one))

    def ratio(table: pd.DataFrame, us: int) -> tuple[float, float]:
        held = table[(table["from_us"] <= us) & (us < table["until_us"])]
        return (float(held["ratio"].iloc[0]), float(held["low_ratio"].iloc[0])) if len(held) else (1.0, 1.0)

    instants = [NEVER, *(microsecond(at(day)) for day in range(13))]
    other = [us for us in instants if ratio(before, us) != ratio(after, us)]
    assert first_change_us(before, after) == (other[0] if other else None)


def test_the_words_name_since_when_by_what_and_by_whom() -> None:
    assert divided_words(1.35, datetime(2026, 5, 2, tzinfo=UTC), datetime(2026, 6, 4, tzinfo=UTC), "Ann") == (
        "doses since 2 May 2026 are divided by 1.35: the sensor read 35 % too high at the check of 4 Jun 2026 "
        "by Ann")
    assert divided_words(2.5, None, datetime(2026, 6, 4, tzinfo=UTC), "Ann").startswith("all doses on record are")


def due(**given: object) -> tuple[date | None, float | None]:
    told = {"last_at": None, "first_heard": at(0), "has_sensor": True, "now": at(400), "policy": None} | given
    return sensor_due(**told)  # type: ignore[arg-type]


def test_a_fleet_that_never_checked_sees_a_date_and_after_a_year_is_watched_for_it() -> None:
    assert due() == (date(2026, 5, 31), 400.0)
    assert due(now=at(365)) == (date(2026, 5, 31), None)


def test_where_checks_are_kept_a_year_without_one_is_watched() -> None:
    # monthly: guidance manual section 6.4.1 (from memory); at least yearly: SOURCES.md section 2 (seen)
    assert due(last_at=at(10)) == (date(2026, 6, 10), 390.0)
    assert due(last_at=at(35)) == (date(2026, 7, 5), None)
    assert due(last_at=at(34.9))[1] == pytest.approx(365.1)
    assert due(last_at=at(390), last_passed=False) == (date(2027, 5, 26), None)  # at once
    assert due(policy=SensorCheckPolicy()) == (date(2026, 5, 31), 400.0)
    assert due(policy=SensorCheckPolicy(every_days=90, watch_after_days=500)) == (date(2026, 7, 30), None)


def test_a_unit_without_a_sensor_of_intensity_or_never_heard_has_none_due() -> None:
    assert due(has_sensor=False) == due(first_heard=None) == (None, None)


def test_the_due_date_is_said_with_what_the_last_check_found() -> None:
    state = SensorState(last_at=at(0), last_ratio=1.05, due=date(2026, 5, 31))
    assert state.due_words(at(1)) == (
        "A check of the sensor against a reference is due on 31 May 2026; the last, on 1 May 2026, found 1.05 of "
        "the reference.")
    assert "has been due since 31 May 2026" in state.due_words(at(31))
    assert SensorState().due_words(at(0)) == "" and SensorState().divided == ""


@pytest.mark.parametrize(("values", "told"), [
    ({"every_days": 0}, "every_days"), ({"watch_after_days": float("nan")}, "watch_after_days"),
    ({"every_days": 400}, "at least every_days"), ({"every_days": "monthly"}, "every_days")])
def test_a_policy_that_cannot_be_is_refused(values: dict[str, object], told: str) -> None:
    with pytest.raises(ValueError, match=told):
        SensorCheckPolicy(**values)  # type: ignore[arg-type]
