"""How one dose was reached, step by step, each with its numbers: to be followed by hand."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from models.dose import hydraulics, optics
from models.dose.bound import ONE_SIDED_OVER_TWO_SIDED
from models.dose.columns import Assessment, assess
from models.dose.credit import bias_factor, credit_in
from models.dose.kernel import DOSE_REASONS, DoseReason
from models.dose.mixing import fit
from models.dose.reactor import (
    Explained,
    Explanation,
    Geometric,
    Model,
    Sensor,
    beyond_test,
    explained,
    flow_max_l_min,
    model_of,
    uvt_points,
)
from models.fleet import Reactor
from models.shortfall import DOSES_MJ_CM2, Organism

UNEXPLAINED = (DoseReason.LAMP_OFF, DoseReason.NO_LIGHT, DoseReason.NO_INTENSITY, DoseReason.NO_UVT)


@dataclass(frozen=True, slots=True, kw_only=True)
class DoseStep:
    """One line of the reckoning."""

    name: str
    symbol: str
    formula: str  # with its numbers, as one would type it into a calculator; empty for what was measured
    value: float  # NaN unknown, inf without limit
    unit: str


def explain(
    reactor: Reactor, *, intensity_w_m2: float, flow_l_min: float, uvt_pct: float, uvt_live: bool,
    lamp_on: bool | None = None, warm: bool | None = None, peak_flow_l_min: float | None = None,
    uvt_test_points: float | None = None,
) -> list[DoseStep]:
    """The reckoning of one reading, from inputs over each factor to the dose, its bound and its credit.

    Parameters
    ----------
    reactor, intensity_w_m2, flow_l_min, uvt_pct, uvt_live, lamp_on, warm, peak_flow_l_min, uvt_test_points
        As for `models.dose.assess`, single values.

    Returns
    -------
    list of Step
        In order. The steps "validated dose" and "validated dose, 95 % lower bound" hold what `assess` gives;
        where a rule overrides the arithmetic their formula says which.

    Raises
    ------
    ValueError
        As for `assess`.
    """
    result = assess(
        reactor, intensity_w_m2=intensity_w_m2, flow_l_min=flow_l_min, uvt_pct=uvt_pct, uvt_live=uvt_live,
        lamp_on=lamp_on, warm=warm, peak_flow_l_min=peak_flow_l_min, uvt_test_points=uvt_test_points,
    )
    reason = DOSE_REASONS[int(result.reason_code)]
    steps = [
        DoseStep(name="intensity", symbol="S", formula="", value=float(intensity_w_m2), unit="W/m2"),
        DoseStep(name="flow", symbol="Q", formula="", value=float(flow_l_min), unit="L/min"),
        DoseStep(
            name="transmittance, measured" if uvt_live else "transmittance, last water test",
            symbol="UVT", formula="", value=float(uvt_pct), unit="%",
        ),
    ]
    assumed = flow_max_l_min(reactor) if flow_l_min == 0 else math.nan
    next_flow = assumed if peak_flow_l_min is None else peak_flow_l_min
    flow = flow_l_min if flow_l_min > 0 else next_flow
    if reason in UNEXPLAINED or not flow > 0:
        return steps + _results(reactor, result, "", "")
    if flow != flow_l_min:
        steps.append(DoseStep(name="flow of the bound", symbol="Q", formula="", value=flow, unit="L/min"))
    if intensity_w_m2 > Sensor(reactor).brightest_w_m2:
        seen = Sensor(reactor).brightest_w_m2
        steps.append(DoseStep(name="intensity counted", symbol="S", formula="", value=seen, unit="W/m2"))
    points = uvt_points(reactor, live=uvt_live, tested=uvt_test_points)
    steps.append(_step("how far the transmittance may be off", "", "", points, "points"))
    ways = explained(
        reactor, np.array(float(intensity_w_m2)), np.array(float(flow)), np.array(float(uvt_pct)),
        uvt_points=points, water_may_differ=not uvt_live,
    )
    possible = [way for way in ways if not np.isnan(way.dose_mj_cm2)]
    if not uvt_live:
        steps += [
            _step(f"dose if {_named(way)}", "", "", float(way.dose_mj_cm2), "mJ/cm2") for way in possible
        ]
    intensity = min(float(intensity_w_m2), Sensor(reactor).brightest_w_m2)
    counted = min(possible, key=lambda way: float(way.dose_mj_cm2))
    lowest = min(possible, key=lambda way: float(way.dose_low_mj_cm2))
    model = model_of(reactor)
    value_steps, value = _product(model, counted, intensity, flow)
    tie_steps = _tie(model) if isinstance(model, Geometric) else []
    steps += value_steps + tie_steps
    value_formula = _dose_formula(model, value)
    if lowest is not counted:
        bound_steps, value = _product(model, lowest, intensity, flow)
        steps += [replace(step, name=f"{step.name}, for the bound") for step in bound_steps]
    beyond = float(beyond_test(reactor, uvt_pct=uvt_pct, flow_l_min=flow))
    low_formula = _lowered_formula(model, lowest, value)
    bound_steps = _bound(model, lowest, value)
    if beyond > 0:
        low_formula += f" * (1 - {_n(beyond)})"
        bound_steps.append(_step("loss outside of the tested range: no credit there", "e_X", "", beyond, ""))
    return [
        *steps, *bound_steps,
        *_results(
            reactor, result, value_formula, low_formula, float(counted.dose_mj_cm2),
            float(lowest.dose_low_mj_cm2) * (1.0 - beyond), credited=beyond == 0,
        ),
    ]


def divided_by_check(
    reactor: Reactor, steps: list[DoseStep], ratio: float, low_ratio: float | None = None
) -> list[DoseStep]:
    """The same reckoning with its dose, bound and credit divided: a check found the sensor to read too high.

    Parameters
    ----------
    steps : list of Step
        As of `explain`.
    ratio : float
        Duty sensor over reference; up to 1 the dose is not divided. [-]
    low_ratio : float, optional
        What the lower bound is divided by, also for a check that passed and for a jump of the readings; by default
        `ratio`. [-]
    """
    of_low = ratio if low_ratio is None else low_ratio
    if max(ratio, of_low) <= 1.0:
        return steps
    kept = [step for step in steps if step.unit != "log"]
    credited = len(kept) < len(steps)
    doses = {step.symbol: step for step in kept if step.symbol in ("dose", "dose_low")}
    out = list(kept)
    if ratio > 1.0:
        out.append(_step("sensor over its reference, at the check", "r", "", ratio, ""))
    if of_low != ratio:
        out.append(_step("what the sensor may read too high, for the lower bound", "r_low", "", of_low, ""))
    for symbol, by, name in (("dose", ratio, "r"), ("dose_low", of_low, "r" if of_low == ratio else "r_low")):
        was = doses[symbol]
        if by > 1.0:
            formula = f"{_n(was.value)} / {_n(by)}" if math.isfinite(was.value) else ""
            out.append(_step(f"{was.name}, divided by it", f"{symbol}/{name}", formula, was.value / by, "mJ/cm2"))
    return out + (_credits(reactor, doses["dose_low"].value / of_low) if credited else [])


def _product(model: Model, way: Explained, intensity: float, flow: float) -> tuple[list[DoseStep], float]:
    """Steps to the mean dose (geometric model) or to the equation's RED, under one explanation."""
    uvt = float(way.uvt_pct)
    a = float(optics.absorption_per_cm(min(uvt, 100.0)))
    value = float(model.product(np.array(intensity), np.array(a), np.array(flow)))
    steps = [
        _step(f"transmittance if {_named(way)}", "UVT", "", uvt, "%"),
        _step("absorption", "a", f"-ln({_n(uvt)} / 100)", a, "1/cm"),
    ]
    r = model.reactor
    if isinstance(model, Geometric):
        more, rate, time_s = _light_and_time(r, a, intensity, flow)
        return [*steps, *more, _step("mean dose", "D", f"{_n(rate)} * {_n(time_s)}", value, "mJ/cm2")], value
    e, sensor = model.equation, Sensor(r)
    new = float(sensor.new_lamp_w_m2(np.array(a)))
    share = min(intensity / new, 1.0)
    a254 = max(a, model.clearest_per_cm) / math.log(10)
    red = f"10^{_n(e.a)} * {_n(a254)}^({_n(e.b)}) * {_n(share)}^{_n(e.c)} * (1 / {_n(flow)})^{_n(e.d)}"
    return [
        *steps,
        _step(
            "absorbance, at least that of the clearest tested", "A254", f"{_n(a254 * math.log(10))} / ln(10)", a254,
            "1/cm",
        ),
        _step(
            "reading of a new lamp", "S0",
            f"{_n(sensor.brightest_w_m2)} * exp(-{_n(a)} * {_n(sensor.reach_cm)})", new, "W/m2",
        ),
        _step("intensity over that, at most 1", "S/S0", f"min({_n(intensity)} / {_n(new)}, 1)", share, ""),
        _step("reduction equivalent dose by the report's equation", "RED", red, value, "mJ/cm2"),
    ], value


