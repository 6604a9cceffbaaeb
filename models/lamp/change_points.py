"""Jumps in a series that no recorded event explains, found for many units at once."""

from __future__ import annotations

import numpy as np

from models.lamp.robust import MAD_TO_SD

STEP_SHARE = 0.8  # of a window's days far below the line, against the other side's
WINDOW_DAYS = 25  # the mean of so many days before is set against that of so many after
LEAST_DAYS = 8  # known days on each side, else nothing is said
LEAST_JUMP = 0.03  # of ln(intensity), 3 %: smaller ones change no plan; common practice, no source
LEAST_RATIO = 5.0  # jump over its standard error
LEAST_USUAL = 3.5  # jump over the usual difference of two windows of the unit; one in 2,000 by chance, if normal
NEAR_EVENT_DAYS = 10  # a jump so near to an event is the event's
CLIP_BELOW, CLIP_ABOVE = 1.0, 2.5  # in scales; a storm of some weeks only ever lowers, and is no jump


def found_jump(
    residual: np.ndarray, known: np.ndarray, scale: np.ndarray, *, events: np.ndarray,
    cleanings: np.ndarray | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """First day after the clearest jump of each unit, and whether intensity rises there.

    Parameters
    ----------
    residual : ndarray, shape (n, d)
        Of ln(intensity), from a fit without the jump. [ln]
    known : ndarray of bool, shape (n, d)
    scale : ndarray, shape (n,)
        Robust standard deviation of one day's residual. [ln]
    events : ndarray of bool, shape (n, d)
        Days with a recorded event or a jump already found.
    cleanings : ndarray of bool, shape (n, d), optional
        Days of recorded cleanings: a rise there is theirs, a fall is not.

    Returns
    -------
    column : ndarray of int, shape (n,)
        d where there is none.
    rises : ndarray of bool, shape (n,)

    Notes
    -----
    Means of clipped residuals in a window before and after each day, by running sums: one pass, whatever the
    window. In a window of 25 days ageing and fouling move by less than the smallest jump that counts.
    """
    width = known.shape[1]
    if width < 2 * LEAST_DAYS:
        return np.full(len(known), width), np.zeros(len(known), dtype=bool)
    unit = scale[:, None].astype(residual.dtype)
    clipped = np.clip(residual, -CLIP_BELOW * unit, CLIP_ABOVE * unit)
    before, after = _window_sums(clipped * known, WINDOW_DAYS)
    days_before, days_after = _window_sums(known.astype(residual.dtype), WINDOW_DAYS)
    with np.errstate(invalid="ignore", divide="ignore"):
        jump = after / days_after - before / days_before
        ratio = np.abs(jump) / np.sqrt(1.0 / days_after + 1.0 / days_before)
    enough = (days_before >= LEAST_DAYS) & (days_after >= LEAST_DAYS)
    _drop_usual(jump, ratio, enough, scale)
    _add_steps(jump, ratio, residual, known, scale)
    ratio[~(enough & (np.abs(jump) >= LEAST_JUMP))] = 0.0
    high = np.flatnonzero(ratio.max(axis=1) >= LEAST_RATIO * scale)  # few: only these are looked at by their events
    marked, mark_days = np.nonzero(events[high])
    every = np.ones(width, dtype=bool)
    for row, day in zip(high[marked], mark_days.tolist(), strict=True):
        _drop_near(ratio[row], every, day, LEAST_RATIO * scale[row])
    if cleanings is not None:
        for row, day in zip(*(one.tolist() for one in np.nonzero(cleanings[high])), strict=True):
            _drop_near(ratio[high[row]], jump[high[row]] > 0, day, LEAST_RATIO * scale[high[row]])
    at = ratio.argmax(axis=1)
    rows = np.arange(len(at))
    return np.where(ratio[rows, at] >= LEAST_RATIO * scale, at, width), jump[rows, at] > 0


def _drop_near(ratio: np.ndarray, which: np.ndarray, day: int, least: np.floating) -> None:
    """Set one unit's `ratio` to 0, in place, on days near an event, of those that it explains."""
    near = slice(max(day - NEAR_EVENT_DAYS, 0), day + NEAR_EVENT_DAYS + 1)
    if np.where(which, ratio, 0.0)[near].max(initial=0.0) >= least:
        # the event did jump: days whose windows reach over it see that jump, too
        near = slice(max(day - WINDOW_DAYS, 0), day + WINDOW_DAYS + 1)
    ratio[near][which[near]] = 0.0


def _drop_usual(jump: np.ndarray, ratio: np.ndarray, enough: np.ndarray, scale: np.ndarray) -> None:
    """Set `ratio` to 0, in place, where the unit's windows differ by as much again and again.

    Days are alike: water wanders for weeks, and two windows of it differ by far more than independent days would.
    A jump must stand out among the unit's own differences. Looked at only where something would be found.
    """
    rows = np.flatnonzero((np.where(enough, ratio, 0.0) >= LEAST_RATIO * scale[:, None]).any(axis=1))
    if not len(rows):
        return
    size = np.abs(jump[rows])
    usual = np.nanmedian(np.where(enough[rows], size, np.nan), axis=1) / MAD_TO_SD
    ratio[rows] = np.where(size >= LEAST_USUAL * usual[:, None], ratio[rows], 0.0)


def _add_steps(
    jump: np.ndarray, ratio: np.ndarray, residual: np.ndarray, known: np.ndarray, scale: np.ndarray
) -> None:
    """Raise `jump` and `ratio`, in place, where nearly all days of one side lie far below the line.

    A robust fit may settle on one side of a large step and take the other for one long storm, which the clipping
    then hides. No storm keeps nearly every day of a window down.
    """
    low = (residual < -CLIP_ABOVE * scale[:, None]) & known
    # a window with enough low days lies within two blocks of its length: few units have as much, the rest is spared
    blocks = np.add.reduceat(low, np.arange(0, low.shape[1], WINDOW_DAYS), axis=1, dtype=np.int16)
    blocks[:, 1:] += blocks[:, :-1].copy()
    rows = np.flatnonzero(blocks.max(axis=1) >= STEP_SHARE * LEAST_DAYS)
    if not len(rows):
        return
    before, after = _window_sums(low[rows].astype(residual.dtype), WINDOW_DAYS)
    days_before, days_after = _window_sums(known[rows].astype(residual.dtype), WINDOW_DAYS)
    with np.errstate(invalid="ignore", divide="ignore"):
        fall = after / days_after - before / days_before
    step = np.abs(fall) >= STEP_SHARE
    size = scale[rows, None]
    jump[rows] = np.where(step, -np.sign(fall) * np.maximum(CLIP_ABOVE * size, LEAST_JUMP), jump[rows])
    ratio[rows] = np.where(step, 2.0 * LEAST_RATIO * size * np.abs(fall), ratio[rows])


def _window_sums(values: np.ndarray, days: int) -> tuple[np.ndarray, np.ndarray]:
    """Sums over the `days` before each column, and over the `days` from it on."""
    width = values.shape[1]
    sums = np.zeros((len(values), width + 2 * days + 1), dtype=values.dtype)
    middle = sums[:, days : days + width + 1]
    np.cumsum(values, axis=1, out=middle[:, 1:])
    sums[:, days + width + 1 :] = middle[:, -1:]
    here = middle[:, :width]
    return here - sums[:, :width], sums[:, 2 * days : 2 * days + width] - here
