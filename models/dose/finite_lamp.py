"""Light of a lamp of finite length whose rays slant: what bounds the error of the radial closed form.

Point sources along the arc radiate alike in all directions; each ray crosses the sleeve, loses its share there,
is bent if the sleeve's air gap is taken into account, and is absorbed along its slant path through the water.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from models.dose.mixing import shares_in_tie
from models.dose.optics import MW_PER_W, Floats, absorption_per_cm, mean_to_sensor, sensor_radius_cm
from models.fleet import Reactor

if TYPE_CHECKING:
    from scipy.interpolate import CubicSpline

# Refractive index of water at 254 nm, from memory (Hale and Querry 1973 give 1.36 at 250 nm).
WATER_INDEX = 1.37
FURTHEST_PER_CM = 12.0  # absorption of a transmittance of 0.0006 %: no water that people drink
RAYS = 48  # Gauss-Legendre nodes over the angle
RINGS, SLICES = 16, 16  # and over radius and height for the volume mean


def finite_fluence_rate_mw_cm2(
    reactor: Reactor, radius_cm: ArrayLike, height_cm: ArrayLike, absorption: ArrayLike, *, index: float = 1.0,
) -> Floats:
    """Fluence rate of a new lamp of finite length in a clean sleeve.

    Parameters
    ----------
    reactor : Reactor
        Geometry, lamp output and sleeve transmittance.
    radius_cm, height_cm, absorption : array_like
        Distance from the axis, at least the sleeve's radius [cm]; height above the middle of the arc [cm];
        absorption to base e, at least 0 [1/cm]. They broadcast.
    index : float
        Refractive index of water against the air in the sleeve, at least 1. 1: rays go straight on; the greater,
        the more nearly along the radius they go on, up to the closed form of `models.dose.optics`. [-]

    Returns
    -------
    fluence_rate_mw_cm2 : ndarray
        From all sides. [mW/cm2]

    Raises
    ------
    ValueError
        If the index is below 1.

    Notes
    -----
    The sum over point sources as an integral over the angle f that a ray leaves at, from the normal: one
    source at distance z' gives P/(4 pi L) cos f df / (r dz') per length on a cylinder around the axis, so all give
    P t / (4 pi L r) x integral of exp(-a (r - rs) / cos g) cos f / cos g df, with sin f = index x sin g, between
    the angles at which the rays from both ends of the arc arrive. The sleeve's wall has no thickness and
    the same transmittance for all angles; walls reflect nothing.

    References
    ----------
    .. [1] Bolton 2000, Water Research 34 (multiple points, refraction); Blatchley 1997, Water Research 31(9)
       (line source), from memory, SOURCES.md section 4.
    """
    if not index >= 1:
        raise ValueError(f"index must be at least 1; got {index!r}")
    radius, height = np.broadcast_arrays(np.asarray(radius_cm, dtype=float), np.asarray(height_cm, dtype=float))
    absorbing = np.asarray(absorption, dtype=float)
    half, sleeve = reactor.arc_length_cm / 2, reactor.sleeve_outer_radius_cm
    water = radius - sleeve  # the angles are those of the place alone, whatever the water absorbs
    ends = [_angle(end - height, sleeve, water, index) for end in (-half, half)]
    nodes, weights = np.polynomial.legendre.leggauss(RAYS)
    middle, span = (ends[1] + ends[0]) / 2, (ends[1] - ends[0]) / 2
    angle = middle[..., None] + span[..., None] * nodes
    slant = np.sqrt(1.0 - (np.sin(angle) / index) ** 2)  # cosine in the water
    rays = np.cos(angle) / slant * np.exp(-absorbing[..., None] * water[..., None] / slant)
    per_cm = MW_PER_W * reactor.lamp_uvc_w * reactor.sleeve_transmittance / reactor.arc_length_cm
    return np.asarray(per_cm / (4.0 * math.pi * radius) * span * (rays @ weights))


def _angle(along_cm: Floats, sleeve_cm: float, water_cm: Floats, index: float) -> Floats:
    """The angle at which a ray leaves the axis to arrive this far along it; bisection, as it only rises."""
    low, high = np.full_like(along_cm, -math.pi / 2), np.full_like(along_cm, math.pi / 2)
    for _ in range(60):
        angle = (low + high) / 2
        bent = np.sin(angle) / index
        reached = sleeve_cm * np.tan(angle) + water_cm * bent / np.sqrt(1.0 - bent**2)
        low, high = np.where(reached < along_cm, angle, low), np.where(reached < along_cm, high, angle)
    return (low + high) / 2


def finite_mean_mw_cm2(reactor: Reactor, absorption: ArrayLike, *, index: float = 1.0) -> Floats:
    """Mean of `finite_fluence_rate_mw_cm2` over the water between sleeve and wall along the arc. [mW/cm2]

    Parameters
    ----------
    reactor : Reactor
    absorption : array_like, shape (n,)
        To base e. [1/cm]
    index : float
        See `finite_fluence_rate_mw_cm2`.
    """
    a = np.asarray(absorption, dtype=float)
    outer, inner, half = reactor.chamber_inner_radius_cm, reactor.sleeve_outer_radius_cm, reactor.arc_length_cm / 2
    x, x_weight = np.polynomial.legendre.leggauss(RINGS)
    radius = (outer + inner) / 2 + (outer - inner) / 2 * x
    # The field falls off within about a radius of the arc's ends: nodes crowd there, and one half stands for both.
    y, y_weight = np.polynomial.legendre.leggauss(SLICES)
    fraction = (y + 1) / 2
    height, stretch = half * (1 - (1 - fraction) ** 2), half * (1 - fraction)
    field = finite_fluence_rate_mw_cm2(reactor, radius[:, None], height, a[..., None, None], index=index)
    ring = x_weight * radius * (outer - inner) / 2
    integral = np.einsum("...rz,r,z->...", field, ring, y_weight * stretch)
    return np.asarray(integral / ((outer**2 - inner**2) / 2 * half))


def finite_mean_to_sensor(reactor: Reactor, absorption: ArrayLike, *, index: float = 1.0) -> Floats:
    """Volume mean over the sensor's place at the middle of the arc, finite lamp; see `optics.mean_to_sensor`."""
    a = np.asarray(absorption, dtype=float)
    at_sensor = finite_fluence_rate_mw_cm2(reactor, sensor_radius_cm(reactor), 0.0, a, index=index)
    return finite_mean_mw_cm2(reactor, a, index=index) / at_sensor


