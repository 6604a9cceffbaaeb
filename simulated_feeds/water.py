"""The water: its absorbance (season, storms, cloudy spells) and its temperature."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulated_feeds.scenario import Fault, Site
from simulated_feeds.streams import DAY_S
from simulated_feeds.weather import smoothed_normals, weather

STORM_CLEARS_DAYS = 3.5  # lake water clears again, common practice
STORM_REACH_DAYS = 24
STORM_FEELS = {"lake": 1.0, "spring": 0.35, "well": 0.05}
LAKE_MEAN_C, LAKE_SWING_C, LAKE_PEAK_DAY, LAKE_LEAST_C = 10.5, 11.0, 220.0, 3.0
GROUND_C = {"well": 8.5, "spring": 6.5}


def absorbance(site: Site, seed: int, first_day: int, end_day: int) -> NDArray[np.float64]:
    """Decadic absorbance at 254 nm at the midnights [first_day, end_day], without faults.

    Returns
    -------
    ndarray, shape (end_day - first_day + 1,)
        [1/cm]
    """
    days = np.arange(first_day, end_day + 1)
    base = -np.log10(site.uvt_pct / 100.0)
    season = 0.06 * np.cos(2 * np.pi * (days % 365.25 - 130) / 365.25)  # spring melt carries humic water
    drift = 0.05 * smoothed_normals(seed, site.cabin, "humic", days=days, memory=15)
    storm = weather(seed, site.trip or site.cabin, first_day - STORM_REACH_DAYS, end_day + 1).storm
    fades = np.exp(-np.arange(STORM_REACH_DAYS + 1) / STORM_CLEARS_DAYS)
    fades[0] = 0.0  # the lake turns over the day after the storm
    stirred = np.convolve(storm, fades, mode="valid")
    feels = STORM_FEELS.get(site.nature.source, 1.0) * site.nature.storm_absorbance
    per_cm: NDArray[np.float64] = base * np.clip(1 + season + drift, 0.7, 1.4) + feels * stirred
    return per_cm


def cloudy_spells(at_s: NDArray[np.int64], faults: tuple[Fault, ...], now_s: float) -> NDArray[np.float64]:
    """Absorbance that scripted spells add, rising over six hours and falling over twelve. [1/cm]"""
    added = np.zeros(len(at_s))
    for fault in faults:
        if fault.kind == "cloudy":
            begin, end = now_s + 3600 * fault.from_h, now_s + 3600 * fault.until_h
            rise = np.clip((at_s - begin) / (6 * 3600), 0, 1)
            fall = np.clip((end - at_s) / (12 * 3600), 0, 1)
            added += fault.absorbance * np.minimum(rise, fall)
    return added


def supply_temp_c(site: Site, seed: int, first_day: int, end_day: int) -> NDArray[np.float64]:
    """Temperature of the water supplied, at the midnights [first_day, end_day]. [C]"""
    days = np.arange(first_day, end_day + 1)
    season = np.cos(2 * np.pi * (days % 365.25 - LAKE_PEAK_DAY) / 365.25)
    drift = smoothed_normals(seed, site.cabin, "water temp", days=days, memory=5)
    ground = GROUND_C.get(site.nature.source)
    temp_c: NDArray[np.float64]
    if ground is not None:
        temp_c = ground + 1.2 * season + 0.2 * drift
    else:
        temp_c = np.maximum(LAKE_MEAN_C + LAKE_SWING_C * season + 0.8 * drift, LAKE_LEAST_C)
    return temp_c


def at_samples(knots: NDArray[np.float64], first_day: int, at_s: NDArray[np.int64]) -> NDArray[np.float64]:
    """Values between midnights, straight lines."""
    return np.interp(at_s, DAY_S * (first_day + np.arange(len(knots))), knots)
