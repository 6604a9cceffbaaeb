"""A reactor that was tested at several points: tanks and tie by all of them, held against doses by other means."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import special

from models.dose import assess, optics
from models.dose.credit import own_reduction_log
from models.dose.finite_lamp import WATER_INDEX, finite_mean_to_sensor
from models.dose.mixing import fit
from models.dose.reactor import Geometric, beyond_test, flow_max_l_min, is_outside, uvt_min_pct
from models.dose.tested_range import outside_tested, words_of_the_test
from models.fleet import ValidationPoint
from models.shortfall import Organism
from tests.models.reactors import ANNULAR, SEVERAL

SURE = {"sensor_uncertainty_pct": 0.0, "flow_uncertainty_pct": 0.0, "uvt_uncertainty_points": 0.0}
FLOWS = (8.0, 15.0, 30.0, 45.0)


def red_of_ages(mean_mj_cm2: float, tanks: float, k: float) -> float:
    """Reduction equivalent dose of water whose ages are a gamma's, by quadrature.

    -ln of the mean surviving share over k, of first-order kinetics; ages of tanks in series, Levenspiel, Chemical
    Reaction Engineering, 3rd ed., 1999, p. 322 (SOURCES.md section 4). By Gauss and Laguerre.
    """
    nodes, weights = special.roots_genlaguerre(60, tanks - 1.0)
    survive = np.sum(weights * np.exp(-k * mean_mj_cm2 / tanks * nodes)) / special.gamma(tanks)
    return -math.log(survive) / k


def mean_dose(kind, flow: float) -> float:
    """The mean dose by the geometry at the first point's water and light. [mJ/cm2]"""
    return Geometric(kind).test_product * kind.test_flow_l_min / flow


def at_four_flows(tanks: float, tie: float, *, errors=(0.0, 0.0, 0.0, 0.0), stated_pct: float = 5.0):
    """A reactor tested at four flows in one water, by its own tanks, with these errors of the laboratory."""
    k = ANNULAR.challenge_k_cm2_mj
    doses = [
        tie * red_of_ages(mean_dose(ANNULAR, flow), tanks, k) * (1 + error)
        for flow, error in zip(FLOWS, errors, strict=True)]
    points = [
        ValidationPoint(
            flow_l_min=flow, uvt_pct=ANNULAR.test_uvt_pct, intensity_w_m2=ANNULAR.test_intensity_w_m2,
            red_mj_cm2=red)
        for flow, red in zip(FLOWS, doses, strict=True)]
    return replace(
        ANNULAR, name="tested", test_flow_l_min=FLOWS[2], test_red_mj_cm2=doses[2],
        test_red_uncertainty_pct=stated_pct,
        tests=tuple(point for point in points if point.flow_l_min != FLOWS[2]), **SURE)


@pytest.mark.parametrize(("tanks", "tie"), [(2.0, 0.8), (6.0, 1.0), (15.0, 1.2)])
def test_points_without_error_give_the_tanks_and_the_tie_that_made_them(tanks, tie):
    found = fit(at_four_flows(tanks, tie))
    assert found.by_points and found.scatter == 1.0 and found.error == pytest.approx(0.05)
    assert found.mixings[0].tanks == pytest.approx(tanks, rel=0.01)  # a step of the tanks that are tried
    assert found.mixings[0].tie == pytest.approx(tie, rel=0.005)
    assert min(one.tanks for one in found.mixings) < tanks < max(one.tanks for one in found.mixings)


def test_each_points_own_organism_gives_its_dose():
    """Of one organism twice as sensitive as the other's: the same tanks give it a smaller dose of the same mean."""
    kind = at_four_flows(3.0, 0.9)
    ks = (0.115, 0.23, 0.05)
    points = tuple(
        replace(one, challenge_k_cm2_mj=k, red_mj_cm2=0.9 * red_of_ages(mean_dose(ANNULAR, one.flow_l_min), 3.0, k))
        for one, k in zip(kind.tests, ks, strict=True))
    found = fit(replace(kind, tests=points))
    assert found.mixings[0].tanks == pytest.approx(3.0, rel=0.01) and found.scatter == 1.0
    assert found.mixings[0].tie == pytest.approx(0.9, rel=0.005)


def test_no_test_of_several_points_knows_its_dose_better_than_to_two_per_cent():
    assert fit(at_four_flows(6.0, 1.0, stated_pct=0.0)).error == pytest.approx(0.02)