@lru_cache(maxsize=256)  # follows from the profile alone, so keeping it changes no result
def _log_finite_over_radial(reactor: Reactor) -> CubicSpline:
    """Logarithm of the finite lamp's ratio over the radial one, over absorption, bent rays. [1/cm]"""
    from scipy.interpolate import CubicSpline  # takes longer to load than all of numpy

    absorption = FURTHEST_PER_CM * np.linspace(0.0, 1.0, 64) ** 2  # it changes most in clear water
    finite = finite_mean_to_sensor(reactor, absorption, index=WATER_INDEX)
    return CubicSpline(absorption, np.log(finite / mean_to_sensor(reactor, absorption)))


def radial_excess(reactor: Reactor, absorption: Floats) -> Floats:
    """By what share the radial model, tied to the test, promises more dose than the finite lamp, so tied.

    Parameters
    ----------
    reactor : Reactor
    absorption : ndarray
        To base e, at least 0. [1/cm]

    Returns
    -------
    excess : ndarray, same shape
        1 - (finite ratio / finite ratio at the test) / (radial ratio / radial ratio at the test), at least 0;
        0 at the transmittance of a test of one point, NaN for NaN. Of several points that at the test is the mean
        by logarithms, weighted as in the tie (`models.dose.mixing`): the tie holds as much of each one's rays.

    Notes
    -----
    Rays bent at the sleeve, since a lamp stands in its sleeve with air around it. With straight rays the
    excess would be about two to three times as large. By a cubic spline, within 1e-5 of the field itself.
    """
    spline = _log_finite_over_radial(reactor)
    tested = spline(absorption_per_cm([one.uvt_pct for one in reactor.all_tests])) @ shares_in_tie(reactor)
    relative = spline(np.minimum(absorption, FURTHEST_PER_CM)) - tested
    return np.asarray(np.maximum(0.0, -np.expm1(relative)))
