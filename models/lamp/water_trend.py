"""Where a unit's water stands and where it is heading, from live readings or a test now and then."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.lamp.daily_series import FleetDays, interpolated
from models.lamp.empirical_bayes import SAMPLE_UNITS, Prior, every_few, learned, posterior

YEAR_DAYS = 365.25
LIVE_SHARE = 0.5  # measured on so many of its days: its own readings are used day by day
WEEK_DAYS = 7  # the line is drawn through one reading a week: within a week a storm counts as one
ABOVE, BELOW = 2.5, 4.685  # bisquare's bounds: a storm makes water worse, never better
ROUNDS, SOFT_ROUNDS = 4, 2  # a far test first counts less, and only then not at all: a trend is no storm
# Level at the end of the record, change per year, cosine and sine of the year. [1/cm, base e] Common practice, no
# source: a clear lake loses 15 % over 1 cm.
_MEAN, _SD = np.array([0.16, 0.0, 0.0, 0.0]), np.array([0.10, 0.04, 0.01, 0.01])
_NOISE_PER_CM = 0.006  # of one test: half a point of transmittance
CLEAR_SD_PER_CM = 0.003  # what clear water is, with a storm's remains in it or without; common practice, no source
CHUNK_UNITS = 256
FEW_TESTS = 4.0  # for how many readings that noise counts where a fleet's own is learned
# Of the fleet's mean trend, 1/cm a year: lakes brown by a few percent a year, what else all share is season; common
# practice, no source
COMMON_TREND_SD = 0.005
MOST_ALIKE = 0.8  # correlation of a live unit's neighbouring weeks that is believed; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterTrend:
    """Clear water of each unit: storms left out.

    Attributes
    ----------
    line : ndarray, shape (n, 4)
        Level on the last day, change per year, cosine and sine of the year. [1/cm, base e]
    live : ndarray of bool, shape (n,)
        Measured day by day, not tested now and then.
    now_sd_per_cm, change_sd_per_year : ndarray, shape (n,)
        How well clear water and its trend are known. [1/cm, 1/cm a year, base e]
    wander_sd_per_cm : ndarray, shape (n,)
        How far clear water is from its line on a day. [1/cm, base e]
    """

    line: np.ndarray
    live: np.ndarray
    now_sd_per_cm: np.ndarray
    change_sd_per_year: np.ndarray
    wander_sd_per_cm: np.ndarray

    @property
    def now_per_cm(self) -> np.ndarray:
        """Clear water on the last day. [1/cm, base e]"""
        return self.line[:, 0]

    @property
    def change_per_year(self) -> np.ndarray:
        """Its trend. [1/cm a year, base e]"""
        return self.line[:, 1]


def absorbance_per_cm(uvt_pct: np.ndarray | float) -> np.ndarray:
    """Absorption coefficient, a = -ln(UVT) per cm (base e), of a transmittance of 1 cm in %."""
    return np.asarray(-np.log(np.asarray(uvt_pct, dtype=float) / 100.0))


def year_wave(first_day: np.datetime64, days: np.ndarray) -> np.ndarray:
    """Cosine and sine of the year on `days` after the first, shape (..., 2)."""
    angle = 2.0 * np.pi * (float(first_day.astype("datetime64[D]").astype(int)) + np.asarray(days)) / YEAR_DAYS
    return np.stack([np.cos(angle), np.sin(angle)], axis=-1)


def water_trend(days: FleetDays) -> WaterTrend:
    """A robust line with a yearly wave through each unit's water, pooled over the fleet.

    Notes
    -----
    Bisquare weights with a tighter bound above: storms only ever raise absorbance. A unit that was never tested
    takes the fleet's level and trend. The first line lies at the unit's own lower quartile. How far a clear reading
    lies from its line is learned from the fleet, for live units and tested ones apart: a lake wanders by more than
    a test errs, and a trend drawn through three tests would be made of that. A live unit's weeks are alike, which
    widens what its readings are worth (variance of a mean of an autoregressive series).
    """
    units, width = days.uvt_pct.shape
    uvt, day, count = _one_a_week(days.uvt_pct)
    live = count >= LIVE_SHARE * width
    known = np.isfinite(uvt)
    told = every_few(np.flatnonzero(known.any(axis=1)))
    # single precision: a test is good to two digits
    values: np.ndarray = -np.log(np.where(known, uvt / 100.0, 1.0).astype(np.float32))
    columns = _line_columns(days).astype(np.float32)[day]
    # seldom tested: a yearly wave would be made of the noise of a few tests, or of a storm that one of them met
    wave = columns[:, :, 2:].copy()
    columns[~live, :, 2:] = 0.0
    group = np.zeros(units, dtype=int)
    start = Prior(
        mean=_MEAN[None], sd=_SD[None], worth_units=np.array([1.0, 4.0, 4.0, 4.0]),
        mean_covariance=np.zeros((1, 4, 4)), mean_sd=np.array([np.inf, COMMON_TREND_SD, np.inf, np.inf]),
    )
    line = np.repeat(_lower_quartile(values, known)[:, None], day.shape[1], axis=1)
    coefficient, covariance = np.tile(_MEAN, (units, 1)), np.tile(np.diag(_SD**2), (units, 1, 1))
    variance = wander = np.full(units, _NOISE_PER_CM**2)
    shared = np.zeros_like(values)  # the wave of the lakes that are measured live, for those that are not
    for step in range(ROUNDS if len(told) else 0):
        weight = _clear_weight(values - line, known, cut=step >= SOFT_ROUNDS)
        weighted = columns * weight[:, :, None]
        plain_gram = (weighted.swapaxes(1, 2) @ columns).astype(float)
        plain_moment = (weighted.swapaxes(1, 2) @ (values - shared)[:, :, None])[:, :, 0].astype(float)
        gram, moment = plain_gram / variance[:, None, None], plain_moment / variance[:, None]
        prior = learned(gram[told], moment[told], group[told], start, rounds=6)
        coefficient, covariance = posterior(gram, moment, prior.mean[group], prior.sd[group])
        shared[~live] = wave[~live] @ prior.mean[0, 2:].astype(np.float32)
        line = (columns @ coefficient[:, :, None].astype(np.float32))[:, :, 0] + shared
        fixed = np.einsum("nij,nji->n", covariance, gram)
        variance, wander = _clear_variance(values - line, weight, fixed, live)
    return WaterTrend(
        line=coefficient, live=live, now_sd_per_cm=np.hypot(np.sqrt(covariance[:, 0, 0]), CLEAR_SD_PER_CM),
        change_sd_per_year=np.sqrt(covariance[:, 1, 1]), wander_sd_per_cm=np.sqrt(wander))


def _clear_variance(
    residual: np.ndarray, weight: np.ndarray, fixed: np.ndarray, live: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Of one clear reading about its line, per unit; of live and of tested ones together each.

    The first for what a reading is worth, widened where neighbouring ones are alike; the second as it is.

    `fixed` coefficients of each unit were determined by its own data, and took as many readings' worth along.
    """
    squares, number = (weight * residual**2).sum(axis=1, dtype=float), weight.sum(axis=1, dtype=float)
    beside = (weight[:, 1:] * weight[:, :-1] * residual[:, 1:] * residual[:, :-1]).sum(axis=1, dtype=float)
    variance, plain = np.empty(len(residual)), np.empty(len(residual))
    for which in (live, ~live):
        # the assumed noise of a test counts for a few readings, so that two tests do not decide
        free = number[which].sum() - fixed[which].sum()
        found = (squares[which].sum() + FEW_TESTS * _NOISE_PER_CM**2) / (max(free, 0.0) + FEW_TESTS)
        alike = 0.0
        if which is live:
            alike = float(np.clip(beside[which].sum() / max(squares[which].sum(), 1e-12), 0.0, MOST_ALIKE))
        plain[which] = max(found, _NOISE_PER_CM**2)
        variance[which] = plain[which] * (1.0 + alike) / (1.0 - alike)
    return variance, plain