def _light_and_time(r: Reactor, a: float, intensity: float, flow: float) -> tuple[list[DoseStep], float, float]:
    """Steps to mean fluence rate and residence time."""
    outer, inner, at = r.chamber_inner_radius_cm, r.sleeve_outer_radius_cm, optics.sensor_radius_cm(r)
    width = outer - inner
    ratio = float(optics.mean_to_sensor(r, a))
    formula = f"2 * {_n(at)} * {_n(width)} / ({_n(outer)}^2 - {_n(inner)}^2)"
    if a > 0:
        depth = f"({_n(a)} * {_n(width)})"
        formula += f" * (1 - exp(-{depth})) / {depth} * exp({_n(a)} * ({_n(at)} - {_n(inner)}))"
    rate = optics.MW_CM2_PER_W_M2 * intensity * ratio
    volume = optics.volume_cm3(r)
    time_s = float(hydraulics.residence_s(volume, flow))
    return [
        _step("mean fluence rate over the sensor's", "ratio", formula, ratio, ""),
        _step("mean fluence rate", "E", f"0.1 * {_n(intensity)} * {_n(ratio)}", rate, "mW/cm2"),
        _step(
            "water along the arc", "V", f"pi * ({_n(outer)}^2 - {_n(inner)}^2) * {_n(r.arc_length_cm)}",
            volume, "cm3",
        ),
        _step("mean residence time", "t", f"60 * {_n(volume)} / 1000 / {_n(flow)}", time_s, "s"),
    ], rate, time_s