def test_the_stated_tanks_no_longer_count():
    assert fit(replace(SEVERAL, mixing_tanks=1)).mixings == fit(SEVERAL).mixings
    assert fit(SEVERAL).mixings[0].tanks == pytest.approx(6.0, rel=0.1)


def test_two_points_by_hand():
    """Two tanks and no tie, k D of 2 and 6: RED k = 2 ln(1 + 2/2) = 1.386 and 2 ln(1 + 6/2) = 2.773."""
    k = ANNULAR.challenge_k_cm2_mj
    mean = Geometric(ANNULAR).test_product
    slower = ValidationPoint(
        flow_l_min=30.0 * k * mean / 6.0, uvt_pct=75.0, intensity_w_m2=41.0, red_mj_cm2=2 * math.log(4.0) / k)
    found = fit(replace(
        ANNULAR, test_flow_l_min=30.0 * k * mean / 2.0, test_red_mj_cm2=2 * math.log(2.0) / k, tests=(slower,),
        test_red_uncertainty_pct=5.0))
    assert found.mixings[0].tanks == pytest.approx(2.0, rel=0.01)
    assert found.mixings[0].tie == pytest.approx(1.0, rel=0.005)
    # by 5 % of error each, the ratio of both doses is known to 7.1 % (root of the sum of squares): at the ends of
    # the range it lies as far from 2 as that, and a step of the tried tanks beyond
    for one in found.mixings[1:]:
        ratio = math.log1p(6.0 / one.tanks) / math.log1p(2.0 / one.tanks) if math.isfinite(one.tanks) else 3.0
        assert abs(math.log(ratio / 2.0)) == pytest.approx(0.05 * math.sqrt(2.0), rel=0.1)


def test_the_dose_to_act_on_is_the_least_that_the_points_leave():
    kind = SEVERAL
    means = np.linspace(5.0, 300.0, 40)
    by_each = np.array([
        [one.tie * red_of_ages(mean, one.tanks, kind.challenge_k_cm2_mj) for one in fit(kind).mixings]
        for mean in means])
    flows = kind.test_flow_l_min * Geometric(kind).test_product / means
    found = assess(
        replace(kind, flow_max_l_min=1e4), intensity_w_m2=kind.test_intensity_w_m2, flow_l_min=flows,
        uvt_pct=kind.test_uvt_pct, uvt_live=True)
    assert found.red_mj_cm2 == pytest.approx(by_each.min(axis=1), rel=1e-6)
    assert (found.red_low_mj_cm2 <= found.red_mj_cm2).all()


@pytest.mark.parametrize("seed", [5, *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(6, 12))])
def test_the_true_dose_lies_under_the_bound_in_at_most_one_case_in_twenty(seed):
    """Of reactors of all mixings, each tested at four flows with 6 % of error, half common to all: at each dose."""
    rng = np.random.default_rng(seed)
    stated_pct, low, cases = 6.0, np.zeros(5), 200
    for _ in range(cases):
        tanks, tie = float(np.exp(rng.uniform(math.log(1.3), math.log(25.0)))), rng.uniform(0.7, 1.2)
        error = rng.standard_normal(5) / 1.959964 * stated_pct / 100 / math.sqrt(2.0)
        kind = at_four_flows(tanks, tie, errors=tuple(error[0] + error[1:]), stated_pct=stated_pct)
        flows = np.array([4.0, 8.0, 20.0, 45.0, 90.0])
        found = assess(
            replace(kind, flow_max_l_min=1e4), intensity_w_m2=41.0, flow_l_min=flows, uvt_pct=75.0, uvt_live=True)
        true = [tie * red_of_ages(mean_dose(ANNULAR, flow), tanks, kind.challenge_k_cm2_mj) for flow in flows]
        low += np.array(true) < found.red_low_mj_cm2
    assert (low / cases <= 0.05).all(), low


def test_points_that_contradict_one_another_lower_the_bound_and_are_told():
    agreeing, apart = at_four_flows(6.0, 1.0), at_four_flows(6.0, 1.0, errors=(0.3, -0.25, 0.3, -0.25))
    at = {"intensity_w_m2": 41.0, "flow_l_min": 30.0, "uvt_pct": 75.0, "uvt_live": True}
    assert fit(apart).scatter > 3 and fit(apart).error == pytest.approx(0.05 * fit(apart).scatter)
    found = [assess(kind, **at) for kind in (agreeing, apart)]
    share = [float(one.red_low_mj_cm2 / one.red_mj_cm2) for one in found]
    assert share[1] < 0.85 < share[0]
    scattered = [any("as their errors explain" in line for line in words_of_the_test(one)) for one in (
        agreeing, apart)]
    assert scattered == [False, True]


