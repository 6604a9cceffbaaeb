"""What the simulated reactor really does to the water: its own optics and hydraulics, by quadrature.

Written apart from the estimator on purpose: the estimator must not be tested by itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(48)
MJ_CM2_PER_W_S_M2 = 0.1
ROTAVIRUS_MJ_CM2_A_LOG, MOST_LOG = 10.0, 4.0  # near first order, counted up to 4 log; from memory


@dataclass(frozen=True, slots=True)
class Chamber:
    """Fluence rates of a new lamp (after 100 h) in a new, clean sleeve, and the hydraulics.

    Built by `chamber`; the tables are on a grid of absorbance fine enough for linear interpolation to 0.1 %.
    """

    grid_absorbance: NDArray[np.float64]  # decadic, [1/cm]
    wall_w_m2: NDArray[np.float64]
    mean_w_m2: NDArray[np.float64]
    volume_l: float
    tanks: int
    k_cm2_mj: float
    calibration: float  # ties the dose to the test point

    def wall(self, absorbance: ArrayLike) -> NDArray[np.float64]:
        """Fluence rate where the sensor sits. [W/m2]"""
        wall_w_m2: NDArray[np.float64] = np.interp(
            np.asarray(absorbance, dtype=float), self.grid_absorbance, self.wall_w_m2)
        return wall_w_m2

    def dose(
        self, output: ArrayLike, absorbance: ArrayLike, flow_l_min: ArrayLike
    ) -> NDArray[np.float64]:
        """Reduction equivalent dose that the water gets.

        Parameters
        ----------
        output : array_like
            Lamp output x sleeve, over new and clean. [1]
        absorbance : array_like
            Decadic. [1/cm]
        flow_l_min : array_like
            Above 0. [L/min]

        Returns
        -------
        ndarray
            [mJ/cm2]
        """
        new = np.interp(np.asarray(absorbance, dtype=float), self.grid_absorbance, self.mean_w_m2)
        mean = np.asarray(output) * new
        plug = MJ_CM2_PER_W_S_M2 * mean * (60.0 * self.volume_l / np.asarray(flow_l_min))
        return self.calibration * _tanks_in_series(plug, self.tanks, self.k_cm2_mj)


def surviving_share(dose_mj_cm2: ArrayLike) -> NDArray[np.float64]:
    """Share of rotavirus that this dose leaves alive, 0..1."""
    logs = np.minimum(np.asarray(dose_mj_cm2, dtype=float) / ROTAVIRUS_MJ_CM2_A_LOG, MOST_LOG)
    return np.asarray(10.0**-logs)


def _tanks_in_series(plug: ArrayLike, tanks: int, k_cm2_mj: float) -> NDArray[np.float64]:
    return np.asarray(tanks / k_cm2_mj * np.log1p(k_cm2_mj * np.asarray(plug) / tanks))


def chamber(reactor: Mapping[str, Any]) -> Chamber:
    """The chamber of a `[[reactor]]` table."""
    inner, sleeve = float(reactor["chamber_inner_radius_cm"]), float(reactor["sleeve_outer_radius_cm"])
    arc, lamp_w = float(reactor["arc_length_cm"]), float(reactor["lamp_uvc_w"])
    clear = float(reactor["sleeve_transmittance"])
    grid = np.linspace(0.0, 0.6, 601)
    # an infinite line source, absorbed along the radius; W/cm2 to W/m2 is 1e4
    radius = sleeve + (inner - sleeve) * (_NODES + 1) / 2
    share = _WEIGHTS / 2 * (inner - sleeve) * 2 * radius / (inner**2 - sleeve**2)
    napierian = np.log(10) * grid[:, None]
    field = 1e4 * lamp_w * clear / (2 * np.pi * radius * arc) * np.exp(-napierian * (radius - sleeve))
    wall = 1e4 * lamp_w * clear / (2 * np.pi * inner * arc) * np.exp(-napierian[:, 0] * (inner - sleeve))
    mean = field @ share
    volume_l = np.pi * (inner**2 - sleeve**2) * arc / 1000
    tanks, k = int(reactor["mixing_tanks"]), float(reactor["challenge_k_cm2_mj"])
    # the test point names the sensor's reading, which fixes the lamp that the test was done with
    test = -np.log10(float(reactor["test_uvt_pct"]) / 100)
    output = float(reactor["test_intensity_w_m2"]) / np.interp(test, grid, wall)
    plug = MJ_CM2_PER_W_S_M2 * output * np.interp(test, grid, mean) * (
        60.0 * volume_l / float(reactor["test_flow_l_min"]))
    calibration = float(reactor["test_red_mj_cm2"]) / float(_tanks_in_series(plug, tanks, k))
    return Chamber(grid, wall, mean, volume_l, tanks, k, calibration / float(reactor["validation_factor"]))
