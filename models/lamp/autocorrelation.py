"""What moves intensity slowly and has no column: water that nobody measures wanders for weeks.

Days are put into blocks, and blocks follow a first-order autoregression. Least squares through its innovations is
generalised least squares; through the days themselves it would take a month of clear water for thirty proofs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

BLOCK_DAYS = 5
LEAST_WEIGHT = 0.5  # days' worth that a block needs to count
GRID = np.array([0.0, 0.2, 0.4, 0.55, 0.7, 0.8, 0.9])  # likeness of neighbouring blocks that is tried
USUAL_ALIKE, USUAL_SD = 0.6, 0.15  # what it is held to be before the data speak; common practice, no source
LEAST_ALIKE = 0.4  # some slow movement is always there, also where noise hides it; common practice, no source
LEAST_VARIANCE = 1e-6  # of ln(intensity): a tenth of a percent, a sensor's resolution
VARIANCE_ROUNDS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Blocks:
    """Weighted means over blocks of days; `n` units, `p` columns, `b` blocks.

    Attributes
    ----------
    columns : ndarray, shape (n, p, b)
    residual : ndarray, shape (n, b)
        Of ln(intensity), from the coefficients that the blocks were made with. [ln]
    weight : ndarray, shape (n, b)
        Days' worth behind each; 0 where a block does not count.
    """

    columns: np.ndarray
    residual: np.ndarray
    weight: np.ndarray

    def select(self, rows: np.ndarray | slice) -> Blocks:
        """Only these units."""
        return Blocks(columns=self.columns[rows], residual=self.residual[rows], weight=self.weight[rows])


def blocks(columns: np.ndarray, residual: np.ndarray, weight: np.ndarray) -> Blocks:
    """Means of days, blocks of `BLOCK_DAYS`; the last block ends with the last day.

    Parameters
    ----------
    columns : ndarray, shape (n, p, d)
    residual, weight : ndarray, shape (n, d)
        Weight 0 on days without an intensity.
    """
    total = _block_sums(weight)
    counts = total >= LEAST_WEIGHT
    share = np.where(counts, 1.0 / np.maximum(total, LEAST_WEIGHT), 0.0).astype(weight.dtype)
    return Blocks(
        columns=_block_sums(columns * weight[:, None, :]) * share[:, None, :],
        residual=_block_sums(residual * weight) * share, weight=np.where(counts, total, 0.0),
    )


def whitened(of: Blocks, alike: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Columns and residuals as innovations, which are independent of each other and equally good.

    Parameters
    ----------
    of : Blocks
    alike : ndarray, shape (n,)
        Correlation of neighbouring blocks. A gap of g blocks leaves its g-th power.

    Returns
    -------
    columns, residual : ndarray, shape (n, p, b) and (n, b)
        0 where a block does not count.
    log_scale : ndarray, shape (n,)
        Sum of the logarithms of what the innovations were divided by.

    Notes
    -----
    A block of few days is noisier by the part of the variance that is not slow.
    """
    counts = of.weight > 0
    before = _block_before(counts)
    gap = np.arange(counts.shape[1]) - before
    of_before = np.where(counts & (before >= 0), alike[:, None] ** gap, 0.0)
    usual = of.weight.sum(axis=1, keepdims=True) / np.maximum(counts.sum(axis=1, keepdims=True), 1)
    thin = np.clip(usual / np.maximum(of.weight, LEAST_WEIGHT), 0.5, 2.0 * BLOCK_DAYS)
    variance = (1.0 - of_before**2) * (alike[:, None] + (1.0 - alike[:, None]) * thin)
    scale = np.where(counts, 1.0 / np.sqrt(variance), 0.0).astype(of.columns.dtype)
    of_before = of_before.astype(of.columns.dtype)
    columns = _at_block(of.columns, before) * -of_before[:, None, :]
    columns += of.columns
    columns *= scale[:, None, :]
    residual = (of.residual - of_before * _at_block(of.residual, before)) * scale
    return columns, residual, 0.5 * np.where(counts, np.log(variance), 0.0).sum(axis=1)


def likeness(of: Blocks, mean: np.ndarray, sd: np.ndarray) -> float:
    """Correlation of neighbouring blocks that units share, by the marginal likelihood of their records.

    Parameters
    ----------
    of : Blocks
    mean, sd : ndarray, shape (n, p)
        Prior of each unit's coefficients, about those that the blocks were made with.

    Returns
    -------
    float
        `LEAST_ALIKE` to 0.95.

    Notes
    -----
    The likelihood has the coefficients integrated out: fitted columns take slow movement along, and the residuals
    of a short record look less alike than they are. The top of a parabola through the best of `GRID` and its
    neighbours.
    """
    score = -0.5 * ((GRID - USUAL_ALIKE) / USUAL_SD) ** 2
    score += [_log_likelihood(of, one, mean, sd) for one in GRID]
    best = int(np.clip(score.argmax(), 1, len(GRID) - 2))
    bend, slope, _ = np.polyfit(GRID[best - 1 : best + 2], score[best - 1 : best + 2], 2)
    top = -slope / (2.0 * bend) if bend < 0 else GRID[score.argmax()]
    return float(np.clip(top, LEAST_ALIKE, 0.95))


