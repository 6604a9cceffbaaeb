"""Weather of a shore: grey spells, storms, sun on a panel. A day's weather depends on its date and seed alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulated_feeds.streams import daily_normals, daily_uniforms

SUMMER_PEAK_DAY = 205.0  # warmest air of the northern year, common practice
SOLAR_CONSTANT_CLEAR_W_M2 = 950.0  # on a surface facing a clear noon sun, common practice
GREY_MEMORY_DAYS = 6  # a grey spell lasts some days
STORM_SHARE = 0.055  # of days, before clouds are looked at


@dataclass(frozen=True, slots=True)
class Weather:
    """Daily values, shape (n,)."""

    days: NDArray[np.int64]  # since 1970-01-01 UTC
    cloud: NDArray[np.float64]  # 0 clear to 1 overcast
    storm: NDArray[np.float64]  # 0 none, 1 a common one, more: heavier
    air_c: NDArray[np.float64]


def smoothed_normals(seed: int, *names: str, days: NDArray[np.int64], memory: int) -> NDArray[np.float64]:
    """Unit-variance noise that remembers `memory` days; windowed, so that it needs no state."""
    reach = np.arange(4 * memory)
    weight = np.exp(-reach / memory)
    weight /= np.sqrt((weight**2).sum())
    white = daily_normals(seed, *names, days=np.arange(days[0] - reach[-1], days[-1] + 1))
    return np.convolve(white, weight, mode="valid")


def weather(seed: int, shore: str, first_day: int, end_day: int) -> Weather:
    """Weather of the days [first_day, end_day) of one shore."""
    days = np.arange(first_day, end_day)
    grey = smoothed_normals(seed, shore, "grey", days=days, memory=GREY_MEMORY_DAYS)
    season = np.cos(2 * np.pi * (days % 365.25 - SUMMER_PEAK_DAY) / 365.25)
    cloud = 1 / (1 + np.exp(-1.6 * (grey + 0.2 - 0.5 * season)))
    chance = daily_uniforms(seed, shore, "storm", days=days)
    size = -np.log1p(-daily_uniforms(seed, shore, "storm size", days=days))
    storm = np.where(chance < STORM_SHARE * (0.4 + 1.2 * cloud), 0.5 + size, 0.0)
    cloud = np.where(storm > 0, np.maximum(cloud, 0.9), cloud)
    air_c = 5.0 + 15.0 * season + 3.5 * smoothed_normals(seed, shore, "air", days=days, memory=3)
    return Weather(days, cloud, storm, air_c)


def sun_w_m2(at_s: NDArray[np.int64], *, latitude: float, longitude: float) -> NDArray[np.float64]:
    """Clear-sky irradiance on a panel tilted to the sun's mean height.

    Parameters
    ----------
    at_s : ndarray of int, shape (n,)
        Unix time. [s]
    latitude, longitude : float
        [deg]

    Returns
    -------
    ndarray, shape (n,)
        0 at night. [W/m2]

    Notes
    -----
    Solar height from the day's declination and the mean solar hour; no equation of time, no shading. Good to
    some percent, which is far better than a cabin's roof.
    """
    day = at_s / 86_400.0
    declination = np.deg2rad(23.45) * np.sin(2 * np.pi * (day % 365.25 - 81) / 365.25)
    hour_angle = 2 * np.pi * (day % 1.0 - 0.5) + np.deg2rad(longitude)
    lat = np.deg2rad(latitude)
    height = np.sin(lat) * np.sin(declination) + np.cos(lat) * np.cos(declination) * np.cos(hour_angle)
    # a tilted panel does better than the sine of the height, worse than facing the sun
    on_panel: NDArray[np.float64] = SOLAR_CONSTANT_CLEAR_W_M2 * np.clip(height, 0, 1) ** 0.7
    return on_panel