def daily_absorbance(days: FleetDays, trend: WaterTrend, rows: slice | np.ndarray, dtype: type) -> np.ndarray:
    """Water of each day: live readings where there are, else the line. [1/cm, base e]

    Returns
    -------
    ndarray, shape (u, d)
        Known throughout.

    Notes
    -----
    Water wanders for weeks about its line: the median of five days follows it. A day's small departure from that is
    mostly the sensor's noise, a large one a storm. Taken as read, noise would make intensity look as if it cared
    little for water, so small ones are left out.
    """
    columns: np.ndarray = _line_columns(days).astype(dtype)
    line: np.ndarray = trend.line[rows].astype(dtype) @ columns.T
    live = np.flatnonzero(trend.live[rows])
    if len(live):
        uvt: np.ndarray = days.uvt_pct[rows][live].astype(dtype)
        departure = -np.log(uvt / dtype(100.0)) - line[live]
        if np.isnan(departure).any():
            departure = interpolated(departure)
        wander = _running_median(departure)
        departure -= wander
        ratio = np.square(departure / dtype(2.5 * _NOISE_PER_CM))
        line[live] += wander + departure * (ratio / (1.0 + ratio))
    return line


def _running_median(values: np.ndarray) -> np.ndarray:
    """Of five days about each day; the ends are held."""
    padded = np.concatenate([values[:, :1], values[:, :1], values, values[:, -1:], values[:, -1:]], axis=1)
    a, b, c, d, e = (padded[:, shift : shift + values.shape[1]] for shift in range(5))
    # of five: the two middles of four pairs, then the median of three
    low, high = np.minimum(a, b), np.maximum(a, b)
    low2, high2 = np.minimum(c, d), np.maximum(c, d)
    inner, outer = np.maximum(low, low2), np.minimum(high, high2)
    return np.asarray(np.maximum(np.minimum(inner, outer), np.minimum(np.maximum(inner, outer), e)))


