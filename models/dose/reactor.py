"""From one reading to a dose, step by step and exact: the geometric model, a test report's equation, the bound.

The readable form of what `models.dose.lookup` does fast; the tests hold the two together.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models.dose import hydraulics, optics
from models.dose.bound import ONE_SIDED_OVER_TWO_SIDED, lower_share
from models.dose.finite_lamp import radial_excess
from models.dose.mixing import HALVINGS, Mixing, fit
from models.dose.optics import MW_CM2_PER_W_M2, Floats
from models.fleet import CalculatedDose, Reactor

W_M2_PER_MW_CM2 = 1.0 / MW_CM2_PER_W_M2
LEAST_UVT_PCT = 1e-3  # a bound's transmittance stops here: the logarithm of 0 doesn't exist
# A sensor nearer to the sleeve than this sees no water, so no reading of it can be blamed on the water.
BLIND_CM = 1e-6
ROUNDING = 1e-12  # a loss below this is no loss
# A point of transmittance below the test costs so much of the dose, where `uvt_min_pct` lets it count; ours, no
# source
BELOW_TEST_A_POINT = 0.015
# Outside of the tested flow or transmittance the model's bound is promised only less this share, and less
# `BELOW_TEST_A_POINT` for each point below the least transmittance tested; common practice, no source
BEYOND_TEST_SHARE = 0.2


class Explanation(StrEnum):
    """What a reading was taken to mean."""

    NONE = "none"  # nothing to explain: no dose, or none known
    MEASURED = "measured"  # transmittance was measured at the same time, so the reading leaves no choice
    WEAK_LAMP = "weak-lamp"  # water as last tested, so the lamp gives less than a new one
    DIRTY_SLEEVE = "dirty-sleeve"  # the same dose as weak-lamp: the sensor looks through the same sleeve
    CLOUDY_WATER = "cloudy-water"  # lamp as good as it can be, so the water lets less through than last tested
    CLEAR_WATER = "clear-water"  # brighter than a new lamp in water as tested: clearer water, or a sensor too high


def flow_max_l_min(reactor: Reactor) -> float:
    """The most flow that the test covers, in the clearest of its waters. [L/min]"""
    if reactor.flow_max_l_min is not None:
        return reactor.flow_max_l_min
    return max(one.flow_l_min for one in reactor.all_tests)


def flow_tested_l_min(reactor: Reactor, uvt_pct: ArrayLike) -> Floats:
    """The most flow that the test covers in such water: that of its points in no clearer water. [%] -> [L/min]

    Where the profile states a most flow, that; in unknown water, and in cloudier than any tested, what the test
    covers at all.
    """
    uvt, most = np.asarray(uvt_pct, float), flow_max_l_min(reactor)
    if reactor.flow_max_l_min is not None or not reactor.tests:
        return np.full(uvt.shape, most)
    points = sorted((one.uvt_pct, one.flow_l_min) for one in reactor.all_tests)
    steps = np.maximum.accumulate([flow for _, flow in points])
    step = np.searchsorted([water for water, _ in points], np.nan_to_num(uvt, nan=100.0), side="right") - 1
    return np.where(step >= 0, steps[np.maximum(step, 0)], most)


def uvt_min_pct(reactor: Reactor) -> float:
    """The least transmittance that the test covers. [%]"""
    return cloudiest_test_pct(reactor) if reactor.uvt_min_pct is None else reactor.uvt_min_pct


def cloudiest_test_pct(reactor: Reactor) -> float:
    """The least transmittance at which the reactor was tested. [%]"""
    return min(one.uvt_pct for one in reactor.all_tests)


def untested_share(uvt_pct: Floats, cloudiest_pct: float) -> Floats:
    """The share of a dose that is not promised in water cloudier than any tested. [%]"""
    below = np.maximum(cloudiest_pct - np.asarray(uvt_pct), 0.0)
    return np.asarray(np.minimum(BELOW_TEST_A_POINT * below, 1.0))


def is_outside(reactor: Reactor, *, uvt_pct: ArrayLike, flow_l_min: ArrayLike) -> NDArray[np.bool_]:
    """Whether the test says nothing of such water, or of such a flow; not where they are not known."""
    cloudier = np.asarray(uvt_pct, float) < uvt_min_pct(reactor)
    return np.asarray(cloudier | (np.asarray(flow_l_min, float) > flow_tested_l_min(reactor, uvt_pct)))


def beyond_test(reactor: Reactor, *, uvt_pct: ArrayLike, flow_l_min: ArrayLike) -> Floats:
    """The share of the model's bound that is not promised where the test says nothing, by water or by flow.

    Parameters
    ----------
    uvt_pct : array_like
        Transmittance over 1 cm, as measured or last tested. [%]
    flow_l_min : array_like
        [L/min]

    Returns
    -------
    share : ndarray
        0 within the tested range, and where nothing is known.

    Notes
    -----
    The model reckons on as physics has it; nobody tested whether this chamber follows. So the bound says how short
    water may be, never that it is enough: no credit rests on it.
    """
    uvt = np.asarray(uvt_pct, float)
    outside = is_outside(reactor, uvt_pct=uvt, flow_l_min=flow_l_min)
    # the geometric model's own loss below its test counts there already (`Geometric.untested`)
    points = 0.0 if reactor.equation is None else np.fmax(uvt_min_pct(reactor) - uvt, 0.0)
    more = np.minimum(BELOW_TEST_A_POINT * np.asarray(points), 1.0)
    return np.where(outside, 1.0 - (1.0 - BEYOND_TEST_SHARE) * (1.0 - more), 0.0)


def uvt_points(reactor: Reactor, *, live: bool, tested: float | None = None) -> float:
    """How far a transmittance may be off: a live sensor's, or that of the latest water test. [points]

    Parameters
    ----------
    tested : float, optional
        What the test leaves open at its age (`models.dose.water_band.band_points`); by default as a fresh one.
    """
    if live:
        return reactor.uvt_uncertainty_points
    return reactor.uvt_test_uncertainty_points if tested is None else tested


@dataclass(frozen=True)
class Sensor:
    """What the sensor would read on a new lamp, and what a reading says of the water."""

    reactor: Reactor

    @cached_property
    def reach_cm(self) -> float:
        """Water between sleeve and sensor. [cm]"""
        return optics.sensor_radius_cm(self.reactor) - self.reactor.sleeve_outer_radius_cm

    @cached_property
    def brightest_w_m2(self) -> float:
        """Reading of a new lamp in a clean sleeve through water that absorbs nothing. [W/m2]

        By the report's own S0 where its equation has one. Else from lamp output and geometry, but never less than
        what the test reached: what the lamp gave in the test, a new lamp gives at least.
        """
        def in_clear_water(uvt_pct: float, intensity_w_m2: float) -> float:
            return intensity_w_m2 * math.exp(float(optics.absorption_per_cm(uvt_pct)) * self.reach_cm)

        if self.reactor.equation is not None and self.reactor.equation.s0_w_m2 is not None:
            return in_clear_water(self.reactor.test_uvt_pct, self.reactor.equation.s0_w_m2)
        new = float(optics.fluence_rate_mw_cm2(self.reactor, optics.sensor_radius_cm(self.reactor), 0.0))
        return max(new * W_M2_PER_MW_CM2, *(
            in_clear_water(one.uvt_pct, one.intensity_w_m2) for one in self.reactor.all_tests))

    def new_lamp_w_m2(self, absorption: Floats) -> Floats:
        """Reading of a new lamp in a clean sleeve through this water. [1/cm] -> [W/m2]"""
        return np.asarray(self.brightest_w_m2 * np.exp(-absorption * self.reach_cm))

    def absorption_if_new(self, intensity_w_m2: Floats) -> Floats:
        """The water's absorption if lamp and sleeve were as new; NaN for a sensor that sees no water. [1/cm]"""
        if self.reach_cm < BLIND_CM:
            return np.full_like(intensity_w_m2, np.nan)
        with np.errstate(divide="ignore"):
            share = np.minimum(intensity_w_m2 / self.brightest_w_m2, 1.0)
            return np.asarray(-np.log(share) / self.reach_cm + 0.0)


