"""One joint, robust fit per unit of what its intensity is made of: lamp, sleeve, water, temperature, jumps.

Fitted for the whole fleet at once: units by columns by days, in chunks that fit a processor's cache.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from models.lamp.autocorrelation import (
    BLOCK_DAYS,
    LEAST_VARIANCE,
    Blocks,
    blocks,
    last_block,
    likeness,
    memory_days,
    whitened,
)
from models.lamp.change_points import found_jump
from models.lamp.daily_series import FleetDays
from models.lamp.design_matrix import ABSORBANCE, COLUMNS, DRIFT, FOUND_JUMPS, LEVEL, design
from models.lamp.empirical_bayes import Prior, every_few, learned, pooled, posterior, shared, without
from models.lamp.robust import Loss, residual_of, robust_coefficients, weight_of
from models.lamp.turbidity_events import left_after_a_day, storm_course, storm_weight
from models.lamp.water_trend import WaterTrend, absorbance_per_cm, water_trend

CHUNK_UNITS = 128  # 128 x 16 columns x 730 days x 4 bytes = 6 MB: near the cache, and few calls
FIRST_ROUNDS = 3  # steps of the first, robust fit: it only weighs the days for the second
OWN_BLOCKS = 6.0  # for so many blocks the usual variance counts beside a unit's own; common practice, no source
USUAL_BLOCKS, USUAL_SD = 12.0, 0.03  # of slow movement before a fleet tells; common practice, no source
USUAL_MEMORY_DAYS = 14.0  # of slow movement, where no record tells; common practice, no source
LEAST_LOG_ODDS = 5.0  # of a jump that no event explains, 150 to 1; common practice, no source
SAMPLE_UNITS = 100  # how storms clear, and how alike neighbouring days are, is learned from at most so many
MANY_DAYS = 360  # in a longer record every second day is enough for the first fit: neighbours are alike
PATH_SHARE = 0.2  # a kind's water path is known by its geometry to this share; common practice, no source

# Before any unit of a kind is seen. Lamp: 80 % left at 9,000 h = 0.0248 per 1000 h (SOURCES.md section 8, from
# memory). The water path is geometry, per kind, and not learned: water known with error would draw it to 0. The
# rest: common practice, no source.
_START = {
    "level": (0.0, 1.0, 1.0), "lamp_per_kh": (0.0248, 0.010, 6.0), "lamp_before_per_kh": (0.0248, 0.010, 6.0),
    "sleeve_per_kh": (0.03, 0.03, 4.0), "sleeve_early": (0.0, 0.02, 6.0), "absorbance_path_cm": (3.0, 0.6, np.inf),
    "temp_per_10_c": (0.05, 0.04, 0.25), "temp_square_per_10_c": (-0.03, 0.02, 0.25),
    "drift_per_year": (0.0, 0.03, 6.0), "season_cosine": (0.0, 0.02, 6.0), "season_sine": (0.0, 0.02, 6.0),
    "swap_jump": (0.0, 0.05, 6.0), "swap_before_jump": (0.0, 0.05, 6.0), "first_film": (0.02, 0.03, 6.0),
    "found_jump": (0.0, 0.1, np.inf), "found_second_jump": (0.0, 0.1, np.inf),
}  # fmt: skip
# What all of a kind share in a record of less than a year is season, far rather than ageing sleeves or lakes.
_MEAN_SD = {"drift_per_year": 0.01}  # common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetFit:
    """What was learned of each unit; `n` units, `p` columns (`decay_columns.COLUMNS`).

    Attributes
    ----------
    coefficient, covariance : ndarray, shape (n, p) and (n, p, p)
        Posterior mean and covariance. Losses are in ln per 1000 h.
    scale : ndarray, shape (n,)
        Robust standard deviation of one day's residual. [ln]
    slow_level, slow_variance : ndarray, shape (n,)
        How far the last block of days departs from the fitted line, and the variance of such departures. [ln, ln2]
    slow_columns : ndarray, shape (n, p)
        Columns of that block: an error of the coefficients moves its departure the other way.
    slow_age_days, memory_days : ndarray, shape (n,)
        From its middle to the last day of the table, and how long departures last, 1/e. [d]
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
    slow_level: np.ndarray
    slow_variance: np.ndarray
    slow_columns: np.ndarray
    slow_age_days: np.ndarray
    memory_days: np.ndarray
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
    mean_sd = np.array([_MEAN_SD.get(name, np.inf) for name in COLUMNS])
    return Prior(mean=mean, sd=sd, worth_units=values[:, 2], mean_covariance=no_uncertainty, mean_sd=mean_sd)


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
    (1) Each unit alone with a wide prior, robustly: this weighs its days. Jumps that no event explains are looked
    for in the residuals and get a column; the course of storms is taken out. (2) Blocks of days follow an
    autoregression, whose likeness is learned; normal equations are those of its innovations, and jumps that slow
    movement explains as well are taken back. (3) Each kind's distribution from its units' normal equations. (4)
    Each unit's posterior, with that distribution as its prior.

    References
    ----------
    .. [1] Huber, P. J., Robust Statistics, Wiley, 1981, section 7.8 (from memory).
    """
    water = water_trend(days)
    if reference_uvt_pct is None:
        reference = water.now_per_cm
    else:
        reference = np.broadcast_to(absorbance_per_cm(reference_uvt_pct), days.kind.shape)
    start = starting_prior(days, path_cm=path_cm)
    units, width = days.intensity_w_m2.shape
    found = np.full((units, len(FOUND_JUMPS), 2), width)

    chunks = [slice(low, min(low + CHUNK_UNITS, units)) for low in range(0, units, CHUNK_UNITS)]

    def over_chunks(part: Callable[[slice], tuple[np.ndarray, ...]]) -> list[np.ndarray]:
        with ThreadPoolExecutor(workers) as pool:
            return [np.concatenate(one) for one in zip(*pool.map(part, chunks), strict=True)]

    # a wrong trend of the water looks like a drift of the intensity: each unit's own doubt of it is on that column
    doubt = start.mean[days.kind, ABSORBANCE] * water.change_sd_per_year
    wide = start.sd[days.kind]
    wide[:, DRIFT] = np.hypot(wide[:, DRIFT], doubt)
    middle = start.mean[days.kind]
    left = _left_after_a_day(days, water, reference, middle, wide)
    first, scale, days_known, *means = over_chunks(
        lambda rows: _alone(
            days, rows, water=water, reference=reference, found=found, mean=middle[rows], sd=wide[rows], loss=loss,
            left=left, dtype=dtype))
    of = Blocks(columns=means[0], residual=means[1], weight=means[2])
    alike = _likeness(of, water.live, middle - first, wide)
    gram, moment, squares, count = over_chunks(lambda rows: _equations(of.select(rows), alike[rows], wide[rows]))
    # a few blocks of a few units are overfitted: what is usual elsewhere counts beside them
    usual = (squares.sum() + USUAL_BLOCKS * USUAL_SD**2) / (count.sum() + USUAL_BLOCKS)
    variance = np.maximum((squares + OWN_BLOCKS * usual) / (count + OWN_BLOCKS), LEAST_VARIANCE)
    gram = gram / variance[:, None, None]
    moment = moment / variance[:, None] + (gram @ first[:, :, None])[:, :, 0]
    _drop_doubtful(found, gram, moment, middle, wide, width)
    told = _some_of_each(days.kind)
    equations = (*without(gram[told], moment[told], DRIFT, doubt[told]), days.kind[told])
    prior = learned(*equations, shared(*equations, start))
    mean, covariance = over_chunks(
        lambda rows: pooled(gram[rows], moment[rows], days.kind[rows], prior, more_sd={DRIFT: doubt[rows]}))
    columns, residual, age = last_block(of)
    columns[:, FOUND_JUMPS] *= found[..., 0] < width  # jumps that were taken back hold no more
    return FleetFit(
        coefficient=mean, covariance=covariance, scale=scale,
        slow_level=residual - (columns * (mean - first)).sum(axis=1), slow_variance=variance,
        slow_columns=columns, slow_age_days=age, memory_days=memory_days(alike),
        reference_absorbance_per_cm=np.array(reference), water=water, found=found,
        days_known=np.where(np.isfinite(age), days_known, 0), prior=prior,
    )


def _alone(
    days: FleetDays, rows: slice, *, water: WaterTrend, reference: np.ndarray, found: np.ndarray,
    mean: np.ndarray, sd: np.ndarray, loss: Loss, left: float, dtype: type,
) -> tuple[np.ndarray, ...]:
    """Fit each alone with a wide prior; write jumps that no event explains into `found`.

    Coefficients, scale, days known, and the blocks of what is left: columns, residual, weight.
    """
    precision = sd**-2.0
    x, y, known = design(
        days, rows, water=water, reference_absorbance_per_cm=reference, found=found[rows], dtype=dtype
    )
    few = slice(None, None, 2 if known.shape[1] >= MANY_DAYS else 1)
    coefficient, scale = robust_coefficients(
        np.ascontiguousarray(x[:, :, few]), np.ascontiguousarray(y[:, few]), np.ascontiguousarray(known[:, few]),
        mean=mean, precision=precision, loss=loss, rounds=FIRST_ROUNDS,
    )
    index = np.arange(rows.start, rows.stop)
    residual, cleanings = residual_of(x, y, coefficient), _changes(days.clean_number[index])
    for slot, column in enumerate(FOUND_JUMPS):
        at, rises = found_jump(residual, known, scale, events=_event_marks(days, index, found), cleanings=cleanings)
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
        residual[hit] = residual_of(x[hit], y[hit], coefficient[hit])
    weight: np.ndarray = known.astype(dtype)
    if loss is Loss.CLEAR_WATER:
        course = storm_course(residual, known, left)
        residual -= course
        weight *= storm_weight(course, scale)
        loss = Loss.BISQUARE  # without its storms what is left has no side
    of = blocks(x, residual, weight_of(residual, scale, loss) * weight)
    return coefficient, scale, known.sum(axis=1), of.columns, of.residual, of.weight


def _left_after_a_day(
    days: FleetDays, water: WaterTrend, reference: np.ndarray, mean: np.ndarray, sd: np.ndarray
) -> float:
    """How fast storms clear, learned from some units."""
    rows = every_few(np.arange(len(mean)), SAMPLE_UNITS)
    none = np.full((len(rows), len(FOUND_JUMPS), 2), days.intensity_w_m2.shape[1])
    x, y, known = design(
        days, rows, water=water, reference_absorbance_per_cm=reference, found=none, dtype=np.float32)
    coefficient, scale = robust_coefficients(
        x, y, known, mean=mean[rows], precision=sd[rows] ** -2.0, loss=Loss.CLEAR_WATER, rounds=FIRST_ROUNDS)
    return left_after_a_day(residual_of(x, y, coefficient), known, scale)


def _some_of_each(kind: np.ndarray) -> np.ndarray:
    """Units that a kind is learned from, in order."""
    return np.sort(np.concatenate([every_few(np.flatnonzero(kind == code)) for code in np.unique(kind)]))


def _event_marks(days: FleetDays, index: np.ndarray, found: np.ndarray) -> np.ndarray:
    """Mask of days on which a lamp was swapped or a jump was found already."""
    marks = _changes(days.lamp_number[index])
    for slot in range(found.shape[1]):
        some = np.flatnonzero(found[index, slot, 0] < marks.shape[1])
        marks[some, found[index[some], slot, 0]] = True
    return marks


def _changes(number: np.ndarray) -> np.ndarray:
    """Mask of the days on which a running number rose."""
    marks = np.zeros(number.shape, dtype=bool)
    marks[:, 1:] = number[:, 1:] != number[:, :-1]
    return marks


def _next_cleaning(days: FleetDays, index: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Column of the next recorded cleaning after each unit's `at`; the number of days if none."""
    number = days.clean_number[index]
    later = number > number[np.arange(len(index)), at][:, None]
    column: np.ndarray = np.where(later.any(axis=1), later.argmax(axis=1), number.shape[1])
    return column


