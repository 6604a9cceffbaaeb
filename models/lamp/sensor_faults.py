"""Which readings of intensity speak of the lamp, and sensors that do not tell the truth, by name.

Works on whole tables of readings, many units at once, sorted by unit and instant.
"""

from __future__ import annotations

from enum import StrEnum

import numpy as np
import pandas as pd

STUCK_H, STUCK_READINGS = 6.0, 30  # the same value for so long and so often; common practice, no source
STUCK_TIMES_USUAL = 10  # and so many times longer than the unit's usual run of one value (coarse sensors)
LEAST_VALUES = 5  # a sensor that once showed so many values in a day and now shows one is stuck; common practice
STUCK_ANYWAY_H = 72.0  # the same value for so long is stuck however coarse the sensor; common practice, no source
# Share of lit readings at exactly the highest value ever read, and how many times more than at any other value.
SATURATED_SHARE, SATURATED_TIMES = 0.05, 3  # common practice, no source
OFFSET_SHARE, OFFSET_READINGS = 0.02, 5  # of the lit median, read with the lamp off; common practice
FLOWING_L_MIN = 0.2  # under it water stands: it warms, and the lamp leaves its optimum; common practice
GAP_TIMES_CADENCE = 3  # what was lit before a longer silence is not known to be warm after it


class SensorFault(StrEnum):
    """What is wrong with a sensor of intensity."""

    NONE = ""
    STUCK = "stuck"
    SATURATED = "saturated"
    OFFSET = "offset"


def lit_seconds(readings: pd.DataFrame, *, cadence_s: float | np.ndarray = 60.0) -> np.ndarray:
    """How long the lamp has been on at each reading.

    Parameters
    ----------
    readings : DataFrame
        `cabin`, `unit`, `at` (sorted by unit and instant), `lamp_on` (True, False or missing: as before).
    cadence_s : float or ndarray, shape (n,)
        How often the logger reads. [s]

    Returns
    -------
    ndarray, shape (n,)
        0 with the lamp off; NaN where it is not known since when it is on (a silence, the start of the table).
        [s]
    """
    unit, at_s = _unit_code(readings), _seconds(readings["at"])
    starts = np.concatenate([[True], unit[1:] != unit[:-1]])
    silent = np.concatenate([[0.0], np.diff(at_s)]) > GAP_TIMES_CADENCE * np.broadcast_to(cadence_s, at_s.shape)
    stated = pd.to_numeric(readings["lamp_on"], errors="coerce").to_numpy(dtype=float)
    broken = np.cumsum(starts | silent)
    lamp = pd.Series(stated).groupby(broken).ffill().to_numpy(dtype=float)
    turned = np.concatenate([[True], lamp[1:] != lamp[:-1]]) | starts | silent
    run = np.cumsum(turned)
    since = np.maximum.accumulate(np.where(turned, np.arange(len(run)), 0))
    # a run that begins with a silence or the table has no known beginning
    known = ~(starts | silent)[since]
    seconds = np.where(known, at_s - at_s[since], np.nan)
    return np.where(lamp == 1.0, seconds, np.where(lamp == 0.0, 0.0, np.nan))


def usable(
    readings: pd.DataFrame, *, warm_up_s: float | np.ndarray, cadence_s: float | np.ndarray = 60.0
) -> np.ndarray:
    """Readings of a lit, warmed lamp in flowing water, from a sensor that is not at fault.

    Parameters
    ----------
    readings : DataFrame
        As for `lit_seconds`, with `intensity_w_m2` and `flow_l_min`.
    warm_up_s : float or ndarray, shape (n,)
        Time to full output. [s]

    Returns
    -------
    ndarray of bool, shape (n,)
        After a silence a lamp counts as warm once it is seen lit for the whole warm-up.
    """
    unit = _unit_code(readings)
    at_s = _seconds(readings["at"])
    lit_s = lit_seconds(readings, cadence_s=cadence_s)
    lamp = _lamp(readings, unit)
    off_or_new = np.concatenate([[True], unit[1:] != unit[:-1]]) | (lamp == 0.0)
    gap = np.concatenate([[0.0], np.diff(at_s)]) > GAP_TIMES_CADENCE * np.broadcast_to(cadence_s, at_s.shape)
    since = np.maximum.accumulate(np.where(off_or_new | gap, np.arange(len(at_s)), 0))
    seen_lit_s = np.where(lamp == 1.0, at_s - at_s[since], 0.0)
    warm = np.where(np.isnan(lit_s), seen_lit_s, lit_s) >= warm_up_s
    flowing = readings["flow_l_min"].to_numpy(dtype=float) > FLOWING_L_MIN
    read = readings["intensity_w_m2"].to_numpy(dtype=float) > 0
    fault = reading_faults(readings)
    good: np.ndarray = warm & (lamp == 1.0) & flowing & read & (fault == SensorFault.NONE)
    return good


