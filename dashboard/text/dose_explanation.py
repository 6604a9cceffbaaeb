"""How a dose was reached, in rows for people: inputs with their age and source, then each factor."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

import pandas as pd

from dashboard.text.measures import age
from ingest.queries import UnitStatus
from models.dose.credit import IN_SPECIFICATION_AT_LEAST_PCT
from models.dose.explain import DoseStep

INPUT_HEADERS = ("Input", "Value", "Where from", "How old")
STEP_HEADERS = ("Step", "Symbol", "Value", "Reckoned as")


def input_rows(status: UnitStatus, tested: pd.DataFrame, now: datetime) -> list[tuple[str, str, str, str]]:
    """What was measured, where it comes from and how old it is.

    Parameters
    ----------
    status : UnitStatus
    tested : DataFrame
        The unit's recorded water tests, newest first: `at`, `who`, `value`.
    now : datetime
    """
    state = status.state
    rows = []
    if state is not None and state.intensity_w_m2 is not None:
        rows.append(("Intensity S", f"{state.intensity_w_m2:g} W/m²", "the unit's sensor",
                     age(state.intensity_w_m2_at, now)))
    if state is not None and state.flow_l_min is not None:
        rows.append(("Flow Q", f"{state.flow_l_min:g} L/min", "the flow meter", age(state.flow_l_min_at, now)))
    if status.uvt_live and state is not None:
        rows.append(("Transmittance UVT", f"{status.uvt_pct:g} %", "the unit's live sensor",
                     age(state.uvt_pct_at, now)))
    elif len(tested):
        last = tested.iloc[0]
        rows.append(("Transmittance UVT", f"{status.uvt_pct:g} %", f"water test by {last['who']}",
                     age(last["at"].to_pydatetime(), now)))
    else:
        rows.append(("Transmittance UVT", f"{status.uvt_pct:g} %", "the registry (no test recorded)", "not known"))
    sensor = status.sensor
    if sensor.last_at is not None:
        rows.append((
            "Sensor over its reference", f"{sensor.last_ratio:g}", "the latest check", age(sensor.last_at, now)))
    return rows


def step_rows(steps: Sequence[DoseStep]) -> list[tuple[str, str, str, str]]:
    """Each factor with its numbers, as one would type them into a calculator."""
    return [
        (step.name[:1].upper() + step.name[1:], step.symbol, _value(step),
         f"= {step.formula}" if step.formula else "")
        for step in steps]


def _value(step: DoseStep) -> str:
    if math.isnan(step.value):
        return "not known"
    return "no limit" if math.isinf(step.value) else f"{step.value:.4g} {step.unit}".strip()


def summary(status: UnitStatus) -> str:
    """The result in one sentence."""
    target = f"{status.unit.dose_target_mj_cm2:g} mJ/cm²"
    if not status.heard:
        return "Nothing is heard now, so no dose is reckoned."
    low = status.red_low_mj_cm2
    if low is None:
        return f"The dose is not known, so it does not count as reaching its target of {target}."
    where = "at the flow measured" if status.state and status.state.flow_l_min else "with no flow now, at peak flow"
    shown = math.floor(low * 10) / 10  # never rounded up
    word = "reaches" if low >= status.unit.dose_target_mj_cm2 else "does NOT reach"
    flow = f"{status.judged_flow_l_min or 0:g} L/min"
    return f"At least {shown:g} mJ/cm² {where} ({flow}): {word} its target of {target}."


def share_words(share_pct: float, digits: int) -> str:
    """A share never rounded up: 99.96 % is not all of it."""
    return f"{math.floor(round(share_pct * 10**digits, 6)) / 10**digits:.{digits}f}"


def shares_words(share: Mapping[str, Any], digits: int) -> str:
    """The least and the most share; one figure only where the two are one and no hour is unheard."""
    least, most = share_words(share["share_pct"], digits), share_words(share["share_most_pct"], digits)
    return f"{least} %" if least == most and not share["unheard_h"] else f"{least} to {most} %"


def month_words(share: Mapping[str, Any], month: str) -> str:
    """The month's share of water in specification, and the hours that nobody heard."""
    if share["share_pct"] is None:
        return f"In {month} no water was drawn yet, as far as is known."
    unheard = f" {share['unheard_h']:,.1f} h were not heard." if share["unheard_h"] else ""
    return (
        f"In {month} {shares_words(share, 1)} of the water drawn was lit, warm and at its dose.{unheard} "
        f"({IN_SPECIFICATION_AT_LEAST_PCT:g} % by volume is a figure of reference, 40 CFR 141.720(d)(3); it binds "
        "public systems only.)")
