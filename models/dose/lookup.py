"""One kind of reactor for whole columns, geometric model: closed form for the dose, small tables for its bound.

The share of the dose that is certain depends on transmittance alone, or, where lamp and sleeve are taken as
new, on intensity alone; it takes several evaluations of the model and the finite lamp's field. Three tables a
kind replace them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from models.dose import optics
from models.dose.bound import ONE_SIDED_OVER_TWO_SIDED
from models.dose.mixing import HALVINGS, Mixing
from models.dose.optics import Floats
from models.dose.reactor import BLIND_CM, Geometric, Sensor, share_low, uvt_points
from models.fleet import Reactor

Nodes = NDArray[np.intp]

FIRST_UVT_PCT = 20.0
# Nodes every 0.05 points of transmittance and every 1/1024 of the brightest reading: the bound is then within
# 5e-4 of the exact one down to 40 % and to 2 % of the brightest reading (most where two bounds meet in a kink), and
# within 5e-3 below (tests/models/dose/test_lookup.py). Below FIRST_UVT_PCT the exact model is asked.
NODES_A_POINT = 20
INTENSITY_STEPS = 1024


@dataclass(frozen=True, eq=False)
class Curve:
    """A function given at evenly spaced nodes, linear between them, level beyond; NaN for NaN."""

    start: float
    nodes_a_unit: float
    values: Floats
    rises: Floats

    @classmethod
    def through(cls, start: float, nodes_a_unit: float, values: Floats) -> Curve:
        """The curve through these nodes."""
        return cls(start, nodes_a_unit, np.ascontiguousarray(values), np.append(np.diff(values), 0.0))

    def at(self, x: Floats, *, out: Floats, scratch: Floats, node: Nodes) -> Floats:
        """Its value at each x, at least `start`, into `out`; `scratch` and `node` are overwritten."""
        self.place(x, beyond=scratch, node=node)
        return self.between(node, scratch, out=out, scratch=scratch)

    def place(self, x: Floats, *, beyond: Floats, node: Nodes) -> None:
        """The node before each x, and how far beyond it that lies; the same for all curves over the same nodes."""
        np.subtract(x, self.start, out=beyond)
        beyond *= self.nodes_a_unit
        np.copyto(node, beyond, casting="unsafe")  # of NaN: any number, which the clip makes harmless
        beyond -= node

    def between(self, node: Nodes, beyond: Floats, *, out: Floats, scratch: Floats) -> Floats:
        """Its value there, into `out`; `scratch` is overwritten, and may be `beyond`."""
        self.rises.take(node, mode="clip", out=out)
        out *= beyond
        self.values.take(node, mode="clip", out=scratch)
        out += scratch
        return out


@dataclass(frozen=True, eq=False)
class Least:
    """The least dose of several mixings: each promises least over one stretch of x, the most tanks first.

    Dose = `scales` x ln(1 + `stretches` x) of the stretch that x lies in; plug flow, which only the first can be,
    gives `scales` x. So a row costs one logarithm, however many mixings there are; two where there are two.
    """

    turns: Floats  # the x at which each next one begins
    stretches: Floats
    scales: Floats  # [mJ/cm2]
    plug: bool  # whether the first is plug flow

    @classmethod
    def of(cls, reactor: Reactor, mixings: tuple[Mixing, ...], k_over_n: float) -> Least:
        """Of these mixings; x is `k_over_n` times the mean dose."""
        order = sorted(mixings, key=lambda one: -one.tanks)
        own = np.array([reactor.challenge_k_cm2_mj / one.tanks for one in order])  # 0: plug flow
        ties = np.array([one.tie for one in order]) / reactor.validation_factor
        stretches = own / k_over_n
        scales = np.where(own > 0, ties / np.where(own > 0, own, 1.0), ties / k_over_n)
        kept, turns = [0], []
        while kept[-1] < len(order) - 1:
            crossings = [
                _crossing(stretches[[kept[-1], later]], scales[[kept[-1], later]])
                for later in range(kept[-1] + 1, len(order))]
            turns.append(min(crossings))
            kept.append(kept[-1] + 1 + int(np.argmin(crossings)))
        return cls(np.array(turns), stretches[kept], scales[kept], bool(own[0] == 0))

    def dose(self, x: Floats, *, scratch: Floats) -> Floats:
        """The dose in place of x; `scratch` is overwritten. [mJ/cm2]"""
        if not len(self.turns):
            return self._one(x)
        if len(self.turns) == 1 and not self.plug:
            return self._lesser(x, scratch)
        part = (x >= self.turns[0]).view(np.int8)
        for turn in self.turns[1:]:
            part += x >= turn
        if self.plug:
            np.multiply(x, self.scales[0], out=scratch)
        x *= self.stretches.take(part)
        x += 1.0
        np.log(x, out=x)
        x *= self.scales.take(part)
        if self.plug:
            np.copyto(x, scratch, where=part == 0)
        return x

    def _lesser(self, x: Floats, scratch: Floats) -> Floats:
        """Of two mixings, the usual case: two logarithms and the lesser are faster than a choice by row."""
        np.multiply(x, self.stretches[0], out=scratch)
        scratch += 1.0
        np.log(scratch, out=scratch)
        scratch *= self.scales[0]
        return np.minimum(self._one(x, 1), scratch, out=x)

    def _one(self, x: Floats, which: int = 0) -> Floats:
        """The same of one mixing alone."""
        if self.plug:
            x *= self.scales[0]
            return x
        if self.stretches[which] != 1.0:
            x *= self.stretches[which]
        x += 1.0
        np.log(x, out=x)
        x *= self.scales[which]
        return x


def _crossing(stretches: Floats, scales: Floats) -> float:
    """The x from which on the second mixing, of fewer tanks, gives less than the first; by halving its
    logarithm."""
    def second_is_less(x: float) -> bool:
        first, second = (
            scale * (np.log1p(stretch * x) if stretch > 0 else x)
            for stretch, scale in zip(stretches, scales, strict=True))
        return bool(second < first)

    low, high = -20.0, 20.0  # powers of ten: far beyond any dose
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        low, high = (low, middle) if second_is_less(10.0**middle) else (middle, high)
    return float(10.0**high)


@dataclass(frozen=True, eq=False)
class DoseTable:
    """What turns readings of one reactor kind into x = k D / n, and that into a validated dose (`least`)."""

    reactor: Reactor
    per_intensity: float  # x Q / S in transparent water [L/min per W/m2]
    width_cm: float
    reach_cm: float  # water between sleeve and sensor
    brightest_w_m2: float
    certain_live: Curve  # over transmittance: share of that which is certain, with a live sensor of it
    certain_tested: Curve  # and with a water test
    kept_live: Curve  # over transmittance: share of x that the model can promise, with a live sensor
    kept_tested: Curve  # and with a water test
    certain_as_new: Curve  # over intensity: the first, lamp and sleeve as new
    kept_as_new: Curve  # and the last
    worst_absorption: float  # absorption at which one reading means the least dose
    at_worst: float  # x Q / S there
    certain_at_worst: float
    kept_at_worst: float
    least: Least  # of the mixings that the test does not rule out
    test_drop: float  # what the test does not know of its own dose, one-sided 95 %, a share
    tested_points: float  # half-width of the water test's band

    @property
    def sees_far(self) -> bool:
        """Whether cloudier water at the same reading always means more dose: sensor at least half-way out."""
        return self.worst_absorption == 0.0

    @property
    def blind(self) -> bool:
        """Whether the sensor sees no water at all."""
        return self.reach_cm < BLIND_CM

    def per_reading(self, absorption: Floats, *, out: Floats, weakened: Floats, scratch: Floats) -> Floats:
        """x Q / S at each absorption, into `out`; the water's weakening of the sensor's light into `weakened`."""
        if self.reach_cm == self.width_cm:  # sensor at the wall: (exp(a w) - 1) / (a w), one exponential less
            np.multiply(absorption, self.width_cm, out=scratch)
            np.expm1(scratch, out=weakened)
            np.divide(weakened, scratch, out=out)
            _transparent(scratch, out)
            out *= self.per_intensity
            weakened += 1.0
            return out
        self.mean_decay(absorption, out=out, scratch=scratch)
        np.multiply(absorption, self.reach_cm, out=weakened)
        np.exp(weakened, out=weakened)
        out *= weakened
        out *= self.per_intensity
        return out

    def mean_decay(self, absorption: Floats, *, out: Floats, scratch: Floats) -> Floats:
        """Volume-mean over its transparent limit, (1 - exp(-a w)) / (a w), into `out`."""
        np.multiply(absorption, -self.width_cm, out=scratch)
        np.expm1(scratch, out=out)
        out /= scratch
        _transparent(scratch, out)
        return out

    def shares(
        self, uvt_pct: Floats, *, live: bool, certain: Floats, kept: Floats, scratch: tuple[Floats, Floats],
        node: Nodes
    ) -> None:
        """Shares of x that are certain to 95 %, and that the model can promise in this water, into both."""
        curves = (self.certain_live, self.kept_live) if live else (self.certain_tested, self.kept_tested)
        beyond, spare = scratch
        curves[0].place(uvt_pct, beyond=beyond, node=node)
        for curve, out in zip(curves, (certain, kept), strict=True):
            curve.between(node, beyond, out=out, scratch=spare)
        rare = uvt_pct < FIRST_UVT_PCT
        if rare.any():
            kept[rare], certain[rare] = _shares(self.reactor, uvt_pct[rare], self.points(live=live))

    def points(self, *, live: bool) -> float:
        """Half-width of the transmittance's band. [points]"""
        return uvt_points(self.reactor, live=live, tested=self.tested_points)

    def to_dose(self, x: Floats, *, scratch: Floats) -> Floats:
        """Validated dose in place of x; `scratch` is overwritten. [mJ/cm2]"""
        return self.least.dose(x, scratch=scratch)

    def lower(self, dose: Floats, low: Floats, *, scratch: Floats) -> Floats:
        """`models.dose.reactor.lowered`, in place of `low`; `scratch` is overwritten."""
        np.subtract(dose, low, out=low)
        low *= low
        np.multiply(dose, self.test_drop, out=scratch)
        scratch *= scratch
        low += scratch
        np.sqrt(low, out=low)
        np.subtract(dose, low, out=low)
        return np.maximum(low, 0.0, out=low)


