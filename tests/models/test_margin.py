"""Margins and stretches, by hand: no source but arithmetic."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from models.margin import Margins, Stretch, margin, margins_by_unit, stretches

SINCE = datetime(2026, 11, 20, tzinfo=UTC)
ROW = {"margin_mj_cm2": 5.0, "target_mj_cm2": 40.0, "known_s": 3600.0, "warming_s": 0.0, "dark_s": 0.0,
       "unheard_s": 0.0, "underdosed_l": 0.0, "underdosed_l_upper": 0.0}


def of(*rows: dict[str, float], hours: float = 4, silent_after_s: float = 300.0) -> Margins:
    """One unit with these rows."""
    table = pd.DataFrame([{"unit_no": 0, **ROW, **one} for one in rows], columns=["unit_no", "slot", *ROW])
    return margins_by_unit(
        table, [("a", "main"), ("b", "main")], since=SINCE, until=SINCE + timedelta(hours=hours), slot_s=3600,
        silent_after_s=[silent_after_s] * 2)["a", "main"]


@pytest.mark.parametrize(("drawn", "peak", "found"), [
    (38.0, 42.0, -2.0), (80.0, 41.0, 1.0), (np.nan, 39.0, -1.0), (39.0, np.nan, -1.0), (np.nan, np.nan, np.nan)])
def test_the_worse_lower_bound_counts_and_none_is_none(drawn: float, peak: float, found: float) -> None:
    got = margin(np.array([drawn]), np.array([peak]), np.array([40.0]))[0]
    assert got == found or (np.isnan(got) and np.isnan(found))


def test_a_unit_without_a_row_is_unheard_throughout_and_its_litres_are_not_known() -> None:
    found = margins_by_unit(
        pd.DataFrame(columns=["unit_no", "slot", *ROW]), [("a", "main")], since=SINCE,
        until=SINCE + timedelta(hours=3), slot_s=3600, silent_after_s=[300.0])["a", "main"]
    assert not found.heard and found.seconds(Stretch.UNHEARD) == 3 * 3600
    assert np.isnan(found.margin_mj_cm2).all() and np.isnan(found.underdosed_l_upper).all()


def test_time_that_no_row_speaks_of_is_unheard_but_not_the_moment_since_the_latest_reading() -> None:
    found = of({"slot": 0}, {"slot": 1, "known_s": 3500.0}, {"slot": 2, "known_s": 1800.0})
    assert found.share[Stretch.UNHEARD].tolist() == [0.0, 0.0, 0.5, 1.0]
    assert found.seconds(Stretch.UNHEARD) == 5400


def test_the_last_slot_counts_up_to_now_alone() -> None:
    found = of({"slot": 0}, {"slot": 1, "known_s": 1800.0, "dark_s": 900.0}, hours=1.5)
    assert found.slots == 2 and found.share[Stretch.DARK].tolist() == [0.0, 0.5]
    assert found.seconds(Stretch.DARK) == 900 and found.seconds(Stretch.UNHEARD) == 0


def test_lit_time_without_any_dose_is_said_to_be_unknown() -> None:
    found = of({"slot": 0, "margin_mj_cm2": np.nan, "dark_s": 600.0, "warming_s": 300.0}, hours=1)
    assert found.seconds(Stretch.UNKNOWN) == 2700 and found.seconds(Stretch.DARK) == 600
    assert found.seconds(Stretch.COLD) == 300


@pytest.mark.parametrize(("share", "found"), [
    ([0, 0, 0], []), ([1, 1, 1], [(0, 3)]), ([0, 0.5, 0], [(1, 1.5)]), ([0, 0.5, 0.5], [(1.5, 2.5)]),
    ([0.25, 0.5, 0.25], [(0.75, 1.5), (2, 2.25)]), ([0.5, 0, 1], [(0, 0.5), (2, 3)])])
def test_parts_of_slots_are_joined_where_they_touch(share: list[float], found: list[tuple[float, float]]) -> None:
    assert [one for pair in stretches(np.array(share, float)) for one in pair] == pytest.approx(
        [one for pair in found for one in pair])