@pytest.mark.parametrize("red_at_half_the_flow", [20.0, 160.0])
def test_two_points_that_no_mixing_joins_promise_next_to_nothing_and_are_told(red_at_half_the_flow):
    """Half the flow is twice the mean dose: no less RED than at all of it, nor over twice as much (Levenspiel)."""
    slower = ValidationPoint(
        flow_l_min=15.0, uvt_pct=75.0, intensity_w_m2=41.0, red_mj_cm2=red_at_half_the_flow)
    kind = replace(ANNULAR, tests=(slower,))
    found = assess(kind, intensity_w_m2=41.0, flow_l_min=[15.0, 30.0], uvt_pct=75.0, uvt_live=True)
    assert (found.red_low_mj_cm2 < 0.25 * found.red_mj_cm2).all()
    told = words_of_the_test(kind)
    assert any("as their errors explain" in line for line in told)
    assert any("no mixing joins them" in line for line in told) and not any("too near" in line for line in told)


def by_slanting_rays(uvts: tuple[float, ...]):
    """A reactor tested in these waters in turn, whose doses are those of a lamp of finite length, four tanks."""
    a = -np.log(np.array(uvts) / 100)
    share = finite_mean_to_sensor(ANNULAR, a, index=WATER_INDEX)
    flows = [20.0 + 5.0 * number for number in range(len(uvts))]
    points = [
        ValidationPoint(
            flow_l_min=flow, uvt_pct=uvt, intensity_w_m2=50.0, red_mj_cm2=red_of_ages(
                5.0 * mean * 60 * optics.volume_cm3(ANNULAR) / 1000 / flow, 4.0, ANNULAR.challenge_k_cm2_mj))
        for flow, uvt, mean in zip(flows, uvts, share, strict=True)]
    first = points[0]
    return replace(
        ANNULAR, name="slanting", test_flow_l_min=first.flow_l_min, test_uvt_pct=first.uvt_pct,
        test_red_mj_cm2=first.red_mj_cm2, test_intensity_w_m2=50.0, test_red_uncertainty_pct=2.0,
        tests=tuple(points[1:]), **SURE), points


def test_slanting_rays_cost_what_they_cost_beside_those_that_the_tie_already_holds():
    """Tie by two waters alike, so it holds the root of both losses; Bolton's field (SOURCES.md section 4)."""
    kind, _ = by_slanting_rays((98.0, 75.0))
    a = -np.log(np.array([0.98, 0.75]))
    clear, cloudy = finite_mean_to_sensor(kind, a, index=WATER_INDEX) / optics.mean_to_sensor(kind, a)
    assert clear < 0.95 * cloudy
    assert Geometric(kind).excess(a) == pytest.approx([1 - math.sqrt(clear / cloudy), 0.0], abs=1e-4)


def test_which_point_stands_first_changes_nothing():
    kind, points = by_slanting_rays((98.0, 75.0, 85.0))
    reading = {
        "intensity_w_m2": 40.0, "flow_l_min": 18.0, "uvt_pct": [76.0, 85.0, 97.0, 100.0], "uvt_live": [1, 0, 1, 0]}
    first = assess(kind, **reading)
    for turn in (1, 2):
        lead, *rest = points[turn:] + points[:turn]
        other = assess(replace(
            kind, test_flow_l_min=lead.flow_l_min, test_uvt_pct=lead.uvt_pct, test_red_mj_cm2=lead.red_mj_cm2,
            tests=tuple(rest)), **reading)
        assert other.red_mj_cm2 == pytest.approx(first.red_mj_cm2, rel=1e-9)
        assert other.red_low_mj_cm2 == pytest.approx(first.red_low_mj_cm2, rel=1e-9)


def test_points_at_one_dose_leave_the_stated_tanks():
    same = ValidationPoint(
        flow_l_min=30.0, uvt_pct=75.0, intensity_w_m2=41.0, red_mj_cm2=ANNULAR.test_red_mj_cm2 * 1.02)
    found = fit(replace(ANNULAR, tests=(same,)))
    assert not found.by_points and found.mixings[0].tanks == ANNULAR.mixing_tanks
    # the tie is the geometric mean of both points'
    assert found.mixings[0].tie == pytest.approx(Geometric(ANNULAR).tie * math.sqrt(1.02), rel=1e-9)
    assert any("too near to one another" in line for line in words_of_the_test(replace(ANNULAR, tests=(same,))))


