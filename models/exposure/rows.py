"""Readings of many units as columns, each behind the state that its unit is taken up from.

Row `i` of every array is one reading (or event) of one unit; a unit's first row may be its state. All that is
computed from here on is whole columns over all units at once: a value is carried down its own unit's rows by the
index of the last row that had it (`Rows.last`), never across the border to the next unit.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import pandas as pd

from models.exposure.instants import NEVER, US_PER_H, US_PER_S, Bools, Floats, Ints, instants, microseconds
from models.exposure.resume import BOOLS, DEFAULTS, FLOATS, INTS, STATE_QUANTITIES
from models.fleet import COVERED_CADENCES, Reactor, Unit
from models.shortfall import marginal_from_mj_cm2, under_treated_from_mj_cm2

EVENTS = ("lamp_on", "power_on")
# Of two different values for one instant, the worse: lamp and power off, less light, more flow, a lamp that burned
# for less. More water counted, since what was counted has passed.
WORSE_VALUE: dict[str, Literal["min", "max"]] = {
    "lamp_on": "min", "power_on": "min", "intensity_w_m2": "min", "flow_l_min": "max", "total_l": "max",
    "uvt_pct": "min", "water_temp_c": "min", "battery_v": "min", "lamp_hours": "min",
}
# A row that lacks one of these speaks by the worse of the readings around it, if these lie so close together that
# one cell alone is missing. Common practice, no source.
WORSE = {"intensity_w_m2": np.fmin, "flow_l_min": np.fmax, "uvt_pct": np.fmin}
CELL_CADENCES, CELLS_CADENCES = 2.5, 5.5
PROFILE = (
    "cadence_s", "two_ends_s", "peak_flow_l_min", "drawdown_l", "gravity_fed", "meter", "counter_step_h",
    "dose_target_mj_cm2", "marginal_from_mj_cm2", "under_treated_from_mj_cm2", "warm_up_s", "rewarm_s",
    "alarm_intensity_w_m2", "shutoff",
)


def profile(
    unit: Unit, reactor: Reactor, *, two_ends_s: float = 300.0, protozoa_from_mj_cm2: float = 0.0,
    partial_share: float = 0.5,
) -> dict[str, float]:
    """What judging a unit's time needs of the registry, as numbers for columns.

    Parameters
    ----------
    protozoa_from_mj_cm2 : float
        The dose at which both protozoa keep their 3 log in this reactor. [mJ/cm2]
    partial_share : float
        Of the target, from which on lit water counts as under-treated and no longer as untreated.
    """
    step, target = unit.lamp_hours_step_h, unit.dose_target_mj_cm2
    return {
        "cadence_s": unit.cadence_s, "two_ends_s": two_ends_s, "peak_flow_l_min": unit.peak_flow_l_min,
        "drawdown_l": unit.drawdown_l, "gravity_fed": float(unit.gravity_fed),
        "meter": float(unit.total_kept_by_meter), "counter_step_h": np.nan if step is None else step,
        "dose_target_mj_cm2": target,
        "marginal_from_mj_cm2": marginal_from_mj_cm2(target, protozoa_from_mj_cm2),
        "under_treated_from_mj_cm2": under_treated_from_mj_cm2(target, protozoa_from_mj_cm2, partial_share),
        "warm_up_s": reactor.warm_up_s,
        "rewarm_s": reactor.rewarm_s, "alarm_intensity_w_m2": reactor.alarm_intensity_w_m2,
        "shutoff": float(unit.shutoff is not None),
    }


def covered_s(cadence_s: Floats | float, two_ends_s: Floats | float) -> Floats:
    """How long two lit ends alone cover. [s]"""
    return np.minimum(COVERED_CADENCES * np.asarray(cadence_s, float), two_ends_s)


def look_ahead_s(cadence_s: Floats | float, two_ends_s: Floats | float) -> Floats:
    """How far ahead of a row a reading may lie that it speaks by. [s]"""
    return covered_s(cadence_s, two_ends_s) * (CELLS_CADENCES / COVERED_CADENCES)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rows:
    """Columns of readings, sorted by unit and instant; instants in whole microseconds.

    Attributes
    ----------
    unit_no, at : ndarray of int, shape (n,)
        Whose row it is, and when.
    first : ndarray of int, shape (n,)
        Index of its unit's first row.
    is_state : ndarray of bool, shape (n,)
        The state that its unit is taken up from; what was measured stands in `value` with its own time.
    state : dict of ndarray, shape (n,)
        The fields of the state, meaningless where not `is_state`.
    own : dict of ndarray of float, shape (n,)
        What this very row measured or stated (`QUANTITIES` and `EVENTS`), NaN where it did not; NaN in states.
    value, value_at : dict of ndarray, shape (n,)
        The last measured up to here, however old, and when (`NEVER`: not yet).
    covered : ndarray of int, shape (n,)
        How long two lit ends cover from here. [us]
    between : dict of ndarray, shape (n,)
        Where a row lacks a quantity that was measured shortly before and after it, the worse of the two
        (`WORSE`); NaN elsewhere.
    around : dict of ndarray, shape (n,)
        The same of readings up to `CELLS_CADENCES` apart.
    profile : dict of ndarray of float, shape (n,)
        `PROFILE` at that row.
    """

    unit_no: Ints
    at: Ints
    first: Ints
    is_state: Bools
    state: dict[str, Ints | Floats | Bools]
    own: dict[str, Floats]
    value: dict[str, Floats]
    value_at: dict[str, Ints]
    covered: Ints
    profile: dict[str, Floats]
    between: dict[str, Floats]
    around: dict[str, Floats]
    index: Ints = field(repr=False)

    def __len__(self) -> int:
        return self.at.size

    def last(self, valid: Bools) -> Ints:
        """Per row the index of the unit's last row so far where `valid`; -1 before the first."""
        found = np.maximum.accumulate(np.where(valid, self.index, -1)) if valid.size else self.index
        return np.where(found >= self.first, found, -1)

    def next(self, valid: Bools) -> Ints:
        """Per row the index of the unit's next row, itself included, where `valid`; -1 where there is none."""
        if not valid.size:
            return self.index
        n = valid.size
        found = np.minimum.accumulate(np.where(valid, self.index, n)[::-1])[::-1]
        same = found < n
        same &= self.unit_no[np.minimum(found, n - 1)] == self.unit_no
        return np.where(same, found, -1)

    @property
    def begins(self) -> Bools:
        """The first row of each unit."""
        begins: Bools = self.index == self.first
        return begins

    def before(self, column: Ints | Floats | Bools, fill: float | bool) -> np.ndarray:
        """The column one row earlier; `fill` in a unit's first row."""
        shifted = np.empty_like(column)
        shifted[1:] = column[:-1]
        shifted[self.begins] = fill
        return shifted

    def following(self, valid: Bools) -> Ints:
        """Per row the index of the unit's next row after it where `valid`; -1 where there is none."""
        out = np.full(len(self), -1)
        if len(self):
            out[:-1] = np.where(self.unit_no[1:] == self.unit_no[:-1], self.next(valid)[1:], -1)
        return out

    @property
    def behind(self) -> Ints:
        """Per row the index behind its unit's last row."""
        ends = np.append(np.flatnonzero(self.begins)[1:], len(self))
        return ends[np.cumsum(self.begins) - 1] if len(self) else self.index

    @property
    def hour_ends(self) -> Bools:
        """The last row of each UTC hour of a unit: where its state is kept."""
        ends = np.ones(len(self), bool)
        hour = self.at // US_PER_H
        ends[:-1] = (hour[1:] != hour[:-1]) | (self.unit_no[1:] != self.unit_no[:-1])
        return ends

    def previous(self, name: str) -> tuple[Floats, Ints]:
        """Per row what the unit last measured of a quantity before it, and when; NaN and `NEVER` where nothing."""
        value, when = self.before(self.value[name], np.nan), self.before(self.value_at[name], NEVER)
        return value, when

    def near(self, name: str) -> Floats:
        """As `fresh`; where several cells in a row are missing too, the worse of the readings around them.

        Light, flow and water change slowly enough for a dose; whether the lamp burned is no question for it.
        """
        here = self.fresh(name)
        return np.where(np.isnan(here), self.around[name], here)

    def fresh(self, name: str) -> Floats:
        """The last value where it still speaks, NaN where it is older than two ends cover.

        A single cell that is missing from a row speaks by its neighbours, the worse of the two.
        """
        held = np.where(self.at - self.value_at[name] <= self.covered, self.value[name], np.nan)
        return np.where(np.isnan(self.between[name]), held, self.between[name]) if name in self.between else held


