"""`validation`: how a laboratory's figures come about: the validation factor, and the fluence in a dish."""

from __future__ import annotations

import argparse
import math
from typing import Any

from dashboard.commands import HELP
from dashboard.commands._words import command, print_json
from dashboard.text.verdicts import CAUTION
from ingest.settings import BadInput
from models.dose.collimated_beam import (
    LEAST_PETRI_FACTOR,
    divergence_factor,
    petri_dish_fluence_rate_mw_cm2,
    water_factor,
)
from models.dose.optics import absorbance_per_cm
from models.dose.validation_factor import validation_factor, validation_uncertainty_pct
from models.fleet import require_number

CM_PER_INCH = 2.54  # exact (international inch; NIST SP 811, B.8; from memory)
J_M2_PER_MJ_CM2 = 10.0
LENGTHS = {"metric": ("cm", 1.0), "us": ("in", CM_PER_INCH)}


def add(commands: Any) -> None:
    """Add the commands."""
    validation = commands.add_parser(
        "validation", help=HELP["validation"],
        description="How the figures of a validation report come about; a check of a report, and no validation.",
        epilog="example: tarnlight validation factor --red-bias 1.0 --interpolation 20 --red 40",
        formatter_class=argparse.RawDescriptionHelpFormatter)
    verbs = validation.add_subparsers(dest="verb", metavar="VERB", required=True)
    factor = command(
        verbs, "factor", do_factor, help="what a dose is divided by (EPA 815-R-06-007, section 5.9)",
        json_option=True, example="tarnlight validation factor --red-bias 1.0 --interpolation 20 --red 40")
    factor.add_argument("--red-bias", type=float, required=True, metavar="B",
                        help="B_RED, at least 1: from the manual's tables")
    factor.add_argument("--interpolation", type=float, required=True, metavar="PCT",
                        help="U_IN of a calculated dose, or U_SP of a set point, %%")
    factor.add_argument("--sensor", type=float, default=0.0, metavar="PCT", help="U_S, %%; up to 10 drops out")
    factor.add_argument("--dose-response", type=float, default=0.0, metavar="PCT",
                        help="U_DR, %%; up to 30 drops out")
    factor.add_argument("--polychromatic-bias", type=float, default=1.0, metavar="B",
                        help="B_poly, at least 1; 1 for a low-pressure lamp with a germicidal sensor")
    factor.add_argument("--red", type=float, metavar="MJ_CM2", help="a RED to divide, mJ/cm2")
    beam = command(
        verbs, "beam", do_beam, help="mean fluence rate in a stirred dish, and how long a dose takes",
        json_option=True, example="tarnlight validation beam --centre 0.2 --petri 0.95 --uvt 89 --depth 1 "
        "--distance 30 --dose 40")
    beam.add_argument("--centre", type=float, required=True, metavar="MW_CM2",
                      help="the meter in the middle of the dish, at the water's surface, mW/cm2")
    beam.add_argument("--petri", type=float, required=True, help="Petri factor: mean over middle of the dish")
    water = beam.add_mutually_exclusive_group(required=True)
    water.add_argument("--absorbance", type=float, metavar="PER_CM", help="A254 of the suspension, 1/cm")
    water.add_argument("--uvt", type=float, metavar="PCT", help="its transmittance over 1 cm, %%, in place of that")
    beam.add_argument("--depth", type=float, required=True, help="of the suspension, cm (inches with --units us)")
    beam.add_argument("--distance", type=float, required=True, help="lamp to surface, cm (inches with --units us)")
    beam.add_argument("--units", choices=list(LENGTHS), default="metric", help="of the lengths")
    beam.add_argument("--dose", type=float, metavar="MJ_CM2", help="how long this dose takes, mJ/cm2")