def _line_columns(days: FleetDays) -> np.ndarray:
    """One, years from the last day, cosine and sine of the year; shape (d, 4)."""
    day = np.arange(days.uvt_pct.shape[1])
    years = (day - (len(day) - 1.0)) / YEAR_DAYS
    return np.column_stack([np.ones(len(day)), years, year_wave(days.first_day, day)])


def _one_a_week(uvt_pct: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """First known value of each week and its day, shape (n, weeks), and how many days are known, shape (n,)."""
    units, width = uvt_pct.shape
    weeks = -(-width // WEEK_DAYS)
    value, day = np.empty((units, weeks), dtype=uvt_pct.dtype), np.empty((units, weeks), dtype=np.int64)
    count = np.empty(units, dtype=np.int64)
    known = np.zeros((CHUNK_UNITS, weeks * WEEK_DAYS), dtype=bool)
    for low in range(0, units, CHUNK_UNITS):  # in pieces that stay in the cache
        rows = slice(low, min(low + CHUNK_UNITS, units))
        of = known[: rows.stop - low]
        of[:, :width] = np.isfinite(uvt_pct[rows])
        count[rows] = of.sum(axis=1)
        day[rows] = of.reshape(-1, weeks, WEEK_DAYS).argmax(axis=2) + np.arange(weeks) * WEEK_DAYS
        value[rows] = np.take_along_axis(uvt_pct[rows], day[rows], axis=1)
    return value, day, count


def _lower_quartile(values: np.ndarray, known: np.ndarray) -> np.ndarray:
    """Of each unit's known values; the usual level where there are none."""
    count = known.sum(axis=1)
    ordered = np.sort(np.where(known, values, np.inf), axis=1)
    quartile = ordered[np.arange(len(ordered)), np.maximum(count - 1, 0) // 4]
    level: np.ndarray = np.where(count > 0, quartile, _MEAN[0])
    return level


def _clear_weight(residual: np.ndarray, known: np.ndarray, cut: bool) -> np.ndarray:
    """Huber, then bisquare weights, tighter above; the scale is the fleet's own, from below the line."""
    few = slice(None, None, max(1, len(residual) // SAMPLE_UNITS))  # evenly picked units tell it as well
    under = residual[few][known[few] & (residual[few] < 0)]
    scale = max(float(np.median(-under)) / 0.6745, _NOISE_PER_CM / 3.0) if under.size else _NOISE_PER_CM
    widest = np.float32(max(scale, _NOISE_PER_CM))
    bound = np.where(residual > 0, np.float32(ABOVE) * widest, np.float32(BELOW) * widest)
    weight: np.ndarray
    if not cut:
        weight = bound / np.maximum(np.abs(residual), bound) * known
        return weight
    inside = np.maximum(1.0 - (residual / bound) ** 2, 0.0)
    # a unit whose every test is far off keeps a little weight: otherwise it would be taken for never tested
    weight = np.maximum(inside * inside, 0.01) * known
    return weight
