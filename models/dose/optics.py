"""Ultraviolet light in an annular chamber around an axial lamp whose rays travel outward along the radius.

The closed form of the live path. How far it is from a lamp of finite length with slanting rays stands in
`models.dose.finite_lamp`.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models.fleet import Reactor

MW_CM2_PER_W_M2 = 0.1
MW_PER_W = 1000.0

Floats = NDArray[np.float64]


def absorption_per_cm(uvt_pct: ArrayLike) -> Floats:
    """Absorption coefficient to base e of a water, by Beer and Lambert.

    Parameters
    ----------
    uvt_pct : array_like
        Transmittance over 1 cm at 254 nm, above 0 and at most 100. [%]

    Returns
    -------
    absorption_per_cm : ndarray, same shape
        -ln(UVT/100); 0 for 100 %, NaN for NaN. [1/cm]

    Raises
    ------
    ValueError
        If a transmittance is not above 0 and at most 100; the message names the first index and its value.
    """
    uvt = np.asarray(uvt_pct, dtype=float)
    wrong = ~(((uvt > 0) & (uvt <= 100)) | np.isnan(uvt))
    if wrong.any():
        index = int(np.flatnonzero(wrong)[0])
        raise ValueError(
            f"uvt_pct must be above 0 and at most 100 %; got {float(uvt.flat[index])!r} at index {index}"
        )
    return np.asarray(-np.log(uvt / 100.0) + 0.0)  # + 0.0: no negative zero at 100 %


def uvt_pct_from_absorbance(absorbance_per_cm: ArrayLike) -> Floats:
    """Transmittance over 1 cm from the decadic absorbance A254. [1/cm] -> [%]"""
    return np.asarray(100.0 * 10.0 ** -np.asarray(absorbance_per_cm, dtype=float))


def absorbance_per_cm(uvt_pct: ArrayLike) -> Floats:
    """Decadic absorbance A254 from the transmittance over 1 cm. [%] -> [1/cm]"""
    return absorption_per_cm(uvt_pct) / math.log(10.0)


def sensor_radius_cm(reactor: Reactor) -> float:
    """Where the sensor sits: at the chamber wall unless the profile says otherwise. [cm]"""
    at = reactor.sensor_radius_cm
    return reactor.chamber_inner_radius_cm if at is None else at


def volume_cm3(reactor: Reactor) -> float:
    """Water between sleeve and wall over the arc length. [cm3]"""
    outer, inner = reactor.chamber_inner_radius_cm, reactor.sleeve_outer_radius_cm
    return math.pi * (outer**2 - inner**2) * reactor.arc_length_cm


def fluence_rate_mw_cm2(reactor: Reactor, radius_cm: ArrayLike, absorption: ArrayLike) -> Floats:
    """Fluence rate of a new lamp in a clean sleeve, at a distance from the axis.

    Parameters
    ----------
    reactor : Reactor
        Geometry, lamp output and sleeve transmittance.
    radius_cm, absorption : array_like
        Distance from the axis, at least the sleeve's radius [cm], and absorption to base e [1/cm]; they broadcast.

    Returns
    -------
    fluence_rate_mw_cm2 : ndarray
        P t / (2 pi r L) exp(-a (r - rs)). [mW/cm2]

    Notes
    -----
    Rays along the radius only, no reflection at the wall, water of one transmittance.

    References
    ----------
    .. [1] Haas and Sakellaropoulos 1979; Liu, Ducoste et al. 2004 (from memory, SOURCES.md section 4).
    """
    radius, a = np.asarray(radius_cm, dtype=float), np.asarray(absorption, dtype=float)
    per_cm = MW_PER_W * reactor.lamp_uvc_w * reactor.sleeve_transmittance / reactor.arc_length_cm
    return np.asarray(
        per_cm / (2.0 * math.pi * radius) * np.exp(-a * (radius - reactor.sleeve_outer_radius_cm))
    )


def mean_fluence_rate_mw_cm2(reactor: Reactor, absorption: ArrayLike) -> Floats:
    """Mean over the water's volume of `fluence_rate_mw_cm2`, in closed form.

    P t (1 - exp(-a w)) / (a pi (ro^2 - rs^2) L) with w = ro - rs; in transparent water (a = 0)
    P t w / (pi (ro^2 - rs^2) L). [1/cm] -> [mW/cm2]
    """
    a = np.asarray(absorption, dtype=float)
    outer, inner = reactor.chamber_inner_radius_cm, reactor.sleeve_outer_radius_cm
    width = outer - inner
    per_cm = MW_PER_W * reactor.lamp_uvc_w * reactor.sleeve_transmittance / reactor.arc_length_cm
    return np.asarray(per_cm * width * _mean_decay(a * width) / (math.pi * (outer**2 - inner**2)))


def mean_to_sensor(reactor: Reactor, absorption: ArrayLike) -> Floats:
    """Volume-mean fluence rate over the fluence rate at the sensor: `ratio` of the dose.

    Parameters
    ----------
    reactor : Reactor
        Geometry and the sensor's place; the lamp's output falls out.
    absorption : array_like
        To base e, at least 0. [1/cm]

    Returns
    -------
    ratio : ndarray, same shape
        2 r w / (ro^2 - rs^2) x (1 - exp(-a w)) / (a w) x exp(a (r - rs)). [-]

    Notes
    -----
    Its logarithm is convex in a. For a sensor at least half-way to the wall it only rises with a: at the same
    reading cloudier water means *more* dose, because what the sensor sees passed the whole layer. Close to
    the sleeve it first falls. So which explanation of a reading is the worst depends on the sensor's place.
    """
    a = np.asarray(absorption, dtype=float)
    outer, inner = reactor.chamber_inner_radius_cm, reactor.sleeve_outer_radius_cm
    at, width = sensor_radius_cm(reactor), outer - inner
    return np.asarray(
        2.0 * at * width / (outer**2 - inner**2) * _mean_decay(a * width) * np.exp(a * (at - inner))
    )


def _mean_decay(depth: Floats) -> Floats:
    """(1 - exp(-x)) / x, 1 at x = 0."""
    safe = np.where(depth == 0, 1.0, depth)
    return np.asarray(np.where(depth == 0, 1.0, -np.expm1(-safe) / safe))
