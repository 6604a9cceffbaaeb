"""`dose`: the dose of one reading, each step with its numbers, and what the unit may carry."""

from __future__ import annotations

import argparse
import math
from dataclasses import asdict
from pathlib import Path
from typing import Any

from dashboard.commands._opening import open_any
from dashboard.commands._words import command, print_json
from dashboard.text.verdicts import CAUTION
from ingest.registry.tables import load_fleet, read_fleet
from ingest.settings import BadInput
from models.dose import assess
from models.dose.credit import credit_in
from models.dose.explain import DoseStep, explain
from models.dose.kernel import DoseReason
from models.dose.reactor import is_outside
from models.dose.sizing import least_intensity_w_m2, least_uvt_pct, most_flow_l_min, new_lamp_intensity_w_m2
from models.dose.tested_range import outside_tested
from models.dose.water_band import band_points
from models.fleet import Fleet, Reactor
from models.shortfall import Organism

TARGET_MJ_CM2 = 40.0  # NSF/ANSI 55 class A, at the alarm set point (SOURCES.md section 5, seen)


def add(commands: Any) -> None:
    """Add the command."""
    dose = command(
        commands, "dose", do_dose, json_option=True,
        example="tarnlight dose --reactor annular-40 --intensity 45 --uvt 82 --flow 28")
    dose.add_argument("--reactor", required=True, help="an enrolled kind of unit")
    dose.add_argument("--fleet", type=Path, metavar="fleet.toml", help="take the reactor from this file instead")
    dose.add_argument("--intensity", type=float, required=True, metavar="S", help="sensor reading, W/m2")
    dose.add_argument("--uvt", type=float, required=True, metavar="P", help="transmittance over 1 cm, %%")
    dose.add_argument("--flow", type=float, required=True, metavar="Q", help="flow, L/min")
    dose.add_argument("--uvt-age-days", type=float, default=0.0,
                      help="days since the water was tested (default 0): an older test says less of today's water")
    dose.add_argument("--uvt-live", action="store_true",
                      help="the transmittance was measured with the reading, not tested some time before")
    dose.add_argument("--peak-flow", type=float, metavar="Q", help="the most the supply delivers, L/min "
                      "(default: the flow given)")
    dose.add_argument("--target", type=float, default=TARGET_MJ_CM2, metavar="D",
                      help=f"dose to reach, mJ/cm2 (default {TARGET_MJ_CM2:g})")


def do_dose(options: argparse.Namespace) -> int:
    """One reading's dose."""
    reactor = _reactor(options)
    try:
        told = reckoning(reactor, options)
    except ValueError as error:
        raise BadInput(str(error)) from error
    if options.json:
        print_json([told])
        return 0
    fit = "the reading can be judged" if told["reason"] == DoseReason.OK else told["reason"]
    print(f"{reactor.name}: {fit}" + (
        f"; the reading counts as {told['explanation']}" if told["explanation"] else ""))
    for line in told["tested_range"]:
        print(f"  outside of the tested range: {line}")
    for step in told["steps"]:
        formula = f"  = {step['formula']}" if step["formula"] else ""
        print(f"  {step['name']:44} {step['symbol']:8} {_shown(step['value']):>12} {step['unit']:8}{formula}")
    print(f"  target {options.target:g} mJ/cm2: {'reached' if told['reaches_target'] else 'NOT reached'} "
          "by the lower bound")
    without = "none" if told["tested_range"] else "unknown"
    print("  log credit by the lower bound (40 CFR 141.720(d)(1); a reference, it binds public systems only): "
          + ", ".join(f"{name} {credit:g}" if credit is not None else f"{name} {without}"
                      for name, credit in told["log_credit"].items()))
    print(f"  most flow for the target with this reading and water: {_shown(told['most_flow_l_min'])} L/min")
    print(f"  at {told['peak_flow_l_min']:g} L/min the target stops being covered below: UVT "
          f"{_shown(told['least_uvt_pct'])} % with lamp and sleeve as they are, or intensity "
          f"{_shown(told['least_intensity_w_m2'])} W/m2 in this water")
    print(CAUTION)
    return 0


def reckoning(reactor: Reactor, options: argparse.Namespace) -> dict[str, Any]:
    """All that the command says, by name."""
    given: dict[str, Any] = {
        "intensity_w_m2": options.intensity, "flow_l_min": options.flow, "uvt_pct": options.uvt,
        "uvt_live": options.uvt_live, "peak_flow_l_min": options.peak_flow,
        "uvt_test_points": float(band_points(reactor, options.uvt_age_days))}
    found = assess(reactor, **given)
    low = float(found.red_low_mj_cm2)
    peak = options.peak_flow or (options.flow if options.flow > 0 else reactor.test_flow_l_min)
    output = options.intensity / new_lamp_intensity_w_m2(reactor, uvt_pct=options.uvt)
    sized: dict[str, Any] = {"target_mj_cm2": options.target, "uvt_live": options.uvt_live,
        "uvt_test_points": given["uvt_test_points"]}
    steps: list[DoseStep] = explain(reactor, **given)
    untested = bool(is_outside(reactor, uvt_pct=options.uvt, flow_l_min=options.flow or options.peak_flow or 0.0))
    return {
        "reactor": reactor.name, **given, "peak_flow_l_min": peak,
        "dose_mj_cm2": float(found.red_mj_cm2), "dose_low_mj_cm2": low, "dose_target_mj_cm2": options.target,
        "reaches_target": low >= options.target, "reason": str(found.reason),
        "explanation": str(found.explanation),
        "tested_range": list(outside_tested(
            reactor, uvt_pct=options.uvt, flow_l_min=options.flow or options.peak_flow)),
        "log_credit": {
            str(one): None if math.isnan(low) or untested else credit_in(reactor, low, one) for one in Organism},
        "most_flow_l_min": most_flow_l_min(
            reactor, uvt_pct=options.uvt, intensity_w_m2=options.intensity, **sized),
        "least_uvt_pct": least_uvt_pct(reactor, flow_l_min=peak, output=output, **sized),
        "least_intensity_w_m2": least_intensity_w_m2(reactor, flow_l_min=peak, uvt_pct=options.uvt, **sized),
        "steps": [asdict(step) for step in steps],
    }


def _reactor(options: argparse.Namespace) -> Reactor:
    if options.fleet is not None:
        try:
            fleet: Fleet = read_fleet(options.fleet.read_text(encoding="utf-8"), str(options.fleet))
        except (OSError, UnicodeDecodeError) as error:
            raise BadInput(f"{options.fleet}: {error}") from error
    else:
        store = open_any(options)
        fleet = load_fleet(store)
        store.close()
    found = next((one for one in fleet.reactors if one.name == options.reactor), None)
    if found is None:
        names = ", ".join(one.name for one in fleet.reactors) or "none"
        raise BadInput(f"no reactor {options.reactor!r}; known are: {names} (enroll a fleet.toml, or use --fleet)")
    return found


def _shown(value: float) -> str:
    """A number for people; unknown and unlimited in words."""
    if math.isnan(value):
        return "unknown"
    return "no limit" if math.isinf(value) else f"{value:.4g}"
