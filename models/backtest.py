"""Is the forecast any good? Held-out tails of a fleet's own record: coverage of the interval, error in days."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.decay import FleetFit, fleet_fit
from models.decay_columns import ABSORBANCE
from models.fleet_days import FleetDays
from models.forecast import outlook, present_state
from models.water_trend import absorbance_per_cm

TAIL_DAYS = 60  # held out
JUDGED_DAYS = 14  # the last of them: their median is what was to be foretold
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
    came, judged = _what_came(fit, days, past, tail_days)
    ahead = np.array([0.0, tail_days - JUDGED_DAYS / 2.0])
    run = days.clean_hours[:, -1] - past.clean_hours[:, -1]
    state = present_state(
        fit, past, ahead_days=ahead, hours_per_day=np.maximum(run, 0.0) / tail_days,
        water_temp_c=_tail_median(days.water_temp_c, otherwise=10.0),
    )
    mean, sd = outlook(fit, state)
    # what came is itself read with noise: the median of two weeks of days that are alike
    noise = fit.scale * np.sqrt(fit.inflation / JUDGED_DAYS) * 1.25
    error = came - mean[:, 1]
    spread = np.sqrt(sd[:, 1] ** 2 + noise**2)
    rate = (mean[:, 0] - mean[:, 1]) / ahead[1]
    moving = judged & (rate >= 0.01 / 30.0)
    score = np.abs(error[judged] / spread[judged])
    if not len(score):
        return Calibration(units=0, coverage=np.nan, median_error_days=np.nan, interval_scale=1.0)
    return Calibration(
        units=int(judged.sum()), coverage=float(np.mean(score <= NORMAL_80)),
        median_error_days=float(np.median(np.abs(error[moving] / rate[moving]))) if moving.any() else np.nan,
        interval_scale=float(np.clip(np.quantile(score, 0.8) / NORMAL_80, 0.5, 3.0)),
    )


def _what_came(
    fit: FleetFit, days: FleetDays, past: FleetDays, tail_days: int
) -> tuple[np.ndarray, np.ndarray]:
    """ln(intensity) of the tail's end at the fit's reference water, and which units can be judged."""
    intensity = days.intensity_w_m2[:, -JUDGED_DAYS:]
    uvt = days.uvt_pct[:, -JUDGED_DAYS:]
    absorbance = np.where(np.isfinite(uvt), absorbance_per_cm(uvt), fit.reference_absorbance_per_cm[:, None])
    path = fit.coefficient[:, [ABSORBANCE]]
    level = np.log(intensity) + path * (absorbance - fit.reference_absorbance_per_cm[:, None])
    known = np.isfinite(level)
    untouched = (days.lamp_number[:, -1] == past.lamp_number[:, -1]) & (
        days.clean_number[:, -1] == past.clean_number[:, -1]
    )
    judged = untouched & (known.sum(axis=1) >= JUDGED_DAYS // 2) & (fit.days_known >= LEAST_DAYS)
    came = np.full(len(level), np.nan)
    came[judged] = np.nanmedian(level[judged], axis=1)
    return came, judged


def _tail_median(values: np.ndarray, *, otherwise: float) -> np.ndarray:
    """Median of the judged days, per unit."""
    tail = values[:, -JUDGED_DAYS:]
    some = np.isfinite(tail).any(axis=1)
    median = np.full(len(tail), otherwise)
    median[some] = np.nanmedian(tail[some], axis=1)
    return median