def rows_of(readings: pd.DataFrame, profiles: pd.DataFrame, states: pd.DataFrame | None = None) -> Rows:
    """Columns for readings of any number of units.

    Parameters
    ----------
    readings : DataFrame, n rows
        `unit_no` (whole numbers), `at` (datetime64[us, UTC]), sorted by both, each instant once, all after the
        unit's state. Any of `QUANTITIES` and `EVENTS`; a missing column is not measured, as is NaN.
    profiles : DataFrame
        `PROFILE`, a row for each state and then for each reading, in their order.
    states : DataFrame, optional
        As of `models.exposure.resume`, at most one a unit, with `unit_no`.

    Raises
    ------
    ValueError
        If instants are naive, doubled, not sorted, or not after the unit's state.
    """
    k = 0 if states is None else len(states)
    unit_no = np.concatenate([
        np.zeros(0, np.int64) if states is None else states["unit_no"].to_numpy(np.int64),
        readings["unit_no"].to_numpy(np.int64)])
    at = np.concatenate([
        np.zeros(0, np.int64) if states is None else states["at_us"].to_numpy(np.int64),
        microseconds(readings["at"])])
    is_state = np.arange(at.size) < k
    # a stable sort, so that a state stands before the readings of its unit
    order = np.lexsort((at, ~is_state, unit_no))
    unit_no, at, is_state = unit_no[order], at[order], is_state[order]
    index = np.arange(at.size)
    starts = np.ones(at.size, bool)
    starts[1:] = unit_no[1:] != unit_no[:-1]
    falls = np.flatnonzero(~starts[1:] & (np.diff(at) <= 0)) if at.size else index
    if falls.size:
        where = instants(at[falls[0] + 1 : falls[0] + 2])[0]
        raise ValueError(
            "readings must be sorted by `at`, each instant once, all after the state taken up from; the one at "
            f"{where} does not come after the one before")
    first = np.maximum.accumulate(np.where(starts, index, 0)) if at.size else index
    state: dict[str, Ints | Floats | Bools] = {}
    for name in (*INTS, *FLOATS, *BOOLS):
        column = np.full(at.size, DEFAULTS[name])
        if states is not None and k:
            column[is_state] = states[name].to_numpy()[order[is_state]]
        state[name] = column
    own: dict[str, Floats] = {}
    for name in (*STATE_QUANTITIES, *EVENTS):
        column = np.full(at.size, np.nan)
        column[~is_state] = _numbers(readings, name)[order[~is_state] - k]
        own[name] = column
    value, value_at = {}, {}
    given = {name: profiles[name].to_numpy(dtype=float)[order] for name in PROFILE}
    covered = np.rint(covered_s(given["cadence_s"], given["two_ends_s"]) * US_PER_S).astype(np.int64)
    for name in STATE_QUANTITIES:
        mine = np.where(is_state, state[name], own[name])
        when = np.where(is_state, state[f"{name}_at_us"], at)
        has = np.maximum.accumulate(np.where(~np.isnan(mine), index, -1)) if at.size else index
        has = np.where(has >= first, has, -1)
        value[name] = np.where(has >= 0, mine[has], np.nan) if at.size else mine
        value_at[name] = np.where(has >= 0, when[has], NEVER) if at.size else when
    rows = Rows(
        unit_no=unit_no, at=at, first=first, is_state=is_state, state=state, own=own, value=value,
        value_at=value_at, covered=covered, profile=given, between={}, around={}, index=index)
    for name in WORSE:
        rows.between[name] = _between(rows, name, CELL_CADENCES)
        rows.around[name] = _between(rows, name, CELLS_CADENCES)
    return rows


def _between(rows: Rows, name: str, cadences: float) -> Floats:
    """The worse of the readings before and after a row that lacks this quantity; NaN where there are no such."""
    out = np.full(len(rows), np.nan)
    own = rows.own[name]
    q = rows.next(~np.isnan(own))
    i = np.flatnonzero((rows.value_at[name] != rows.at) & (rows.value_at[name] != NEVER) & (q >= 0))
    if not i.size:
        return out
    close = rows.at[q[i]] - rows.value_at[name][i] <= rows.covered[i] * (cadences / COVERED_CADENCES)
    i = i[close]
    out[i] = WORSE[name](rows.value[name][i], own[q[i]])
    return out


def _numbers(readings: pd.DataFrame, name: str) -> Floats:
    """One column as floats, NaN not measured."""
    if name not in readings:
        return np.full(len(readings), np.nan)
    column = readings[name]
    if column.dtype == np.float64:
        return column.to_numpy()
    known = column.astype("boolean") if name in EVENTS else column.astype("Float64")
    return np.asarray(known.to_numpy(dtype=np.float64, na_value=np.nan), dtype=np.float64)