@dataclass(frozen=True)
class Geometric:
    """D = S x ratio(UVT) x V / Q; RED = C (n/k) ln(1 + k D / n), such that the test's points give their own RED.

    Of the tanks that the test does not rule out the smallest dose counts (`models.dose.mixing`).
    """

    reactor: Reactor

    @cached_property
    def test_product(self) -> float:
        """The mean dose D at the test point. [mJ/cm2]"""
        r = self.reactor
        return float(self.product(
            np.array(r.test_intensity_w_m2), optics.absorption_per_cm(r.test_uvt_pct), np.array(r.test_flow_l_min)))

    @property
    def tie(self) -> float:
        """C: test report's RED over the model's, with the stated tanks, or with those that fit best. [-]"""
        return self.mixings[0].tie

    @property
    def mixings(self) -> tuple[Mixing, ...]:
        """Tanks with their ties."""
        return fit(self.reactor).mixings

    @property
    def test_error(self) -> float:
        """What the test does not know of its dose: 95 %, two-sided, a share."""
        return fit(self.reactor).error

    def product(self, intensity_w_m2: Floats, absorption: Floats, flow_l_min: Floats) -> Floats:
        """Mean dose D: volume-mean fluence rate times mean residence time. [mJ/cm2]"""
        rate = MW_CM2_PER_W_M2 * intensity_w_m2 * optics.mean_to_sensor(self.reactor, absorption)
        return np.asarray(rate * hydraulics.residence_s(optics.volume_cm3(self.reactor), flow_l_min))

    def validated(self, product: Floats) -> Floats:
        """RED over the validation factor, from the mean dose. [mJ/cm2]"""
        r = self.reactor
        return np.asarray(np.minimum.reduce([
            one.tie * hydraulics.equivalent_dose(product, k_cm2_mj=r.challenge_k_cm2_mj, tanks=one.tanks)
            for one in self.mixings]) / r.validation_factor)

    def product_needed(self, validated_mj_cm2: float) -> float:
        """The mean dose that a validated dose needs. [mJ/cm2]"""
        r = self.reactor
        return max(
            float(hydraulics.mean_dose(
                validated_mj_cm2 * r.validation_factor / one.tie, k_cm2_mj=r.challenge_k_cm2_mj, tanks=one.tanks))
            for one in self.mixings)

    def excess(self, absorption: Floats) -> Floats:
        """The share that is not promised: rays along the radius, away from the test's water, and ends unseen."""
        return 1.0 - (1.0 - radial_excess(self.reactor, absorption)) * _even(self.reactor)

    def untested(self, absorption: Floats) -> Floats:
        """The share that is not promised in water cloudier than the test's, where `uvt_min_pct` lets it count.

        Light and flow interact, and cloudy water far from the lamp hardly gets any: one test does not tell how
        much.
        """
        return untested_share(100.0 * np.exp(-absorption), cloudiest_test_pct(self.reactor))

    @property
    def flow_exponent(self) -> float:
        """The product goes with Q to the minus this."""
        return 1.0

    @cached_property
    def worst_absorption(self) -> float:
        """Absorption at which one reading means the least dose: bottom of `mean_to_sensor`. [1/cm]"""
        width = self.reactor.chamber_inner_radius_cm - self.reactor.sleeve_outer_radius_cm
        reach = Sensor(self.reactor).reach_cm
        if reach >= width / 2:
            return 0.0
        if reach < BLIND_CM:
            return math.inf

        # The slope of ln(mean_to_sensor) rises from reach - width / 2, below 0 here, to reach: halving cannot fail.
        low, high = 0.0, 2.0 / reach
        for _ in range(HALVINGS):
            middle = (low + high) / 2
            low, high = (middle, high) if reach < width * _seen_depth(middle * width) else (low, middle)
        return (low + high) / 2


