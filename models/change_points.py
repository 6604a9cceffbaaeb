"""Jumps in a series that no recorded event explains, found for many units at once."""

from __future__ import annotations

import numpy as np

WINDOW_DAYS = 25  # the mean of so many days before is set against that of so many after
LEAST_DAYS = 8  # known days on each side, else nothing is said
LEAST_JUMP = 0.05  # of ln(intensity), 5 %: smaller ones change no plan; common practice, no source
LEAST_RATIO = 5.0  # jump over its standard error
NEAR_EVENT_DAYS = 10  # a jump so near to an event is the event's
CLIP = 2.5  # residuals beyond so many scales count as that: a storm of some days is no jump


def found_jump(
    residual: np.ndarray, known: np.ndarray, scale: np.ndarray, *, events: np.ndarray
) -> np.ndarray:
    """First day after the clearest jump of each unit.

    Parameters
    ----------
    residual : ndarray, shape (n, d)
        Of ln(intensity), from a fit without the jump. [ln]
    known : ndarray of bool, shape (n, d)
    scale : ndarray, shape (n,)
        Robust standard deviation of one day's residual. [ln]
    events : ndarray of bool, shape (n, d)
        Days with a recorded event or a jump already found.

    Returns
    -------
    column : ndarray of int, shape (n,)
        d where there is none.

    Notes
    -----
    Means of clipped residuals in a window before and after each day, by running sums: one pass, whatever the
    window. In a window of 25 days ageing and fouling move by less than the smallest jump that counts.
    """
    width = known.shape[1]
    if width < 2 * LEAST_DAYS:
        return np.full(len(known), width)
    bound = CLIP * scale[:, None]
    total = _running(np.clip(residual, -bound, bound) * known)
    count = _running(known.astype(float))
    day = np.arange(width)
    low, high = np.maximum(day - WINDOW_DAYS, 0), np.minimum(day + WINDOW_DAYS, width)
    days_before, days_after = count[:, day] - count[:, low], count[:, high] - count[:, day]
    with np.errstate(invalid="ignore", divide="ignore"):
        jump = (total[:, high] - total[:, day]) / days_after - (total[:, day] - total[:, low]) / days_before
        ratio = np.abs(jump) / (scale[:, None] * np.sqrt(1.0 / days_after + 1.0 / days_before))
    marked = _running(events.astype(float))
    near = marked[:, np.minimum(day + NEAR_EVENT_DAYS + 1, width)] > marked[:, np.maximum(day - NEAR_EVENT_DAYS, 0)]
    fits = (days_before >= LEAST_DAYS) & (days_after >= LEAST_DAYS) & (np.abs(jump) >= LEAST_JUMP) & ~near
    ratio = np.where(fits, ratio, 0.0)
    at = ratio.argmax(axis=1)
    return np.where(ratio[np.arange(len(at)), at] >= LEAST_RATIO, at, width)


def _running(values: np.ndarray) -> np.ndarray:
    """Sums before each column, one column more than `values`."""
    sums = np.zeros((values.shape[0], values.shape[1] + 1))
    np.cumsum(values, axis=1, out=sums[:, 1:])
    return sums
