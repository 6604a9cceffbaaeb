"""Checks of a live transmittance sensor: within 2 points (EPA 815-R-06-007, from memory, SOURCES.md section 2)."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from models.dose.sensor_checks import FOREVER_US
from models.dose.uvt_checks import off_a_test, uvt_check_words, uvt_stretches
from models.exposure.instants import NEVER
from tests.models.reactors import ANNULAR

DAY = pd.Timedelta(days=1)
START = pd.Timestamp("2026-06-01T00:00:00Z")


def checks(*found: tuple[int, float]) -> pd.DataFrame:
    """Of one unit: day, points too high."""
    return pd.DataFrame({
        "unit_no": [0] * len(found), "at": pd.DatetimeIndex([START + day * DAY for day, _ in found], tz="UTC"),
        "off_points": [off for _, off in found], "who": ["Ada Brook"] * len(found)})


def steps(found: pd.DataFrame) -> list[tuple[float | None, float | None, float]]:
    def day(us: int) -> float | None:
        return None if us in (NEVER, FOREVER_US) else (pd.Timestamp(us, unit="us", tz="UTC") - START) / DAY

    return [(day(row.from_us), day(row.until_us), row.off_points) for row in found.itertuples()]


@pytest.mark.parametrize("off", [3.0, -3.0])
def test_a_failed_check_either_way_speaks_of_the_time_between_the_good_ones(off):
    found = uvt_stretches(checks((0, 1.0), (30, off), (60, -2.0), (90, 0.0)))
    assert steps(found) == [(0, 60, 3.0), (60, 90, 0.0), (90, None, 0.0)]


def test_without_a_good_one_before_all_of_the_record_is_meant_and_the_worst_counts():
    assert steps(uvt_stretches(checks((40, -7.0), (10, 2.1), (20, 5.0)))) == [(None, None, 7.0)]


def test_a_check_without_a_value_says_nothing():
    assert uvt_stretches(checks((0, np.nan))).empty and uvt_stretches(checks()).empty


@pytest.mark.parametrize(("off", "told"), [
    (0.0, "it reads as the sample, within the limit of 2 points"),
    (2.0, "it reads 2 points too high, within the limit of 2 points"),
    (-2.5, "it reads 2.5 points too low, above the limit of 2 points: since the last good check its readings are "
     "not used and the water test counts; clean or calibrate it, and check it again")])
def test_what_a_check_says(off, told):
    assert uvt_check_words(off) == told


@pytest.mark.parametrize(("live", "found"), [(94.0, None), (94.01, 6.01), (81.5, 6.5), (np.nan, None)])
def test_a_test_and_a_sensor_contradict_one_another_beyond_both_their_errors(live, found):
    """2 and 4 points by the profile's defaults."""
    off = off_a_test(ANNULAR, live_pct=live, tested_pct=88.0)
    assert off is None if found is None else off == pytest.approx(found)
