"""The columns of the decay model: what log intensity is regressed on.

ln(intensity) = level - lamp - sleeve - water - drift + temperature + season + jumps. Each column is signed so that
its coefficient is a loss where the trade speaks of a loss.
"""

from __future__ import annotations

import numpy as np

from models.lamp.daily_series import FleetDays, interpolated
from models.lamp.water_trend import YEAR_DAYS, WaterTrend, daily_absorbance, year_wave

LEVEL, LAMP, LAMP_BEFORE, SLEEVE, SLEEVE_EARLY, ABSORBANCE, TEMP, TEMP_SQUARE, DRIFT, COSINE, SINE = range(11)
SWAP_JUMPS = (11, 12)  # the last two lamp swaps: lamps differ
FIRST_FILM = 13  # what was on the sleeve when the record began, where no cleaning before it is known
FOUND_JUMPS = (14, 15)  # at most two jumps that no event explains
# Sixteen in all: the products of a multiple of four columns are twice as fast as those of fifteen.
COLUMNS = (
    "level", "lamp_per_kh", "lamp_before_per_kh", "sleeve_per_kh", "sleeve_early", "absorbance_path_cm",
    "temp_per_10_c", "temp_square_per_10_c", "drift_per_year", "season_cosine", "season_sine", "swap_jump",
    "swap_before_jump", "first_film", "found_jump", "found_second_jump",
)  # fmt: skip
BURN_IN_H = 100.0  # a lamp is rated from here on (SOURCES.md section 8, from memory); days before it are left out
SLEEVE_EARLY_H = 700.0  # films may level off within weeks; common practice, no source
TEMP_REFERENCE_C = 10.0
UNKNOWN_START_H = 48.0  # a sleeve with fewer hours on the first day: counted from there, or cleaned just then


def event_columns(number: np.ndarray, slots: int) -> np.ndarray:
    """Columns (n, slots) on which the last `slots` events fell, latest first; the width of the table if none."""
    width = number.shape[1]
    last = number[:, -1][:, None] - np.arange(slots)
    found = np.stack([(number >= last[:, [slot]]).argmax(axis=1) for slot in range(slots)], axis=1)
    return np.where(last > number[:, [0]], found, width)


def sleeve_terms(clean_hours: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Columns of hours since cleaning: thousands of hours, and a film that levels off; both negative (losses)."""
    return clean_hours / -1000.0, np.expm1(clean_hours / -SLEEVE_EARLY_H)


def first_film(days: FleetDays, rows: slice | np.ndarray) -> np.ndarray:
    """1 until the first cleaning on record, where the sleeve's hours count from the first day known only.

    Nobody knows what was on the sleeve by then; that cleaning takes it off.
    """
    number = days.clean_number[rows]
    open_start = (days.clean_hours[rows][:, 0] < UNKNOWN_START_H) & (number[:, -1] > number[:, 0])
    return np.asarray((number == number[:, :1]) & open_start[:, None], dtype=float)


def lamp_term(lamp_hours: np.ndarray) -> np.ndarray:
    """Column of lamp hours: thousands of hours beyond the burn-in, negative (a loss)."""
    return (lamp_hours - BURN_IN_H) / -1000.0


def temp_terms(water_temp_c: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Columns of water temperature: tens of degrees from 10 C, and their square."""
    tens = (water_temp_c - TEMP_REFERENCE_C) / 10.0
    return tens, tens * tens


def drift_term(days_from_last: np.ndarray) -> np.ndarray:
    """Column of what neither swap nor cleaning brings back: years from the last day, negative (a loss)."""
    return days_from_last / -YEAR_DAYS


def design(
    days: FleetDays, rows: slice | np.ndarray, *, water: WaterTrend,
    reference_absorbance_per_cm: np.ndarray, found: np.ndarray, dtype: type = np.float64,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Columns, log intensity and mask of known days for some units.

    Parameters
    ----------
    rows : slice or ndarray
        Which u of the n units.
    water : WaterTrend
        Of the fleet.
    reference_absorbance_per_cm : ndarray, shape (n,)
        Water at which each unit's level is stated. [1/cm, base e]
    found : ndarray of int, shape (u, 2, 2)
        Per jump that no event explains: the first column it holds, and the first that it holds no more.
    dtype : type
        Of the floats returned. Single precision (1e-7) is far below what a sensor can tell, and twice as fast.

    Returns
    -------
    columns : ndarray, shape (u, 16, d)
        Zero on days without an intensity.
    log_intensity : ndarray, shape (u, d)
        Zero on days without an intensity.
    known : ndarray of bool, shape (u, d)
        Days with an intensity of a lamp past its burn-in.
    """
    intensity: np.ndarray = days.intensity_w_m2[rows].astype(dtype)
    lamp_hours: np.ndarray = days.lamp_hours[rows].astype(dtype)
    known = np.isfinite(intensity) & (lamp_hours >= BURN_IN_H)
    log_intensity = np.log(np.where(known, intensity, dtype(1.0)))
    lamp_number = days.lamp_number[rows]
    width = intensity.shape[1]
    day = np.arange(width)
    x: np.ndarray = np.zeros((len(intensity), len(COLUMNS), width), dtype=dtype)
    x[:, LEVEL] = 1.0
    lamp = lamp_term(lamp_hours)
    x[:, LAMP] = np.where(lamp_number == lamp_number[:, -1:], lamp, 0.0)
    x[:, LAMP_BEFORE] = lamp - x[:, LAMP]
    x[:, SLEEVE], x[:, SLEEVE_EARLY] = sleeve_terms(days.clean_hours[rows].astype(dtype))
    absorbance = daily_absorbance(days, water, rows, dtype)
    x[:, ABSORBANCE] = reference_absorbance_per_cm[rows].astype(dtype)[:, None] - absorbance
    x[:, TEMP], x[:, TEMP_SQUARE] = temp_terms(_temperature(days.water_temp_c[rows].astype(dtype)))
    x[:, DRIFT] = drift_term(day - (width - 1.0))
    x[:, COSINE], x[:, SINE] = year_wave(days.first_day, day).T
    x[:, FIRST_FILM] = -first_film(days, rows)
    at = event_columns(lamp_number, 2)
    for slot, column in enumerate(SWAP_JUMPS):
        some = at[:, slot] < width
        x[some, column] = day >= at[some, slot][:, None]
    for slot, column in enumerate(FOUND_JUMPS):
        some = found[:, slot, 0] < found[:, slot, 1]
        x[some, column] = (day >= found[some, slot, :1]) & (day < found[some, slot, 1:])
    if not known.all():
        x *= known[:, None, :]
    return x, log_intensity, known


def _temperature(water_temp_c: np.ndarray) -> np.ndarray:
    """Gaps filled between neighbours; the reference where a unit has no temperature at all."""
    known = np.isfinite(water_temp_c)
    if known.all():
        return water_temp_c
    reference = water_temp_c.dtype.type(TEMP_REFERENCE_C)
    return np.where(known.any(axis=1, keepdims=True), interpolated(water_temp_c), reference)
