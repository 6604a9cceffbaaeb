"""A long table of days becomes arrays: hours, lamps, cleanings, gaps."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from models.lamp.daily_series import CLEAN, SWAP, fleet_days
from tests.seeds import generator

KIND = pd.Series("annular-40", index=pd.MultiIndex.from_tuples([("heron", "main")], names=["cabin", "unit"]))


def _daily(lamp_hours, **columns) -> pd.DataFrame:
    days = pd.date_range("2026-01-01", periods=len(lamp_hours), freq="D")
    frame = pd.DataFrame({
        "cabin": "heron", "unit": "main", "day": days, "intensity_w_m2": 40.0, "lamp_hours": lamp_hours, **columns
    })
    return frame.dropna(subset=["lamp_hours"])


def _event(kind, day) -> pd.DataFrame:
    return pd.DataFrame({"cabin": ["heron"], "unit": ["main"], "kind": [kind], "at": [pd.Timestamp(day, tz="UTC")]})


def test_a_recorded_swap_starts_the_hours_anew_even_if_the_counter_runs_on():
    table = fleet_days(_daily([1000, 1024, 1048, 1072, 1096]), kind=KIND, events=_event(SWAP, "2026-01-03"))
    assert table.lamp_hours[0] == pytest.approx([1000, 1024, 0, 24, 48])
    assert table.lamp_number[0].tolist() == [0, 0, 1, 1, 1]


def test_a_counter_that_was_reset_is_a_swap_that_nobody_wrote_down():
    table = fleet_days(_daily([8000, 8024, 10, 34]), kind=KIND)
    assert table.lamp_number[0].tolist() == [0, 0, 1, 1]
    assert table.lamp_hours[0, -1] == pytest.approx(24)


def test_a_reset_beside_a_recorded_swap_is_one_swap():
    table = fleet_days(_daily([8000, 8024, 8048, 10, 34]), kind=KIND, events=_event(SWAP, "2026-01-03"))
    assert table.lamp_number[0].tolist() == [0, 0, 1, 1, 1]


def test_hours_since_cleaning_count_lit_hours_across_a_swap_and_a_gap():
    daily = _daily([8000, 8024, np.nan, np.nan, 8096, 12, 36])
    table = fleet_days(daily, kind=KIND, events=_event(CLEAN, "2026-01-02"))
    assert table.clean_hours[0] == pytest.approx([0, 0, 24, 48, 72, 84, 108])
    assert np.isnan(table.intensity_w_m2[0, [2, 3]]).all()


def test_the_day_of_a_visit_keeps_no_intensity_since_its_median_mixes_before_and_after():
    table = fleet_days(_daily([0, 24, 48]), kind=KIND, events=_event(CLEAN, "2026-01-02"))
    assert np.isnan(table.intensity_w_m2[0]).tolist() == [False, True, False]


def test_row_order_does_not_matter():
    daily = _daily(np.arange(0, 480, 24.0), uvt_pct=80.0)
    shuffled = daily.sample(frac=1, random_state=generator("row order does not matter"))
    one, other = fleet_days(daily, kind=KIND), fleet_days(shuffled, kind=KIND)
    assert np.array_equal(one.lamp_hours, other.lamp_hours)
    assert np.array_equal(one.uvt_pct, other.uvt_pct)


def test_two_rows_of_one_day_are_refused_with_the_unit_and_the_day():
    daily = pd.concat([_daily([0, 24]), _daily([0])])
    with pytest.raises(ValueError, match=r"heron, main.* two rows on 2026-01-01"):
        fleet_days(daily, kind=KIND)


def test_a_unit_without_a_kind_is_refused_by_name():
    with pytest.raises(ValueError, match=r"'heron', 'main'.* has no kind"):
        fleet_days(_daily([0, 24]), kind=KIND.iloc[:0])


def test_a_missing_column_is_named():
    with pytest.raises(ValueError, match=r"lacks the columns \['lamp_hours'\]"):
        fleet_days(_daily([0, 24]).drop(columns="lamp_hours"), kind=KIND)


def test_no_row_at_all_is_refused():
    with pytest.raises(ValueError, match="nothing to fit"):
        fleet_days(_daily([0, 24]).iloc[:0], kind=KIND)
