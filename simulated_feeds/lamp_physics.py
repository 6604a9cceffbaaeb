"""Lamps that age and sleeves that foul: log output against hours, each lamp and sleeve a bit different."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simulated_feeds.streams import stream

RATED_SHARE, RATED_H = 0.80, 9000.0  # output left, common rating (SOURCES.md section 8, from memory)
BURN_IN_LOG, BURN_IN_H = 0.07, 35.0  # extra output of a lamp's first hours, gone after 100 h
WARM_UP_SHARE = 0.12  # of full output at the instant of ignition, common practice
BEST_WATER_C, TEMP_WIDTH_C = 24.0, 45.0  # output falls off in cold water, common practice
SLEEVE_AGES_PER_1000_H = 0.0015  # solarisation that no cleaning brings back, common practice


@dataclass(frozen=True, slots=True)
class Lamp:
    """One lamp's own traits."""

    loss_per_h: float  # of log output
    start_costs_h: float
    first_output: float  # after 100 h, over the reactor's rating
    burn_in_log: float

    def log_output(self, hours: ArrayLike, starts: ArrayLike) -> NDArray[np.float64]:
        """Log of output over the rating, steady and at its best temperature."""
        hours = np.asarray(hours, dtype=float)
        worn = np.maximum(hours + self.start_costs_h * np.asarray(starts) - 100.0, -100.0)
        log_output: NDArray[np.float64] = (
            np.log(self.first_output) + self.burn_in_log * (np.exp(-hours / BURN_IN_H)
            - np.exp(-100.0 / BURN_IN_H)) - self.loss_per_h * worn)
        return log_output


def lamp(seed: int, cabin: str, unit: str, number: int, wear: float) -> Lamp:
    """The unit's lamp of that number, by seed. `wear` is times the rated loss."""
    rng = stream(seed, cabin, unit, "lamp", day=number)
    rated = -np.log(RATED_SHARE) / RATED_H
    return Lamp(
        loss_per_h=float(rated * wear * rng.lognormal(0.0, 0.18)),
        start_costs_h=float(rng.uniform(0.5, 3.0)),
        first_output=float(np.exp(rng.normal(0.0, 0.025))),
        burn_in_log=float(BURN_IN_LOG * rng.uniform(0.6, 1.4)),
    )


def warm_share(since_on_s: ArrayLike, warm_up_s: float) -> NDArray[np.float64]:
    """Share of full output, 99 % at the end of the warm-up."""
    tau_s = warm_up_s / np.log((1 - WARM_UP_SHARE) / 0.01)
    share: NDArray[np.float64] = 1 - (1 - WARM_UP_SHARE) * np.exp(-np.asarray(since_on_s, dtype=float) / tau_s)
    return share


def temperature_share(water_c: ArrayLike) -> NDArray[np.float64]:
    """Output of a low-pressure lamp over that at its best water temperature."""
    return np.exp(-(((np.asarray(water_c, dtype=float) - BEST_WATER_C) / TEMP_WIDTH_C) ** 2))


def sleeve_log_share(
    hours_since_clean: ArrayLike, sleeve_hours: ArrayLike, *, foul_per_1000_h: float, hard_water: bool
) -> NDArray[np.float64]:
    """Log of the sleeve's transmittance over that of a new one.

    Scale of hard water speeds up as it grows (it keeps the sleeve hotter), up to half as much again.
    """
    hours = np.asarray(hours_since_clean, dtype=float)
    fouled = foul_per_1000_h * hours / 1000.0
    if hard_water:
        fouled = fouled * (1 + 0.5 * (1 - np.exp(-hours / 3000.0)))
    return -fouled - SLEEVE_AGES_PER_1000_H * np.asarray(sleeve_hours, dtype=float) / 1000.0
