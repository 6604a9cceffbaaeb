"""A sensor that is not to be trusted is never clear, by command: from the reading at which the log could show it.

Readings in water of 82 %: by the reactor's own profile a new lamp gives 54.6 W/m2 there; 78.0 in the clearest water
that a test of an unknown day leaves open (89 %), with the sensor's 10 %. Doses are held against published values
elsewhere.
"""

from __future__ import annotations

import json
import re
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import hypothesis.strategies as st
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings

from ingest.registry.tables import read_fleet
from models.dose import assess
from models.dose.water_band import band_points
from tests.conftest import FLEET_TOML, REACTOR, cabin_toml
from tests.ingest.drawn_log import HERON, run, told

FLEET = REACTOR + cabin_toml("heron-point", "main")
EVERY_S = 300
HOUR = 3600 // EVERY_S  # readings
DAY = 24 * HOUR
LEVEL = 50.0
UNDATED_POINTS = float(band_points(read_fleet(FLEET_TOML).reactors[0], np.nan))


def low(intensity_w_m2: float, flow_l_min: float = 19.0) -> float:
    """The lower bound of dose at such a reading, by the reactor of the tests. [mJ/cm2]"""
    found = assess(read_fleet(FLEET_TOML).reactors[0], intensity_w_m2=intensity_w_m2, flow_l_min=flow_l_min,
                   uvt_pct=82.0, uvt_live=False, uvt_test_points=UNDATED_POINTS)
    return float(found.red_low_mj_cm2)


def honest(readings: int, seed: int = 1, level: float = LEVEL) -> np.ndarray:
    """Light with a sensor's 1 % of noise."""
    return (level * (1.0 + np.random.default_rng(seed).normal(0, 0.01, readings))).round(2)


def log(path: Path, intensity: np.ndarray, **other: Any) -> datetime:
    """Load readings that end now, water drawn ten minutes in each half hour; the last reading's instant."""
    end = datetime.now(UTC).replace(second=0, microsecond=0)
    count = len(intensity)
    at = pd.date_range(end=end, periods=count, freq=f"{EVERY_S}s").astype("datetime64[us, UTC]")
    flow = np.where(np.arange(count)[::-1] % 6 < 2, 6.0, 0.0)
    rows = pd.DataFrame({
        "cabin": "heron-point", "unit": "main", "at": at, "lamp_on": True, "power_on": True,
        "intensity_w_m2": intensity, "flow_l_min": flow,
        "total_l": (np.cumsum(flow) * EVERY_S / 60).round(2)} | other)
    file = path.parent / "log.csv"
    rows.to_csv(file, index=False)
    run(path, "load", str(file))
    return end


def heron(path: Path, *words: str) -> dict[str, Any]:
    return next(one for one in told(path, "status", *words) if one["cabin"] == "heron-point")


def record(path: Path, kind: str, at: datetime, value: float | None = None) -> None:
    run(path, "service", "record", kind, *HERON, "--at", at.isoformat(), "--who", "Ann Lund",
        *(() if value is None else ("--value", f"{value}")))


def reasons(one: dict[str, Any]) -> str:
    return " ".join(one["reasons"])


