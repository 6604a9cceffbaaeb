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

from models.dose import hydraulics, optics
from models.dose.bound import lower_share
from models.dose.finite_lamp import radial_excess
from models.dose.optics import MW_CM2_PER_W_M2, Floats
from models.fleet import CalculatedDose, Reactor

W_M2_PER_MW_CM2 = 1.0 / MW_CM2_PER_W_M2
LEAST_UVT_PCT = 1e-3  # a bound's transmittance stops here: the logarithm of 0 doesn't exist
# A sensor nearer to the sleeve than this sees no water, so no reading of it can be blamed on the water.
BLIND_CM = 1e-6
ROUNDING = 1e-12  # a loss below this is no loss
HALVINGS = 80  # of an interval: to the last digit of a double


class Explanation(StrEnum):
    """What a reading was taken to mean."""

    NONE = "none"  # nothing to explain: no dose, or none known
    MEASURED = "measured"  # transmittance was measured at the same time, so the reading leaves no choice
    WEAK_LAMP = "weak-lamp"  # water as last tested, so the lamp gives less than a new one
    DIRTY_SLEEVE = "dirty-sleeve"  # the same dose as weak-lamp: the sensor looks through the same sleeve
    CLOUDY_WATER = "cloudy-water"  # lamp as good as it can be, so the water lets less through than last tested
    CLEAR_WATER = "clear-water"  # brighter than a new lamp in water as tested: clearer water, or a sensor too high


def flow_max_l_min(reactor: Reactor) -> float:
    """The most flow that the test covers. [L/min]"""
    return reactor.test_flow_l_min if reactor.flow_max_l_min is None else reactor.flow_max_l_min


def uvt_min_pct(reactor: Reactor) -> float:
    """The least transmittance that the test covers. [%]"""
    return reactor.test_uvt_pct if reactor.uvt_min_pct is None else reactor.uvt_min_pct


def uvt_points(reactor: Reactor, *, live: bool) -> float:
    """How far a transmittance may be off: a live sensor's, or that of the latest water test. [points]"""
    return reactor.uvt_uncertainty_points if live else reactor.uvt_test_uncertainty_points


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

        From lamp output and geometry, but never less than what the test reached: what the lamp gave in the
        test, a new lamp gives at least.
        """
        new = float(optics.fluence_rate_mw_cm2(self.reactor, optics.sensor_radius_cm(self.reactor), 0.0))
        tested = self.reactor.test_intensity_w_m2 * math.exp(
            float(optics.absorption_per_cm(self.reactor.test_uvt_pct)) * self.reach_cm
        )
        return max(new * W_M2_PER_MW_CM2, tested)

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
    """D = S x ratio(UVT) x V / Q; RED = C (n/k) ln(1 + k D / n), C such that the test point gives its own RED."""

    reactor: Reactor

    @cached_property
    def tie(self) -> float:
        """C: test report's RED over the model's at the test point. [-]"""
        r = self.reactor
        modelled = hydraulics.equivalent_dose(
            self.product(
                np.array(r.test_intensity_w_m2), optics.absorption_per_cm(r.test_uvt_pct),
                np.array(r.test_flow_l_min),
            ),
            k_cm2_mj=r.challenge_k_cm2_mj, tanks=r.mixing_tanks,
        )
        return r.test_red_mj_cm2 / float(modelled)

    def product(self, intensity_w_m2: Floats, absorption: Floats, flow_l_min: Floats) -> Floats:
        """Mean dose D: volume-mean fluence rate times mean residence time. [mJ/cm2]"""
        rate = MW_CM2_PER_W_M2 * intensity_w_m2 * optics.mean_to_sensor(self.reactor, absorption)
        return np.asarray(rate * hydraulics.residence_s(optics.volume_cm3(self.reactor), flow_l_min))

    def validated(self, product: Floats) -> Floats:
        """RED over the validation factor, from the mean dose. [mJ/cm2]"""
        r = self.reactor
        red = hydraulics.equivalent_dose(product, k_cm2_mj=r.challenge_k_cm2_mj, tanks=r.mixing_tanks)
        return np.asarray(self.tie * red / r.validation_factor)

    def product_needed(self, validated_mj_cm2: float) -> float:
        """The mean dose that a validated dose needs. [mJ/cm2]"""
        r = self.reactor
        red = validated_mj_cm2 * r.validation_factor / self.tie
        return float(hydraulics.mean_dose(red, k_cm2_mj=r.challenge_k_cm2_mj, tanks=r.mixing_tanks))

    def excess(self, absorption: Floats) -> Floats:
        """The share by which rays along the radius may promise too much, away from the test's transmittance."""
        return radial_excess(self.reactor, absorption)

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
        """None: the equation was fitted to tests over its range."""
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
    low = value * share_low(model, intensity, absorption, uvt_points=uvt_points, follows_new=follows_new)
    each = drops(model, intensity, absorption, uvt_points=uvt_points, follows_new=follows_new)
    return Explained(
        explanation=name, uvt_pct=np.asarray(uvt), output=intensity / sensor.new_lamp_w_m2(absorption),
        dose_mj_cm2=model.validated(value), dose_low_mj_cm2=model.validated(low), drops=each,
    )


class Drops(NamedTuple):
    """By which share the product falls if one quantity alone is wrong by its 95 % half-width."""

    sensor: Floats
    flow: Floats
    uvt: Floats
    excess: Floats  # what the model itself may promise too much; no chance about it


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
    by_water = value
    uvt = 100.0 * np.exp(-absorption)
    cloudiest, clearest = (
        optics.absorption_per_cm(np.clip(uvt + points, LEAST_UVT_PCT, 100.0))
        for points in (-uvt_points, uvt_points))
    # a reading's dose over the water has one valley: its least is at an end of the band or at the bottom
    bottom = np.clip(model.worst_absorption, clearest, cloudiest)
    for other in (cloudiest, clearest, bottom):
        by_water = np.minimum(by_water, model.product(intensity, other, one))
    with np.errstate(divide="ignore", invalid="ignore"):
        losses = [np.where(value > 0, 1.0 - part / value, 0.0) for part in (by_sensor, by_water)]
    by_sensor, by_water = (np.where(loss < ROUNDING, 0.0, loss) for loss in losses)
    return Drops(
        sensor=by_sensor,
        # 1/Q falls short by the flow's share: a meter that reads low.
        flow=np.asarray(1.0 - (1.0 - reactor.flow_uncertainty_pct / 100.0) ** model.flow_exponent),
        uvt=by_water,
        excess=model.excess(absorption),
    )


def share_low(
    model: Model, intensity: Floats, absorption: Floats, *, uvt_points: float = 0.0, follows_new: bool = False
) -> Floats:
    """The share of `product` that is certain to 95 %; NaN where the absorption is."""
    found = drops(model, intensity, absorption, uvt_points=uvt_points, follows_new=follows_new)
    certain = lower_share(found.sensor, found.flow, found.uvt) * (1.0 - found.excess)
    return np.where(np.isnan(absorption), np.nan, certain)