def _transparent(depth: Floats, mean: Floats) -> None:
    """Give a mean over no depth its limit, where 0 / 0 left NaN; one cheap pass where there's none."""
    if np.isnan(mean.max()):
        mean[depth == 0] = 1.0


def _shares(reactor: Reactor, uvt_pct: Floats, points: float) -> tuple[Floats, Floats]:
    """The exact shares of x that are promised, and of that certain."""
    return share_low(
        Geometric(reactor), np.ones_like(uvt_pct), optics.absorption_per_cm(uvt_pct), uvt_points=points)


@lru_cache(maxsize=256)  # a table follows from the profile and the band alone, so keeping it changes no result
def dose_table(reactor: Reactor, tested_points: float | None = None) -> DoseTable:
    """The table of a reactor kind, geometric model.

    Parameters
    ----------
    reactor : Reactor
    tested_points : float, optional
        Half-width of the water test's band; by default that of a fresh one. [points]
    """
    model, sensor = Geometric(reactor), Sensor(reactor)
    points = uvt_points(reactor, live=False, tested=tested_points)
    waters = np.linspace(FIRST_UVT_PCT, 100.0, round((100 - FIRST_UVT_PCT) * NODES_A_POINT) + 1)
    kept_live, live = _shares(reactor, waters, uvt_points(reactor, live=True))
    kept_tested, tested = _shares(reactor, waters, points)
    readings = np.linspace(0.0, sensor.brightest_w_m2, INTENSITY_STEPS + 1)
    readings[0] = readings[1] / 1e3  # at 0 no water is dark enough; the share is nearly level there
    as_new = share_low(model, readings, sensor.absorption_if_new(readings), follows_new=True)
    # x is of the fewest tanks, which are never plug flow
    k_over_n = reactor.challenge_k_cm2_mj / min(one.tanks for one in model.mixings)
    worst, one = model.worst_absorption, np.array(1.0)
    known = worst < np.inf
    at_worst = (
        share_low(model, np.array(sensor.brightest_w_m2 / 2), np.array(worst), follows_new=True) if known
        else (np.array(np.nan), np.array(np.nan)))

    def over_water(values: Floats) -> Curve:
        return Curve.through(FIRST_UVT_PCT, NODES_A_POINT, values)

    def over_readings(values: Floats) -> Curve:
        return Curve.through(0.0, INTENSITY_STEPS / sensor.brightest_w_m2, values)

    return DoseTable(
        reactor=reactor,
        per_intensity=k_over_n * float(model.product(one, np.array(0.0), one)),
        width_cm=reactor.chamber_inner_radius_cm - reactor.sleeve_outer_radius_cm,
        reach_cm=sensor.reach_cm,
        brightest_w_m2=sensor.brightest_w_m2,
        certain_live=over_water(live), certain_tested=over_water(tested),
        kept_live=over_water(kept_live), kept_tested=over_water(kept_tested),
        certain_as_new=over_readings(as_new[1]), kept_as_new=over_readings(as_new[0]),
        worst_absorption=worst,
        at_worst=k_over_n * float(model.product(one, np.array(worst), one)) if known else np.nan,
        certain_at_worst=float(at_worst[1]), kept_at_worst=float(at_worst[0]),
        least=Least.of(reactor, model.mixings, k_over_n),
        test_drop=ONE_SIDED_OVER_TWO_SIDED * model.test_error,
        tested_points=points,
    )
