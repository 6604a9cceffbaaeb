"""Empirical Bayes over units of a kind: each unit's coefficients are drawn from its kind's normal distribution.

Works on each unit's normal equations (gram and moment, divided by its residual variance), so its cost does not
depend on how many days a unit has.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

SAMPLE_UNITS = 200  # a kind's mean and spread are learned from at most so many units, evenly picked
ROUNDS = 8
CHUNK_UNITS = 256


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """What is held of a coefficient before a unit is seen; `k` kinds, `p` coefficients.

    Attributes
    ----------
    mean, sd : ndarray, shape (k, p)
        Normal distribution over units.
    worth_units : ndarray, shape (p,)
        For how many units' evidence this counts when a kind's own distribution is learned; inf keeps it fixed.
    mean_covariance : ndarray, shape (k, p, p)
        How well the mean itself is known; 0 where it is held as given.
    mean_sd : array_like, shape (p,), optional
        How far a kind's own mean may lie from `mean`, whatever its units say. Units differ in what no record tells
        from something else (a trend from a season); a kind hardly does.
    """

    mean: np.ndarray
    sd: np.ndarray
    worth_units: np.ndarray
    mean_covariance: np.ndarray
    mean_sd: np.ndarray | float = np.inf

    def __post_init__(self) -> None:
        if self.mean.shape != self.sd.shape or self.worth_units.shape != self.mean.shape[1:]:
            raise ValueError(
                f"mean {self.mean.shape}, sd {self.sd.shape} must be equal in shape, worth_units "
                f"{self.worth_units.shape} one per column"
            )
        if not (self.sd > 0).all():
            raise ValueError(f"sd must be above 0, got {self.sd.min()!r}")


def posterior(
    gram: np.ndarray, moment: np.ndarray, mean: np.ndarray, sd: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Mean and covariance of each unit's coefficients given its data and its kind.

    Parameters
    ----------
    gram, moment : ndarray, shape (n, p, p) and (n, p)
        X'WX and X'Wy over the residual variance.
    mean, sd : ndarray, shape (n, p)
        Its kind's.

    Returns
    -------
    mean, covariance : ndarray, shape (n, p) and (n, p, p)
    """
    # Scaled by sd: the matrix to invert is then near 1 wherever data say nothing, however wide the prior.
    scaled = gram * sd[:, :, None] * sd[:, None, :]
    scaled[:, np.arange(sd.shape[1]), np.arange(sd.shape[1])] += 1.0
    covariance = np.linalg.inv(scaled) * sd[:, :, None] * sd[:, None, :]
    shift = (moment - (gram @ mean[:, :, None])[:, :, 0])[:, :, None]
    return mean + (covariance @ shift)[:, :, 0], covariance


def learned(
    gram: np.ndarray, moment: np.ndarray, kind: np.ndarray, start: Prior, *, rounds: int = ROUNDS
) -> Prior:
    """Each kind's mean and spread by maximum likelihood, held back by `start`.

    Parameters
    ----------
    gram, moment : ndarray, shape (n, p, p) and (n, p)
        X'WX and X'Wy over the residual variance.
    kind : ndarray of int, shape (n,)
    start : Prior
        Where to begin, and what it is worth against the data.
    rounds : int
        Steps; a variance near 0 needs many, and then matters little.

    Returns
    -------
    Prior
        With `worth_units` of `start`.

    Notes
    -----
    The means solve the generalised least squares equations of the mixed model. The variances follow MacKay's
    update: squared deviations over the number of well-determined units, so that units whose data say nothing of a
    coefficient (no swap yet) do not slow it down. Its fixed point is that of maximum likelihood. With
    `worth_units` 0 it equals a mixed model with independent random coefficients (tests/published).

    References
    ----------
    .. [1] MacKay, D. J. C., Bayesian interpolation, Neural Computation 4(3), 1992, 415-447 (from memory).
    .. [2] Laird, N. M. and Ware, J. H., Random-effects models for longitudinal data, Biometrics 38, 1982,
       963-974 (from memory).
    """
    mean, sd, known = start.mean.copy(), start.sd.copy(), start.mean_covariance.copy()
    for code in range(len(mean)):
        units = np.flatnonzero(kind == code)
        if len(units):
            picked = every_few(units)
            mean[code], sd[code], known[code] = _learned_kind(
                gram[picked], moment[picked], mean=start.mean[code], sd=start.sd[code], worth=start.worth_units,
                doubt=start.mean_covariance[code], mean_sd=start.mean_sd, rounds=rounds,
            )
    return Prior(mean=mean, sd=sd, worth_units=start.worth_units, mean_covariance=known, mean_sd=start.mean_sd)


