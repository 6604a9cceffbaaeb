"""The mean fluence rate in a stirred dish under a collimated beam: how a challenge organism's k is measured."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from models.dose.optics import Floats

# Share of the light that water's surface throws back at normal incidence, from memory (SOURCES.md section 3).
SURFACE_REFLECTION = 0.025
LEAST_PETRI_FACTOR = 0.9  # a beam that is less even over the dish is not used (SOURCES.md section 3, from memory)


def water_factor(absorbance_per_cm: ArrayLike, depth_cm: ArrayLike) -> Floats:
    """Mean over the depth of what is left of the light: (1 - 10^(-A l)) / (A l ln 10), 1 in clear water. [-]"""
    depth = np.asarray(absorbance_per_cm, dtype=float) * np.asarray(depth_cm, dtype=float) * math.log(10.0)
    safe = np.where(depth == 0, 1.0, depth)
    return np.asarray(np.where(depth == 0, 1.0, -np.expm1(-safe) / safe))


def divergence_factor(lamp_distance_cm: ArrayLike, depth_cm: ArrayLike) -> Floats:
    """Mean over the depth of the beam's spreading: L / (L + l), L from lamp to surface. [-]"""
    distance = np.asarray(lamp_distance_cm, dtype=float)
    return np.asarray(distance / (distance + np.asarray(depth_cm, dtype=float)))


def petri_dish_fluence_rate_mw_cm2(
    centre_mw_cm2: ArrayLike, *, petri_factor: ArrayLike, absorbance_per_cm: ArrayLike, depth_cm: ArrayLike,
    lamp_distance_cm: ArrayLike,
) -> Floats:
    """E0 Pf (1 - R) WF DF: mean fluence rate in the dish.

    Parameters
    ----------
    centre_mw_cm2 : array_like
        Meter reading at the surface in the middle of the dish. [mW/cm2]
    petri_factor : array_like
        Mean over middle of the dish; should be above `LEAST_PETRI_FACTOR`. [-]
    absorbance_per_cm, depth_cm, lamp_distance_cm : array_like
        A254 of the suspension [1/cm], its depth [cm], lamp to surface [cm].

    Returns
    -------
    fluence_rate_mw_cm2 : ndarray
        Times the exposure in seconds it is the dose. [mW/cm2]

    References
    ----------
    .. [1] Bolton and Linden 2003, J. Environ. Eng. 129(3):209-215 (from memory, SOURCES.md section 3).
    """
    on_surface = np.asarray(centre_mw_cm2, dtype=float) * np.asarray(petri_factor, dtype=float)
    return np.asarray(
        on_surface * (1.0 - SURFACE_REFLECTION) * water_factor(absorbance_per_cm, depth_cm)
        * divergence_factor(lamp_distance_cm, depth_cm)
    )