def test_what_was_tested_is_no_longer_beyond_the_test():
    """Tied at 95 %, used at 70 %: without a test there the bound pays for each point; with one it does not."""
    clear = replace(ANNULAR, name="clear", test_uvt_pct=95.0, test_intensity_w_m2=80.0, uvt_min_pct=70.0, **SURE)
    at_70 = ValidationPoint(flow_l_min=15.0, uvt_pct=70.0, intensity_w_m2=33.0, red_mj_cm2=45.0)
    both = replace(clear, uvt_min_pct=None, tests=(at_70,))
    assert uvt_min_pct(both) == 70.0 and flow_max_l_min(both) == 30.0
    a = -np.log(np.array([0.95, 0.70, 0.68]))
    assert Geometric(clear).untested(a) == pytest.approx([0.0, 0.375, 0.405])
    assert Geometric(both).untested(a) == pytest.approx([0.0, 0.0, 0.03])
    assert beyond_test(both, uvt_pct=[71.0, 69.0], flow_l_min=10.0) == pytest.approx([0.0, 0.2])
    assert not any("below its test" in line for line in words_of_the_test(both))


def test_the_credit_of_an_organism_is_by_the_most_uneven_doses_that_the_points_leave():
    fewest = min(one.tanks for one in fit(SEVERAL).mixings)
    k = SEVERAL.challenge_k_cm2_mj
    mean = fewest / k * math.expm1(k * 22.0 / fewest)
    drawn = np.random.default_rng(3).gamma(fewest, mean / fewest, 400_000)
    # the table's own steps for Cryptosporidium, 40 CFR 141.720(d)(1): 0.5 to 4 log
    steps = np.array([0.0, 1.6, 2.5, 3.9, 5.8, 8.5, 12.0, 15.0, 22.0])
    log = -math.log10(float(np.mean(10.0 ** -np.interp(drawn, steps, np.arange(9) / 2))))
    assert own_reduction_log(SEVERAL, 22.0, Organism.CRYPTOSPORIDIUM) == pytest.approx(log, abs=0.02)


@pytest.mark.parametrize(("uvt", "flow", "outside"), [
    (95.0, 30.0, False), (95.0, 30.1, True), (94.9, 30.0, True), (94.9, 8.0, False), (65.0, 8.0, False),
    (65.0, 8.1, True), (64.9, 8.0, True), (np.nan, 30.0, False), (np.nan, 30.1, True), (100.0, 30.0, False)])
def test_a_flow_counts_as_tested_only_in_water_no_cloudier_than_that_of_a_point_with_as_much(uvt, flow, outside):
    """30 L/min at 95 % and 8 L/min at 65 %: nobody tested 30 L/min at 65 %."""
    kind = replace(
        ANNULAR, name="stairs", test_uvt_pct=95.0, test_intensity_w_m2=80.0, uvt_min_pct=None, tests=(
            ValidationPoint(flow_l_min=8.0, uvt_pct=65.0, intensity_w_m2=27.0, red_mj_cm2=60.0),))
    assert bool(is_outside(kind, uvt_pct=uvt, flow_l_min=flow)) is outside
    assert bool(outside_tested(kind, uvt_pct=None if np.isnan(uvt) else uvt, flow_l_min=flow)) is outside
    if not np.isnan(uvt):
        found = assess(kind, intensity_w_m2=40.0, flow_l_min=flow, uvt_pct=uvt, uvt_live=True)
        assert (found.reason in ("above-tested-flow", "below-tested-uvt")) is outside
    stated = replace(kind, flow_max_l_min=30.0)  # whoever states a most flow answers for it in all of the waters
    assert not is_outside(stated, uvt_pct=65.0, flow_l_min=30.0)


def test_the_words_name_the_water_in_which_a_flow_was_not_tested():
    kind = replace(
        ANNULAR, name="stairs", test_uvt_pct=95.0, test_intensity_w_m2=80.0, uvt_min_pct=None, tests=(
            ValidationPoint(flow_l_min=8.0, uvt_pct=65.0, intensity_w_m2=27.0, red_mj_cm2=60.0),))
    assert outside_tested(kind, uvt_pct=70.0, flow_l_min=20.0) == (
        "flow of 20 L/min, this unit was tested up to 8 L/min in such water",)
