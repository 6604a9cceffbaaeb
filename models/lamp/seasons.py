"""What a quantity of the water is likely to do in the coming months: its yearly wave, learned over the fleet."""

from __future__ import annotations

import numpy as np

from models.lamp.empirical_bayes import Prior, learned, posterior

SEASON_DAYS = 365.25
ALIKE_DAYS = 15.0  # departures from the wave last about so long, so that many days tell as much as one
FADE_DAYS = 20.0  # how fast today's departure is forgotten; common practice, no source


def season_outlook(
    values: np.ndarray, *, first_day: np.datetime64, ahead_days: np.ndarray, group: np.ndarray, sd: float
) -> np.ndarray:
    """Expected values on coming days: a yearly wave per unit, and today's departure from it that fades.

    Parameters
    ----------
    values : ndarray, shape (n, d)
        Daily values (temperature, absorbance); NaN where unknown.
    first_day : datetime64[D]
        Day of column 0.
    ahead_days : ndarray, shape (h,)
        Days after the last column.
    group : ndarray of int, shape (n,)
        Units that share a climate.
    sd : float
        How far a day is from the wave, in the unit of `values`.

    Returns
    -------
    ndarray, shape (n, h)
        NaN for units without any value.

    Notes
    -----
    Mean, cosine and sine of the year, each unit's pooled with its group's, so that a unit with three months of
    data takes the rest of the year from its neighbours.
    """
    units, width = values.shape
    start = float(first_day.astype("datetime64[D]").astype(int))
    wave = _wave(start + np.arange(width))
    coming = _wave(start + width - 1 + np.asarray(ahead_days, dtype=float))
    known = np.isfinite(values)
    filled = np.where(known, values, 0.0)
    variance = sd**2 * ALIKE_DAYS
    gram = (known.astype(float) @ (wave[:, :, None] * wave[:, None, :]).reshape(width, -1)).reshape(units, 3, 3)
    moment = filled @ wave
    groups = int(group.max()) + 1 if units else 0
    every = np.where(known, values, np.nan)
    mean = np.zeros((groups, 3))
    mean[:, 0] = np.nanmean(every) if known.any() else 0.0
    spread = np.tile([10.0 * sd, 4.0 * sd, 4.0 * sd], (groups, 1))
    start_prior = Prior(mean=mean, sd=spread, worth_units=np.full(3, 1.0), mean_covariance=np.zeros((groups, 3, 3)))
    prior = learned(gram / variance, moment / variance, group, start_prior)
    coefficient, _ = posterior(gram / variance, moment / variance, prior.mean[group], prior.sd[group])
    recent = known[:, -14:]
    departure = np.where(recent, filled[:, -14:] - coefficient @ wave[-14:].T, 0.0).sum(axis=1)
    departure = departure / np.maximum(recent.sum(axis=1), 1)
    outlook = coefficient @ coming.T + departure[:, None] * np.exp(-np.asarray(ahead_days) / FADE_DAYS)
    return np.where(known.any(axis=1)[:, None], outlook, np.nan)


def _wave(day: np.ndarray) -> np.ndarray:
    """One, cosine and sine of the year, shape (days, 3)."""
    angle = 2.0 * np.pi * day / SEASON_DAYS
    return np.stack([np.ones_like(angle), np.cos(angle), np.sin(angle)], axis=1)