def last_block(of: Blocks) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The last block of each unit that counts.

    Returns
    -------
    columns, residual : ndarray, shape (n, p) and (n,)
    age_days : ndarray, shape (n,)
        From its middle to the last day; inf where no block counts. [d]
    """
    counts = of.weight > 0
    last = counts.shape[1] - 1 - counts[:, ::-1].argmax(axis=1)
    at = np.arange(len(counts))
    age = BLOCK_DAYS * (counts.shape[1] - 1.0 - last) + BLOCK_DAYS // 2
    return of.columns[at, :, last].astype(float), of.residual[at, last], np.where(counts.any(axis=1), age, np.inf)


def memory_days(alike: np.ndarray) -> np.ndarray:
    """How long departures last, 1/e, where means of neighbouring blocks are so alike. [d]

    For a departure that fades as exp(-t / memory), with m blocks in a memory's length: the correlation of
    neighbouring block means is (1 - exp(-1/m))^2 / (2 (1/m - 1 + exp(-1/m))).
    """
    span = np.geomspace(5.0, 0.02, 400)  # of a block, in memories
    correlation = np.expm1(-span) ** 2 / (2.0 * (span + np.expm1(-span)))
    days: np.ndarray = BLOCK_DAYS / np.interp(alike, correlation, span)
    return days


def mean_share(memories: np.ndarray | float) -> np.ndarray:
    """Variance of a mean over so many memories of a slow departure, over that of the departure itself.

    2 / m (1 - (1 - exp(-m)) / m), the integral of exp(-|t|) over a square of side m.
    """
    m = np.maximum(memories, 1e-3)
    return np.asarray(2.0 / m * (1.0 + np.expm1(-m) / m))


def _log_likelihood(of: Blocks, alike: float, mean: np.ndarray, sd: np.ndarray) -> float:
    """Of all units together, each with its own variance, coefficients integrated out; but for a constant."""
    columns, residual, log_scale = whitened(of, np.full(len(mean), alike))
    about = residual - (mean[:, None, :] @ columns)[:, 0]
    scaled = (columns @ columns.swapaxes(1, 2)).astype(float) * sd[:, :, None] * sd[:, None, :]
    moment = (columns @ about[:, :, None])[:, :, 0].astype(float) * sd
    squares, count = (about**2).sum(axis=1, dtype=float), (of.weight > 0).sum(axis=1)
    one = np.eye(sd.shape[1])
    variance = np.maximum(squares / np.maximum(count, 1), LEAST_VARIANCE)
    for _ in range(VARIANCE_ROUNDS):
        inverse = np.linalg.inv(scaled / variance[:, None, None] + one)
        found = (inverse @ moment[:, :, None])[:, :, 0] / variance[:, None]
        taken = (scaled @ found[:, :, None])[:, :, 0] - 2.0 * moment
        left = squares + (found * taken).sum(axis=1)
        free = sd.shape[1] - np.trace(inverse, axis1=1, axis2=2)
        variance = np.maximum(left / np.maximum(count - free, count / 4.0), LEAST_VARIANCE)
    _, log_determinant = np.linalg.slogdet(scaled / variance[:, None, None] + one)
    fit = count * np.log(variance) + log_determinant + left / variance + (found**2).sum(axis=1)
    return float(-0.5 * fit.sum() - log_scale.sum())


def _block_sums(values: np.ndarray) -> np.ndarray:
    """Sums over blocks of the last axis; the first block may be shorter."""
    days = values.shape[-1]
    short = days % BLOCK_DAYS
    whole = values[..., short:]
    sums = whole[..., 0::BLOCK_DAYS].copy()
    for step in range(1, BLOCK_DAYS):
        sums += whole[..., step::BLOCK_DAYS]
    if not short:
        return sums
    return np.concatenate([values[..., :short].sum(axis=-1, keepdims=True), sums], axis=-1)


def _at_block(values: np.ndarray, before: np.ndarray) -> np.ndarray:
    """Values of the blocks that `before` names; 0 where it names none."""
    moved = np.zeros_like(values)
    moved[..., 1:] = values[..., :-1]
    # nearly all are the next one before: few are fetched one by one
    row, block = np.nonzero(before != np.arange(-1, before.shape[1] - 1))
    moved[row, ..., block] = values[row, ..., before[row, block]]
    return moved


def _block_before(counts: np.ndarray) -> np.ndarray:
    """The last block before each that counts; -1 where there is none."""
    latest = np.maximum.accumulate(np.where(counts, np.arange(counts.shape[1]), -1), axis=1)
    before = np.full_like(latest, -1)
    before[:, 1:] = latest[:, :-1]
    return before