def reading_faults(readings: pd.DataFrame) -> np.ndarray:
    """The sensor's fault at each reading.

    Parameters
    ----------
    readings : DataFrame
        `cabin`, `unit`, `at` (sorted by unit and instant), `intensity_w_m2`, `lamp_on`, `flow_l_min`.

    Returns
    -------
    ndarray of str, shape (n,)
        `SensorFault` values. An offset marks all readings of the unit: the lamp-off reading is added to each.

    Notes
    -----
    Stuck: one value for six hours and thirty readings while the water both flowed and stood, and ten times longer
    than this unit's usual run. Saturated: a twentieth of lit readings at exactly the highest value, and three
    times more than at any other. Offset: the lamp-off median is over 2 % of the lit one.
    """
    unit, at_s = _unit_code(readings), _seconds(readings["at"])
    value = readings["intensity_w_m2"].to_numpy(dtype=float)
    lamp = _lamp(readings, unit)
    lit = (lamp != 0.0) & (value > 0)
    fault = np.full(len(value), SensorFault.NONE, dtype=object)
    fault[_saturated(unit, value, lit)] = SensorFault.SATURATED
    fault[_stuck(unit, at_s, value, lit, readings["flow_l_min"].to_numpy(dtype=float))] = SensorFault.STUCK
    fault[np.isfinite(_offset(unit, value, lamp, lit))] = SensorFault.OFFSET
    return fault


def sensor_faults(readings: pd.DataFrame) -> pd.DataFrame:
    """Faults found, one row per unit and fault.

    Returns
    -------
    DataFrame
        `cabin`, `unit`, `fault`, `since`, `until` (first and last reading with it), `readings`, `evidence` (a
        sentence). Empty where all is well.
    """
    fault = reading_faults(readings)
    some = fault != SensorFault.NONE
    chosen = readings.loc[some, ["cabin", "unit", "at", "intensity_w_m2", "lamp_on"]].assign(fault=fault[some])
    found: pd.DataFrame = (
        chosen.groupby(["cabin", "unit", "fault"], as_index=False)
        .agg(since=("at", "min"), until=("at", "max"), readings=("at", "size"), value=("intensity_w_m2", "median"))
    )
    dark = readings[pd.to_numeric(readings["lamp_on"], errors="coerce") == 0]
    dark_median = dark.groupby(["cabin", "unit"])["intensity_w_m2"].median().rename("dark_w_m2")
    found = found.merge(dark_median, on=["cabin", "unit"], how="left")
    words = {
        SensorFault.STUCK: "The sensor has read {value:.2f} W/m2 {readings} times on end, flow or no flow.",
        SensorFault.SATURATED: "The sensor stands at its highest value, {value:.2f} W/m2, in {readings} readings.",
        SensorFault.OFFSET: "The sensor reads {dark_w_m2:.2f} W/m2 while the lamp is off.",
    }
    found["evidence"] = [words[SensorFault(row["fault"])].format_map(row) for row in found.to_dict("records")]
    return found.drop(columns=["value", "dark_w_m2"])


def stuck_since(runs: pd.DataFrame) -> pd.Series:
    """Of each unit's present run of one value: since when its sensor is stuck; NaT where it need not be.

    Parameters
    ----------
    runs : DataFrame
        `since`, `until` and `readings` of the run, whether water `flowed` and `stood` in it, and of the day before
        it how many values were shown (`values_before`) and for how many readings each in the mean (`usual_run`).

    Notes
    -----
    As in `reading_faults`: six hours and thirty readings through flowing and standing water, ten times the usual
    run, of a sensor that has shown many values. One too coarse, or too young, for that is stuck after three days;
    where flow is not measured at all, three days are enough too.
    """
    hours = (runs["until"] - runs["since"]).dt.total_seconds() / 3600.0
    many = runs["readings"] >= STUCK_READINGS
    both, unmeasured = runs["flowed"] & runs["stood"], ~(runs["flowed"] | runs["stood"])
    usual = runs["usual_run"].astype(float)
    soon = both & (hours >= STUCK_H) & (runs["values_before"] >= LEAST_VALUES) & (
        runs["readings"] >= STUCK_TIMES_USUAL * usual)
    late = (both | unmeasured) & (hours >= STUCK_ANYWAY_H)
    return runs["since"].where(many & (soon | late))


