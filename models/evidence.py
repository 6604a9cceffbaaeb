"""What a verdict rests on, decided from a unit's state: is its lamp warm, what dose holds, what is not answered?

Each of these is a judgement of the trade. `models.verdict` puts them together to one word; the store only looks up
what they are made from.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd

from models.advisory import Advisory, State
from models.advisory.marginal import MARGINAL_WATCH
from models.battery import NOMINALS
from models.dose import assess
from models.dose.water_band import Water
from models.exposure import DARK_SHARE, UnitState
from models.fleet import TAP_FLOW_L_MIN, Reactor, Unit
from models.shortfall import Severity

# A lead-acid battery of nominal 12 V is all but empty below; common practice, no source.
BATTERY_LOW_V = 11.8


@dataclass(frozen=True, slots=True, kw_only=True)
class DoseNow:
    """The dose that holds now, its lower bound, and the flow that both are for; None is not known. [mJ/cm2]"""

    warm: bool | None = None
    red: float | None = None
    low: float | None = None
    peak_low: float | None = None
    tap: float | None = None
    tap_low: float | None = None
    flow_l_min: float | None = None


def dose_now(
    reactor: Reactor, unit: Unit, held: UnitState | None, now: datetime, water: Water, ratios: tuple[float, float]
) -> DoseNow:
    """The dose that holds now.

    Parameters
    ----------
    held : UnitState or None
        The latest reading where it still speaks; None: nothing is known.
    ratios : tuple of float
        What doses are divided by for the duty sensor's last check, and what their lower bounds are, for its checks
        and for what its readings show of it. [-]

    Returns
    -------
    DoseNow
        0 for a lamp that is dark or cold; at peak flow where no water flows.
    """
    if held is None:
        return DoseNow()
    warm, flow = warm_now(held, reactor, now), held.flow_l_min
    peak = _dose(reactor, held, unit.peak_flow_l_min, water, ratios)
    red, low = _dose(reactor, held, flow, water, ratios) if flow else peak
    if held.lit is False or (held.lit and warm is False):
        red = low = 0.0  # dark or cold: nothing is credited
    elif not (held.lit is True and warm is True):
        red = low = None
    tap, tap_low = _dose(reactor, held, TAP_FLOW_L_MIN, water, ratios)
    return DoseNow(
        warm=warm, red=red, low=low, peak_low=peak[1], flow_l_min=flow if flow else unit.peak_flow_l_min,
        tap=tap, tap_low=tap_low)


def warm_now(state: UnitState, reactor: Reactor, now: datetime) -> bool | None:
    """Whether the lamp has burnt for its warm-up time; None where it does not burn or nobody knows."""
    if state.lit is None:
        return None
    if not state.lit:
        return False
    since = state.lamp_since or state.lit_from
    if since is not None and now - since >= timedelta(seconds=reactor.warm_up_s):
        return True
    if state.lamp_since is None and state.intensity_w_m2 is not None:
        return state.intensity_w_m2 >= reactor.alarm_intensity_w_m2
    return False


def _dose(
    reactor: Reactor, state: UnitState, flow_l_min: float | None, water: Water, ratios: tuple[float, float]
) -> tuple[float | None, float | None]:
    if water.rival is not None:  # the less of both, unknown where one is
        ways = [_dose(reactor, state, flow_l_min, one, ratios) for one in (replace(water, rival=None), water.rival)]
        red, low = (None if None in both else min(both) for both in zip(*ways, strict=True))
        return red, low
    found = assess(
        reactor, intensity_w_m2=np.nan if state.intensity_w_m2 is None else state.intensity_w_m2,
        flow_l_min=np.nan if flow_l_min is None else flow_l_min, uvt_pct=water.uvt_pct, uvt_live=water.live,
        uvt_test_points=water.points)
    value, bound = (float(np.ravel(one)[0]) / ratio for one, ratio in zip(
        (found.red_mj_cm2, found.red_low_mj_cm2), ratios, strict=True))
    return (None if np.isnan(value) else value), (None if np.isnan(bound) else bound)


def repeated_light(held: UnitState | None, reactor: Reactor) -> dict[str, Any]:
    """Light that is still reported although the power is off, as fields of `models.verdict.Present`."""
    light = held.intensity_w_m2 if held is not None and held.power_on is False else None
    if held is None or light is None or light < DARK_SHARE * reactor.alarm_intensity_w_m2:
        return {}
    return {"repeated_intensity_w_m2": light, "repeated_since": held.intensity_same_since}


def not_in_an_advisory(
    trouble: pd.DataFrame | None, advisory: Advisory | None, now: datetime
) -> dict[str, Any]:
    """Gaps and under-dosed water that no advisory has covered, as fields of `models.verdict.Present`.

    Parameters
    ----------
    trouble : DataFrame or None
        Intervals that no lift has answered: `kind`, `start`, `end`, litres as stored, `to_note`, `to_watch`.
    advisory : Advisory or None
        The unit's latest.
    now : datetime
        Aware; marginal water of long before is no longer to be watched.
    """
    if trouble is None or trouble.empty:
        return {}
    out: dict[str, Any] = {}
    noted, marginal = trouble["to_note"].to_numpy(bool), trouble["to_watch"].to_numpy(bool)
    late = (trouble["end"] > pd.Timestamp(now - MARGINAL_WATCH)).to_numpy(bool)
    old, little, rest = trouble[noted], trouble[marginal & late & ~noted], trouble[~noted & ~marginal]
    if len(little):
        out |= {"marginal_since": little["start"].min().to_pydatetime(),
                "marginal_l_upper": float(little["underdosed_l_upper"].sum()),
                "marginal_low_mj_cm2": float(little["dose_low_mj_cm2"].min())}
    if len(old):
        out |= {"to_note_since": old["start"].min().to_pydatetime(),
                "to_note_until": old["end"].max().to_pydatetime(),
                "to_note_l_upper": float(old["underdosed_l_upper"].sum())}
    if advisory is not None and advisory.state is not State.LIFTED:
        covered = advisory.exposure.end or advisory.updated_at
        rest = rest[rest["end"] > pd.Timestamp(covered)]
    gaps = rest[rest["kind"] == "unheard"]
    rest = rest[rest["kind"] != "unheard"]
    if len(gaps):
        out["gap_since"] = gaps["start"].min().to_pydatetime()
    if len(rest):
        out |= {"underdosed_since": rest["start"].min().to_pydatetime(),
                "underdosed_l": float(rest["underdosed_l"].sum(min_count=1)),
                "underdosed_l_upper": float(rest["underdosed_l_upper"].sum())}
    return out


def battery_low_v(battery_v: float | None) -> float | None:
    """Below which voltage a supply battery of this one's nominal voltage is low; None where nobody can say. [V]"""
    return BATTERY_LOW_V if battery_v and battery_v < NOMINALS[12] else None


def tail_bad_since(tail: pd.DataFrame | None) -> datetime | None:
    """Since when, within what is heard now, the time has not been lit, warm and dosed; None: it is.

    Parameters
    ----------
    tail : DataFrame or None
        The time since the latest reading: `kind`, `start`, `severity`, `underdosed_l_upper`.
    """
    if tail is None:
        return None
    # a warm-up without a draw is over when it is over
    last = len(tail) - 1
    tail = tail[tail["severity"] != Severity.MARGINAL]  # what is short by little is a finding of its own
    bad = tail[(tail["kind"] != "lit") & ((tail["underdosed_l_upper"] > 0) | (tail.index == last))]
    return bad["start"].iloc[0].to_pydatetime() if len(bad) else None
