"""The state of a unit after one reading: all that the time after it depends on, to take up from.

States of many units are one table, a typed column a field; one unit's, for people, is a `UnitState`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd

from models.exposure.instants import NEVER, moment

STATE_QUANTITIES = (
    "intensity_w_m2", "flow_l_min", "total_l", "uvt_pct", "water_temp_c", "battery_v", "lamp_hours",
)
LASTING = ("total_l", "lamp_hours")  # counters stand as last read
# Lower bounds; and best estimates, NaN also where nobody tested the unit at such water or flow.
DOSES = ("dose_low_mj_cm2", "dose_low_at_peak_mj_cm2", "dose_mj_cm2", "dose_at_peak_mj_cm2")

# The last value of each quantity, however old, and when it was measured; the doses of the state's own row.
FLOATS = (*STATE_QUANTITIES, *DOSES)
INTS = (
    "at_us", *(f"{name}_at_us" for name in STATE_QUANTITIES),
    "power_said", "power_said_at_us", "power", "power_since_us",  # 1 on, 0 off, -1 not known
    "lamp_said", "lamp_said_at_us", "lamp_stated", "lamp_stated_since_us",  # as of `witnesses.Stated`
    "gap_at_us",  # the last reading that came after a missing one
    "light_changed_at_us",  # the last reading of a shining lamp with another intensity than the one before
    "light_changed_gap_at_us",  # `gap_at_us` as it was then
    "lamp",  # all signals weighed: 1 burning, 0 dark, -1 not known
    "lit_from_us",  # burning at least since
    "lit_least_us",  # it cannot have begun to burn before
    "said_on_since_us",
    "intensity_same_since_us",
    "tick_at_us", "tick_slack_us",  # the lamp's counter last moved then, or up to the slack before
    "tick_run",  # readings in a row at each of which it moved
    "not_lit_since_tick_us",
    # whole microlitres and microseconds since the last running total, by what they were
    "finest_ul",  # the least by which the running total has ever moved
    "possible_ul", "flow_most_ul", "flow_ul", "moved_ul", "tank_used_ul", "holds_ul", "suspect_ul", "sure_ul",
    "sure_least_ul", "other_least_ul", "metered_ul", "gap_ul", "gap_us", "span_us", "other_us",
)
BOOLS = (
    "lamp_stated_fresh",  # it was known to be dark just before `lamp_stated_since_us`
    "lit_known",  # it was dark just before `lit_from_us`
    "other_before",  # whether the totals' span before the present one held time that was not under suspicion
)
DEFAULTS: Mapping[str, int | bool | float] = {
    **dict.fromkeys(FLOATS, np.nan), **dict.fromkeys(BOOLS, False),
    **{name: NEVER if name.endswith(("at_us", "since_us", "from_us", "least_us")) else 0 for name in INTS},
    "not_lit_since_tick_us": 0, "tick_slack_us": 0, "finest_ul": 10**15,
    "power_said": -1, "power": -1, "lamp_said": -1,
    "lamp_stated": -1, "lamp": -1,
}
STATE_COLUMNS = (*INTS, *FLOATS, *BOOLS)


def no_states() -> pd.DataFrame:
    """A table of states without a row."""
    return pd.DataFrame({
        "unit_no": np.zeros(0, np.int64),
        **{name: np.zeros(0, np.int64) for name in INTS}, **{name: np.zeros(0) for name in FLOATS},
        **{name: np.zeros(0, bool) for name in BOOLS}})


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitState:
    """What one unit's readings come to after its latest, for verdicts and pages. None is not known.

    A quantity that was last measured longer before `at` than two ends cover is not known; a running total and a
    lamp's hours stand as last read.
    """

    at: datetime
    intensity_w_m2: float | None = None
    intensity_w_m2_at: datetime | None = None
    flow_l_min: float | None = None
    flow_l_min_at: datetime | None = None
    total_l: float | None = None
    total_l_at: datetime | None = None
    uvt_pct: float | None = None
    uvt_pct_at: datetime | None = None
    water_temp_c: float | None = None
    water_temp_c_at: datetime | None = None
    battery_v: float | None = None
    battery_v_at: datetime | None = None
    lamp_hours: float | None = None
    lamp_hours_at: datetime | None = None
    dose_low_mj_cm2: float | None = None
    dose_low_at_peak_mj_cm2: float | None = None
    dose_mj_cm2: float | None = None
    dose_at_peak_mj_cm2: float | None = None
    power_on: bool | None = None
    power_since: datetime | None = None
    stated_since: datetime | None = None
    lit: bool | None = None
    lit_from: datetime | None = None
    lamp_since: datetime | None = None  # it came on then; None: unknown when
    intensity_same_since: datetime | None = None

    @classmethod
    def from_row(cls, row: Mapping[str, Any], *, covered_s: float) -> UnitState:
        """From a row of a table of states."""
        at_us = int(row["at_us"])
        values: dict[str, Any] = {"at": moment(at_us)}
        for name in STATE_QUANTITIES:
            number = float(row[name])
            speaks = name in LASTING or at_us - int(row[f"{name}_at_us"]) <= covered_s * 1e6
            if not np.isnan(number) and speaks:
                values[name], values[f"{name}_at"] = number, moment(int(row[f"{name}_at_us"]))
        for name in DOSES:
            number = float(row[name])
            values[name] = None if np.isnan(number) else number
        power, lamp = int(row["power"]), int(row["lamp"])
        lit_from = moment(int(row["lit_from_us"])) if lamp == 1 else None
        return cls(
            **values, power_on=None if power < 0 else bool(power), power_since=moment(int(row["power_since_us"])),
            stated_since=moment(int(row["lamp_stated_since_us"])), lit=None if lamp < 0 else bool(lamp),
            lit_from=lit_from, lamp_since=lit_from if bool(row["lit_known"]) else None,
            intensity_same_since=moment(int(row["intensity_same_since_us"])))