def _tie(model: Geometric) -> list[DoseStep]:
    """Steps to the factor that ties the model to the unit's own test, and to further mixings that also fit it."""
    r, found = model.reactor, fit(model.reactor)
    best = found.mixings[0]
    several = len(r.all_tests) > 1
    out: list[DoseStep] = []
    if found.by_points:
        out.append(_step("tanks that fit the test's points best", "n", "", best.tanks, ""))
    for number, one in enumerate(r.all_tests, start=1):
        at, mark = (f"at point {number} of the test", str(number)) if several else ("at the test point", "")
        a = float(optics.absorption_per_cm(one.uvt_pct))
        steps, rate, time_s = _light_and_time(r, a, one.intensity_w_m2, one.flow_l_min)
        dose = rate * time_s
        k = one.challenge_k_cm2_mj or r.challenge_k_cm2_mj
        tie = one.red_mj_cm2 / float(hydraulics.equivalent_dose(dose, k_cm2_mj=k, tanks=best.tanks))
        out += [
            *(replace(step, name=f"{step.name}, {at}") for step in steps if step.symbol != "V"),
            _step(f"mean dose, {at}", f"D_test{mark}", f"{_n(rate)} * {_n(time_s)}", dose, "mJ/cm2"),
            _step("tie to the test" + (f", {at}" if several else ""), f"C{mark}",
                  f"{_n(one.red_mj_cm2)} / ({_red_formula(k, dose, best.tanks)})", tie, "")]
    if several:
        out.append(_step(
            "tie: their mean by logarithms, weighted by one over each error squared", "C", "", best.tie, ""))
    for count, other in enumerate(found.mixings[1:], start=2):
        which = f"_{'abc'[count - 1]}" if several else str(count)  # the points have the numbers
        if not math.isinf(other.tanks):
            told = "tanks that the points do not rule out" if found.by_points else (
                "tanks that fit the test with a tie of 1")
            out.append(_step(told, f"n{which}", "", other.tanks, ""))
        formula = "" if several else (
            f"{_n(r.test_red_mj_cm2)} / ({_red_formula(r.challenge_k_cm2_mj, dose, other.tanks)})")
        out.append(_step(
            "tie of plug flow" if math.isinf(other.tanks) else "tie of these", f"C{which}", formula, other.tie, ""))
    return out


def _bound(model: Model, way: Explained, value: float) -> list[DoseStep]:
    """Steps to the bound: what readings leave open, what the test does, what the model may promise too much."""
    d = way.drops
    parts = [float(part) for part in (d.sensor, d.flow, d.uvt)]
    names = (
        ("loss if the sensor reads too high", "u_S"), ("loss if the flow meter reads too low", "u_Q"),
        ("loss if the transmittance is off", "u_UVT"))
    root = " + ".join(f"{_n(part)}^2" for part in parts)
    share, drift, excess = float(d.certain), float(d.drift), float(d.excess)
    promised = value * (1.0 - excess)
    dose, low = (float(model.validated(np.array(part))) for part in (promised, promised * share))
    return [
        *(_step(name, symbol, "", part, "") for (name, symbol), part in zip(names, parts, strict=True)),
        _step("loss by what the water may have become since its test", "u_age", "", drift, ""),
        _step(
            "share that is certain to 95 %", "c", f"max(0, 1 - {_n(ONE_SIDED_OVER_TWO_SIDED)} * sqrt({root}))",
            share, ""),
        _step("loss to rays that slant, and to ends unseen", "e", "", excess, ""),
        _step(
            "part of it that the model can promise", f"{_symbol(model)}_e", f"{_n(value)} * (1 - {_n(excess)})",
            promised, "mJ/cm2"),
        _step(
            "part of that which is certain", f"{_symbol(model)}_low", f"{_n(promised)} * {_n(share)}",
            promised * share, "mJ/cm2"),
        _step("validated dose by the first", "dose_e", _dose_formula(model, promised), dose, "mJ/cm2"),
        _step("validated dose by the second", "dose_c", _dose_formula(model, promised * share), low, "mJ/cm2"),
        _step("error of the reactor's own test", "u_T", "", model.test_error, ""),
        _step("loss in water below the test's", "e_T", "", float(d.untested), ""),
    ]


