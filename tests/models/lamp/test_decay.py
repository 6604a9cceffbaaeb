"""The fleet's fit, forecast and diagnosis on lamps whose making is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from models.lamp import decay
from models.lamp.daily_series import FleetDays
from models.lamp.decay import fleet_fit
from models.lamp.design_matrix import FIRST_FILM, FOUND_JUMPS, LAMP, SLEEVE, design
from models.lamp.diagnosis import Action, LossCause, _action, diagnosis
from models.lamp.forecast import (
    HORIZON_DAYS,
    Crossing,
    after_cleaning,
    after_swap,
    average_year,
    crossing,
    outlook,
    present_state,
)
from models.lamp.robust import median_scale
from tests.seeds import generator

LAMP_PER_KH, SLEEVE_PER_KH, NEW_W_M2 = 0.025, 0.05, 60.0


def _fleet(
    units=30, days=300, *, seed=None, lamp_per_kh=LAMP_PER_KH, sleeve_per_kh=SLEEVE_PER_KH, clean_every=90,
    noise=0.01, start_h=2000.0,
) -> FleetDays:
    """Lamps that all age alike behind sleeves that all foul alike: straight lines and noise, no more."""
    rng = np.random.default_rng(seed)
    day = np.arange(days)
    phase = rng.integers(0, clean_every, (units, 1))
    lamp_hours = start_h + 24.0 * day + np.zeros((units, 1))
    clean_number, since = np.divmod(day + phase, clean_every)
    clean_hours = 24.0 * since
    log = (
        np.log(NEW_W_M2) + rng.normal(0, 0.05, (units, 1)) - lamp_per_kh * lamp_hours / 1000
        - sleeve_per_kh * clean_hours / 1000 + rng.normal(0, noise, (units, days))
    )  # fmt: skip
    return FleetDays(
        units=pd.MultiIndex.from_product([[f"c{row}" for row in range(units)], ["main"]], names=["cabin", "unit"]),
        kind=np.zeros(units, dtype=int), kinds=("annular-40",), first_day=np.datetime64("2026-01-01"),
        intensity_w_m2=np.exp(log), lamp_hours=lamp_hours, clean_hours=clean_hours,
        uvt_pct=np.full((units, days), 85.0), water_temp_c=np.full((units, days), 10.0),
        lamp_number=np.zeros((units, days), dtype=int), clean_number=clean_number,
    )


def _wander(rng: np.random.Generator, units: int, days: int, *, sd: float) -> np.ndarray:
    """Of ln(intensity), with a memory of 15 days."""
    kept = np.exp(-1 / 15)
    wander = np.zeros((units, days))
    for day in range(1, days):
        wander[:, day] = kept * wander[:, day - 1] + rng.normal(0, sd * np.sqrt(1 - kept**2), units)
    return wander


def _forecast(days: FleetDays, threshold_w_m2=35.0, rated_life_h=9000.0):
    fit = fleet_fit(days)
    state = present_state(fit, days)
    asked = {"threshold_w_m2": np.full(len(days.kind), threshold_w_m2), "rated_life_h": rated_life_h}
    found = crossing(fit, state, **asked)
    return fit, state, found, diagnosis(fit, days, state, as_it_is=found, **asked)


def test_lamp_and_sleeve_get_their_own_share_where_cleanings_tell_them_apart():
    fit = fleet_fit(_fleet())
    assert np.median(fit.coefficient[:, LAMP]) == pytest.approx(LAMP_PER_KH, abs=0.004)
    assert fit.coefficient[:, SLEEVE] == pytest.approx(SLEEVE_PER_KH, abs=0.01)


def test_outliers_do_not_move_the_fit_by_a_standard_error():
    days = _fleet(seed=7)
    rng = generator("outliers do not move the fit by a standard error")
    hit = rng.random(days.intensity_w_m2.shape) < 0.05
    storms = replace(days, intensity_w_m2=np.where(hit, days.intensity_w_m2 * 0.6, days.intensity_w_m2))
    calm, stormy = fleet_fit(days), fleet_fit(storms)
    error = np.sqrt(np.diagonal(calm.covariance, axis1=1, axis2=2))
    assert np.median(np.abs(stormy.coefficient - calm.coefficient) / error) < 0.5


def test_how_the_fleet_is_cut_into_chunks_and_threads_changes_nothing(monkeypatch):
    days = _fleet(units=17, seed=3)
    whole = fleet_fit(days, workers=1)
    monkeypatch.setattr(decay, "CHUNK_UNITS", 5)
    # only the last digits of sums in single precision
    assert fleet_fit(days, workers=2).coefficient == pytest.approx(whole.coefficient, abs=1e-4)


def test_single_precision_gives_the_result_of_double_to_a_tenth_of_a_standard_error():
    days = _fleet(seed=4)
    single, double = fleet_fit(days), fleet_fit(days, dtype=np.float64)
    error = np.sqrt(np.diagonal(double.covariance, axis1=1, axis2=2))
    assert (np.abs(single.coefficient - double.coefficient) < 0.1 * error).all()


def test_a_unit_nobody_heard_of_takes_its_kinds_ageing_with_a_wide_interval():
    days = _fleet()
    silent = days.intensity_w_m2.copy()
    silent[0] = np.nan
    fit = fleet_fit(replace(days, intensity_w_m2=silent))
    assert np.isfinite(fit.coefficient).all()
    assert fit.days_known[0] == 0
    assert fit.coefficient[0, LAMP] == pytest.approx(LAMP_PER_KH, abs=0.005)
    spread = np.sqrt(np.diagonal(fit.covariance, axis1=1, axis2=2))
    assert spread[0, 0] > 3 * spread[1, 0]


def test_a_lamp_three_weeks_old_has_a_sensible_forecast_from_its_kind():
    days = _fleet(days=300, clean_every=100)
    young = days.intensity_w_m2.copy()
    young[0, :-21] = np.nan
    _, state, found, _ = _forecast(replace(days, intensity_w_m2=young), threshold_w_m2=38.0)
    others = np.median(found.p50[1:] + state.clean_hours[1:] / 24 * SLEEVE_PER_KH / (SLEEVE_PER_KH + LAMP_PER_KH))
    here = found.p50[0] + state.clean_hours[0] / 24 * SLEEVE_PER_KH / (SLEEVE_PER_KH + LAMP_PER_KH)
    assert here == pytest.approx(others, abs=90)
    # wider than the others', give or take where in its round of cleanings the unit happens to be
    assert found.p90[0] - found.p10[0] > 0.8 * np.median((found.p90 - found.p10)[1:])


def test_the_crossing_is_where_the_straight_lines_cross():
    days = _fleet(noise=0.005, seed=11)
    fit = fleet_fit(days)
    state = average_year(days, present_state(fit, days))
    threshold = 40.0
    found = crossing(fit, state, threshold_w_m2=np.full(30, threshold), rated_life_h=1e6)
    level = np.log(days.intensity_w_m2[:, -1])  # a day's noise, 0.005, is 3 days of loss
    expected = (level - np.log(threshold)) / ((LAMP_PER_KH + SLEEVE_PER_KH) * 24 / 1000)
    assert np.median(np.abs(found.p50 - expected)) < 12
    assert ((found.p10 <= found.p50) & (found.p50 <= found.p90)).all()


def test_no_crossing_within_two_years_is_an_answer():
    _, _, found, diagnosed = _forecast(_fleet(sleeve_per_kh=0.0), threshold_w_m2=5.0, rated_life_h=1e6)
    assert np.isinf(found.p10).all() and np.isinf(found.rated_life).all() and np.isinf(found.due).all()
    assert (diagnosed.action == Action.NONE).all()


def test_the_rated_life_comes_first_where_it_is_nearer():
    days = _fleet(start_h=1500.0, sleeve_per_kh=0.005)
    _, state, found, diagnosed = _forecast(days, threshold_w_m2=5.0, rated_life_h=9000.0)
    assert found.due == pytest.approx((9000.0 - state.lamp_hours) / 24.0)
    assert set(diagnosed.action) == {Action.SWAP_LAMP}
    assert all("rated hours run out" in one for one in diagnosed.evidence)


def test_already_below_is_today_and_a_threshold_that_is_not_known_gives_no_date():
    days = _fleet(units=3)
    fit = fleet_fit(days)
    found = crossing(
        fit, present_state(fit, days), threshold_w_m2=np.array([500.0, np.nan, 1.0]), rated_life_h=9000.0
    )
    assert found.p90[0] == 0
    assert np.isnan([found.p10[1], found.p50[1], found.p90[1]]).all()


def test_a_threshold_of_zero_is_refused():
    days = _fleet(units=2)
    fit = fleet_fit(days)
    with pytest.raises(ValueError, match="threshold_w_m2 must be above 0"):
        crossing(fit, present_state(fit, days), threshold_w_m2=np.array([30.0, 0.0]), rated_life_h=9000.0)


def test_the_interval_widens_with_the_horizon():
    days = _fleet()
    fit = fleet_fit(days)
    _, sd = outlook(fit, average_year(days, present_state(fit, days)))
    assert (sd[:, -1] > sd[:, 0]).all()


def test_a_dirty_sleeve_is_cleaned_and_a_worn_lamp_is_swapped():
    dirty = _fleet(units=15, sleeve_per_kh=0.15, clean_every=140, start_h=500.0, seed=1)
    worn = _fleet(units=15, lamp_per_kh=0.04, sleeve_per_kh=0.005, start_h=1500.0, seed=2)
    _, _, _, of_dirty = _forecast(dirty, threshold_w_m2=48.0, rated_life_h=1e6)
    _, _, _, of_worn = _forecast(worn, threshold_w_m2=42.0, rated_life_h=1e6)
    far = dirty.clean_hours[:, -1] > 2400
    assert far.any()
    assert set(of_dirty.cause[far]) == {LossCause.SLEEVE} and set(of_dirty.action[far]) == {Action.CLEAN_SLEEVE}
    assert set(of_worn.cause) == {LossCause.LAMP} and set(of_worn.action) == {Action.SWAP_LAMP}
    assert "Most of the loss is the sleeve" in of_dirty.evidence[np.flatnonzero(far)[0]]


def test_cleaning_wins_days_in_a_fouled_unit_and_a_swap_in_an_old_one():
    days = _fleet(sleeve_per_kh=0.10)
    fit = fleet_fit(days)
    state = average_year(days, present_state(fit, days))
    asked = {"threshold_w_m2": np.full(30, 36.0), "rated_life_h": 1e6}
    now = crossing(fit, state, **asked).p50
    fouled = days.clean_hours[:, -1] > 1000
    assert (crossing(fit, after_cleaning(state), **asked).p50 > now)[fouled].all()
    assert (crossing(*after_swap(fit, days, state), **asked).p50 > now).all()


def test_a_step_down_that_no_event_explains_is_laid_to_the_sensor():
    days = _fleet(sleeve_per_kh=0.0)
    hours = np.tile(24.0 * np.arange(300), (30, 1))  # never cleaned: no event lies near the step
    days = replace(days, clean_hours=hours, clean_number=np.zeros((30, 300), dtype=int))
    stepped = days.intensity_w_m2.copy()
    stepped[0, 150:] *= 0.7
    fit, _, _, diagnosed = _forecast(replace(days, intensity_w_m2=stepped), threshold_w_m2=30.0)
    assert abs(fit.found[0, 0, 0] - 150) <= 3
    assert (fit.found[1:, 0, 0] == 300).mean() > 0.9
    assert diagnosed.cause[0] == LossCause.SENSOR and diagnosed.action[0] == Action.CHECK_SENSOR
    assert diagnosed.sensor_loss[0] == pytest.approx(0.3, abs=0.05)


def test_a_cleaning_that_nobody_wrote_down_is_found_and_ends_with_the_next_that_somebody_did():
    days = _fleet(units=20, days=400, sleeve_per_kh=0.08, clean_every=200, seed=5)
    row = int(np.argmin(np.abs((days.clean_number[:, :-1] != days.clean_number[:, 1:]).argmax(axis=1) - 60)))
    first = int((days.clean_number[row, :-1] != days.clean_number[row, 1:]).argmax()) + 1
    secret = first + 120
    gain = np.zeros(400)
    gain[secret : first + 200] = SLEEVE_PER_KH / 0.05 * 0.08 * 120 * 24 / 1000
    intensity = days.intensity_w_m2.copy()
    intensity[row] *= np.exp(gain)
    fit = fleet_fit(replace(days, intensity_w_m2=intensity))
    slot = int(fit.found[row, :, 0].argmin())
    assert abs(fit.found[row, slot, 0] - secret) <= 3
    assert fit.found[row, slot, 1] == first + 200
    assert fit.found[row, 1 - slot, 0] == 400  # and no other
    assert fit.coefficient[row, SLEEVE] == pytest.approx(0.08, abs=0.02)


def test_film_from_before_the_record_is_no_gain_of_the_lamp():
    """The first cleaning takes off what nobody knew was there."""
    days = _fleet(units=20, days=300, clean_every=400, sleeve_per_kh=0.05, seed=8)
    film = 0.05 * 1200 / 1000
    at = np.random.default_rng(8).integers(60, 240, (20, 1))
    after = np.arange(300) >= at
    hours = 24.0 * np.where(after, np.arange(300) - at, np.arange(300))
    log = (
        np.log(NEW_W_M2) - LAMP_PER_KH * days.lamp_hours / 1000 - 0.05 * hours / 1000 - np.where(after, 0.0, film)
        + np.random.default_rng(9).normal(0, 0.005, (20, 300))
    )  # fmt: skip
    told = replace(days, intensity_w_m2=np.exp(log), clean_hours=hours, clean_number=after.astype(int))
    fit = fleet_fit(told)
    assert fit.coefficient[:, FIRST_FILM] == pytest.approx(film, abs=0.03)
    assert np.median(fit.coefficient[:, LAMP]) == pytest.approx(LAMP_PER_KH, abs=0.005)
    # where the hours were known all along there is nothing left to explain
    known = replace(told, clean_hours=np.where(after, hours, hours + 1200.0))
    columns, _, _ = design(
        known, slice(0, 20), water=fleet_fit(known).water, reference_absorbance_per_cm=np.full(20, 0.2),
        found=np.full((20, 2, 2), 300))
    assert not columns[:, FIRST_FILM].any()


def test_a_step_that_slow_movement_explains_as_well_is_no_jump():
    days = _fleet(units=40, days=400, clean_every=500, seed=6)
    wander = _wander(np.random.default_rng(6), 40, 400, sd=0.03)
    wandering = fleet_fit(replace(days, intensity_w_m2=days.intensity_w_m2 * np.exp(wander)))
    assert (wandering.found[:, :, 0] < 400).mean() < 0.05
    assert 5 < wandering.memory_days[0] < 30  # 15 days, seen through fitted columns


def test_a_lasting_fall_at_a_cleaning_is_seen_and_not_taken_for_days_left():
    """A sensor bent while its sleeve was wiped: the fall is not the cleaning's, and it stays."""
    days = _fleet(units=20, days=300, clean_every=90, sleeve_per_kh=0.05, seed=12)
    at = 282
    hours, number = days.clean_hours.copy(), days.clean_number.copy()
    hours[0, at:] = np.minimum(hours[0, at:], 24.0 * (np.arange(at, 300) - at))
    number[0, at:] += 1
    intensity = days.intensity_w_m2 * np.exp(0.05 * (days.clean_hours - hours) / 1000)
    intensity[0, at:] *= 0.75
    told = replace(days, intensity_w_m2=intensity, clean_hours=hours, clean_number=number)
    fit = fleet_fit(told)
    assert np.abs(fit.found[0, :, 0] - at).min() <= 3
    mean, _ = outlook(fit, average_year(told, present_state(fit, told, ahead_days=np.array([0, 30]))))
    assert mean[0, 0] == pytest.approx(np.log(intensity[0, -10:]).mean(), abs=0.03)
    assert mean[0, 1] < mean[0, 0]


