"""Robust regression of many units at once: days that storms or a splashed sensor spoilt count little or nothing."""

from __future__ import annotations

from enum import StrEnum

import numpy as np

MAD_TO_SD = 0.6744897501960817  # normal quantile at 0.75
FIRST_SCALE = 0.03  # of ln(intensity): only weighs the prior in the very first solution
LEAST_SCALE = 1e-3  # of ln(intensity): a sensor's resolution, common practice, no source


class Loss(StrEnum):
    """How a large residual counts."""

    HUBER = "huber"  # bounded
    BISQUARE = "bisquare"  # not at all when far out
    CLEAR_WATER = "clear-water"  # bisquare, tighter below, scale from above: storms only ever lower intensity


# 95 % efficiency at the normal (Holland & Welsch 1977, from memory)
TUNING = {Loss.HUBER: 1.345, Loss.BISQUARE: 4.685, Loss.CLEAR_WATER: 4.685}
TUNING_BELOW = 2.5  # of CLEAR_WATER, under the line; common practice, no source


def robust_coefficients(
    columns: np.ndarray, log_intensity: np.ndarray, known: np.ndarray, *, mean: np.ndarray, precision: np.ndarray,
    loss: Loss, rounds: int = 8, tolerance: float = 0.02,
) -> tuple[np.ndarray, np.ndarray]:
    """Robust fit of many units at once, by modified residuals.

    Parameters
    ----------
    columns : ndarray, shape (u, p, d)
    log_intensity, known : ndarray, shape (u, d)
    mean, precision : ndarray, shape (u, p)
        Normal prior, independent coefficients; precision 0 for none (the columns must then be independent).
    loss : Loss
    rounds : int
        At most so many steps.
    tolerance : float
        Done when no coefficient of any unit moves by more than this share of its standard error.

    Returns
    -------
    coefficient, scale : ndarray, shape (u, p) and (u,)
        The scale is the median absolute residual over 0.6745, taken anew in each step.

    Notes
    -----
    Steps with the inverse of X'X, computed once, in place of reweighted normal equations: the same fixed point as
    iteratively reweighted least squares at a quarter of its cost (Huber 1981, section 7.8, from memory).
    Bisquare starts with two steps of Huber, since its own minimum depends on where it starts.
    """
    gram = (columns @ columns.swapaxes(1, 2)).astype(float)
    diagonal = np.arange(gram.shape[1])
    right = (columns @ log_intensity[:, :, None])[:, :, 0].astype(float)
    spread = np.full(len(columns), FIRST_SCALE)
    inverse = _ridge_inverse(gram, spread, precision)
    coefficient = (inverse @ (right + spread[:, None] ** 2 * precision * mean)[:, :, None])[:, :, 0]
    huber_rounds = 0 if loss is Loss.HUBER else 2
    residual = residual_of(columns, log_intensity, coefficient)
    scale = median_scale(residual, known)
    # where the noise is larger than was assumed, the prior pulls harder: steps must not overshoot
    noisy = np.flatnonzero(scale > spread)
    if len(noisy):
        spread[noisy] = 1.5 * scale[noisy]
        inverse[noisy] = _ridge_inverse(gram[noisy], spread[noisy], precision[noisy])
    error = np.sqrt(np.maximum(inverse[:, diagonal, diagonal], 0.0))
    for step in range(rounds):
        if step:
            residual = residual_of(columns, log_intensity, coefficient)
            scale = _scale(residual, known, Loss.HUBER if step < huber_rounds else loss)
        pull = np.minimum(scale, spread)[:, None] ** 2 * precision
        psi = _influence(residual, scale, Loss.HUBER if step < huber_rounds else loss)
        gradient = (columns @ psi[:, :, None])[:, :, 0] - pull * (coefficient - mean)
        move = (inverse @ gradient[:, :, None])[:, :, 0]
        coefficient = coefficient + move
        if step >= huber_rounds and np.all(np.abs(move) <= tolerance * scale[:, None] * error):
            break
    return coefficient, scale


def median_scale(residual: np.ndarray, known: np.ndarray) -> np.ndarray:
    """Median absolute residual of the known days over 0.6745, not under the sensor's resolution."""
    ordered = np.where(known, np.abs(residual), residual.dtype.type(np.inf))
    ordered.sort(axis=1)  # sorting whole rows is faster here than partitioning them
    count = known.sum(axis=1)
    rows = np.arange(len(ordered))
    low, high = (ordered[rows, np.maximum(rank, 0)].astype(float) for rank in ((count - 1) // 2, count // 2))
    return np.maximum(np.where(count > 0, (low + high) / 2.0, 0.0) / MAD_TO_SD, LEAST_SCALE)


def _ridge_inverse(gram: np.ndarray, spread: np.ndarray, precision: np.ndarray) -> np.ndarray:
    """Inverse of the normal equations with the prior, for a given residual spread."""
    ridge = gram.copy()
    diagonal = np.arange(gram.shape[1])
    ridge[:, diagonal, diagonal] += spread[:, None] ** 2 * precision
    return np.linalg.inv(ridge)


def _scale(residual: np.ndarray, known: np.ndarray, loss: Loss) -> np.ndarray:
    """Scale as the loss wants it: of all residuals, or of those above the line only."""
    if loss is not Loss.CLEAR_WATER:
        return median_scale(residual, known)
    count = (residual > 0).sum(axis=1)  # days not known have a residual of 0: `design` blanks them
    ordered = np.sort(residual, axis=1)
    rows, last = np.arange(len(ordered)), residual.shape[1] - 1
    low, high = (ordered[rows, last - rank].astype(float) for rank in (count // 2, np.maximum(count - 1, 0) // 2))
    return np.maximum(np.where(count > 0, (low + high) / 2.0, 0.0) / MAD_TO_SD, LEAST_SCALE)


def residual_of(columns: np.ndarray, log_intensity: np.ndarray, coefficient: np.ndarray) -> np.ndarray:
    """What the columns leave unexplained, in their precision."""
    return np.asarray(log_intensity - (coefficient.astype(columns.dtype)[:, None, :] @ columns)[:, 0])


def _influence(residual: np.ndarray, scale: np.ndarray, loss: Loss) -> np.ndarray:
    """Residual times its weight."""
    if loss is Loss.HUBER:
        bound = (TUNING[loss] * scale[:, None]).astype(residual.dtype)
        held: np.ndarray = np.clip(residual, -bound, bound)
        return held
    weighted: np.ndarray = residual * weight_of(residual, scale, loss)
    return weighted


def weight_of(residual: np.ndarray, scale: np.ndarray, loss: Loss) -> np.ndarray:
    """Weight of a residual, 1 at 0."""
    above = (TUNING[loss] * scale[:, None]).astype(residual.dtype)
    weight: np.ndarray
    if loss is Loss.HUBER:
        weight = above / np.maximum(np.abs(residual), above)
        return weight
    below = above * above.dtype.type(TUNING_BELOW / TUNING[loss]) if loss is Loss.CLEAR_WATER else above
    # the larger of the two is the size against its own side's bound
    weight = np.maximum(residual * (1.0 / above), residual * (-1.0 / below))
    np.multiply(weight, weight, out=weight)
    np.subtract(1.0, weight, out=weight)
    np.maximum(weight, 0.0, out=weight)
    np.multiply(weight, weight, out=weight)
    return weight
