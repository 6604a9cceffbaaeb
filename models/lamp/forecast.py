"""When a unit's intensity falls below its threshold: dates with their probability, as it is and after service."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from models.lamp.autocorrelation import BLOCK_DAYS, mean_share
from models.lamp.daily_series import FleetDays
from models.lamp.decay import FleetFit
from models.lamp.design_matrix import (
    ABSORBANCE,
    COLUMNS,
    COSINE,
    DRIFT,
    FOUND_JUMPS,
    LAMP,
    LEVEL,
    SINE,
    SLEEVE,
    SLEEVE_EARLY,
    SWAP_JUMPS,
    TEMP,
    TEMP_REFERENCE_C,
    TEMP_SQUARE,
    drift_term,
    lamp_term,
    sleeve_terms,
    temp_terms,
)
from models.lamp.seasons import season_outlook
from models.lamp.water_trend import YEAR_DAYS, absorbance_per_cm, year_wave

HORIZON_DAYS = 730  # beyond two years the answer is 'no crossing within two years'
STEP_DAYS = 2
LEVEL_DAYS = 28.0  # a level is the mean of so many days; common practice, no source
RUNNING_DAYS = 60  # lit hours a day are taken from so many days
TEMP_SD_C = 2.0  # a day's water from its yearly wave; common practice, no source
CHUNK_UNITS = 128
CLEAREST_PER_CM = 0.005  # pure water at 254 nm, order of magnitude (from memory): a trend goes no further


@dataclass(frozen=True, slots=True, kw_only=True)
class PresentState:
    """What the coming days start from; `n` units.

    Attributes
    ----------
    lamp_hours, clean_hours : ndarray, shape (n,)
        On the last day of the table. [h]
    hours_per_day : ndarray, shape (n,)
        Lit hours in a coming day. [h]
    swapped, found : ndarray of float, shape (n, 2)
        1 where a jump of that slot still holds.
    absorbance_per_cm, water_temp_c : ndarray, shape (n, h)
        Water of the coming days at which the intensity is asked for, without its season. [1/cm, C]
    water_wave_per_cm : ndarray, shape (n, 2)
        Cosine and sine of the water's year. [1/cm]
    temp_variance_c2 : ndarray, shape (n,)
        Of the temperature about that, where it stands for a whole year; 0 for a day's. [C2]
    season : ndarray, shape (h, 2)
        Cosine and sine of the year; 0 where no season is wanted.
    ahead_days : ndarray, shape (h,)
    """

    lamp_hours: np.ndarray
    clean_hours: np.ndarray
    hours_per_day: np.ndarray
    swapped: np.ndarray
    found: np.ndarray
    absorbance_per_cm: np.ndarray
    water_wave_per_cm: np.ndarray
    water_temp_c: np.ndarray
    temp_variance_c2: np.ndarray
    season: np.ndarray
    ahead_days: np.ndarray


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossing:
    """Days from the last day of the table, shape (n,); inf: not within two years; 0: already below.

    `p10` comes first: with one chance in ten it is below by then. `rated_life` is when the lamp reaches its rated
    hours; `due` the earlier of `p10` and that.
    """

    p10: np.ndarray
    p50: np.ndarray
    p90: np.ndarray
    rated_life: np.ndarray

    @property
    def due(self) -> np.ndarray:
        """Days to the earlier of the 10 % date and the rated life."""
        due: np.ndarray = np.minimum(self.p10, self.rated_life)
        return due


def present_state(
    fit: FleetFit, days: FleetDays, *, uvt_pct: np.ndarray | None = None, water_temp_c: np.ndarray | None = None,
    hours_per_day: np.ndarray | None = None, ahead_days: np.ndarray | None = None,
) -> PresentState:
    """Where each unit stands, and the water of its coming days.

    Parameters
    ----------
    fit : FleetFit
    days : FleetDays
    uvt_pct : ndarray, shape (n,) or (n, h), optional
        Transmittance of the coming days; the unit's own clear water and its trend by default. [%]
    water_temp_c : ndarray, shape (n,) or (n, h), optional
        By default each unit's yearly wave. [C]
    hours_per_day : ndarray, shape (n,), optional
        By default what the last 60 days ran. [h]
    ahead_days : ndarray, shape (h,), optional
        By default every second day for two years.
    """
    units, width = days.intensity_w_m2.shape
    ahead = np.arange(0, HORIZON_DAYS + STEP_DAYS, STEP_DAYS) if ahead_days is None else np.asarray(ahead_days)
    grid = (units, len(ahead))
    if hours_per_day is None:
        hours_per_day = _hours_per_day(days)
    unheard = np.where(days.last_day >= 0, width - 1 - days.last_day, 0)
    # the table holds the counter still after the last day heard; a silent unit is taken to have run on
    held = days.clean_hours[:, -1] <= days.clean_hours[np.arange(units), np.maximum(days.last_day, 0)]
    missed_h = np.where(held, unheard, 0) * hours_per_day
    if water_temp_c is None:
        water_temp_c = season_outlook(
            days.water_temp_c, first_day=days.first_day, ahead_days=ahead, group=np.zeros(units, dtype=int),
            sd=TEMP_SD_C,
        )
        water_temp_c = np.where(np.isfinite(water_temp_c), water_temp_c, TEMP_REFERENCE_C)
    wave = np.zeros((units, 2))
    if uvt_pct is None:
        wave = fit.water.line[:, 2:]
        absorbance = fit.water.now_per_cm[:, None] + fit.water.change_per_year[:, None] * (ahead / YEAR_DAYS)
        absorbance = np.maximum(absorbance, CLEAREST_PER_CM)
    else:
        absorbance = absorbance_per_cm(uvt_pct)
    lamps = days.lamp_number[:, -1] - days.lamp_number[:, 0]
    holds = (fit.found[..., 0] < width) & (fit.found[..., 1] == width)
    return PresentState(
        lamp_hours=days.lamp_hours[:, -1] + missed_h, clean_hours=days.clean_hours[:, -1] + missed_h,
        hours_per_day=np.asarray(hours_per_day, dtype=float), swapped=(lamps[:, None] > np.arange(2)).astype(float),
        found=holds.astype(float),
        absorbance_per_cm=np.broadcast_to(_as_rows(absorbance), grid), water_wave_per_cm=wave,
        water_temp_c=np.broadcast_to(_as_rows(water_temp_c), grid), temp_variance_c2=np.zeros(units),
        season=year_wave(days.first_day, width - 1 + ahead), ahead_days=ahead,
    )


def average_year(days: FleetDays, state: PresentState) -> PresentState:
    """The same coming days without seasons: each with the mean of the unit's recorded temperatures.

    For a date that does not hang on whether it falls in winter; plans use `present_state`.
    """
    known = np.isfinite(days.water_temp_c)
    count = np.maximum(known.sum(axis=1), 1)
    filled = np.where(known, days.water_temp_c, 0.0)
    mean = np.where(known.any(axis=1), filled.sum(axis=1) / count, TEMP_REFERENCE_C)
    variance = (np.where(known, days.water_temp_c - mean[:, None], 0.0) ** 2).sum(axis=1) / count
    return replace(
        state, water_temp_c=np.broadcast_to(mean[:, None], state.water_temp_c.shape), temp_variance_c2=variance,
        season=np.zeros_like(state.season),
    )


def outlook(fit: FleetFit, state: PresentState) -> tuple[np.ndarray, np.ndarray]:
    """Mean and standard deviation of ln(intensity) on the coming days, shape (n, h) each.

    Notes
    -----
    The spread is that of the coefficients, of slow departures from the line (known today, forgotten within weeks),
    and of clear water where it is measured. It is that of a mean over `LEVEL_DAYS`, in which slow departures
    average out in part: a date is that of a level, and one cloudy week is not the end of a lamp.
    """
    units, count = state.absorbance_per_cm.shape
    mean, sd = np.empty((units, count)), np.empty((units, count))
    # the fit knows the variance of a block's mean
    averaged = mean_share(LEVEL_DAYS / fit.memory_days) / mean_share(BLOCK_DAYS / fit.memory_days)
    for low in range(0, units, CHUNK_UNITS):
        rows = slice(low, low + CHUNK_UNITS)
        x = _coming_columns(fit, state, rows)
        # losses that the data leave open below zero are none: a lamp does not gain, a film does not clear itself
        coefficient = fit.coefficient[rows].copy()
        coefficient[:, [LAMP, SLEEVE]] = np.maximum(coefficient[:, [LAMP, SLEEVE]], 0.0)
        # the last block's middle is some days old, and its mean is not today's value
        age = np.maximum(fit.slow_age_days[rows, None], BLOCK_DAYS) + state.ahead_days
        fade = np.exp(-age / fit.memory_days[rows, None])
        mean[rows] = (x @ coefficient[:, :, None])[:, :, 0] + fit.slow_level[rows, None] * fade
        x -= fade[:, :, None] * fit.slow_columns[rows, None, :]
        variance = ((x @ fit.covariance[rows]) * x).sum(axis=2)
        variance += fit.slow_variance[rows, None] * averaged[rows, None] * (1.0 - fade**2)
        water = fit.water.now_sd_per_cm[rows] ** 2 + averaged[rows] * fit.water.wander_sd_per_cm[rows] ** 2
        variance += (fit.coefficient[rows, ABSORBANCE] ** 2 * water * fit.water.live[rows])[:, None]
        sd[rows] = np.sqrt(variance)
    return mean, sd


def crossing(
    fit: FleetFit, state: PresentState, *, threshold_w_m2: np.ndarray, rated_life_h: np.ndarray | float,
    interval_scale: float = 1.0,
) -> Crossing:
    """When the intensity falls below the threshold, as 10, 50 and 90 % dates.

    Parameters
    ----------
    fit : FleetFit
    state : State
    threshold_w_m2 : ndarray, shape (n,)
        The least intensity that still gives the dose at the unit's own peak flow and transmittance, never below
        its reactor's alarm intensity (the caller's part). [W/m2]
    rated_life_h : array_like, shape (n,)
        Lamp hours after which its maker no longer answers for the output. [h]
    interval_scale : float
        Widens (above 1) the spread; what a back-test of this fleet asked for.

    Raises
    ------
    ValueError
        If a threshold is not above 0; NaN is taken and gives NaN dates.
    FloatingPointError
        If an outlook is not finite: no date must follow from it.
    """
    threshold = np.broadcast_to(np.asarray(threshold_w_m2, dtype=float), state.lamp_hours.shape)
    if (threshold <= 0).any():
        raise ValueError(f"threshold_w_m2 must be above 0 W/m2; got {threshold[threshold <= 0][0]!r}")
    mean, sd = outlook(fit, state)
    lost = ~(np.isfinite(mean) & np.isfinite(sd)).all(axis=1)
    if lost.any():
        raise FloatingPointError(f"the outlook of {lost.sum()} units is not finite; row {lost.argmax()} first")
    below = ndtr((np.log(threshold)[:, None] - mean) / (interval_scale * sd))
    below = np.maximum.accumulate(below, axis=1)
    rated = np.broadcast_to(np.asarray(rated_life_h, dtype=float), state.lamp_hours.shape)
    with np.errstate(divide="ignore", invalid="ignore"):
        left = np.maximum(rated - state.lamp_hours, 0.0) / state.hours_per_day
    dates = [np.where(np.isnan(threshold), np.nan, _first_at(below, q, state.ahead_days)) for q in (0.1, 0.5, 0.9)]
    return Crossing(
        p10=dates[0], p50=dates[1], p90=dates[2], rated_life=np.where(left <= HORIZON_DAYS, left, np.inf)
    )


def after_swap(fit: FleetFit, days: FleetDays, state: PresentState) -> tuple[FleetFit, PresentState]:
    """The same units with a new lamp today: ageing as their kind's lamps do."""
    mean, sd = fit.prior.mean[days.kind], fit.prior.sd[days.kind]
    first_jump = SWAP_JUMPS[0]
    coefficient, covariance, known = fit.coefficient.copy(), fit.covariance.copy(), fit.slow_columns.copy()
    for column in (LAMP, first_jump):
        coefficient[:, column] = mean[:, column]
        covariance[:, column, :] = 0.0
        covariance[:, :, column] = 0.0
        covariance[:, column, column] = sd[:, column] ** 2
        # what departs today says nothing of a lamp that is not in yet
        known[:, column] = 0.0
    swapped = state.swapped.copy()
    swapped[:, 0] = 1.0
    return (
        replace(fit, coefficient=coefficient, covariance=covariance, slow_columns=known),
        replace(state, lamp_hours=np.zeros_like(state.lamp_hours), swapped=swapped),
    )


