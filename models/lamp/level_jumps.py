"""Levels of light that rose by themselves: a lamp and a sleeve only get weaker, so the sensor is in question."""

from __future__ import annotations

import numpy as np
import pandas as pd

from models.lamp.water_trend import absorbance_per_cm

JUMP = 1.25  # times the level of before; common practice, no source
BACK = 1.10  # times the level of before: at most so much, and the level is back; common practice, no source
BASE_DAYS, LEAST_BASE_DAYS = 7, 2  # days with data that the level of before is the median of; common practice
DIP_DAYS = 14  # with data before those: a level that was there came back, as after cloudy water; common practice
LATEST_DAYS = 3  # days with data that the level of now is the median of, so that one dull day ends nothing
KINDS_THAT_EXPLAIN = ("lamp-swapped", "sleeve-cleaned")  # and a check that found the sensor low: it was mended
COLUMNS = ("cabin", "unit", "since", "level_w_m2", "before_w_m2")


def standing_jumps(days: pd.DataFrame, events: pd.DataFrame, passed: pd.DataFrame) -> pd.DataFrame:
    """Jumps up that stand at the end of each unit's days.

    Parameters
    ----------
    days : DataFrame
        `cabin`, `unit`, `day` (of UTC, without a zone), `intensity_w_m2` (the day's median of a lit, warm lamp in
        flowing water), `uvt_pct` (on that day), `uvt_now_pct` (as known now, which a later test may have told),
        `path_cm` (water before the sensor). A last row may be of a day that is not over.
    events : DataFrame
        `cabin`, `unit`, `day`: a new lamp, a cleaning, a sensor mended that read low. From that day on a level is
        judged by the days after it only, and the day itself by none.
    passed : DataFrame
        `cabin`, `unit`, `day`, `saw_w_m2`: the latest check that passed, and what the sensor read just before it
        (NaN: not known). It clears what was found before that day, and a level that it saw.

    Returns
    -------
    DataFrame
        `COLUMNS`; a row a unit, of its first jump that stands.

    Notes
    -----
    Clearer water explains as much as a lamp of the same output would read in it: exp((a_before - a_now) x path).
    What came back after a dip of days is no jump either: a lamp does not recover, water does.
    A check changes nothing at lamp, sleeve or sensor, so what rises after it is measured by the days before it.
    """
    table = days[days["intensity_w_m2"] > 0].sort_values(["cabin", "unit", "day"], ignore_index=True)
    if table.empty:
        return pd.DataFrame({name: [] for name in COLUMNS})
    key = ["cabin", "unit"]
    did = events[[*key, "day"]].drop_duplicates().assign(done=1)
    table = table.merge(did, on=[*key, "day"], how="outer", sort=True).sort_values([*key, "day"], ignore_index=True)
    done = table["done"].notna()
    part = done.groupby([table["cabin"], table["unit"]]).cumsum()
    level = table["intensity_w_m2"].mask(done)  # half of that day is before, half after
    known = level.notna()
    table, level, part = table[known], level[known], part[known]
    if table.empty:
        return pd.DataFrame({name: [] for name in COLUMNS})
    group = [table["cabin"], table["unit"], part]

    def before(values: pd.Series, skipped: int = 0, count: int = BASE_DAYS) -> np.ndarray:
        shifted = values.groupby(group).shift(1 + skipped)
        rolled = shifted.groupby(group).rolling(count, min_periods=LEAST_BASE_DAYS).median()
        return rolled.reset_index(level=[0, 1, 2], drop=True).reindex(values.index).to_numpy(dtype=float)

    base = np.fmax(before(level), before(level, BASE_DAYS, DIP_DAYS))
    absorbed = _absorption(table["uvt_pct"])
    clearest = np.fmin(absorbed, _absorption(table["uvt_now_pct"]))
    clearer = np.exp(np.maximum(np.nan_to_num(before(absorbed) - clearest), 0.0) * table["path_cm"].to_numpy())
    unit = [table["cabin"], table["unit"]]
    left = level.groupby(unit).cumcount(ascending=False).to_numpy() + 1  # rows from this one to the last
    latest = np.select(
        [left == 1, left == 2], [_last(level, unit, 1), _last(level, unit, 2)], _last(level, unit, LATEST_DAYS))
    jumped = (level.to_numpy() >= JUMP * clearer * base) & (latest > BACK * clearer * base)
    found = table[[*key, "day"]].assign(level_w_m2=latest, before_w_m2=base, clearer=clearer)[jumped]
    found = found.merge(passed[[*key, "day", "saw_w_m2"]].rename(columns={"day": "passed"}), on=key, how="left")
    vouched = found["level_w_m2"] <= BACK * found["saw_w_m2"]
    found = found[~((found["day"] < found["passed"]) | vouched)].drop_duplicates(key)
    # what clearer water explains is no fault of the sensor's
    found["before_w_m2"] = found["before_w_m2"] * found["clearer"]
    out: pd.DataFrame = found.rename(columns={"day": "since"})[list(COLUMNS)].reset_index(drop=True)
    return out


def _absorption(uvt_pct: pd.Series) -> pd.Series:
    """To base e. [1/cm]"""
    return pd.Series(absorbance_per_cm(uvt_pct.to_numpy(dtype=float)), index=uvt_pct.index)


def _last(level: pd.Series, unit: list[pd.Series], count: int) -> np.ndarray:
    """The median of each unit's last so many levels, at each of its rows."""
    recent = level.where(level.groupby(unit).cumcount(ascending=False) < count)
    return np.asarray(recent.groupby(unit).transform("median"), dtype=float)


def levels_before(days: pd.DataFrame) -> pd.DataFrame:
    """The median of each unit's last days with data.

    Parameters
    ----------
    days : DataFrame
        `cabin`, `unit`, `day`, `intensity_w_m2`.

    Returns
    -------
    DataFrame
        `cabin`, `unit`, `before_w_m2`; no row where there are fewer than `LEAST_BASE_DAYS`.
    """
    known = days[days["intensity_w_m2"] > 0].sort_values(["cabin", "unit", "day"])
    known = known[known.groupby(["cabin", "unit"]).cumcount(ascending=False) < BASE_DAYS]
    found: pd.DataFrame = known.groupby(["cabin", "unit"], as_index=False).agg(
        before_w_m2=("intensity_w_m2", "median"), number=("intensity_w_m2", "size"))
    return found.loc[found["number"] >= LEAST_BASE_DAYS, ["cabin", "unit", "before_w_m2"]]