def test_jumps_that_were_taken_back_leave_nothing_in_the_outlook():
    days = _fleet(units=30, days=300, clean_every=500, seed=6)
    wander = _wander(np.random.default_rng(2), 30, 300, sd=0.04)
    fit = fleet_fit(replace(days, intensity_w_m2=days.intensity_w_m2 * np.exp(wander)))
    gone = fit.found[:, :, 0] == 300
    assert gone.any()
    assert not fit.slow_columns[:, FOUND_JUMPS][gone].any()


def test_of_a_silent_unit_nothing_present_is_known():
    days = _fleet(units=12)
    silent = days.intensity_w_m2.copy()
    silent[0] = np.nan
    fit = fleet_fit(replace(days, intensity_w_m2=silent))
    assert np.isinf(fit.slow_age_days[0]) and fit.days_known[0] == 0
    mean, sd = outlook(fit, present_state(fit, replace(days, intensity_w_m2=silent)))
    assert np.isfinite(mean).all() and (sd[0] > sd[1]).all()


def test_an_outlook_that_is_not_a_number_gives_no_date():
    days = _fleet(units=3)
    fit = fleet_fit(days)
    broken = fit.coefficient.copy()
    broken[1, LAMP] = np.nan
    with pytest.raises(FloatingPointError, match="row 1"):
        crossing(replace(fit, coefficient=broken), present_state(fit, days), threshold_w_m2=np.full(3, 30.0),
                 rated_life_h=9000.0)