def _likeness(of: Blocks, live: np.ndarray, mean: np.ndarray, sd: np.ndarray) -> np.ndarray:
    """Of each unit's neighbouring blocks: learned of all whose water is measured, and of all others."""
    alike = np.full(len(live), np.exp(-BLOCK_DAYS / USUAL_MEMORY_DAYS))
    enough = (of.weight > 0).sum(axis=1) > sd.shape[1] / 2
    for which in (live, ~live):
        rows = every_few(np.flatnonzero(which & enough), SAMPLE_UNITS)
        if len(rows):
            alike[which] = likeness(of.select(rows), mean[rows], sd[rows])
    return alike


def _equations(of: Blocks, alike: np.ndarray, sd: np.ndarray) -> tuple[np.ndarray, ...]:
    """Normal equations of the innovations about the first coefficients, their squares and what these are worth."""
    columns, residual, _ = whitened(of, alike)
    gram = (columns @ columns.swapaxes(1, 2)).astype(float)
    squares = (residual**2).sum(axis=1, dtype=float)
    count = (of.weight > 0).sum(axis=1)
    free = _free(gram, np.maximum(squares / np.maximum(count, 1), LEAST_VARIANCE), sd)
    # fitted columns take residuals along: a short record's variance would be too small
    left = np.maximum(count - free, count / 4.0)
    return gram, (columns @ residual[:, :, None])[:, :, 0].astype(float), squares, left


