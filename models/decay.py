"""One joint, robust fit per unit of what its intensity is made of: lamp, sleeve, water, temperature, jumps.

Fitted for the whole fleet at once: units by columns by days, in chunks that fit a processor's cache.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from models.change_points import found_jump
from models.decay_columns import ABSORBANCE, COLUMNS, DRIFT, FOUND_JUMPS, LEVEL, design
from models.fleet_days import FleetDays
from models.pooling import Prior, learned, pooled, shared, without
from models.water_trend import WaterTrend, absorbance_per_cm, water_trend

CHUNK_UNITS = 128  # 128 x 16 columns x 730 days x 4 bytes = 6 MB: near the cache, and few calls
FIRST_ROUNDS = 6  # steps of the robust fit: the last moves it by less than a tenth of a standard error
MAD_TO_SD = 0.6744897501960817  # normal quantile at 0.75
FIRST_SCALE = 0.03  # of ln(intensity): only weighs the prior in the very first solution
LEAST_SCALE = 1e-3  # of ln(intensity): a sensor's resolution, common practice, no source
BLOCK_DAYS = 20  # residuals of neighbouring days are alike; blocks of so many are taken as independent
OWN_BLOCKS = 12.0  # with so many blocks a unit's own likeness of days counts as much as its kind's
SLOW_DAYS = 45.0  # how long such a run lasts, 1/e; common practice, no source
RECENT_DAYS = 21  # the present level is taken from these
PATH_SHARE = 0.2  # a kind's water path is known by its geometry to this share; common practice, no source


class Loss(StrEnum):
    """How a large residual counts."""

    HUBER = "huber"  # bounded
    BISQUARE = "bisquare"  # not at all when far out
    CLEAR_WATER = "clear-water"  # bisquare, tighter below, scale from above: storms only ever lower intensity


# 95 % efficiency at the normal (Holland & Welsch 1977, from memory)
TUNING = {Loss.HUBER: 1.345, Loss.BISQUARE: 4.685, Loss.CLEAR_WATER: 4.685}
TUNING_BELOW = 2.5  # of CLEAR_WATER, under the line; common practice, no source

# Before any unit of a kind is seen. Lamp: 80 % left at 9,000 h = 0.0248 per 1000 h (standards.md section 8, from
# memory). The water path is geometry, per kind, and not learned: water known with error would draw it to 0. The
# rest: common practice, no source.
_START = {
    "level": (0.0, 1.0, 1.0), "lamp_per_kh": (0.0248, 0.010, 6.0), "lamp_before_per_kh": (0.0248, 0.010, 6.0),
    "sleeve_per_kh": (0.03, 0.03, 4.0), "sleeve_early": (0.0, 0.02, 6.0), "absorbance_path_cm": (3.0, 0.6, np.inf),
    "temp_per_10_c": (0.05, 0.04, 0.25), "temp_square_per_10_c": (-0.03, 0.02, 0.25),
    "drift_per_year": (0.0, 0.03, 6.0), "season_cosine": (0.0, 0.02, 6.0), "season_sine": (0.0, 0.02, 6.0),
    "swap_jump": (0.0, 0.05, 6.0), "swap_before_jump": (0.0, 0.05, 6.0), "clean_jump": (0.0, 0.02, 6.0),
    "found_jump": (0.0, 0.1, np.inf), "found_second_jump": (0.0, 0.1, np.inf),
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetFit:
    """What was learned of each unit; `n` units, `p` columns (`decay_columns.COLUMNS`).

    Attributes
    ----------
    coefficient, covariance : ndarray, shape (n, p) and (n, p, p)
        Posterior mean and covariance. Losses are in ln per 1000 h.
    scale : ndarray, shape (n,)
        Robust standard deviation of one day's residual. [ln]
    inflation : ndarray, shape (n,)
        By how much likeness of neighbouring days widens the variances.
    slow_level, slow_variance, slow_share : ndarray, shape (n,)
        Present departure from the fitted line, variance of such departures, and how much of the present one is
        known (0 to 1). [ln, ln2, -]
    reference_absorbance_per_cm : ndarray, shape (n,)
        Water at which `level` is stated. [1/cm, base e]
    water : WaterTrend
        Clear water, and where it is heading.
    found : ndarray of int, shape (n, 2, 2)
        Jumps without an event: the first column each holds and the first it holds no more; equal for none. A jump
        up is taken for a cleaning that nobody wrote down: it holds until the next one that somebody did.
    days_known : ndarray of int, shape (n,)
        Days with an intensity.
    prior : Prior
        What was learned of each kind.
    """

    coefficient: np.ndarray
    covariance: np.ndarray
    scale: np.ndarray
    inflation: np.ndarray
    slow_level: np.ndarray
    slow_variance: np.ndarray
    slow_share: np.ndarray
    reference_absorbance_per_cm: np.ndarray
    water: WaterTrend
    found: np.ndarray
    days_known: np.ndarray
    prior: Prior


def starting_prior(days: FleetDays, *, path_cm: np.ndarray | float = 3.0) -> Prior:
    """What is held before any data: each kind's level from its own first readings, the rest from the trade.

    Parameters
    ----------
    days : FleetDays
    path_cm : array_like, shape (k,)
        Water between sleeve and sensor, per kind. [cm]
    """
    values = np.array([_START[name] for name in COLUMNS])
    kinds = len(days.kinds)
    mean = np.tile(values[:, 0], (kinds, 1))
    mean[:, ABSORBANCE] = path_cm
    known = np.isfinite(days.intensity_w_m2)
    some = known.any(axis=1)
    first = np.log(days.intensity_w_m2[np.arange(len(known)), known.argmax(axis=1)])
    for code in range(kinds):
        of_kind = some & (days.kind == code)
        if of_kind.any():
            mean[code, LEVEL] = np.median(first[of_kind])
    sd = np.tile(values[:, 1], (kinds, 1))
    sd[:, ABSORBANCE] = PATH_SHARE * mean[:, ABSORBANCE]
    no_uncertainty = np.zeros((kinds, len(COLUMNS), len(COLUMNS)))
    return Prior(mean=mean, sd=sd, worth_units=values[:, 2], mean_covariance=no_uncertainty)


def fleet_fit(
    days: FleetDays, *, path_cm: np.ndarray | float = 3.0, reference_uvt_pct: np.ndarray | float | None = None,
    loss: Loss = Loss.CLEAR_WATER, workers: int = 2, dtype: type = np.float32,
) -> FleetFit:
    """Fit every unit, pooled within its kind.

    Parameters
    ----------
    days : FleetDays
    path_cm : array_like, shape (k,)
        Water between sleeve and sensor, per kind of reactor: what the absorbance coefficient is held to be before
        the data speak. [cm]
    reference_uvt_pct : array_like, shape (n,), optional
        Water at which the level is stated; by default the unit's clear water on the last day. [%]
    loss : Loss
    workers : int
        Threads; the result does not depend on it.
    dtype : type
        Precision of the columns; sums that decide are taken in double precision.

    Returns
    -------
    FleetFit
        A unit with no data at all gets its kind's distribution.

    Notes
    -----
    (1) Each unit alone with a wide prior, robustly; jumps that no event explains are looked for in the residuals
    and get a column. (2) Each kind's distribution from its units' weighted normal equations. (3) Each unit's
    posterior, with that distribution as its prior. Variances are widened for the likeness of neighbouring days
    (variance of block sums over that of independent days) and for the loss function (Huber 1981, asymptotic).

    References
    ----------
    .. [1] Huber, P. J., Robust Statistics, Wiley, 1981, sections 7.6 and 7.8 (from memory).
    """
    water = water_trend(days)
    if reference_uvt_pct is None:
        reference = water.now_per_cm
    else:
        reference = np.broadcast_to(absorbance_per_cm(reference_uvt_pct), days.kind.shape)
    start = starting_prior(days, path_cm=path_cm)
    units, width = days.intensity_w_m2.shape
    found = np.full((units, len(FOUND_JUMPS), 2), width)

    def over_chunks(part: Callable[[slice], _Units]) -> _Units:
        chunks = [slice(low, min(low + CHUNK_UNITS, units)) for low in range(0, units, CHUNK_UNITS)]
        with ThreadPoolExecutor(workers) as pool:
            return _joined(list(pool.map(part, chunks)))

    # a wrong trend of the water looks like a drift of the intensity: each unit's own doubt of it is on that column
    doubt = start.mean[days.kind, ABSORBANCE] * water.change_sd_per_year
    alone = over_chunks(lambda rows: _alone(days, rows, water, reference, found, start, doubt, loss, dtype))
    gram, moment, likeness = _over_variance(alone, days.kind)
    equations = without(gram, moment, DRIFT, doubt)
    prior = learned(*equations, days.kind, shared(*equations, days.kind, start))
    mean, covariance = pooled(gram, moment, days.kind, prior, more_sd={DRIFT: doubt})
    excess = alone.scale**2 * np.maximum(likeness - 1.0, 0.0) / BLOCK_DAYS
    noise = alone.scale**2 / np.maximum(alone.recent_days, 1e-9)
    share = excess / np.maximum(excess + noise, 1e-12)
    recent = alone.recent_residual - (alone.recent_columns * (mean - alone.coefficient)).sum(axis=1)
    return FleetFit(
        coefficient=mean, covariance=covariance, scale=alone.scale, inflation=likeness, slow_level=share * recent,
        slow_variance=excess, slow_share=share, reference_absorbance_per_cm=np.array(reference),
        water=water, found=found, days_known=alone.days_known, prior=prior,
    )


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
    residual = _residual(columns, log_intensity, coefficient)
    scale = median_scale(residual, known)
    # where the noise is larger than was assumed, the prior pulls harder: steps must not overshoot
    noisy = np.flatnonzero(scale > spread)
    if len(noisy):
        spread[noisy] = 1.5 * scale[noisy]
        inverse[noisy] = _ridge_inverse(gram[noisy], spread[noisy], precision[noisy])
    error = np.sqrt(np.maximum(inverse[:, diagonal, diagonal], 0.0))
    for step in range(rounds):
        if step:
            residual = _residual(columns, log_intensity, coefficient)
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


def _residual(columns: np.ndarray, log_intensity: np.ndarray, coefficient: np.ndarray) -> np.ndarray:
    """What the columns leave unexplained, in their precision."""
    return np.asarray(log_intensity - (coefficient.astype(columns.dtype)[:, None, :] @ columns)[:, 0])


def _influence(residual: np.ndarray, scale: np.ndarray, loss: Loss) -> np.ndarray:
    """Residual times its weight."""
    if loss is Loss.HUBER:
        bound = (TUNING[loss] * scale[:, None]).astype(residual.dtype)
        return np.clip(residual, -bound, bound)
    return residual * _weight(residual, scale, loss)


def _weight(residual: np.ndarray, scale: np.ndarray, loss: Loss) -> np.ndarray:
    """Weight of a residual, 1 at 0."""
    above = (TUNING[loss] * scale[:, None]).astype(residual.dtype)
    if loss is Loss.HUBER:
        return above / np.maximum(np.abs(residual), above)
    below = above * above.dtype.type(TUNING_BELOW / TUNING[loss]) if loss is Loss.CLEAR_WATER else above
    # the larger of the two is the size against its own side's bound
    weight = np.maximum(residual * (1.0 / above), residual * (-1.0 / below))
    np.multiply(weight, weight, out=weight)
    np.subtract(1.0, weight, out=weight)
    np.maximum(weight, 0.0, out=weight)
    return np.multiply(weight, weight, out=weight)


@dataclass(slots=True, kw_only=True)
class _Units:
    """Weighted normal equations of some units, each fitted alone, and what its residuals say."""

    coefficient: np.ndarray
    gram: np.ndarray
    moment: np.ndarray
    scale: np.ndarray
    loss_factor: np.ndarray
    block_ratio: np.ndarray
    blocks: np.ndarray
    recent_residual: np.ndarray
    recent_columns: np.ndarray
    recent_days: np.ndarray
    days_known: np.ndarray


def _joined(parts: list[_Units]) -> _Units:
    """One for all chunks."""
    return _Units(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in _Units.__slots__})


def _alone(
    days: FleetDays, rows: slice, water: WaterTrend, reference: np.ndarray, found: np.ndarray, start: Prior,
    doubt: np.ndarray, loss: Loss, dtype: type,
) -> _Units:
    """Fit each alone with a wide prior; write jumps that no event explains into `found`."""
    mean, sd = start.mean[days.kind[rows]], start.sd[days.kind[rows]]
    sd[:, DRIFT] = np.hypot(sd[:, DRIFT], doubt[rows])
    precision = sd**-2.0
    x, y, known = design(
        days, rows, water=water, reference_absorbance_per_cm=reference, found=found[rows], dtype=dtype
    )
    coefficient, scale = robust_coefficients(
        x, y, known, mean=mean, precision=precision, loss=loss, rounds=FIRST_ROUNDS
    )
    index = np.arange(rows.start, rows.stop)
    for slot, column in enumerate(FOUND_JUMPS):
        residual = _residual(x, y, coefficient)
        at, rises = found_jump(residual, known, scale, events=_event_marks(days, index, found))
        hit = np.flatnonzero(at < known.shape[1])
        if not len(hit):
            break
        found[index[hit], slot, 0] = at[hit]
        found[index[hit], slot, 1] = np.where(rises[hit], _next_cleaning(days, index[hit], at[hit]), known.shape[1])
        day = np.arange(known.shape[1])
        holds = (day >= found[index[hit], slot, :1]) & (day < found[index[hit], slot, 1:])
        x[hit, column] = holds & known[hit]
        coefficient[hit], scale[hit] = robust_coefficients(
            x[hit], y[hit], known[hit], mean=mean[hit], precision=precision[hit], loss=loss, rounds=FIRST_ROUNDS
        )
    return _equations(x, y, known, coefficient, scale, precision, loss)


def _event_marks(days: FleetDays, index: np.ndarray, found: np.ndarray) -> np.ndarray:
    """Mask of days on which something is known to have jumped."""
    lamp, clean = days.lamp_number[index], days.clean_number[index]
    marks = np.zeros(lamp.shape, dtype=bool)
    marks[:, 1:] = (lamp[:, 1:] != lamp[:, :-1]) | (clean[:, 1:] != clean[:, :-1])
    for slot in range(found.shape[1]):
        some = np.flatnonzero(found[index, slot, 0] < lamp.shape[1])
        marks[some, found[index[some], slot, 0]] = True
    return marks


def _next_cleaning(days: FleetDays, index: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Column of the next recorded cleaning after each unit's `at`; the number of days if none."""
    number = days.clean_number[index]
    later = number > number[np.arange(len(index)), at][:, None]
    return np.where(later.any(axis=1), later.argmax(axis=1), number.shape[1])