def test_a_few_days_of_one_unit_give_a_wide_interval():
    one = _fleet(units=1, days=10, noise=0.004)
    many = _fleet(units=30, days=300, noise=0.004)
    narrow = fleet_fit(many)
    wide = fleet_fit(one)
    _, sd_one = outlook(wide, present_state(wide, one))
    _, sd_many = outlook(narrow, present_state(narrow, many))
    assert sd_one[0, 15] > 2 * np.median(sd_many[:, 15])


def test_a_sensor_named_as_faulty_comes_before_every_other_cause():
    days = _fleet(units=4)
    fit = fleet_fit(days)
    state = present_state(fit, days)
    asked = {"threshold_w_m2": np.full(4, 35.0), "rated_life_h": 9000.0}
    named = diagnosis(
        fit, days, state, as_it_is=crossing(fit, state, **asked),
        sensor_fault=np.array([True, False, False, False]), **asked,
    )
    assert named.cause[0] == LossCause.SENSOR and named.action[0] == Action.CHECK_SENSOR


def test_hours_a_day_are_those_of_late_and_a_silent_unit_is_taken_to_run_on():
    days = _fleet(units=2)
    heard = days.intensity_w_m2.copy()
    heard[1, -30:] = np.nan
    held = days.lamp_hours.copy()
    held[1, -30:] = held[1, -31]
    clean = days.clean_hours.copy()
    clean[1] = held[1]
    late = replace(days, intensity_w_m2=heard, lamp_hours=held, clean_hours=clean)
    state = present_state(fleet_fit(late), late)
    assert state.hours_per_day == pytest.approx([24.0, 24.0], rel=0.02)
    assert state.lamp_hours[1] == pytest.approx(held[1, -1] + 30 * 24.0, rel=0.01)