def _lowered_formula(model: Model, way: Explained, value: float) -> str:
    """From both doses to the bound: independent errors, so their squares add."""
    promised = value * (1.0 - float(way.drops.excess))
    dose, certain = (
        _n(float(model.validated(np.array(part)))) for part in (promised, promised * float(way.drops.certain)))
    test = f"({_n(ONE_SIDED_OVER_TWO_SIDED)} * {_n(model.test_error)} * {dose})^2"
    return f"max(0, {dose} - sqrt(({dose} - {certain})^2 + {test})) * (1 - {_n(float(way.drops.untested))})"


def _results(
    reactor: Reactor, result: Assessment, value_formula: str, low_formula: str, value: float = math.nan, low: float
    = math.nan, *, credited: bool = True
) -> list[DoseStep]:
    """What `assess` gives; where a rule overrode the arithmetic, its reason stands in place of the formula."""
    reason = str(DOSE_REASONS[int(result.reason_code)])
    dose, dose_low = float(result.red_mj_cm2), float(result.red_low_mj_cm2)
    steps = []
    for name, symbol, found, formula, reckoned in (
        ("validated dose", "dose", dose, value_formula, value),
        ("validated dose, 95 % lower bound", "dose_low", dose_low, low_formula, low),
    ):
        plain = math.isclose(found, reckoned, rel_tol=1e-3)
        steps.append(_step(name, symbol, formula if plain else reason, found, "mJ/cm2"))
    return steps + (_credits(reactor, dose_low) if credited else [])


def _credits(reactor: Reactor, dose_low: float) -> list[DoseStep]:
    """Log credit of a lower bound, by organism, and by how much its own dose is less than the challenge
    organism's."""
    out = []
    for organism in Organism:
        # beyond the table's last dose nothing is known of the organism's own response
        at = min(dose_low, float(DOSES_MJ_CM2[organism][-1]))
        bias = math.nan if math.isnan(at) else bias_factor(reactor, at, organism)
        out += [
            _step(f"bias of the equivalent dose at {at:.3g} mJ/cm2, {organism}", "B_RED", "", bias, ""),
            _step(
                f"log credit by the lower bound, {organism}", "", "", float(credit_in(reactor, dose_low, organism)),
                "log")]
    return out


def _dose_formula(model: Model, product: float) -> str:
    """From mean dose, or the equation's RED, to the validated dose."""
    factor = _n(model.reactor.validation_factor)
    if isinstance(model, Geometric):
        k = model.reactor.challenge_k_cm2_mj
        ways = [f"{_n(one.tie)} * {_red_formula(k, product, one.tanks)}" for one in model.mixings]
        return f"{ways[0]} / {factor}" if len(ways) == 1 else f"min({', '.join(ways)}) / {factor}"
    return f"{_n(product)} / {factor}"


def _red_formula(k_cm2_mj: float, dose: float, tanks: float) -> str:
    """Tanks in series; plug flow gives all of the mean dose."""
    if math.isinf(tanks):
        return _n(dose)
    n, k = _n(tanks), _n(k_cm2_mj)
    return f"{n} / {k} * ln(1 + {k} * {_n(dose)} / {n})"


def _named(way: Explained) -> str:
    """The explanation, and whether the lamp has its share in it."""
    mixed = way.explanation in (Explanation.CLOUDY_WATER, Explanation.CLEAR_WATER) and way.output < 1 - 1e-9
    return f"{way.explanation} and a weaker lamp" if mixed else str(way.explanation)


def _symbol(model: Model) -> str:
    """What `product` is called."""
    return "D" if isinstance(model, Geometric) else "RED"


def _n(number: float) -> str:
    """Seven digits: enough to reach the same result by hand."""
    return f"{number:.7g}"


def _step(name: str, symbol: str, formula: str, value: float, unit: str) -> DoseStep:
    return DoseStep(name=name, symbol=symbol, formula=formula, value=value, unit=unit)
