"""Chlorinating a unit's plumbing: how much bleach, for how long, what that reaches, and how not to get hurt.

Water that went past a dark lamp stands in pipes and tanks, and ultraviolet light leaves nothing behind that would
work there. Values and their marks: SOURCES.md, section 7. Local codes, the local health authority and licensed
trades go before all of it.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from dataclasses import dataclass

from models.advisory.work_cautions import PLUMBING_LIMIT_MG_L, Work, sentences

WORKS = frozenset({  # what a plan asks for; cartridges come out of their housings
    Work.FILL_WITH_BLEACH, Work.CHLORINATE, Work.OPEN_HOUSING, Work.FLUSH_HOT, Work.DRAIN_TANK})
STRENGTHS_PCT = (5.25, 6.0, 8.25)  # household bleach, % w/v sodium hypochlorite
# Free chlorine is counted as Cl2, a label as NaOCl: 70.906 g of the one stand for 74.442 g of the other by standard
# atomic weights (SOURCES.md section 7). A label's per cent taken as chlorine would leave the water 5 % short.
CHLORINE_OVER_HYPOCHLORITE = 2 * 35.453 / (22.990 + 35.453 + 15.999)
DOSE_MIN_MG_L = 50.0  # extension-type guide: 50-100 mg/L, at least 6 h (seen, S49)
DOSE_MG_L = 100.0  # Maryland COMAR 26.04.04.24: at least 100 mg/L (seen, S50)
CONTACT_MIN_H = 6.0  # seen, S49; a county leaflet says 6 to 24 h (seen, S54)
CONTACT_H = 12.0  # common in the usual span of 6 to 24 h (from memory)
CONTACT_LIMIT_H = 24.0
HOT_LIMIT_C = 40.5  # bleach is ineffective above 105 F (seen, S56)

# Free-chlorine CT in mg min/L, EPA 815-R-20-003, Appendix B (seen, public transcription S57).
CT_TEMPERATURES_C = (0.5, 5.0, 10.0, 15.0, 20.0, 25.0)
CT_PH = (6.0, 6.5, 7.0, 7.5, 8.0, 8.5, 9.0)
CT_GIARDIA_CHLORINE_MG_L = 1.0  # the one column that we hold
GIARDIA_TABLE_LOG = 3.0  # what its CT is for
CT_GIARDIA_3_LOG = (
    (148, 176, 210, 253, 304, 365, 437),
    (105, 125, 149, 179, 216, 260, 312),
    (79, 94, 112, 134, 162, 195, 234),
    (53, 63, 75, 90, 108, 130, 156),
    (39, 47, 56, 67, 81, 98, 117),
    (26, 31, 37, 45, 54, 65, 78),
)
CT_VIRUS_4_LOG = {9.0: (12, 8, 6, 4, 3, 2), 10.0: (90, 60, 45, 30, 22, 15)}  # up to that pH


@dataclass(frozen=True, slots=True, kw_only=True)
class Chlorination:
    """What to do to one unit's plumbing, and what it reaches.

    Attributes
    ----------
    water_l, bleach_ml, dose_mg_l, contact_h : float
        Water to treat, bleach for it, the dose at the start, and how long it stands. [L, mL, mg/L, h]
    ct_upper_mg_min_l : float
        Dose x time: what is reached if no chlorine is used up, so never more than this. [mg min/L]
    ct_mg_min_l : float or None
        Chlorine left at the end x time: what is reached for certain. None: nobody measured it. [mg min/L]
    ct_virus_4_log : float or None
        What 4-log virus needs at this temperature and pH. None: outside the table. [mg min/L]
    virus_4_log_reached : bool or None
        None where `ct_mg_min_l` or `ct_virus_4_log` is.
    giardia_log : float or None
        Reached for certain, and never told as more than the 3 log that the table is for. None: nobody measured the
        chlorine left, or the table that we hold does not reach it. [log10]
    """

    water_l: float
    bleach_ml: float
    strength_pct: float
    dose_mg_l: float
    contact_h: float
    ct_upper_mg_min_l: float
    ct_mg_min_l: float | None
    ct_virus_4_log: float | None
    virus_4_log_reached: bool | None
    giardia_log: float | None
    steps: tuple[str, ...]
    cautions: tuple[str, ...]


def bleach_ml(*, water_l: float, dose_mg_l: float, strength_pct: float) -> float:
    """Bleach that gives this dose to this water. [mL]

    Parameters
    ----------
    water_l : float
        [L]
    dose_mg_l : float
        Free chlorine wanted. [mg/L]
    strength_pct : float
        Of the bleach, as its label has it: % w/v sodium hypochlorite. [%]

    Notes
    -----
    V = C x V_water / (10 000 x pct x 0.9525), litres of bleach per litres of water; 0.9525 g of chlorine stand for
    a gram of sodium hypochlorite.
    """
    _require("water_l", water_l, low=0)
    _require("dose_mg_l", dose_mg_l, low=0)
    _require("strength_pct", strength_pct, above=0, high=20)
    return 1000.0 * dose_mg_l * water_l / (10_000.0 * strength_pct * CHLORINE_OVER_HYPOCHLORITE)


def chlorination(
    *, cold_plumbing_l: float, hot_tank_l: float, strength_pct: float, dose_mg_l: float = DOSE_MG_L,
    contact_h: float = CONTACT_H, water_temp_c: float | None = None, ph: float | None = None,
    residual_mg_l: float | None = None,
) -> Chlorination:
    """Plan, or judge afterwards, the chlorination of what stands behind a unit.

    Parameters
    ----------
    cold_plumbing_l, hot_tank_l : float
        What the pipes and the tank hold. [L]
    strength_pct : float
        Of the bleach. [%]
    dose_mg_l : float
        50 to 200. [mg/L]
    contact_h : float
        6 to 24. [h]
    water_temp_c, ph : float or None
        Of the water, for the CT that viruses need; a pH of 0 to 14. [C]
    residual_mg_l : float or None
        Free chlorine measured at the farthest tap at the end; None before it is done. [mg/L]

    Raises
    ------
    ValueError
        If a value is outside its bounds, or the residual above the dose; the message says which are allowed.
    """
    _require("cold_plumbing_l", cold_plumbing_l, low=0)
    _require("hot_tank_l", hot_tank_l, low=0)
    water_l = cold_plumbing_l + hot_tank_l
    if water_l == 0:
        raise ValueError("cold_plumbing_l and hot_tank_l are both 0 L: say how much water the plumbing holds")
    _require("dose_mg_l", dose_mg_l, low=DOSE_MIN_MG_L, high=PLUMBING_LIMIT_MG_L)
    _require("contact_h", contact_h, low=CONTACT_MIN_H, high=CONTACT_LIMIT_H)
    if water_temp_c is not None and water_temp_c > HOT_LIMIT_C:
        raise ValueError(
            f"water_temp_c must be at most {HOT_LIMIT_C:g} C, bleach does not work hotter; got {water_temp_c!r}: "
            "turn the heater off first"
        )
    if ph is not None:
        _require("ph", ph, low=0, high=14)
    if residual_mg_l is not None:
        _require("residual_mg_l", residual_mg_l, low=0, high=dose_mg_l)
    volume_ml = bleach_ml(water_l=water_l, dose_mg_l=dose_mg_l, strength_pct=strength_pct)
    minutes = 60.0 * contact_h
    needed = ct_virus_4_log(water_temp_c=water_temp_c, ph=ph)
    reached = None if residual_mg_l is None else residual_mg_l * minutes
    return Chlorination(
        water_l=water_l, bleach_ml=volume_ml, strength_pct=strength_pct, dose_mg_l=dose_mg_l, contact_h=contact_h,
        ct_upper_mg_min_l=dose_mg_l * minutes, ct_mg_min_l=reached, ct_virus_4_log=needed,
        virus_4_log_reached=None if reached is None or needed is None else reached >= needed,
        giardia_log=_giardia_log(reached, residual_mg_l, water_temp_c, ph),
        steps=(
            f"Mix {_measure(volume_ml)} of {strength_pct:g} % bleach into the {water_l:.0f} L that the plumbing "
            f"holds: {dose_mg_l:g} mg/L.",
            f"Let it stand for {contact_h:g} h with all taps closed.",
            "Measure the free chlorine at the farthest tap, then flush every cold and hot tap.",
            "Record who did it and when.",
        ),
        cautions=sentences(WORKS),
    )


def _giardia_log(
    ct_mg_min_l: float | None, residual_mg_l: float | None, water_temp_c: float | None, ph: float | None
) -> float | None:
    """Giardia by the chlorine left at the end, at most what the table is for."""
    if ct_mg_min_l is None or residual_mg_l is None:
        return None
    needed = ct_giardia_3_log(water_temp_c=water_temp_c, ph=ph, chlorine_mg_l=residual_mg_l)
    return None if needed is None else min(
        GIARDIA_TABLE_LOG, giardia_log(ct_mg_min_l=ct_mg_min_l, ct_3_log_mg_min_l=needed))


def ct_giardia_3_log(*, water_temp_c: float | None, ph: float | None, chlorine_mg_l: float) -> float | None:
    """CT for 3-log Giardia by free chlorine, from the table. [mg min/L]

    Temperature is rounded down, pH up, chlorine up (EPA's conservative method; seen, S57). None where the table
    that we hold ends: colder than 0.5 C, above pH 9 or 1.0 mg/L, or a value not known. Never extrapolated.
    """
    _require("chlorine_mg_l", chlorine_mg_l, low=0)
    row = _row(water_temp_c)
    if row is None or ph is None or not ph <= CT_PH[-1] or chlorine_mg_l > CT_GIARDIA_CHLORINE_MG_L:
        return None
    return float(CT_GIARDIA_3_LOG[row][bisect_left(CT_PH, ph)])


def ct_virus_4_log(*, water_temp_c: float | None, ph: float | None) -> float | None:
    """CT for 4-log viruses by free chlorine, from the table, rounded as `ct_giardia_3_log`. [mg min/L]

    None where the table ends: colder than 0.5 C, above pH 10, or a value not known.
    """
    row = _row(water_temp_c)
    if row is None or ph is None:
        return None
    column = next((values for most, values in CT_VIRUS_4_LOG.items() if ph <= most), None)
    return None if column is None else float(column[row])


def giardia_log(*, ct_mg_min_l: float, ct_3_log_mg_min_l: float) -> float:
    """Log inactivation of Giardia: 3 x CT / CT for 99.9 % (40 CFR 141.534, seen S58)."""
    _require("ct_mg_min_l", ct_mg_min_l, low=0)
    _require("ct_3_log_mg_min_l", ct_3_log_mg_min_l, above=0)
    return GIARDIA_TABLE_LOG * ct_mg_min_l / ct_3_log_mg_min_l


def _row(water_temp_c: float | None) -> int | None:
    """Row of the table at or below this temperature."""
    if water_temp_c is None or math.isnan(water_temp_c) or water_temp_c < CT_TEMPERATURES_C[0]:
        return None
    return bisect_right(CT_TEMPERATURES_C, water_temp_c) - 1


def _measure(volume_ml: float) -> str:
    """A volume that can be measured out: up to the next 5 mL, so that the dose is never short."""
    up = 5 * math.ceil(volume_ml / 5 - 1e-9)
    return f"{up / 1000:.2f} L" if up >= 1000 and up % 10 == 0 else f"{up} mL"


def _require(
    name: str, value: float, *, low: float = -math.inf, above: float = -math.inf, high: float = math.inf
) -> None:
    """Refuse what is no finite number within bounds."""
    if not math.isfinite(value) or value < low or value <= above or value > high:
        bounds = [f"at least {low:g}"] * (low > -math.inf) + [f"above {above:g}"] * (above > -math.inf)
        bounds += [f"at most {high:g}"] * (high < math.inf)
        raise ValueError(f"{name} must be a finite number, {' and '.join(bounds)}; got {value!r}")