@pytest.mark.parametrize("known", [1.0, 0.7, 0.31])
def test_the_scale_is_numpys_median_of_the_known_residuals(known):
    rng = generator("the scale is numpys median of the known residuals")
    residual = rng.normal(0, 0.02, (20, 101))
    mask = rng.random(residual.shape) < known
    expected = [np.median(np.abs(row[have])) / 0.6744897501960817 for row, have in zip(residual, mask, strict=True)]
    assert median_scale(residual, mask) == pytest.approx(expected)


def test_intensity_that_is_not_positive_is_refused_with_unit_and_day():
    days = _fleet(units=2, days=30)
    wrong = days.intensity_w_m2.copy()
    wrong[1, 4] = 0.0
    with pytest.raises(ValueError, match=r"above 0 W/m2 or NaN; got .*0\.0.*c1.*2026-01-05"):
        replace(days, intensity_w_m2=wrong)


def test_the_grid_reaches_two_years():
    days = _fleet(units=1)
    assert present_state(fleet_fit(days), days).ahead_days[-1] == HORIZON_DAYS


@pytest.mark.parametrize(("rated_life", "action"), [(0.0, Action.SWAP_LAMP), (40.0, Action.CLEAN_SLEEVE)])
def test_a_lamp_past_its_rated_hours_goes_even_where_the_sleeve_is_in_doubt(rated_life, action):
    weak = Crossing(
        p10=np.array([5.0]), p50=np.array([10.0]), p90=np.array([20.0]), rated_life=np.array([rated_life]))
    wins = {Action.CLEAN_SLEEVE: np.array([19.0]), Action.SWAP_LAMP: np.array([268.0])}
    found = _action(np.array([LossCause.LAMP], dtype=object), weak, wins, doubt=np.array([0.5]))
    assert found.tolist() == [action]
