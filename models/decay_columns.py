"""The columns of the decay model: what log intensity is regressed on.

ln(intensity) = level - lamp - sleeve - water + temperature + jumps. Each column is signed so that its
coefficient is a loss where the trade speaks of a loss.
"""

from __future__ import annotations

import numpy as np

from models.fleet_days import FleetDays, interpolated

LEVEL, LAMP, LAMP_BEFORE, BURN_IN, SLEEVE, SLEEVE_EARLY, ABSORBANCE, TEMP, TEMP_SQUARE = range(9)
SWAP_JUMPS = (9, 10)  # the last two lamp swaps
CLEAN_JUMPS = (11, 12)  # the last two cleanings
FOUND_JUMPS = (13, 14, 15)  # at most three jumps that no event explains
# Sixteen columns in all: the products of a multiple of four are twice as fast as those of fifteen.
COLUMNS = (
    "level", "lamp_per_kh", "lamp_before_per_kh", "burn_in", "sleeve_per_kh", "sleeve_early", "absorbance_path_cm",
    "temp_per_10_c", "temp_square_per_10_c", "swap_jump", "swap_before_jump", "clean_jump", "clean_before_jump",
    "found_jump", "found_second_jump", "found_third_jump",
)
BURN_IN_H = 100.0  # standards.md section 8: fast first 100 h (memory)
SLEEVE_EARLY_H = 700.0  # films level off within weeks; common practice, no source
TEMP_REFERENCE_C = 10.0


def absorbance_per_cm(uvt_pct: np.ndarray) -> np.ndarray:
    """Absorption coefficient, a = -ln(UVT) per cm (base e), of a transmittance of 1 cm in %."""
    return -np.log(np.asarray(uvt_pct, dtype=float) / 100.0)


def event_columns(number: np.ndarray, slots: int) -> np.ndarray:
    """Columns (n, slots) on which the last `slots` events fell, latest first; the width of the table if none."""
    width = number.shape[1]
    last = number[:, -1][:, None] - np.arange(slots)
    found = np.stack([(number >= last[:, [slot]]).argmax(axis=1) for slot in range(slots)], axis=1)
    return np.where(last > number[:, [0]], found, width)


def lamp_terms(lamp_hours: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Columns of lamp hours: thousands of hours, and the burn-in of the first hundred; both negative (losses)."""
    return lamp_hours / -1000.0, np.expm1(lamp_hours / -BURN_IN_H)


def sleeve_terms(clean_hours: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Columns of hours since cleaning: thousands of hours, and a film that levels off; both negative (losses)."""
    return clean_hours / -1000.0, np.expm1(clean_hours / -SLEEVE_EARLY_H)


def temp_terms(water_temp_c: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Columns of water temperature: tens of degrees from 10 C, and their square."""
    tens = (water_temp_c - TEMP_REFERENCE_C) / 10.0
    return tens, tens * tens


def design(
    days: FleetDays, rows: slice | np.ndarray, *, reference_absorbance_per_cm: np.ndarray, found: np.ndarray,
    dtype: type = np.float64,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Columns, log intensity and mask of known days for some units.

    Parameters
    ----------
    rows : slice or ndarray
        Which u of the n units.
    reference_absorbance_per_cm : ndarray, shape (n,)
        Water at which each unit's level is stated. [1/cm, base e]
    found : ndarray of int, shape (u, 3)
        Columns of jumps that no event explains; the number of days (or more) for none.
    dtype : type
        Of the floats returned. Single precision (1e-7) is far below what a sensor can tell, and twice as fast.

    Returns
    -------
    columns : ndarray, shape (u, 16, d)
        Zero on days without an intensity.
    log_intensity : ndarray, shape (u, d)
        Zero on days without an intensity.
    known : ndarray of bool, shape (u, d)
    """
    intensity = days.intensity_w_m2[rows].astype(dtype)
    known = np.isfinite(intensity)
    log_intensity = np.log(np.where(known, intensity, dtype(1.0)))
    lamp_number, clean_number = days.lamp_number[rows], days.clean_number[rows]
    width = intensity.shape[1]
    x = np.zeros((len(intensity), len(COLUMNS), width), dtype=dtype)
    x[:, LEVEL] = 1.0
    lamp, x[:, BURN_IN] = lamp_terms(days.lamp_hours[rows].astype(dtype))
    present = lamp_number == lamp_number[:, -1:]
    x[:, LAMP] = np.where(present, lamp, 0.0)
    x[:, LAMP_BEFORE] = lamp - x[:, LAMP]
    x[:, SLEEVE], x[:, SLEEVE_EARLY] = sleeve_terms(days.clean_hours[rows].astype(dtype))
    reference = np.broadcast_to(reference_absorbance_per_cm, (len(days.kind),))[rows][:, None]
    water = _known_or(days.uvt_pct[rows].astype(dtype), 100.0 * np.exp(-reference))
    x[:, ABSORBANCE] = reference + np.log(water / 100.0)
    temperature = _known_or(days.water_temp_c[rows].astype(dtype), np.array([[TEMP_REFERENCE_C]]))
    x[:, TEMP], x[:, TEMP_SQUARE] = temp_terms(temperature)
    at = np.concatenate([event_columns(lamp_number, 2), event_columns(clean_number, 2), found], axis=1)
    for slot, column in enumerate((*SWAP_JUMPS, *CLEAN_JUMPS, *FOUND_JUMPS)):
        some = at[:, slot] < width
        x[some, column] = np.arange(width) >= at[some, slot][:, None]
    if not known.all():
        x *= known[:, None, :]
    return x, log_intensity, known


def _known_or(values: np.ndarray, otherwise: np.ndarray) -> np.ndarray:
    """Values between tests interpolated; a unit never tested takes `otherwise`."""
    known = np.isfinite(values)
    if known.all():
        return values
    return np.where(known.any(axis=1, keepdims=True), interpolated(values), otherwise)
