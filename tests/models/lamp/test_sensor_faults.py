"""Only lit, warmed, flowing readings count, and sensors that lie are named."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from models.lamp.sensor_faults import SensorFault, daily_signal, lit_seconds, sensor_faults, usable

WARM_UP_S = 120.0


def _readings(minutes=1440, *, cabin="heron", seed=None, **columns) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame({
        "cabin": cabin, "unit": "main", "at": pd.date_range("2026-03-01", periods=minutes, freq="min", tz="UTC"),
        "intensity_w_m2": 40 + rng.normal(0, 0.4, minutes),
        "flow_l_min": np.where(np.arange(minutes) % 60 < 10, 8.0, 0.0),
        "lamp_on": True, "lamp_hours": np.arange(minutes) / 60, "uvt_pct": np.nan, "water_temp_c": 8.0,
    })  # fmt: skip
    frame.loc[0, "lamp_on"] = False
    return frame.assign(**columns)


def test_a_lamp_counts_as_warm_from_its_warm_up_on_and_not_before():
    readings = _readings(10, flow_l_min=8.0)
    assert usable(readings, warm_up_s=WARM_UP_S).tolist() == [False, False, False, *[True] * 7]
    assert lit_seconds(readings).tolist() == [0, *range(0, 540, 60)]


def test_after_a_silence_it_is_not_known_to_be_warm_until_seen_lit_for_the_whole_warm_up():
    readings = _readings(20, flow_l_min=8.0).drop(index=range(8, 14)).reset_index(drop=True)
    good = usable(readings, warm_up_s=WARM_UP_S)
    assert np.isnan(lit_seconds(readings)[8:]).all()
    assert good[8:].tolist() == [False, False, True, True, True, True]


def test_standing_water_is_left_out():
    readings = _readings()
    assert not usable(readings, warm_up_s=WARM_UP_S)[readings["flow_l_min"] == 0].any()


def test_a_lamp_whose_state_nobody_stated_is_not_taken_for_lit():
    assert not usable(_readings(lamp_on=None, flow_l_min=8.0), warm_up_s=WARM_UP_S).any()


def test_a_healthy_sensor_has_no_fault():
    assert sensor_faults(_readings(7 * 1440)).empty


@pytest.mark.parametrize("step_w_m2", [0.1, 0.5, 1.0])
def test_a_coarse_sensor_is_not_taken_for_stuck_or_saturated(step_w_m2):
    readings = _readings(7 * 1440)
    readings["intensity_w_m2"] = (readings["intensity_w_m2"] / step_w_m2).round() * step_w_m2
    assert sensor_faults(readings).empty


def test_the_same_value_for_hours_while_water_comes_and_goes_is_a_stuck_sensor():
    readings = _readings(3 * 1440)
    readings.loc[1000:1500, "intensity_w_m2"] = 38.25
    found = sensor_faults(readings)
    assert found["fault"].tolist() == [SensorFault.STUCK]
    assert found["since"].iloc[0] == readings["at"].iloc[1000]
    assert found["readings"].iloc[0] == 501
    assert "38.25" in found["evidence"].iloc[0]


def test_a_ceiling_that_many_readings_reach_is_a_saturated_sensor():
    readings = _readings(3 * 1440)
    readings["intensity_w_m2"] = readings["intensity_w_m2"].clip(upper=40.2)
    assert sensor_faults(readings)["fault"].tolist() == [SensorFault.SATURATED]


def test_intensity_while_the_lamp_is_off_is_an_offset():
    readings = _readings(1440)
    readings.loc[600:660, "lamp_on"] = False
    readings.loc[600:660, "intensity_w_m2"] = 3.0
    found = sensor_faults(readings)
    assert found["fault"].tolist() == [SensorFault.OFFSET]
    assert "3.00 W/m2 while the lamp is off" in found["evidence"].iloc[0]


def test_dark_readings_at_zero_are_no_offset():
    readings = _readings(1440)
    readings.loc[600:660, ["lamp_on", "intensity_w_m2"]] = [False, 0.0]
    assert sensor_faults(readings).empty


def test_one_units_fault_is_not_laid_to_its_neighbour():
    good, bad = _readings(1440, cabin="gull"), _readings(1440)
    bad.loc[200:900, "intensity_w_m2"] = 38.0
    both = pd.concat([good, bad], ignore_index=True)
    assert sensor_faults(both)["cabin"].tolist() == ["heron"]


def test_the_daily_figure_is_the_median_of_usable_readings():
    readings = _readings(2 * 1440)
    readings.loc[readings["flow_l_min"] == 0, "intensity_w_m2"] += 7.0  # warm, standing water
    days = daily_signal(readings, warm_up_s=WARM_UP_S)
    good = usable(readings, warm_up_s=WARM_UP_S) & (readings["at"].dt.day == 1)
    assert days["intensity_w_m2"].iloc[0] == np.median(readings.loc[good, "intensity_w_m2"])
    assert days["readings"].tolist() == [int(good.sum()), 240]
    assert days["lamp_hours"].tolist() == pytest.approx([1439 / 60, 2879 / 60])


def test_a_day_without_a_usable_reading_has_no_intensity():
    days = daily_signal(_readings(1440, flow_l_min=0.0), warm_up_s=WARM_UP_S)
    assert days["intensity_w_m2"].isna().all()
    assert days["water_temp_c"].tolist() == [8.0]
