"""How long water stays in the chamber, and what that does to organisms: tanks in series, first-order kinetics."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from models.dose.optics import Floats

CM3_PER_L = 1000.0
S_PER_MIN = 60.0

# First-order constants of challenge organisms to base e, for a profile whose report names only the organism. Hijnen
# et al. 2006, Water Research 40:3-22, from memory with low confidence (SOURCES.md section 4): decadic 0.055 for
# MS2, 0.059 for spores of B. subtilis beyond their shoulder. A report's own constant goes before these.
CHALLENGE_K_CM2_MJ = {"MS2": 0.055 * math.log(10.0), "Bacillus subtilis spores": 0.059 * math.log(10.0)}


def residence_s(volume_cm3: float, flow_l_min: ArrayLike) -> Floats:
    """Mean time in a volume: V / Q. Infinite in standing water, NaN where the flow is unknown. [s]"""
    with np.errstate(divide="ignore"):
        return np.asarray(volume_cm3 / CM3_PER_L * S_PER_MIN / np.asarray(flow_l_min, dtype=float))


def exit_age_density(tanks: int, time_over_mean: ArrayLike) -> Floats:
    """Density of ages at the outlet of n equal mixed tanks, in units of the mean residence time.

    E(x) = n (n x)^(n-1) / (n-1)! exp(-n x): Levenspiel, Chemical Reaction Engineering, 3rd ed., 1999, p. 322.
    """
    x = np.asarray(time_over_mean, dtype=float)
    with np.errstate(divide="ignore"):
        log = tanks * math.log(tanks) + (tanks - 1) * np.log(x) - math.lgamma(tanks) - tanks * x
    return np.asarray(np.exp(log) if tanks > 1 else np.exp(-x))


def survival(mean_dose_mj_cm2: ArrayLike, *, k_cm2_mj: float, tanks: float) -> Floats:
    """Share of organisms that survive: (1 + k D / n)^-n.

    Parameters
    ----------
    mean_dose_mj_cm2 : array_like
        Mean fluence rate times mean residence time. [mJ/cm2]
    k_cm2_mj : float
        First-order inactivation constant to base e. [cm2/mJ]
    tanks : float
        Mixed tanks in series; `math.inf` is plug flow.

    Returns
    -------
    survival : ndarray, same shape
        N/N0 in 0..1.

    Notes
    -----
    Exact for segregated flow with the ages of `exit_age_density` and the mean fluence rate everywhere
    (Laplace transform of the gamma density). A real chamber's light isn't even, so a mean is the most that a
    chamber of n tanks could give: the unit's own test corrects it (`models.dose.lookup`).
    """
    return np.asarray(np.exp(-k_cm2_mj * equivalent_dose(mean_dose_mj_cm2, k_cm2_mj=k_cm2_mj, tanks=tanks)))


def equivalent_dose(mean_dose_mj_cm2: ArrayLike, *, k_cm2_mj: float, tanks: float) -> Floats:
    """Reduction equivalent dose: what a collimated beam must give for the same survival.

    RED = -ln(N/N0)/k = (n/k) ln(1 + k D / n), at most D (Jensen), equal to it in plug flow. [mJ/cm2]
    """
    dose = np.asarray(mean_dose_mj_cm2, dtype=float)
    if math.isinf(tanks):
        return dose
    return np.asarray(tanks / k_cm2_mj * np.log1p(k_cm2_mj * dose / tanks))


def mean_dose(equivalent_dose_mj_cm2: ArrayLike, *, k_cm2_mj: float, tanks: float) -> Floats:
    """The mean dose that n tanks need for an equivalent dose: inverse of `equivalent_dose`. [mJ/cm2]"""
    dose = np.asarray(equivalent_dose_mj_cm2, dtype=float)
    if math.isinf(tanks):
        return dose
    return np.asarray(tanks / k_cm2_mj * np.expm1(k_cm2_mj * dose / tanks))


def log_inactivation(dose_mj_cm2: ArrayLike, *, k_cm2_mj: float) -> Floats:
    """Decades of inactivation by a dose: k D / ln 10 (first order, no shoulder, no tail)."""
    return np.asarray(k_cm2_mj * np.asarray(dose_mj_cm2, dtype=float) / math.log(10.0))
