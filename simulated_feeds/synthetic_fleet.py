"""Years of many units as daily values, with the truth: what a fit of lamp decay is tested on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from simulated_feeds.lamp_physics import BEST_WATER_C, BURN_IN_H, SLEEVE_AGES_PER_1000_H, TEMP_WIDTH_C
from simulated_feeds.streams import stream

CAUSES = ("lamp", "sleeve", "water")
HORIZON_DAYS = 730  # a true crossing is looked for so long after the data
NEVER = np.inf
NEPER_PER_DECADE = np.log(10.0)


@dataclass(frozen=True, slots=True)
class AgingFleet:
    """Daily values of n units over d days; NaN is "not measured".

    Attributes
    ----------
    days : ndarray of int, shape (d,)
        0, 1, ...
    log_intensity : ndarray, shape (n, d)
        Natural log of the day's intensity in W/m2, lit and warm, with noise, some days missing.
    lamp_hours : ndarray, shape (n, d)
        The lamp's own counter. [h]
    hours_since_clean : ndarray, shape (n, d)
        By the recorded cleanings only. [h]
    hours_since_clean_true : ndarray, shape (n, d)
        With those that nobody wrote down. [h]
    uvt_pct : ndarray, shape (n, d)
        Where tested that day, or measured live; else NaN. [%]
    water_temp_c : ndarray, shape (n, d)
        [C]
    events : DataFrame
        `unit`, `day`, `kind` (lamp-swapped, sleeve-cleaned), `recorded`.
    truth : DataFrame, one row a unit
        `threshold_w_m2`; `cause`, which took most of the log intensity lost since the lamp was new, the sleeve
        clean and the water as it was then; `lamp_loss`, `sleeve_loss`, `water_loss`, those losses at the last
        day; `lamp_loss_per_1000_h`, `sleeve_loss_per_1000_h`; `crossing_day`, the first day after the last one
        on which the intensity without noise, storms and seasons is below the threshold if nothing is done
        (inf: not within two years; the last day itself if it is below already).
    """

    days: NDArray[np.int64]
    log_intensity: NDArray[np.float64]
    lamp_hours: NDArray[np.float64]
    hours_since_clean: NDArray[np.float64]
    hours_since_clean_true: NDArray[np.float64]
    uvt_pct: NDArray[np.float64]
    water_temp_c: NDArray[np.float64]
    events: pd.DataFrame
    truth: pd.DataFrame


def aging_fleet(n_units: int, days: int, seed: int) -> AgingFleet:
    """Simulate a fleet's ageing, day by day, on whole columns.

    Parameters
    ----------
    n_units, days : int
        At least 1.
    seed : int
        The same seed, units and days give the same fleet.

    Returns
    -------
    AgingFleet
        About 60 bytes a unit and day; some 200 while it is made.

    Notes
    -----
    Lamps: burn-in, then log output linear in hours, each its own rate (lognormal, 18 %) about the common rating
    of 80 % at 9,000 h; starts cost hours that the counter does not show. Sleeves foul linearly in lit hours,
    rates apart by a factor of several between waters. A third of the units have water that slowly gets worse
    for good. Water tests every 60 to 120 days; a fifth measure it live.
    """
    for name, value in (("n_units", n_units), ("days", days)):
        if value < 1:
            raise ValueError(f"{name} must be at least 1; got {value!r}")
    rng = stream(seed, "ageing fleet", str(n_units), str(days))
    day, n = np.arange(days), n_units
    column = (n, 1)
    path_cm = rng.choice([2.0, 3.2, 3.6], column)
    new_w_m2 = rng.choice([122.6, 103.0, 117.3], column) * np.exp(rng.normal(0, 0.04, column))
    lamp_loss = -np.log(0.8) / 9000 * rng.lognormal(0.0, 0.18, column)
    foul = np.exp(rng.normal(np.log(1.8e-5), 0.9, column))
    lit = np.clip(rng.beta(60, 1.2, column), 0.5, 1.0) * 24

    swaps, cleans, written = _service_days(rng, n, days)
    hours = _since(swaps, lit, first=rng.uniform(0, 7000, column))
    clean_true = _since(cleans, lit, first=rng.uniform(0, 2500, column))
    clean_known = _since(written, lit, first=clean_true[:, :1])
    lamp_number = np.cumsum(swaps, axis=1, dtype=np.int64)
    # a new lamp has a rate of its own; the last one is the one that the forecast is about
    each = lamp_loss * rng.lognormal(0.0, 0.10, (n, int(lamp_number.max()) + 1))
    level = rng.normal(0, 0.02, each.shape)
    loss, start = np.take_along_axis(each, lamp_number, 1), np.take_along_axis(level, lamp_number, 1)
    start_share = rng.uniform(1.0, 1.05, column)  # starts wear a lamp beyond its counter
    worn = loss * start_share * (hours - 100.0)
    lamp_log = start + 0.07 * (np.exp(-hours / BURN_IN_H) - np.exp(-100.0 / BURN_IN_H)) - worn
    sleeve_log = -foul * clean_true - SLEEVE_AGES_PER_1000_H * lit * day / 1000

    base = -np.log10(rng.uniform(0.79, 0.95, column))
    worsens = np.where(rng.random(column) < 0.33, rng.uniform(0.0, 1.6, column), 0.0) * base / 730
    season = 0.06 * base * np.cos(2 * np.pi * (day - rng.uniform(0, 365, column)) / 365.25)
    trend = base + worsens * day
    storms = _storms(rng, n, days)
    absorbance = trend + season + storms
    temp_c = np.maximum(10.5 + rng.uniform(-2, 2, column) + rng.uniform(2, 11, column) * np.cos(
        2 * np.pi * (day - 220 - rng.normal(0, 8, column)) / 365.25) + rng.normal(0, 0.5, (n, days)), 3.0)
    temp_log = -(((temp_c - BEST_WATER_C) / TEMP_WIDTH_C) ** 2)

    smooth = np.log(new_w_m2) + lamp_log + sleeve_log - NEPER_PER_DECADE * path_cm * trend
    clean = smooth + temp_log - NEPER_PER_DECADE * path_cm * (absorbance - trend)
    noise = 0.012 * rng.standard_t(4, (n, days))
    seen = np.where(rng.random((n, days)) < 0.04, np.nan, clean + noise)
    uvt_pct = _tested(rng, 100 * 10**-absorbance)

    mean_temp_log = temp_log.mean(axis=1, keepdims=True)
    threshold = np.exp(np.log(new_w_m2) - NEPER_PER_DECADE * path_cm * base + mean_temp_log[:, :1]) * rng.uniform(
        0.60, 0.80, column)
    losses = {
        "lamp": -(lamp_log[:, -1] - np.take_along_axis(start, np.full(column, days - 1), 1)[:, 0]),
        "sleeve": foul[:, 0] * clean_true[:, -1],
        "water": (NEPER_PER_DECADE * path_cm * (trend - trend[:, :1]))[:, -1],
    }
    per_day = (loss[:, -1:] * start_share + foul + SLEEVE_AGES_PER_1000_H / 1000) * lit + (
        NEPER_PER_DECADE * path_cm * worsens)
    margin = (smooth[:, -1:] + mean_temp_log - np.log(threshold))[:, 0]
    wait = np.maximum(np.ceil(margin / per_day[:, 0]), 0.0)
    truth = pd.DataFrame({
        "threshold_w_m2": threshold[:, 0], "cause": np.array(CAUSES)[np.argmax(list(losses.values()), axis=0)],
        **{f"{name}_loss": values for name, values in losses.items()},
        "lamp_loss_per_1000_h": 1000 * loss[:, -1] * start_share[:, 0],
        "sleeve_loss_per_1000_h": 1000 * foul[:, 0], "lit_h_per_day": lit[:, 0],
        "crossing_day": np.where(wait > HORIZON_DAYS, NEVER, days - 1 + wait)})
    return AgingFleet(day, seen, hours, clean_known, clean_true, uvt_pct, temp_c,
                       _events(swaps, cleans, written), truth)


def _service_days(
    rng: np.random.Generator, n: int, days: int
) -> tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.bool_]]:
    """Days on which the lamp is swapped, the sleeve cleaned, and the cleaning written down."""
    day = np.arange(days)
    swap = (day + rng.integers(0, 400, (n, 1))) % rng.integers(330, 420, (n, 1)) == 0
    visit = (day + rng.integers(0, 300, (n, 1))) % rng.integers(90, 300, (n, 1)) == 0
    cleaned = swap | visit & (rng.random((n, days)) < 0.8)
    written = swap | cleaned & (rng.random((n, days)) < 0.88)
    for one in (swap, cleaned, written):
        one[:, 0] = False  # the first day continues what was
    return swap, cleaned, written


def _since(
    event: NDArray[np.bool_], per_day: NDArray[np.float64], *, first: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Lit hours since the last event, `first` hours having passed on the first day."""
    day = np.arange(event.shape[1])
    last = np.maximum.accumulate(np.where(event, day, 0), axis=1)
    return (day - last) * per_day + np.where(last == 0, first, 0.0)


