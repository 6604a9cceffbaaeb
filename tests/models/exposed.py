"""One unit's readings, or several units', through the rooms that judge them: what most tests of them need."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from models.exposure import (
    UnitState,
    covered_s,
    cut,
    exposure,
    join,
    no_states,
    open_tail,
    period_us,
    profile,
    rows_of,
    segments,
)
from models.exposure.resume import DOSES
from models.exposure.rows import Rows
from models.fleet import Reactor, Unit

DOSED_MJ_CM2 = 60.0  # well above every target here


def profiles(units: Sequence[Unit], reactor: Reactor, unit_no: np.ndarray) -> pd.DataFrame:
    """What the registry says at each row, a row of the table each."""
    return pd.DataFrame([profile(unit, reactor) for unit in units]).take(unit_no).reset_index(drop=True)


def doses(rows: Rows, readings: pd.DataFrame, states: pd.DataFrame) -> dict[str, np.ndarray]:
    """The doses that readings name; what they leave out is good light wherever intensity and flow are known.

    Of best estimates that they do not name at all, the lower bound.
    """
    order = np.lexsort((np.arange(len(rows)) >= len(states), np.concatenate(
        [states["unit_no"].to_numpy(np.int64), readings["unit_no"].to_numpy(np.int64)])))
    flow, light = rows.near("flow_l_min"), rows.near("intensity_w_m2")
    usual = np.where(np.isnan(flow) | np.isnan(light), np.nan, np.where(flow == 0, np.inf, DOSED_MJ_CM2))
    out: dict[str, np.ndarray] = {}
    for name in DOSES:
        otherwise = {"dose_low_mj_cm2": usual, "dose_low_at_peak_mj_cm2": np.full(len(rows), np.nan)}.get(name)
        if otherwise is None:
            lower = out[name.replace("dose_", "dose_low_")]
            otherwise = np.full(len(rows), np.nan) if name in readings else lower
        given = readings[name].to_numpy(float) if name in readings else np.full(len(readings), np.nan)
        column = np.concatenate([states[name].to_numpy(float), given])[order]
        out[name] = np.where(np.isnan(column) & ~rows.is_state, otherwise, column)
    return out


def exposed_together(
    readings: pd.DataFrame, units: Sequence[Unit], reactor: Reactor, *, states: pd.DataFrame | None = None,
    links: pd.DataFrame | None = None,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Pieces and states of several units; readings carry `unit_no`, positions in `units`, sorted by it and `at`."""
    kept = no_states() if states is None else states
    unit_no = np.concatenate([kept["unit_no"].to_numpy(np.int64), readings["unit_no"].to_numpy(np.int64)])
    rows = rows_of(readings, profiles(units, reactor, unit_no), kept if len(kept) else None)
    return exposure(rows, **doses(rows, readings, kept), links=links)


def exposed(
    readings: pd.DataFrame, *, unit: Unit, reactor: Reactor, state: pd.DataFrame | None = None,
    links: pd.DataFrame | None = None,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Pieces and states of one unit; `links` with columns `at` and `up`, `state` one row of a table of states."""
    events = None if links is None else links.assign(unit_no=0)
    return exposed_together(readings.assign(unit_no=0), [unit], reactor, states=state, links=events)


def state_at(states: pd.DataFrame, position: int = -1) -> pd.DataFrame:
    """One state of a table, itself a table, to take up from."""
    return states.iloc[[position]].reset_index(drop=True)


def unit_state(states: pd.DataFrame, unit: Unit, position: int = -1) -> UnitState:
    """The same as one value, as verdicts and pages take it."""
    return UnitState.from_row(
        states.iloc[position].to_dict(), covered_s=float(covered_s(unit.cadence_s, 300.0)))


def tail_of(
    state: pd.DataFrame, now: pd.Timestamp, *, unit: Unit, reactor: Reactor, overdue_s: float | None = None,
    links: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """What holds from a state to now."""
    return open_tail(
        state, profiles([unit], reactor, np.zeros(1, np.int64)), now_us=now.value // 1000,
        overdue_s=np.array([unit.overdue_s if overdue_s is None else overdue_s]),
        links=None if links is None else links.assign(unit_no=0))


def stored_of(pieces: pd.DataFrame, time_zone: str = "UTC") -> pd.DataFrame:
    """Segments as the store keeps them, of one unit."""
    period = np.array([period_us(time_zone)])
    return segments(cut(pieces, period), period)


def intervals_of(pieces: pd.DataFrame) -> pd.DataFrame:
    """Whole intervals as people see them, of one unit."""
    return join(stored_of(pieces))