@pytest.fixture(scope="module")
def unheard(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with one unit that reads every five minutes, for copies of it."""
    path = tmp_path_factory.mktemp("unheard") / "tarnlight.duckdb"
    file = path.parent / "fleet.toml"
    file.write_text(FLEET.replace("cadence_s = 60", f"cadence_s = {EVERY_S}") + "\n[judging]\ntwo_ends_s = 600\n",
                    encoding="utf-8")
    run(path, "enroll", str(file))
    return path


@pytest.fixture
def unit(unheard: Path, tmp_path: Path) -> Path:
    """That store, of this test's own."""
    return copied(unheard, tmp_path)


def copied(store: Path, folder: Path) -> Path:
    path = folder / "data" / "tarnlight.duckdb"
    path.parent.mkdir()
    shutil.copy(store, path)
    return path


def test_an_honest_sensor_is_clear(unit: Path) -> None:
    log(unit, honest(10 * DAY))
    assert heron(unit)["verdict"] == "clear"


def test_a_sensor_stuck_for_hours_is_silent_and_says_since_when_and_at_what(unit: Path) -> None:
    light = honest(3 * DAY)
    light[-7 * HOUR:] = 45.2
    end = log(unit, light)
    one = heron(unit)
    assert one["verdict"] == "silent"
    since = end - timedelta(seconds=EVERY_S * (7 * HOUR - 1))
    assert one["reasons"][0].startswith(
        f"The sensor has read 45.2 W/m2, unchanged, since {since:%Y-%m-%d %H:%M UTC}")
    assert one["since"] == since.isoformat() or datetime.fromisoformat(one["since"]) == since
    assert "Check the sensor" in one["next_action"] and "health authority" in one["next_action"]
    # no dose is shown to rest on it
    assert one["dose_low_mj_cm2"] is None and one["dose_mj_cm2"] is None
    assert set(one["log_credit"].values()) == {None}


def test_five_hours_of_one_value_are_not_yet_a_stuck_sensor(unit: Path) -> None:
    light = honest(3 * DAY)
    light[-5 * HOUR:] = 45.2
    log(unit, light)
    assert "unchanged" not in reasons(heron(unit))


def test_a_silence_within_does_not_free_a_stuck_sensor(unit: Path) -> None:
    light = honest(3 * DAY)
    light[-10 * HOUR:] = 45.2
    light[-4 * HOUR:-2] = np.nan  # nearly four hours without a value, then the same one
    log(unit, light)
    one = heron(unit)
    assert one["verdict"] != "clear" and "45.2 W/m2, unchanged" in reasons(one)


def test_a_sensor_stuck_for_days_stays_silent_and_lamps_says_the_same(unit: Path) -> None:
    light = honest(12 * DAY)
    light[-5 * DAY:] = 45.2
    log(unit, light)
    one = heron(unit)
    assert one["verdict"] == "silent" and "45.2 W/m2, unchanged" in reasons(one)
    [lamp] = told(unit, "lamps")
    assert [(fault["fault"], fault["evidence"]) for fault in lamp["sensor_faults"]] == [
        ("stuck", one["reasons"][0].removesuffix(" So the dose is not known."))]


def test_a_sensor_that_was_stuck_for_days_and_moves_again_is_watched_until_a_good_check(unit: Path) -> None:
    light = honest(12 * DAY)
    light[-6 * DAY:-3 * DAY] = 45.2
    end = log(unit, light)
    assert heron(unit)["verdict"] == "watch"
    record(unit, "sensor-checked", end - timedelta(hours=1), 1.0)
    assert heron(unit)["verdict"] == "clear"


def test_a_reading_that_no_new_lamp_can_give_is_not_clear_at_that_very_reading(unit: Path) -> None:
    light = honest(3 * DAY)
    light[-1] = 1.7 * 54.6
    log(unit, light)
    one = heron(unit)
    assert one["verdict"] == "watch"
    assert "The sensor reads 92.8 W/m2, more than the 78 that a new lamp" in reasons(one)
    # the bound counts on the days before, and no more
    assert one["dose_low_mj_cm2"] <= low(LEVEL * 1.02, 6.0)
    [lamp] = told(unit, "lamps")
    assert [fault["fault"] for fault in lamp["sensor_faults"]] == ["jump"]


def test_where_nothing_is_known_of_before_such_a_reading_is_silent(unit: Path) -> None:
    log(unit, honest(6 * HOUR, level=92.0))
    one = heron(unit)
    assert one["verdict"] == "silent" and "more than the 78" in reasons(one) and one["dose_low_mj_cm2"] is None


def test_a_water_test_explains_a_bright_reading_and_so_does_a_good_check_that_saw_it(unit: Path) -> None:
    light = honest(10 * DAY)
    light[-4 * DAY:] *= 1.5
    end = log(unit, light.round(2))
    assert heron(unit)["verdict"] == "watch"
    record(unit, "sensor-checked", end - timedelta(days=4, hours=2), 1.0)  # it saw nothing of it
    assert heron(unit)["verdict"] == "watch"
    record(unit, "water-tested", end - timedelta(hours=2), 97.0)
    assert "jump" not in json.dumps(told(unit, "lamps")[0]["sensor_faults"])
    assert not any("W/m2" in reason for reason in heron(unit)["reasons"])


def test_a_good_check_that_saw_a_bright_reading_clears_it(unit: Path) -> None:
    light = honest(10 * DAY)
    light[-4 * DAY:] *= 1.5
    end = log(unit, light.round(2))
    record(unit, "sensor-checked", end - timedelta(hours=2), 1.0)
    assert heron(unit)["verdict"] == "clear"


def test_a_jump_of_an_aged_lamp_is_watched_and_its_bound_counts_on_no_more_than_before(unit: Path) -> None:
    light = honest(10 * DAY, level=42.0)
    light[-2 * DAY:] *= 1.35  # 56.7: what a new lamp gives in this water
    log(unit, light.round(2))
    one = heron(unit)
    assert one["verdict"] == "watch"
    # by the day's median, whose last digit goes with how much of the day there is
    jump = r"the sensor reads 56\.[5-9] W/m2 where it read 4(1\.9|2|2\.1) in the days before"
    assert re.search(jump, reasons(one))
    assert one["dose_low_mj_cm2"] <= low(42.0 * 1.03, 6.0)


def test_a_jump_is_known_within_the_hour(unit: Path) -> None:
    light = honest(10 * DAY, level=42.0)
    light[-HOUR:] *= 1.35
    log(unit, light.round(2))
    assert heron(unit)["verdict"] == "watch" and "where it read 42" in reasons(heron(unit))


def test_what_a_jump_pretends_makes_no_weak_lamp_strong_enough(unit: Path) -> None:
    light = honest(10 * DAY, level=25.0)  # too little at peak flow, enough for an open tap
    light[-2 * DAY:] *= 2.0
    log(unit, light.round(2))
    assert low(50.0) > 40.0 > low(25.0)
    assert "At peak flow (19 L/min) the dose can be shown to reach only" in reasons(heron(unit))


@pytest.mark.parametrize("kind", ["lamp-swapped", "sleeve-cleaned"])
def test_a_new_lamp_or_a_cleaning_explains_a_rise_and_one_after_it_does_not(unit: Path, kind: str) -> None:
    light = honest(10 * DAY, level=42.0)
    light[-2 * DAY:] *= 1.35
    end = log(unit, light.round(2))
    record(unit, kind, end - timedelta(hours=3))
    assert "where it read 42" in reasons(heron(unit))
    record(unit, kind, end - timedelta(days=2))
    assert heron(unit)["verdict"] == "clear"


def test_a_good_check_clears_a_jump_and_a_failed_one_does_not(unit: Path) -> None:
    light = honest(10 * DAY, level=42.0)
    light[-2 * DAY:] *= 1.35
    end = log(unit, light.round(2))
    record(unit, "sensor-checked", end - timedelta(hours=3), 1.35)
    assert heron(unit)["verdict"] != "clear" and "divided by 1.35" in reasons(heron(unit))
    record(unit, "sensor-checked", end - timedelta(hours=2), 1.0)
    assert heron(unit)["verdict"] == "clear"


# before the jump: the hour before, that day, two days, more
@pytest.mark.parametrize("checked_h", [1, 80, *(pytest.param(one, marks=pytest.mark.slow) for one in (10, 40))])
def test_a_good_check_shortly_before_a_jump_hides_nothing(unit: Path, checked_h: int) -> None:
    light = honest(10 * DAY, level=42.0)
    light[-HOUR:] *= 1.35
    end = log(unit, light.round(2))
    record(unit, "sensor-checked", end - timedelta(hours=1 + checked_h), 1.0)
    assert heron(unit)["verdict"] == "watch" and "where it read 42" in reasons(heron(unit))


@pytest.mark.parametrize("jumped_h", [3, 30, pytest.param(14, marks=pytest.mark.slow)])
def test_a_good_check_vouches_for_a_level_that_it_saw_whatever_the_day(unit: Path, jumped_h: int) -> None:
    light = honest(10 * DAY, level=42.0)
    light[-jumped_h * HOUR:] *= 1.35
    end = log(unit, light.round(2))
    record(unit, "sensor-checked", end - timedelta(hours=1), 1.0)
    assert heron(unit)["verdict"] == "clear"


def test_a_sensor_that_read_low_and_was_mended_did_not_jump(unit: Path) -> None:
    light = honest(10 * DAY, level=52.0)
    light[:-2 * DAY] *= 0.7
    end = log(unit, light.round(2))
    assert heron(unit)["verdict"] == "watch"
    record(unit, "sensor-checked", end - timedelta(days=2, hours=1), 0.7)
    record(unit, "sensor-checked", end - timedelta(days=2), 1.0)
    assert heron(unit)["verdict"] == "clear"


@pytest.mark.parametrize(("after", "word"), [(1.0, "clear"), (1.35, "watch")])
def test_water_that_was_cloudy_for_a_week_is_no_jump_when_it_clears(unit: Path, after: float, word: str) -> None:
    light = honest(24 * DAY, level=54.0)
    light[-9 * DAY:-2 * DAY] *= 0.78
    light[-2 * DAY:] *= after
    log(unit, light.round(2))
    assert heron(unit)["verdict"] == word


def test_a_level_that_came_back_by_itself_is_clear_again(unit: Path) -> None:
    light = honest(14 * DAY, level=45.0)
    light[-8 * DAY:-6 * DAY] *= 1.35
    log(unit, light.round(2))
    assert heron(unit)["verdict"] == "clear"


def test_a_saturated_sensor_is_watched(unit: Path) -> None:
    log(unit, np.minimum(honest(6 * DAY, level=50.0), 50.2))
    one = heron(unit)
    assert one["verdict"] == "watch" and "stands at its highest value, 50.20 W/m2" in reasons(one)


def test_an_offset_is_watched(unit: Path) -> None:
    """It reads 3 W/m2 in half an hour of the dark, three days ago, when no water was drawn."""
    light, lamp = honest(6 * DAY), np.ones(6 * DAY, bool)
    dark = slice(-3 * DAY, -3 * DAY + 6)
    light[dark], lamp[dark] = 3.0 + 0.01 * np.arange(6), False
    log(unit, light, lamp_on=lamp)
    assert "while the lamp is off" in reasons(heron(unit)) and heron(unit)["verdict"] != "clear"


def test_a_failed_check_is_not_clear_even_where_the_divided_dose_is_enough(unit: Path) -> None:
    end = log(unit, honest(3 * DAY))
    record(unit, "sensor-checked", end - timedelta(hours=2), 1.6)
    assert heron(unit)["verdict"] != "clear" and "divided by 1.6" in reasons(heron(unit))


def test_a_check_that_passes_at_1_2_divides_the_bound_and_not_the_best_estimate(unit: Path) -> None:
    """At the threshold that is the difference: 45 W/m2 at 19 L/min."""
    end = log(unit, honest(3 * DAY, level=45.0))
    before = heron(unit)
    record(unit, "sensor-checked", end - timedelta(hours=2), 1.2)
    one = heron(unit)
    assert one["dose_low_mj_cm2"] == pytest.approx(before["dose_low_mj_cm2"] / 1.2, rel=1e-9)
    assert one["dose_mj_cm2"] == before["dose_mj_cm2"]
    assert before["verdict"] == "clear" and one["verdict"] == "watch"
    assert "At peak flow (19 L/min) the dose can be shown to reach only" in reasons(one)
    [report] = told(unit, "report", "--cabin", "heron-point", "--month", f"{end:%Y-%m}")
    [stretch] = report["sensor_divided"]
    assert (stretch["ratio"], stretch["low_ratio"]) == (1.0, 1.2) and "passed" in stretch["words"]
    [lamp] = told(unit, "lamps")
    # the threshold follows: more light is asked for to reach the same target
    assert low(lamp["threshold_w_m2"] * 1.001) / 1.2 >= 40.0 > low(lamp["threshold_w_m2"] * 0.995) / 1.2
    record(unit, "sensor-checked", end - timedelta(hours=1), 1.0)
    assert heron(unit)["verdict"] == "clear"


def test_a_unit_that_nobody_ever_checked_is_watched_after_a_year_and_not_before(unit: Path, tmp_path: Path) -> None:
    end = datetime.now(UTC).replace(second=0, microsecond=0)
    old = pd.DataFrame({
        "cabin": "heron-point", "unit": "main", "lamp_on": True, "power_on": True, "intensity_w_m2": honest(HOUR),
        "flow_l_min": 0.0, "at": pd.date_range(end - timedelta(days=366), periods=HOUR, freq=f"{EVERY_S}s")})
    file = tmp_path / "old.csv"
    old.to_csv(file, index=False)
    run(unit, "load", str(file))
    log(unit, honest(DAY))
    assert "For 366 days nobody held the sensor against a reference: no check is on its record." in heron(unit)[
        "reasons"]


FAULTS = st.sampled_from(["stuck", "bright", "jump", "failed", "stuck-again"])


@settings(max_examples=12)
@given(fault=FAULTS, begun_h=st.integers(7, 60), level=st.floats(40.0, 54.0), seed=st.integers(0, 99))
def test_no_history_with_a_standing_fault_is_ever_clear(
    unheard: Path, tmp_path_factory: pytest.TempPathFactory, fault: str, begun_h: int, level: float, seed: int
) -> None:
    path = copied(unheard, tmp_path_factory.mktemp("trust"))
    light = honest(6 * DAY, seed, level)
    since = -begun_h * HOUR
    if fault in ("stuck", "stuck-again"):
        light[since:] = light[since]
        if fault == "stuck-again":
            light[-3 * HOUR:-3] = np.nan
    elif fault == "bright":
        light[since:] = (light[since:] * 85.0 / level).round(2)
    elif fault == "jump":
        light[since:] = (light[since:] * 1.3).round(2)
    end = log(path, light)
    if fault == "failed":
        record(path, "sensor-checked", end - timedelta(hours=begun_h), 1.21 + seed / 100)
    assert heron(path)["verdict"] != "clear"
