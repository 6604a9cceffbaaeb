"""Is the forecast any good? Held-out tails of a fleet's own record: coverage of the interval, error in days."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from models.lamp.daily_series import FleetDays, interpolated
from models.lamp.decay import FleetFit, fleet_fit
from models.lamp.design_matrix import ABSORBANCE, TEMP_REFERENCE_C
from models.lamp.forecast import LEVEL_DAYS, outlook, present_state
from models.lamp.robust import Loss, robust_coefficients
from models.lamp.water_trend import absorbance_per_cm

TAIL_DAYS = 60  # held out
JUDGED_DAYS = int(LEVEL_DAYS)  # the last of them: their clear-water mean is what was to be foretold
LEAST_JUDGED_DAYS = 7  # of them with an intensity
LEAST_RATE = 0.01 / 30.0  # ln a day
LEAST_DAYS = 90  # a unit must have been known for so long before the tail
NORMAL_80 = 1.2815515655446004  # half of the 80 % interval of a normal, in standard deviations


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """How the forecast did on held-out tails.

    Attributes
    ----------
    units : int
        Units that could be judged: neither swapped nor cleaned within the tail, and heard at its end.
    coverage : float
        Share of them within the 80 % interval; NaN without any.
    median_error_days : float
        Median absolute error of the date at which the level of the tail's end is reached, of units that lose at
        least 1 % a month (a level that does not move has no date). [d]
    interval_scale : float
        By how much the spread must be widened (narrowed) to cover 80 %; for `crossing`.
    """

    units: int
    coverage: float
    median_error_days: float
    interval_scale: float


def calibration(
    days: FleetDays, *, path_cm: np.ndarray | float = 3.0, tail_days: int = TAIL_DAYS, fit: FleetFit | None = None
) -> Calibration:
    """Fit without the last days and compare what was foretold with what came.

    Parameters
    ----------
    days : FleetDays
    path_cm : array_like, shape (k,)
        As for `fleet_fit`.
    tail_days : int
        How many of the last days are held out. [d]
    fit : FleetFit, optional
        A fit made without the tail, to spare the work.

    Raises
    ------
    ValueError
        If the record is not longer than the tail.
    """
    width = days.intensity_w_m2.shape[1]
    if not JUDGED_DAYS <= tail_days < width - 1:
        raise ValueError(f"tail_days must be {JUDGED_DAYS} to {width - 2} for this record; got {tail_days}")
    past = days.window(width - tail_days)
    fit = fleet_fit(past, path_cm=path_cm) if fit is None else fit
    ahead = np.arange(tail_days - JUDGED_DAYS + 1, tail_days + 1.0)
    run = days.clean_hours[:, -1] - past.clean_hours[:, -1]
    state = present_state(
        fit, past, ahead_days=np.concatenate([[0.0], ahead]), hours_per_day=np.maximum(run, 0.0) / tail_days,
        water_temp_c=_temperatures(days, tail_days),
    )
    # where the water was measured, what came is brought to the reference water: nothing of it is to be foretold
    live = fit.water.live[:, None]
    state = replace(
        state, water_wave_per_cm=np.where(live, 0.0, state.water_wave_per_cm),
        absorbance_per_cm=np.where(live, fit.reference_absorbance_per_cm[:, None], state.absorbance_per_cm),
    )
    none = np.where(fit.water.live, 0.0, 1.0)
    known_water = replace(
        fit.water, now_sd_per_cm=none * fit.water.now_sd_per_cm, wander_sd_per_cm=none * fit.water.wander_sd_per_cm)
    mean, sd = outlook(replace(fit, water=known_water), state)
    error, known = _departure(days, mean[:, 1:], fit)
    judged = _judged(fit, days, past, known)
    middle = 1 + JUDGED_DAYS // 2
    # what came is itself read with noise: a robust mean of days
    noise = fit.scale / np.sqrt(np.maximum(known, 1))
    spread = np.sqrt(sd[:, middle] ** 2 + noise**2)
    alike = replace(state, water_temp_c=np.repeat(state.water_temp_c[:, [middle]], len(ahead) + 1, axis=1))
    steady, _ = outlook(fit, alike)
    rate = (steady[:, 0] - steady[:, middle]) / ahead[middle - 1]
    moving = judged & (rate >= LEAST_RATE)
    score = np.abs(error[judged] / spread[judged])
    if not len(score):
        return Calibration(units=0, coverage=np.nan, median_error_days=np.nan, interval_scale=1.0)
    return Calibration(
        units=int(judged.sum()), coverage=float(np.mean(score <= NORMAL_80)),
        median_error_days=float(np.median(np.abs(error[moving] / rate[moving]))) if moving.any() else np.nan,
        interval_scale=float(np.clip(np.quantile(score, 0.8) / NORMAL_80, 0.5, 3.0)),
    )


def _departure(days: FleetDays, foretold: np.ndarray, fit: FleetFit) -> tuple[np.ndarray, np.ndarray]:
    """How far the judged days lie from what was foretold for each, in ln, and on how many of them that rests.

    What is foretold is intensity in clear water, so storms are left out here by the same loss as in the fit:
    otherwise the answer would hang on the weather of the last weeks.
    """
    intensity, uvt = days.intensity_w_m2[:, -JUDGED_DAYS:], days.uvt_pct[:, -JUDGED_DAYS:]
    reference = fit.reference_absorbance_per_cm[:, None]
    absorbance = np.where(np.isfinite(uvt) & fit.water.live[:, None], absorbance_per_cm(uvt), reference)
    level = np.log(intensity) + fit.coefficient[:, [ABSORBANCE]] * (absorbance - reference)
    known = np.isfinite(level)
    away = np.where(known, level - foretold, 0.0)
    start = np.where(known, away, np.nan)
    some = known.any(axis=1)
    middle = np.zeros(len(away))
    middle[some] = np.nanmedian(start[some], axis=1)
    found, _ = robust_coefficients(
        known[:, None, :].astype(float), away, known, mean=middle[:, None], precision=np.full((len(away), 1), 1e-6),
        loss=Loss.CLEAR_WATER, rounds=20)
    return found[:, 0], known.sum(axis=1)


def _judged(fit: FleetFit, days: FleetDays, past: FleetDays, known: np.ndarray) -> np.ndarray:
    """Units neither swapped nor cleaned in the tail, known long enough before it and heard at its end."""
    untouched = (days.lamp_number[:, -1] == past.lamp_number[:, -1]) & (
        days.clean_number[:, -1] == past.clean_number[:, -1]
    )
    judged: np.ndarray = untouched & (known >= LEAST_JUDGED_DAYS) & (fit.days_known >= LEAST_DAYS)
    return judged


def _temperatures(days: FleetDays, tail_days: int) -> np.ndarray:
    """Water temperature on the last day before the tail and on the judged ones; gaps filled, else 10 C."""
    known = np.isfinite(days.water_temp_c)
    filled = np.where(known.any(axis=1, keepdims=True), interpolated(days.water_temp_c), TEMP_REFERENCE_C)
    return np.concatenate([filled[:, [-tail_days - 1]], filled[:, -JUDGED_DAYS:]], axis=1)
