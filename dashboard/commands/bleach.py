"""`bleach`: how much of it for a unit's plumbing, how long, what it reaches, and the cautions."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from typing import Any

from dashboard.commands._opening import open_any
from dashboard.commands._words import command, print_cautions, print_json
from ingest.registry.tables import load_fleet
from ingest.settings import BadInput
from models.advisory.chlorination import (
    CONTACT_H,
    CT_GIARDIA_CHLORINE_MG_L,
    DOSE_MG_L,
    GIARDIA_TABLE_LOG,
    WORKS,
    Chlorination,
    chlorination,
)


def add(commands: Any) -> None:
    """Add the command."""
    bleach = command(
        commands, "bleach", do_bleach, json_option=True,
        example="tarnlight bleach --cabin heron-point --unit main --strength 6")
    bleach.add_argument("--strength", type=float, required=True, help="of the bleach, %% on its label")
    bleach.add_argument("--cabin", help="take the plumbing of an enrolled unit")
    bleach.add_argument("--unit", help="which unit of the cabin")
    bleach.add_argument("--cold", type=float, help="litres in the cold pipes, in place of a unit's")
    bleach.add_argument("--hot", type=float, help="litres in the hot tank, in place of a unit's")
    bleach.add_argument("--dose", type=float, default=DOSE_MG_L, help=f"mg/L wanted (default {DOSE_MG_L:g})")
    bleach.add_argument("--hours", type=float, default=CONTACT_H, help=f"contact time (default {CONTACT_H:g})")
    bleach.add_argument("--temp", type=float, help="of the water, degrees C, for the CT that viruses need")
    bleach.add_argument("--ph", type=float, help="of the water, for the same")
    bleach.add_argument("--residual", type=float, help="mg/L measured at the farthest tap at the end")


def do_bleach(options: argparse.Namespace) -> int:
    """The plan."""
    cold, hot = _of_unit(options) if options.cabin else (options.cold, options.hot)
    if cold is None and hot is None:
        raise BadInput("name an enrolled unit with --cabin and --unit, or give --cold and --hot in litres")
    try:
        plan = chlorination(
            cold_plumbing_l=cold or 0.0, hot_tank_l=hot or 0.0, strength_pct=options.strength,
            dose_mg_l=options.dose, contact_h=options.hours, water_temp_c=options.temp, ph=options.ph,
            residual_mg_l=options.residual)
    except ValueError as error:
        raise BadInput(str(error)) from error
    if options.json:
        print_json([asdict(plan)])
        return 0
    _print_plan(plan)
    print_cautions(WORKS)
    return 0


def _of_unit(options: argparse.Namespace) -> tuple[float, float]:
    """Litres in the cold pipes and the hot tank of an enrolled unit; what an option gives goes before it."""
    store = open_any(options)
    try:
        cabin = load_fleet(store).cabin(options.cabin)
    except KeyError as error:
        raise BadInput(str(error.args[0])) from error
    finally:
        store.close()
    unit = next((one for one in cabin.units if one.slug == (options.unit or cabin.units[0].slug)), None)
    if unit is None:
        raise BadInput(f"no unit {options.unit!r} in {options.cabin!r}")
    cold = unit.cold_plumbing_l if options.cold is None else options.cold
    hot = unit.hot_tank_l if options.hot is None else options.hot
    if cold is None or hot is None:
        lacking = [f"{name} (or give {option})" for name, option, value in (
            ("cold_plumbing_l", "--cold", cold), ("hot_tank_l", "--hot", hot)) if value is None]
        raise BadInput(
            f"how much water stands behind {cabin.slug}/{unit.slug} is not enrolled: {' and '.join(lacking)}; "
            "0 L of hot tank means that there is none")
    return cold, hot


def _print_plan(plan: Chlorination) -> None:
    """The steps, and what the chlorine reaches."""
    for number, step in enumerate(plan.steps, start=1):
        print(f"{number}. {step}")
    print(f"CT at most {plan.ct_upper_mg_min_l:,.0f} mg min/L, if no chlorine is used up"
          + (f"; reached for certain {plan.ct_mg_min_l:,.0f}" if plan.ct_mg_min_l is not None else
             "; what is reached is known once the chlorine left at the end is measured (--residual)"))
    if plan.ct_virus_4_log is not None:
        said = {True: "reached", False: "NOT reached", None: "to be judged by the residual"}
        print(f"4-log virus needs {plan.ct_virus_4_log:g} mg min/L (EPA 815-R-20-003, table B-2): "
              f"{said[plan.virus_4_log_reached]}")
    if plan.giardia_log is not None:
        most = "3 log or more" if plan.giardia_log >= GIARDIA_TABLE_LOG else f"{plan.giardia_log:.1f} log"
        print(f"Giardia: {most} by the chlorine left at the end (EPA 815-R-20-003, the column of 1 mg/L)")
    elif plan.ct_mg_min_l is not None:
        print(f"Giardia: not known; our table ends at {CT_GIARDIA_CHLORINE_MG_L:g} mg/L, and asks for temperature "
              "and pH")