def _storms(rng: np.random.Generator, n: int, days: int) -> NDArray[np.float64]:
    """Absorbance that storms add, clearing over days."""
    size = np.where(rng.random((n, days)) < 0.05, rng.exponential(0.02, (n, days)), 0.0)
    size *= rng.choice([0.1, 1.0, 1.0], (n, 1))
    out = np.zeros_like(size)
    for back in range(1, 15):
        out[:, back:] += size[:, : days - back] * np.exp(-back / 3.5) if back < days else 0.0
    return out


def _tested(rng: np.random.Generator, uvt_pct: NDArray[np.float64]) -> NDArray[np.float64]:
    """What is known of the water: a test now and then, or a live sensor."""
    n, days = uvt_pct.shape
    live = rng.random((n, 1)) < 0.2
    test = (np.arange(days) + rng.integers(0, 60, (n, 1))) % rng.integers(60, 121, (n, 1)) == 0
    value = np.clip(uvt_pct + rng.normal(0, 0.4, (n, days)), 0.1, 100.0)
    return np.where(live | test, np.round(value, 1), np.nan)


def _events(
    swaps: NDArray[np.bool_], cleans: NDArray[np.bool_], written: NDArray[np.bool_]
) -> pd.DataFrame:
    parts = []
    for kind, mask in (("lamp-swapped", swaps), ("sleeve-cleaned", cleans)):
        unit, day = np.nonzero(mask)
        parts.append(pd.DataFrame({
            "unit": unit, "day": day, "kind": kind,
            "recorded": True if kind == "lamp-swapped" else written[unit, day]}))
    return pd.concat(parts, ignore_index=True).sort_values(["unit", "day"], ignore_index=True, kind="stable")