def every_few(units: np.ndarray, most: int = SAMPLE_UNITS) -> np.ndarray:
    """At most so many of them, evenly picked."""
    return units[:: max(1, -(-len(units) // most))]


def without(gram: np.ndarray, moment: np.ndarray, column: int, sd: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Normal equations once a further, unit's own part of one coefficient is integrated out.

    Parameters
    ----------
    gram, moment : ndarray, shape (n, p, p) and (n, p)
        X'WX and X'Wy over the residual variance.
    column : int
        Whose coefficient each unit's own part adds to.
    sd : ndarray, shape (n,)
        Of that part, about 0.

    Returns
    -------
    gram, moment : ndarray, shape (n, p, p) and (n, p)

    Notes
    -----
    (V + sd^2 x x')^-1 by the formula of Sherman and Morrison.
    """
    through = gram[:, :, column]
    share = sd**2 / (1.0 + sd**2 * through[:, column])
    return (
        gram - share[:, None, None] * through[:, :, None] * through[:, None, :],
        moment - (share * moment[:, column])[:, None] * through,
    )


def shared(gram: np.ndarray, moment: np.ndarray, kind: np.ndarray, start: Prior) -> Prior:
    """What all kinds have in common, as the prior of each: a kind of two units learns from the others.

    Parameters
    ----------
    gram, moment : ndarray, shape (n, p, p) and (n, p)
        X'WX and X'Wy over the residual variance.
    kind : ndarray of int, shape (n,)
    start : Prior
        Coefficients with an infinite worth stay as they are there.

    Returns
    -------
    Prior
        Each kind's mean is `start`'s moved by what the whole fleet has in common.
    """
    kinds, fixed = len(start.mean), np.isinf(start.worth_units)
    if kinds < 2 or not len(kind):
        return start
    about = moment - (gram @ start.mean[kind][:, :, None])[:, :, 0]
    one = Prior(
        mean=np.zeros((1, len(fixed))), sd=np.median(start.sd, axis=0)[None], worth_units=start.worth_units,
        mean_covariance=np.zeros((1, len(fixed), len(fixed))), mean_sd=start.mean_sd,
    )
    found = learned(gram, about, np.zeros(len(kind), dtype=int), one)
    return Prior(
        mean=start.mean + np.where(fixed, 0.0, found.mean), sd=np.where(fixed, start.sd, found.sd),
        worth_units=start.worth_units, mean_covariance=np.repeat(found.mean_covariance, kinds, axis=0),
        mean_sd=start.mean_sd,
    )


def pooled(
    gram: np.ndarray, moment: np.ndarray, kind: np.ndarray, prior: Prior, *,
    more_sd: Mapping[int, np.ndarray] | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Mean and covariance of every unit's coefficients, with what is not known of its kind.

    Parameters
    ----------
    gram, moment : ndarray, shape (n, p, p) and (n, p)
        X'WX and X'Wy over the residual variance.
    kind : ndarray of int, shape (n,)
    prior : Prior
        As `learned`.
    more_sd : mapping of int to ndarray, shape (n,), optional
        Per column, what is uncertain of a unit's own coefficient beyond its kind's spread.

    Returns
    -------
    mean, covariance : ndarray, shape (n, p) and (n, p, p)
    """
    mean, covariance = np.empty_like(moment), np.empty_like(gram)
    for low in range(0, len(moment), CHUNK_UNITS):
        rows = slice(low, low + CHUNK_UNITS)
        of = kind[rows]
        sd = prior.sd[of]
        for column, more in (more_sd or {}).items():
            sd[:, column] = np.hypot(sd[:, column], more[rows])
        mean[rows], narrow = posterior(gram[rows], moment[rows], prior.mean[of], sd)
        covariance[rows] = with_kind_uncertainty(narrow, prior, of, sd)
    return mean, covariance


def with_kind_uncertainty(
    covariance: np.ndarray, prior: Prior, kind: np.ndarray, sd: np.ndarray | None = None
) -> np.ndarray:
    """Covariance of each unit's coefficients, widened by what is not known of its kind's mean.

    Parameters
    ----------
    covariance : ndarray, shape (n, p, p)
        As of `posterior`, which takes the kind's mean as known.
    prior : Prior
    kind : ndarray of int, shape (n,)
    sd : ndarray, shape (n, p), optional
        That the posterior was made with; by default the kind's.

    Notes
    -----
    A posterior mean leans on the kind's mean with the weights V / sd^2; units of a kind share that error, most of
    all when all their records are short and fall in the same months.
    """
    lean = covariance / ((prior.sd[kind] if sd is None else sd) ** 2)[:, None, :]
    widened: np.ndarray = covariance + lean @ prior.mean_covariance[kind] @ lean.swapaxes(1, 2)
    return widened


def _learned_kind(
    gram: np.ndarray, moment: np.ndarray, *, mean: np.ndarray, sd: np.ndarray, worth: np.ndarray,
    doubt: np.ndarray, mean_sd: np.ndarray | float, rounds: int,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean and spread of one kind, and the covariance of that mean."""
    start_mean, start_variance = mean, sd**2
    fixed = np.isinf(worth)
    finite_worth = np.where(fixed, 0.0, worth)
    held = np.maximum(np.where(fixed, 1e12, worth) / start_variance, np.asarray(mean_sd) ** -2.0)
    mean_covariance = np.zeros((len(mean), len(mean)))
    for _ in range(rounds):
        wide = np.broadcast_to(mean, moment.shape), np.broadcast_to(sd, moment.shape)
        _, covariance = posterior(gram, moment, *wide)
        through = gram @ covariance
        # What the data know of the kind's mean, once each unit's own deviation is integrated out.
        known = (gram - through @ gram).sum(axis=0)
        right = (moment - (through @ moment[:, :, None])[:, :, 0]).sum(axis=0)
        mean_covariance = np.linalg.inv(known + np.diag(held))
        mean = mean_covariance @ (right + held * start_mean)
        centre = mean + (covariance @ (moment - gram @ mean)[:, :, None])[:, :, 0]
        determined = np.maximum(1.0 - np.diagonal(covariance, axis1=1, axis2=2) / sd**2, 0.0)
        variance = ((centre - mean) ** 2).sum(axis=0) + finite_worth * start_variance
        count = determined.sum(axis=0) + finite_worth
        sd = np.where(fixed | (count <= 0), np.sqrt(start_variance), np.sqrt(variance / np.maximum(count, 1e-9)))
        sd = np.maximum(sd, 1e-4 * np.sqrt(start_variance))
    lean = mean_covariance * held  # how far the mean leans on where it began, which is itself not known for sure
    return mean, sd, mean_covariance + lean @ doubt @ lean.T