def _even(reactor: Reactor) -> float:
    """Of the light that a sensor in the middle speaks for, the share that ends gone dark unseen may leave."""
    return 1.0 - reactor.unseen_end_loss_pct / 100.0


def _seen_depth(depth: float) -> float:
    """1/x - 1/(e^x - 1): how far into a layer of this optical depth its mean light lies. [share of its width]"""
    if depth < 1e-3:  # else the difference of two large numbers
        return 0.5 - depth / 12.0
    return 1.0 / depth - (1.0 / math.expm1(depth) if depth < 700 else 0.0)


@dataclass(frozen=True)
class Validated:
    """RED = 10^a x A254^b x (S/S0)^c x (1/Q)^d, the coefficients from a test report; see `CalculatedDose`."""

    reactor: Reactor
    equation: CalculatedDose

    @property
    def test_error(self) -> float:
        """What the test does not know of its dose: 95 %, two-sided, a share."""
        return self.reactor.test_error

    @cached_property
    def clearest_per_cm(self) -> float:
        """Absorption of the clearest water tested, to base e. [1/cm]"""
        r = self.reactor
        return float(optics.absorption_per_cm(r.test_uvt_pct if r.uvt_max_pct is None else r.uvt_max_pct))

    def product(self, intensity_w_m2: Floats, absorption: Floats, flow_l_min: Floats) -> Floats:
        """The equation's RED; a lamp brighter than new and water clearer than tested earn nothing. [mJ/cm2]"""
        e = self.equation
        share = np.minimum(intensity_w_m2 / Sensor(self.reactor).new_lamp_w_m2(absorption), 1.0)
        a254 = np.maximum(absorption, self.clearest_per_cm) / math.log(10.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(10.0**e.a * a254**e.b * share**e.c * flow_l_min**-e.d)

    def validated(self, product: Floats) -> Floats:
        """RED over the validation factor. [mJ/cm2]"""
        return np.asarray(product / self.reactor.validation_factor)

    def product_needed(self, validated_mj_cm2: float) -> float:
        """The RED that a validated dose needs. [mJ/cm2]"""
        return validated_mj_cm2 * self.reactor.validation_factor

    def excess(self, absorption: Floats) -> Floats:
        """Of rays none, since the equation was fitted to tests over its range; what ends lost unseen."""
        return np.full_like(absorption, 1.0 - _even(self.reactor))

    def untested(self, absorption: Floats) -> Floats:
        """None, for the same reason."""
        return np.zeros_like(absorption)

    @property
    def flow_exponent(self) -> float:
        """The product goes with Q to the minus this."""
        return self.equation.d

    @cached_property
    def worst_absorption(self) -> float:
        """Absorption at which one reading means the least dose. [1/cm]"""
        steep = self.equation.c * Sensor(self.reactor).reach_cm
        return -self.equation.b / steep if steep > 0 else math.inf


Model = Geometric | Validated


def model_of(reactor: Reactor) -> Model:
    """The report's equation where the profile has one, else the geometric model."""
    return Geometric(reactor) if reactor.equation is None else Validated(reactor, reactor.equation)


@dataclass(frozen=True, slots=True, kw_only=True)
class Explained:
    """The dose under one explanation of a reading; NaN where this explanation can't be."""

    explanation: Explanation
    uvt_pct: Floats
    output: Floats  # lamp and sleeve, relative to new
    dose_mj_cm2: Floats  # validated dose
    dose_low_mj_cm2: Floats
    drops: Drops


def explained(
    reactor: Reactor, intensity_w_m2: Floats, flow_l_min: Floats, uvt_pct: Floats, *, uvt_points: float,
    water_may_differ: bool,
) -> list[Explained]:
    """The dose of a reading under each explanation of it, with its 95 % lower bound.

    Parameters
    ----------
    reactor : Reactor
    intensity_w_m2, flow_l_min, uvt_pct : ndarray
        Known, positive flow; they broadcast. [W/m2], [L/min], [%]
    uvt_points : float
        95 % half-width of the transmittance. [points]
    water_may_differ : bool
        Whether the water may have changed since its transmittance was found; False gives one explanation.

    Returns
    -------
    list of Explained
        Weak lamp (or "measured") first. The dose to act on is the least of them.
    """
    model, sensor = model_of(reactor), Sensor(reactor)
    intensity = np.minimum(intensity_w_m2, sensor.brightest_w_m2)  # what no lamp gives earns no dose
    known = optics.absorption_per_cm(uvt_pct)
    first = Explanation.WEAK_LAMP if water_may_differ else Explanation.MEASURED
    found = [_under(model, first, intensity, known, flow_l_min, uvt_points=uvt_points)]
    if not water_may_differ:
        return found
    found.append(_under(model, Explanation.DIRTY_SLEEVE, intensity, known, flow_l_min, uvt_points=uvt_points))
    if_new = sensor.absorption_if_new(intensity)
    for name, side in (
        (Explanation.CLOUDY_WATER, if_new > known), (Explanation.CLEAR_WATER, if_new < known)
    ):
        # Between "all lamp" and "all water" lies every mixture of the two, and the least dose may be there.
        worst = np.clip(model.worst_absorption, np.minimum(known, if_new), np.maximum(known, if_new))
        mixed = side & (worst != known) & (worst != if_new)
        for here, absorption in ((side, if_new), (mixed, worst)):
            if not here.any():
                continue
            water = np.where(here, absorption, np.nan)
            found.append(_under(model, name, intensity, water, flow_l_min, follows_new=True))
    return found


def _under(
    model: Model, name: Explanation, intensity: Floats, absorption: Floats, flow: Floats, *,
    uvt_points: float = 0.0, follows_new: bool = False,
) -> Explained:
    """The dose if the water absorbs this much."""
    sensor = Sensor(model.reactor)
    value = model.product(intensity, absorption, flow)
    uvt = 100.0 * np.exp(-absorption)
    each = drops(model, intensity, absorption, uvt_points=uvt_points, follows_new=follows_new)
    certain = np.where(np.isnan(absorption), np.nan, each.certain)
    dose, promised = model.validated(value), value * (1.0 - each.excess)
    low = lowered(model.validated(promised), model.validated(promised * certain), model.test_error)
    low = low * (1.0 - each.untested)
    return Explained(
        explanation=name, uvt_pct=np.asarray(uvt), output=intensity / sensor.new_lamp_w_m2(absorption),
        dose_mj_cm2=dose, dose_low_mj_cm2=low, drops=each,
    )


def lowered(dose_mj_cm2: Floats, low_mj_cm2: Floats, test_error: float) -> Floats:
    """The bound of readings, lowered by what the reactor's own test does not know of its dose. [mJ/cm2]

    Parameters
    ----------
    dose_mj_cm2, low_mj_cm2 : ndarray
        Best estimate, and its bound by sensor, flow and transmittance alone.
    test_error : float
        95 % two-sided, a share of the dose.

    Notes
    -----
    Both distances are of independent errors, so their squares add (JCGM 100:2008, 5.1.2, from memory).
    """
    apart = np.hypot(dose_mj_cm2 - low_mj_cm2, ONE_SIDED_OVER_TWO_SIDED * test_error * dose_mj_cm2)
    return np.asarray(np.maximum(dose_mj_cm2 - apart, 0.0))


class Drops(NamedTuple):
    """By which share the product falls if one quantity alone is wrong by its 95 % half-width."""

    sensor: Floats
    flow: Floats
    uvt: Floats
    drift: Floats  # by what the water may have become since its test, on top of that; no chance about it
    excess: Floats  # what the model itself may promise too much; nor about this
    untested: Floats  # the share of the dose, not of the product, that is not promised below the test's water

    @property
    def certain(self) -> Floats:
        """The share of the product that is certain to 95 %, without `excess`."""
        return np.asarray(lower_share(self.sensor, self.flow, self.uvt) * (1.0 - self.drift))


def drops(
    model: Model, intensity: Floats, absorption: Floats, *, uvt_points: float = 0.0, follows_new: bool = False
) -> Drops:
    """Each quantity's own drop, by finite differences in the direction that hurts.

    With `follows_new` the absorption was read off the intensity (lamp as new), so an error of the sensor also
    moves the water.
    """
    reactor, sensor, one = model.reactor, Sensor(model.reactor), np.array(1.0)
    value = model.product(intensity, absorption, one)
    dimmer = intensity * (1.0 - reactor.sensor_uncertainty_pct / 100.0)
    by_sensor = model.product(dimmer, absorption, one)
    if follows_new:
        moved = sensor.absorption_if_new(dimmer) - sensor.absorption_if_new(intensity)
        by_sensor = np.fmin(by_sensor, model.product(dimmer, absorption + moved, one))
    fresh = min(uvt_points, max(reactor.uvt_uncertainty_points, reactor.uvt_test_uncertainty_points))
    by_water, clearest = _least_over_band(model, intensity, absorption, fresh)
    if uvt_points > fresh:  # what the water may have become since its test is no chance: its worst counts whole
        by_drift, clearest = _least_over_band(model, intensity, absorption, uvt_points)
    else:
        by_drift = by_water
    with np.errstate(divide="ignore", invalid="ignore"):
        losses = [
            np.where(of > 0, 1.0 - part / of, 0.0)
            for part, of in ((by_sensor, value), (by_water, value), (by_drift, by_water))]
    by_sensor, by_water, by_drift = (np.where(loss < ROUNDING, 0.0, loss) for loss in losses)
    return Drops(
        sensor=by_sensor,
        # 1/Q falls short by the flow's share: a meter that reads low.
        flow=np.asarray(1.0 - (1.0 - reactor.flow_uncertainty_pct / 100.0) ** model.flow_exponent),
        uvt=by_water,
        drift=by_drift,
        excess=np.maximum(model.excess(absorption), model.excess(clearest)),  # rays slant more in clearer water
        # water that a reading is only blamed on is no water that somebody lets the unit run in
        untested=np.zeros_like(absorption) if follows_new else model.untested(absorption),
    )


def _least_over_band(
    model: Model, intensity: Floats, absorption: Floats, points: float
) -> tuple[Floats, Floats]:
    """The least product of a reading over a band of water, at unit flow, and the absorption of its clearest."""
    one, uvt = np.array(1.0), 100.0 * np.exp(-absorption)
    cloudiest, clearest = (
        optics.absorption_per_cm(np.clip(uvt + off, LEAST_UVT_PCT, 100.0)) for off in (-points, points))
    # a reading's dose over the water has one valley: its least is at an end of the band or at the bottom
    bottom = np.clip(model.worst_absorption, clearest, cloudiest)
    found = [model.product(intensity, water, one) for water in (absorption, cloudiest, clearest, bottom)]
    return np.asarray(np.minimum.reduce(found)), clearest


def share_low(
    model: Model, intensity: Floats, absorption: Floats, *, uvt_points: float = 0.0, follows_new: bool = False
) -> tuple[Floats, Floats]:
    """Of `product` the share that the model can promise, and of that the share that is certain to 95 %.

    Both NaN where the absorption is.
    """
    found = drops(model, intensity, absorption, uvt_points=uvt_points, follows_new=follows_new)
    unknown = np.isnan(absorption)
    return (
        np.where(unknown, np.nan, 1.0 - found.excess), np.where(unknown, np.nan, found.certain))