def _equations(
    x: np.ndarray, y: np.ndarray, known: np.ndarray, coefficient: np.ndarray, scale: np.ndarray,
    precision: np.ndarray, loss: Loss,
) -> _Units:
    """Weighted normal equations, and how far their plain covariance is from the truth."""
    residual = _residual(x, y, coefficient)
    weight = _weight(residual, scale, loss) * known
    psi = residual * weight
    count = np.maximum(known.sum(axis=1), 1)
    gram = ((x * weight[:, None, :]) @ x.swapaxes(1, 2)).astype(float)
    free = _free(gram, scale, precision)
    # fitted columns take residuals along: a short record's scale would be too small
    scale = scale * np.sqrt(count / np.maximum(count - free, count / 4.0))
    filled = (np.diagonal(gram, axis1=1, axis2=2) > 0).sum(axis=1)
    block_ratio, blocks = _block_ratio(psi, known, filled)
    recent = weight * _recent(known)
    days = recent.sum(axis=1, dtype=float)
    return _Units(
        coefficient=coefficient, gram=gram,
        # through the residuals, so that single precision meets small numbers only
        moment=(gram @ coefficient[:, :, None] + (x @ psi[:, :, None]))[:, :, 0], scale=scale,
        loss_factor=_loss_factor(residual, weight, known, scale, loss), block_ratio=block_ratio, blocks=blocks,
        recent_residual=(recent * residual).sum(axis=1) / np.maximum(days, 1e-9),
        recent_columns=(x @ recent[:, :, None])[:, :, 0] / np.maximum(days, 1e-9)[:, None], recent_days=days,
        days_known=known.sum(axis=1),
    )