def do_factor(options: argparse.Namespace) -> int:
    """The factor, its uncertainty, and what it makes of a RED."""
    try:
        uncertainty = validation_uncertainty_pct(
            interpolation_pct=options.interpolation, sensor_pct=options.sensor,
            dose_response_pct=options.dose_response)
        factor = validation_factor(
            red_bias=options.red_bias, uncertainty_pct=uncertainty, polychromatic_bias=options.polychromatic_bias)
        if options.red is not None:
            require_number("--red", options.red, above=0)
    except ValueError as error:
        raise BadInput(str(error)) from error
    dose = None if options.red is None else options.red / factor
    if options.json:
        print_json([{
            "uncertainty_pct": uncertainty, "validation_factor": factor, "red_mj_cm2": options.red,
            "validated_dose_mj_cm2": dose}])
        return 0
    print(f"U_val {uncertainty:.4g} %; validation factor {factor:.5g} "
          f"= {options.red_bias:g} x {options.polychromatic_bias:g} x (1 + {uncertainty:.4g}/100)")
    if dose is not None:
        print(f"RED {_dose(options.red)} / {factor:.5g} = validated dose {_dose(dose)}")
    print("By the US guidance manual (EPA 815-R-06-007, sections 5.9 and 5.10, from memory); B_RED is read from "
          "its tables. It goes into a reactor as validation_factor.")
    print(CAUTION)
    return 0


def do_beam(options: argparse.Namespace) -> int:
    """The fluence rate with each of its factors, and the time for a dose."""
    unit, cm = LENGTHS[options.units]
    try:
        require_number("--centre", options.centre, above=0)
        require_number("--petri", options.petri, above=0, at_most=1)
        for name in ("depth", "distance"):
            require_number(f"--{name}", getattr(options, name), above=0)
        if options.uvt is not None:
            require_number("--uvt", options.uvt, above=0, at_most=100)
        else:
            require_number("--absorbance", options.absorbance, at_least=0)
        if options.dose is not None:
            require_number("--dose", options.dose, above=0)
    except ValueError as error:
        raise BadInput(str(error)) from error
    absorbance = options.absorbance if options.uvt is None else float(absorbance_per_cm(options.uvt))
    depth, distance = options.depth * cm, options.distance * cm
    rate = float(petri_dish_fluence_rate_mw_cm2(
        options.centre, petri_factor=options.petri, absorbance_per_cm=absorbance, depth_cm=depth,
        lamp_distance_cm=distance))
    seconds = None if options.dose is None else options.dose / rate
    if options.json:
        print_json([{
            "absorbance_per_cm": absorbance, "depth_cm": depth, "lamp_distance_cm": distance,
            "water_factor": float(water_factor(absorbance, depth)),
            "divergence_factor": float(divergence_factor(distance, depth)), "fluence_rate_mw_cm2": rate,
            "dose_mj_cm2": options.dose, "seconds": seconds}])
        return 0
    print(f"A254 {absorbance:.5g} /cm over {options.depth:g} {unit}, lamp {options.distance:g} {unit} above")
    print(f"water factor {float(water_factor(absorbance, depth)):.5f}, divergence factor "
          f"{float(divergence_factor(distance, depth)):.5f}, Petri factor {options.petri:g}")
    print(f"mean fluence rate {rate:.5g} mW/cm2 ({rate * J_M2_PER_MJ_CM2:.5g} W/m2)")
    if seconds is not None:
        print(f"{_dose(options.dose)} takes {seconds:.2f} s")
    if options.petri < LEAST_PETRI_FACTOR:
        print(f"The Petri factor should be above {LEAST_PETRI_FACTOR:g}: this beam is too uneven for the dish.")
    print("By Bolton and Linden 2003, J. Environ. Eng. 129(3):209-215 (from memory).")
    return 0


def _dose(value: float) -> str:
    """A dose in both usual units."""
    return f"{value:.4g} mJ/cm2 ({value * J_M2_PER_MJ_CM2:.4g} J/m2)" if math.isfinite(value) else str(value)