def after_cleaning(state: PresentState) -> PresentState:
    """The same units with a clean sleeve today."""
    return replace(state, clean_hours=np.zeros_like(state.clean_hours))


def _coming_columns(fit: FleetFit, state: PresentState, rows: slice) -> np.ndarray:
    """Columns of the model on the coming days, shape (u, h, p)."""
    run_h = state.hours_per_day[rows, None] * state.ahead_days
    x = np.zeros((*run_h.shape, len(COLUMNS)))
    x[:, :, LEVEL] = 1.0
    x[:, :, LAMP] = lamp_term(state.lamp_hours[rows, None] + run_h)
    x[:, :, SLEEVE], x[:, :, SLEEVE_EARLY] = sleeve_terms(state.clean_hours[rows, None] + run_h)
    water = state.absorbance_per_cm[rows] + state.water_wave_per_cm[rows] @ state.season.T
    x[:, :, ABSORBANCE] = fit.reference_absorbance_per_cm[rows, None] - water
    x[:, :, TEMP], x[:, :, TEMP_SQUARE] = temp_terms(state.water_temp_c[rows])
    x[:, :, TEMP_SQUARE] += state.temp_variance_c2[rows, None] / 100.0
    x[:, :, DRIFT] = drift_term(state.ahead_days)
    x[:, :, COSINE], x[:, :, SINE] = state.season.T
    x[:, :, list(SWAP_JUMPS)] = state.swapped[rows, None, :]
    x[:, :, list(FOUND_JUMPS)] = state.found[rows, None, :]
    return x


