"""The geometric dose of one kind of reactor as small tables over transmittance and intensity, for whole columns.

Everything in the dose but intensity, flow and one logarithm depends on transmittance alone, or, where lamp and
sleeve are taken as new, on intensity alone. So two tables a kind replace the exponentials of every row.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from models import optics
from models.dose_model import Explanation, Geometric, Sensor, share_low
from models.fleet import Reactor
from models.optics import Floats

FIRST_UVT_PCT = 20.0
# 0.02 points and 1/4096 of the brightest reading: linear interpolation between such nodes is within 1e-6 of the
# exact dose for 40 to 100 % and for readings above 5 % of the brightest, 1e-4 down to 1 % of it
# (tests/models/test_dose_table.py). Below the first node the exact model is asked.
UVT_STEPS_A_POINT = 50
INTENSITY_STEPS = 4096

EXPLANATIONS: tuple[Explanation, ...] = (
    Explanation.NONE, Explanation.MEASURED, Explanation.WEAK_LAMP, Explanation.DIRTY_SLEEVE,
    Explanation.CLOUDY_WATER, Explanation.CLEAR_WATER,
)
MEASURED, WEAK_LAMP, CLOUDY_WATER, CLEAR_WATER = (
    EXPLANATIONS.index(one) for one in (
        Explanation.MEASURED, Explanation.WEAK_LAMP, Explanation.CLOUDY_WATER, Explanation.CLEAR_WATER,
    )
)


@dataclass(frozen=True, eq=False)
class Curve:
    """A function given at evenly spaced nodes, linear between them; NaN for NaN."""

    start: float
    per_unit: float
    values: Floats
    rises: Floats

    @classmethod
    def through(cls, start: float, per_unit: float, values: Floats) -> Curve:
        """The curve through these nodes; past the last it stays level."""
        return cls(start, per_unit, np.ascontiguousarray(values), np.append(np.diff(values), 0.0))


def place(curve: Curve, x: Floats) -> tuple[NDArray[np.intp], Floats]:
    """Node below each x, and how far x lies beyond it in steps; shared by curves over the same nodes."""
    position = x - curve.start
    position *= curve.per_unit
    node = position.astype(np.intp)
    np.clip(node, 0, len(curve.values) - 1, out=node)
    position -= node
    return node, position


def read(curve: Curve, node: NDArray[np.intp], beyond: Floats) -> Floats:
    """Values of a curve at places found by `place`."""
    rise = curve.rises.take(node)
    rise *= beyond
    rise += curve.values.take(node)
    return rise


@dataclass(frozen=True, eq=False)
class DoseTable:
    """k D / n of one reactor kind, times the flow, as curves; validated dose = `scale` x ln(1 + k D / n)."""

    reactor: Reactor
    scale: float
    brightest_w_m2: float
    per_intensity: Curve  # over transmittance: k D Q / (n S), the water as known
    low_live: Curve  # its lower bound with a live transmittance sensor
    low_tested: Curve  # and with a water test
    if_new: Curve  # over intensity: k D Q / n, lamp and sleeve as new
    if_new_low: Curve
    mixture: float  # k D Q / (n S) at the worst mixture of lamp and water; inf if an end is always worse
    mixture_low: float
    mixture_uvt_pct: float
    mixture_intensity_w_m2: float

    def new_lamp_w_m2(self, uvt_pct: Floats) -> Floats:
        """Reading of a new lamp in a clean sleeve through this water. [W/m2]"""
        return Sensor(self.reactor).new_lamp_w_m2(optics.absorption_per_cm(uvt_pct))

    def at_water(self, uvt_pct: Floats) -> tuple[Floats, Floats, Floats]:
        """`per_intensity`, `low_live`, `low_tested` at each transmittance."""
        node, beyond = place(self.per_intensity, uvt_pct)
        curves = (self.per_intensity, self.low_live, self.low_tested)
        found = tuple(read(curve, node, beyond) for curve in curves)
        rare = uvt_pct < FIRST_UVT_PCT
        if rare.any():
            for column, exact in zip(found, _at_water(self.reactor, uvt_pct[rare]), strict=True):
                column[rare] = exact
        return found  # type: ignore[return-value]


def _per_flow(model: Geometric, intensity: Floats, absorption: Floats) -> Floats:
    """k D Q / n. [L/min]"""
    per_dose = model.reactor.challenge_k_cm2_mj / model.reactor.mixing_tanks
    return per_dose * model.product(intensity, absorption, np.array(1.0))


def _at_water(reactor: Reactor, uvt_pct: Floats) -> tuple[Floats, Floats, Floats]:
    """The three functions of transmittance, exact."""
    model, one = Geometric(reactor), np.ones_like(uvt_pct)
    absorption = optics.absorption_per_cm(uvt_pct)
    value = _per_flow(model, one, absorption)
    live, tested = (
        value * share_low(model, one, absorption, uvt_points=points)
        for points in (reactor.uvt_uncertainty_points, reactor.uvt_test_uncertainty_points)
    )
    return value, live, tested


@lru_cache(maxsize=256)  # a table follows from the profile alone, so keeping it changes no result
def dose_table(reactor: Reactor) -> DoseTable:
    """The tables of a reactor kind that has no equation of its own."""
    model, sensor = Geometric(reactor), Sensor(reactor)
    nodes = np.linspace(FIRST_UVT_PCT, 100.0, int((100 - FIRST_UVT_PCT) * UVT_STEPS_A_POINT) + 1)
    water = [Curve.through(FIRST_UVT_PCT, UVT_STEPS_A_POINT, column) for column in _at_water(reactor, nodes)]

    readings = np.linspace(0.0, sensor.brightest_w_m2, INTENSITY_STEPS + 1)
    per_w_m2 = INTENSITY_STEPS / sensor.brightest_w_m2
    absorption = sensor.absorption_if_new(readings[1:])
    as_new = np.full((2, len(readings)), np.inf)  # a blind sensor: never the worst explanation
    if not np.isnan(absorption).any():
        value = _per_flow(model, readings[1:], absorption)
        low = value * share_low(model, readings[1:], absorption, follows_new=True)
        as_new = np.array([np.append(0.0, value), np.append(0.0, low)])

    worst = model.worst_absorption
    mixture, mixture_low = np.inf, np.inf
    if 0 < worst < np.inf:
        one, at = np.array(1.0), np.array(worst)
        mixture = float(_per_flow(model, one, at))
        mixture_low = mixture * float(share_low(model, one, at))
    table = DoseTable(
        reactor=reactor, scale=1.0, brightest_w_m2=sensor.brightest_w_m2,
        per_intensity=water[0], low_live=water[1], low_tested=water[2],
        if_new=Curve.through(0.0, per_w_m2, as_new[0]), if_new_low=Curve.through(0.0, per_w_m2, as_new[1]),
        mixture=mixture, mixture_low=mixture_low, mixture_uvt_pct=100.0 * float(np.exp(-worst)),
        mixture_intensity_w_m2=float(sensor.new_lamp_w_m2(np.array(worst))) if worst < np.inf else 0.0,
    )
    # Tied by its own arithmetic, so that the test point's result is the report's to the last digits and the
    # interpolation's error doesn't show there.
    found = table.at_water(np.array([reactor.test_uvt_pct]))[0][0]
    at_test = np.log1p(reactor.test_intensity_w_m2 * found / reactor.test_flow_l_min)
    tie = reactor.test_red_mj_cm2 / float(at_test) / reactor.validation_factor
    return replace(table, scale=tie)

