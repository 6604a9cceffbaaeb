"""A filter is due by the flow that it has cost: arithmetic on constructed draws; no outside table needed."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from models.lamp.filters import DUE_LOSS, filter_losses

CHANGED = pd.Timestamp("2026-03-01")
TODAY = CHANGED + pd.Timedelta(days=200)
UNIT = ("heron-point", "main")
LAST_CHANGE = pd.DataFrame({"cabin": [UNIT[0]], "unit": [UNIT[1]], "day": [CHANGED]})


def _peaks(limit_l_min: np.ndarray, *, drawn_share: np.ndarray | float = 1.0, readings: int = 40) -> pd.DataFrame:
    """Days from the change on, with what the filter lets through and the share of it that people draw."""
    days = len(limit_l_min)
    return pd.DataFrame({
        "cabin": UNIT[0], "unit": UNIT[1], "day": CHANGED + pd.to_timedelta(np.arange(days), unit="D"),
        "peak_l_min": limit_l_min * drawn_share, "readings": readings})


@pytest.mark.parametrize(("left", "due"), [(1.00, False), (0.76, False), (0.74, True), (0.40, True)])
def test_it_is_due_from_a_quarter_of_the_flow_lost(left, due):
    limit = np.where(np.arange(200) <= 21, 18.0, 18.0 * left)
    [found] = filter_losses(_peaks(limit), LAST_CHANGE, today=TODAY).itertuples()
    assert found.loss == pytest.approx(1 - left)
    assert found.due == due
    assert ("L/min" in found.evidence) == due


def test_a_slow_clogging_is_due_when_the_slope_says_so():
    """0.15 % of the clean flow a day: a quarter is gone after 167 days.

    The upper quartiles of the two falling windows stand at day 6 after the change and 10 days before the end, so
    that they lie 124, 154 and 214 days apart: 19, 23 and 32 % lost.
    """
    rng = np.random.default_rng(4)
    limit = 18.0 * (1 - 0.0015 * np.arange(260)) * np.exp(rng.normal(0, 0.01, 260))
    dates = [TODAY - pd.Timedelta(days=60), TODAY - pd.Timedelta(days=30), TODAY + pd.Timedelta(days=30)]
    dues = [bool(filter_losses(_peaks(limit), LAST_CHANGE, today=day)["due"].iloc[0]) for day in dates]
    assert dues == [False, False, True]


def test_quiet_days_are_not_taken_for_a_clogged_filter():
    """Two days of three people draw half of what they could; nothing is lost."""
    share = np.where(np.arange(200) % 3 == 0, 1.0, 0.5)
    [found] = filter_losses(_peaks(np.full(200, 18.0), drawn_share=share), LAST_CHANGE, today=TODAY).itertuples()
    assert found.loss == pytest.approx(0.0) and not found.due


@pytest.mark.parametrize("days", [10, 24])
def test_a_filter_changed_lately_is_not_judged(days):
    peaks = _peaks(np.full(days, 18.0))
    assert filter_losses(peaks, LAST_CHANGE, today=CHANGED + pd.Timedelta(days=days)).empty


def test_an_empty_cabin_is_not_judged():
    limit = np.where(np.arange(200) <= 21, 18.0, 2.0)
    peaks = _peaks(limit).assign(readings=np.where(np.arange(200) <= 30, 40, 1))
    assert filter_losses(peaks, LAST_CHANGE, today=TODAY).empty


def test_what_flowed_before_the_change_does_not_count():
    before = _peaks(np.full(200, 30.0))
    before["day"] -= pd.Timedelta(days=200)
    peaks = pd.concat([before, _peaks(np.full(200, 18.0))], ignore_index=True)
    assert filter_losses(peaks, LAST_CHANGE, today=TODAY)["loss"].tolist() == [pytest.approx(0.0)]


def test_units_are_judged_apart_and_in_any_order():
    limit = np.where(np.arange(200) <= 21, 18.0, 18.0 * (1 - 2 * DUE_LOSS))
    other = _peaks(np.full(200, 9.0)).assign(cabin="otter-cove")
    peaks = pd.concat([_peaks(limit), other]).sample(frac=1.0, random_state=3)
    both = pd.concat([LAST_CHANGE, LAST_CHANGE.assign(cabin="otter-cove")])
    found = filter_losses(peaks, both, today=TODAY).set_index("cabin")["due"]
    assert found.to_dict() == {UNIT[0]: True, "otter-cove": False}


def test_a_negative_flow_or_a_change_told_twice_is_refused():
    with pytest.raises(ValueError, match="peak_l_min must be at least 0"):
        filter_losses(_peaks(np.full(30, -1.0)), LAST_CHANGE, today=TODAY)
    with pytest.raises(ValueError, match="stands twice"):
        filter_losses(_peaks(np.full(30, 9.0)), pd.concat([LAST_CHANGE, LAST_CHANGE]), today=TODAY)
