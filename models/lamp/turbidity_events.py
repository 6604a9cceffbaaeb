"""Storms in a record of intensity: the water turns cloudy within a day and clears over the next ones.

Where storms are frequent, hardly a day is free of the last one's remains. Weighing down the worst days alone leaves
these in, and the line through the rest lies too low; so a storm's course is taken out and its days count for less.
"""

from __future__ import annotations

import numpy as np

from models.lamp.robust import median_scale

DROP = 3.0  # in the usual change from day to day: a storm begins
DEEP = 4.0  # in scales under the line: how a storm clears is learned from such days
USUAL_LEFT = 0.75  # of a storm's cloudiness after a day, where too few were seen; common practice, no source
LEAST_SEEN = 30  # deep days that tell how storms clear
DOUBT = 1.0  # share of a storm's course that may be wrong; common practice, no source


def left_after_a_day(residual: np.ndarray, known: np.ndarray, scale: np.ndarray) -> float:
    """Share of a storm that is still there on the next day, by the deep days of all units; 0.3 to 0.95.

    Parameters
    ----------
    residual : ndarray, shape (u, d)
        Of ln(intensity), about clear water; 0 on days not known.
    known : ndarray of bool, shape (u, d)
    scale : ndarray, shape (u,)
        Robust standard deviation of clear days. [ln]
    """
    deep = (residual[:, :-1] < -DEEP * scale[:, None]) & known[:, :-1] & known[:, 1:]
    share = residual[:, 1:][deep] / residual[:, :-1][deep]
    share = share[share <= 1.0]  # more is a new storm
    return float(np.clip(np.median(share), 0.3, 0.95)) if len(share) >= LEAST_SEEN else USUAL_LEFT


def storm_course(residual: np.ndarray, known: np.ndarray, left: float) -> np.ndarray:
    """What storms take off ln(intensity) on each day, shape (u, d), 0 or below.

    Parameters
    ----------
    residual : ndarray, shape (u, d)
        Of ln(intensity); 0 on days not known.
    known : ndarray of bool, shape (u, d)
    left : float
        Share of a storm that is still there on the next day.

    Notes
    -----
    A fall from one day to the next that is far beyond the usual change begins a storm of that size, which then
    clears by a fixed share a day.
    """
    from scipy.signal import lfilter  # takes longer to load than pandas

    days = np.arange(known.shape[1])
    latest = np.maximum.accumulate(np.where(known, days, 0), axis=1)
    held = np.take_along_axis(residual, latest, axis=1)
    change = np.zeros_like(residual)
    change[:, 1:] = np.diff(held, axis=1)
    usual = median_scale(change[:, ::3], known[:, ::3])  # a third of the days tell it, at a third of the cost
    fall = np.where(change < -DROP * usual[:, None], change, 0.0)
    one, share = residual.dtype.type(1.0), residual.dtype.type(left)
    return np.asarray(lfilter(np.array([one]), np.array([one, -share]), fall, axis=1))


def storm_weight(course: np.ndarray, scale: np.ndarray) -> np.ndarray:
    """Weight of each day by what its storm's course may be wrong by; 1 without a storm."""
    doubt = course * (DOUBT / scale[:, None]).astype(course.dtype)
    return np.asarray(1.0 / (1.0 + doubt * doubt))