def _drop_doubtful(
    found: np.ndarray, gram: np.ndarray, moment: np.ndarray, mean: np.ndarray, sd: np.ndarray, width: int
) -> None:
    """Take jumps back that slow movement explains as well: out of `found`, `gram` and `moment`, in place.

    By the odds of the record with the jump to that without it (Dickey 1971, from memory): the density of the jump
    at 0 before the record over that after it. Of two, the weaker goes first, and the other is weighed anew.
    """
    columns = np.array(FOUND_JUMPS)
    for _ in columns:
        rows = np.flatnonzero((found[..., 0] < width).any(axis=1))
        if not len(rows):
            return
        after, covariance = posterior(gram[rows], moment[rows], mean[rows], sd[rows])
        variance = np.diagonal(covariance, axis1=1, axis2=2)[:, columns]
        log_odds = 0.5 * np.log(variance) - np.log(sd[rows][:, columns]) + after[:, columns] ** 2 / (2.0 * variance)
        log_odds[found[rows, :, 0] >= width] = np.inf
        slot = log_odds.argmin(axis=1)
        weak = log_odds[np.arange(len(rows)), slot] < LEAST_LOG_ODDS
        gone, column = rows[weak], columns[slot[weak]]
        found[gone, slot[weak]] = width
        gram[gone, column, :] = 0.0
        gram[gone, :, column] = 0.0
        moment[gone, column] = 0.0


def _free(gram: np.ndarray, variance: np.ndarray, sd: np.ndarray) -> np.ndarray:
    """How many coefficients the data, and not the prior, have fixed."""
    held = variance[:, None] / sd**2
    # by columns alone, as if they were independent: close enough for a count
    own = np.diagonal(gram, axis1=1, axis2=2)
    return np.asarray((own / (own + held)).sum(axis=1))