def daily_signal(
    readings: pd.DataFrame, *, warm_up_s: float | np.ndarray, cadence_s: float | np.ndarray = 60.0
) -> pd.DataFrame:
    """One row per unit and UTC day, as `fleet_days` takes it.

    Parameters
    ----------
    readings : DataFrame
        As for `usable`, with `lamp_hours`, `uvt_pct` and `water_temp_c` where there are any.

    Returns
    -------
    DataFrame
        `cabin`, `unit`, `day`, `intensity_w_m2` (median of usable readings), `lamp_hours` (last of the day),
        `uvt_pct`, `water_temp_c` (medians of usable readings; of all where none is), `readings` (usable ones).
    """
    table = readings[["cabin", "unit"]].assign(day=readings["at"].dt.tz_convert("UTC").dt.floor("D"))
    good = usable(readings, warm_up_s=warm_up_s, cadence_s=cadence_s)
    table["intensity_w_m2"] = readings["intensity_w_m2"].where(good)
    for name in ("lamp_hours", "uvt_pct", "water_temp_c"):
        table[name] = readings[name].astype(float) if name in readings else np.nan
        table[f"{name}_good"] = table[name].where(good)
    days = table.groupby(["cabin", "unit", "day"], as_index=False).agg(
        intensity_w_m2=("intensity_w_m2", "median"), lamp_hours=("lamp_hours", "last"),
        uvt_pct=("uvt_pct_good", "median"), uvt_all=("uvt_pct", "median"),
        water_temp_c=("water_temp_c_good", "median"), temp_all=("water_temp_c", "median"),
        readings=("intensity_w_m2", "count"),
    )
    days["uvt_pct"] = days["uvt_pct"].fillna(days["uvt_all"])
    days["water_temp_c"] = days["water_temp_c"].fillna(days["temp_all"])
    return days.drop(columns=["uvt_all", "temp_all"])


def _unit_code(readings: pd.DataFrame) -> np.ndarray:
    """A number per unit, in order of appearance."""
    return np.asarray(readings.groupby(["cabin", "unit"], sort=False).ngroup())


def _lamp(readings: pd.DataFrame, unit: np.ndarray) -> np.ndarray:
    """1 lit, 0 off, NaN not stated yet; holds until stated anew."""
    stated = pd.Series(pd.to_numeric(readings["lamp_on"], errors="coerce").to_numpy(dtype=float))
    return np.asarray(stated.groupby(unit).ffill(), dtype=float)


def _seconds(at: pd.Series) -> np.ndarray:
    """Unix time. [s]"""
    stamps = np.asarray(at.dt.tz_convert("UTC").dt.tz_localize(None)).astype("datetime64[us]")
    return stamps.astype(np.int64) / 1e6


def _stuck(
    unit: np.ndarray, at_s: np.ndarray, value: np.ndarray, lit: np.ndarray, flow: np.ndarray
) -> np.ndarray:
    """Mask of long runs of one value, through flowing and standing water alike."""
    if not len(value):
        return np.zeros(0, dtype=bool)
    same = (unit[1:] == unit[:-1]) & (value[1:] == value[:-1]) & lit[1:] & lit[:-1]
    run = np.concatenate([[0], np.cumsum(~same)])
    count = np.bincount(run)
    first = np.searchsorted(run, np.arange(len(count)))
    last = first + count - 1
    moved = np.bincount(run, flow > FLOWING_L_MIN)
    # standing water changes the reading, and so does running water: through both, an honest value moves
    both = (moved > 0) & (moved < count)
    usual = pd.Series(count).groupby(unit[first]).transform("median").to_numpy()
    long = (at_s[last] - at_s[first] >= STUCK_H * 3600.0) & (count >= STUCK_READINGS)
    return np.asarray((long & both & (count >= STUCK_TIMES_USUAL * usual) & lit[first])[run])


def _saturated(unit: np.ndarray, value: np.ndarray, lit: np.ndarray) -> np.ndarray:
    """Mask of readings at a ceiling."""
    table = pd.Series(np.where(lit, value, np.nan)).groupby(unit)
    top = table.transform("max").to_numpy()
    at_top = lit & (value == top)
    count = np.maximum(np.bincount(unit, lit), 1)
    at_ceiling = np.bincount(unit, at_top, minlength=len(count))
    below = pd.DataFrame({"unit": unit, "value": value})[lit & ~at_top]
    repeats = below.groupby(["unit", "value"]).size().groupby("unit").max()
    repeats = repeats.reindex(np.arange(len(count)), fill_value=0)
    ceiling = (at_ceiling >= STUCK_READINGS) & (at_ceiling >= SATURATED_SHARE * count)
    ceiling &= at_ceiling > SATURATED_TIMES * repeats.to_numpy()
    # one value all the time is a sensor that is stuck, not one at its ceiling
    spread = table.nunique().reindex(np.arange(len(count))).to_numpy()
    return np.asarray(at_top & (ceiling & (spread > 2))[unit])


def _offset(unit: np.ndarray, value: np.ndarray, lamp: np.ndarray, lit: np.ndarray) -> np.ndarray:
    """Lamp-off median per reading of the units that have an offset; NaN elsewhere."""
    dark = pd.Series(np.where(lamp == 0.0, value, np.nan)).groupby(unit)
    bright = pd.Series(np.where(lit, value, np.nan)).groupby(unit).transform("median").to_numpy()
    median, count = dark.transform("median").to_numpy(), dark.transform("count").to_numpy()
    return np.where((count >= OFFSET_READINGS) & (median > OFFSET_SHARE * bright), median, np.nan)