def _free(gram: np.ndarray, scale: np.ndarray, precision: np.ndarray) -> np.ndarray:
    """How many coefficients the data, and not the prior, have fixed."""
    held = scale[:, None] ** 2 * precision
    # by columns alone, as if they were independent: close enough for a count
    own = np.diagonal(gram, axis1=1, axis2=2)
    return np.asarray((own / (own + held)).sum(axis=1))


def _loss_factor(
    residual: np.ndarray, weight: np.ndarray, known: np.ndarray, scale: np.ndarray, loss: Loss
) -> np.ndarray:
    """Variance of an M-estimate over that which its weighted normal equations state (Huber 1981, 7.6)."""
    count = np.maximum(known.sum(axis=1), 1)
    if loss is Loss.HUBER:
        inside = (np.abs(residual) < (TUNING[loss] * scale[:, None]).astype(residual.dtype)) & known
        slope = inside.sum(axis=1) / count
    else:
        slope = (5.0 * weight - 4.0 * np.sqrt(weight)).sum(axis=1) / count  # psi' inside the bound, 0 outside
    spread = (np.square(residual * weight)).sum(axis=1, dtype=float) / count / scale**2
    return np.clip(spread * (weight.sum(axis=1) / count) / np.maximum(slope, 0.2) ** 2, 0.5, 4.0)