def _hours_per_day(days: FleetDays) -> np.ndarray:
    """Mean lit hours a day over the last days heard; 24 where none was."""
    step = np.diff(days.clean_hours[:, -RUNNING_DAYS - 1 :], axis=1)
    lamp_step = np.diff(days.lamp_hours[:, -RUNNING_DAYS - 1 :], axis=1)
    step = np.maximum(np.maximum(step, lamp_step), 0.0)
    heard = np.arange(step.shape[1]) + days.lamp_hours.shape[1] - step.shape[1] <= days.last_day[:, None]
    count = heard.sum(axis=1)
    return np.where(count > 0, (step * heard).sum(axis=1) / np.maximum(count, 1), 24.0)


def _as_rows(values: np.ndarray) -> np.ndarray:
    """(n,) as (n, 1); (n, h) as it is."""
    values = np.asarray(values, dtype=float)
    return values[:, None] if values.ndim == 1 else values


def _first_at(probability: np.ndarray, level: float, ahead_days: np.ndarray) -> np.ndarray:
    """Day at which a rising probability reaches a level, linear between grid days; inf if it never does."""
    reached = probability >= level
    at = reached.argmax(axis=1)
    rows = np.arange(len(at))
    before = np.maximum(at - 1, 0)
    low, high = probability[rows, before], probability[rows, at]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(at > 0, (level - low) / (high - low), 0.0)
    day = ahead_days[before] + share * (ahead_days[at] - ahead_days[before])
    return np.where(reached.any(axis=1), day, np.inf)