def _block_ratio(psi: np.ndarray, known: np.ndarray, free: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Variance of block sums of residuals over that of independent days, and the number of blocks.

    `free` columns were fitted, and took as many blocks' worth of slow movement out of the residuals.
    """
    starts = np.arange(0, psi.shape[1], BLOCK_DAYS)
    sums = np.add.reduceat(psi, starts, axis=1)
    blocks = np.add.reduceat(known, starts, axis=1, dtype=float).sum(axis=1) / BLOCK_DAYS
    left = np.maximum(blocks - free, blocks / 2.0)
    ratio = ((sums**2).sum(axis=1) + 1e-18) / np.maximum((psi**2).sum(axis=1), 1e-18)
    return ratio * blocks / np.maximum(left, 1e-9), blocks


def _over_variance(units: _Units, kind: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Gram and moment over the variance that the coefficients' errors follow, and the likeness of its days.

    A short record can't tell how alike its days are: each is drawn towards its kind's mean.
    """
    weight = np.bincount(kind, units.blocks)
    of_kind = np.bincount(kind, units.blocks * units.block_ratio) / np.maximum(weight, 1e-9)
    drawn = (units.blocks * units.block_ratio + OWN_BLOCKS * of_kind[kind]) / (units.blocks + OWN_BLOCKS)
    likeness = np.clip(drawn, 1.0, BLOCK_DAYS)
    variance = units.scale**2 * likeness * units.loss_factor
    return units.gram / variance[:, None, None], units.moment / variance[:, None], likeness


def _recent(known: np.ndarray) -> np.ndarray:
    """Mask of the last three weeks up to the last known day."""
    width = known.shape[1]
    last = width - 1 - known[:, ::-1].argmax(axis=1)
    age = last[:, None] - np.arange(width)
    return (age >= 0) & (age < RECENT_DAYS) & known
