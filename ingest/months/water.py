"""What the water of a month was: time, litres and doses of all its units at once, by stored hours and stretches."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd

from ingest import queries
from ingest.db.engine import Asks
from ingest.months.calendar import Key, Month
from models.dose.credit import specification_by
from models.exposure import cut, dose_by_volume, hourly, join, period_us
from models.fleet import Fleet

P05, P50 = 0.05, 0.50
# One row per stretch of time of these cabins; cut at every hour heard.
_STRETCHES = """
    SELECT * FROM segment WHERE list_contains($cabins::VARCHAR[], cabin) AND "end" > $since AND start < $until
    ORDER BY cabin, unit, start
"""
_HOURS = """
    SELECT * FROM hourly WHERE list_contains($cabins::VARCHAR[], cabin) AND hour >= $since AND hour < $until
    ORDER BY cabin, unit, hour
"""
SPENT = ("lit", "warming", "weak", "dark", "unheard")


@dataclass(frozen=True, slots=True, kw_only=True)
class Open:
    """What holds since each unit's latest reading: worked out once, for all months."""

    stretches: pd.DataFrame
    hours: pd.DataFrame


def open_time(store: Asks, fleet: Fleet, now: datetime) -> Open:
    """The time that no stored stretch holds yet, of every unit heard."""
    found = queries.since_latest(store, now)
    numbers = {key: number for number, key in enumerate(found)}
    period = _periods(fleet, list(numbers))
    parts = [
        tail.assign(unit_no=numbers[key], cabin=key[0], unit=key[1]) for key, tail in found.items() if len(tail)]
    if not parts:
        return Open(stretches=pd.DataFrame(), hours=pd.DataFrame())
    pieces = cut(pd.concat(parts, ignore_index=True).sort_values(
        ["unit_no", "start"], kind="stable", ignore_index=True), period)
    hours = hourly(pieces, period)
    keys = list(numbers)
    return Open(stretches=pieces, hours=hours.assign(
        cabin=[keys[one][0] for one in hours["unit_no"]], unit=[keys[one][1] for one in hours["unit_no"]]))


def _periods(fleet: Fleet, keys: list[Key]) -> np.ndarray:
    zones = [fleet.cabin(cabin).time_zone if fleet.has_cabin(cabin) else "UTC" for cabin, _ in keys]
    return np.array([period_us(one) for one in zones], np.int64)


@dataclass(frozen=True, slots=True, kw_only=True)
class Water:
    """A month's time and water.

    Attributes
    ----------
    stretches : DataFrame
        Rows of `segment`, none across the month's border or an hour's.
    units : DataFrame
        One row per unit: `cabin, unit`, what `models.dose.credit.specification_by` says, `lit_h` and the like,
        `dose_low_p05_mj_cm2` and `dose_low_p50_mj_cm2`.
    days : DataFrame
        The same per `day` of the cabin's clock.
    """

    stretches: pd.DataFrame
    units: pd.DataFrame
    days: pd.DataFrame

    @property
    def intervals(self) -> pd.DataFrame:
        """Whole intervals that were not lit, as `ingest.queries.outages` has them, within the month."""
        whole = join(self.stretches)
        return whole[whole["kind"] != "lit"].reset_index(drop=True)


def water_of(store: Asks, fleet: Fleet, month: Month, known: Open) -> Water:
    """A month's time and water; units of which nothing was heard have rows of nothing.

    Notes
    -----
    The percentiles of dose are of the lower bound, by litres known to have been drawn, each stored stretch at the
    lowest dose of flowing water in it. Since a stretch is at most an hour, and its dose the least of it, they are
    never above what a reckoning reading by reading finds. Water of unknown dose counts as the lowest.
    """
    given = {"cabins": month.slugs, "since": month.since, "until": month.until}
    stretches = _within(_of_both(store.ask(_STRETCHES, given), known.stretches, month), fleet, month)
    hours = _of_both(store.ask(_HOURS, given), known.hours, month)
    if len(hours):
        hours = hours[(hours["hour"] >= pd.Timestamp(month.since)) & (hours["hour"] < pd.Timestamp(month.until))]
    everyone = pd.DataFrame(month.keys, columns=["cabin", "unit"])
    units = everyone.merge(_summed(hours, stretches, ["cabin", "unit"]), on=["cabin", "unit"], how="left")
    zeros = ["volume_l", "volume_l_upper", "in_specification_l", "underdosed_l", "underdosed_l_upper",
             *(f"{name}_h" for name in SPENT)]
    units[zeros] = units[zeros].astype(float).fillna(0.0)
    days = _summed(
        hours.assign(day=_days(hours, "hour", month)), stretches.assign(day=_days(stretches, "start", month)),
        ["cabin", "unit", "day"])
    return Water(stretches=stretches, units=units, days=days)


def _of_both(stored: pd.DataFrame, open_: pd.DataFrame, month: Month) -> pd.DataFrame:
    """Stored rows with what holds since, of enrolled units; in the stored columns."""
    parts = [stored]
    if len(open_):
        parts.append(open_[open_["cabin"].isin(month.slugs)][list(stored.columns)])
    full = [one for one in parts if len(one)]
    found = pd.concat(full, ignore_index=True) if full else stored
    enrolled = pd.MultiIndex.from_frame(found[["cabin", "unit"]]).isin(month.keys)
    return found[enrolled].reset_index(drop=True)


def _within(found: pd.DataFrame, fleet: Fleet, month: Month) -> pd.DataFrame:
    """Stretches cut at each hour, of that month alone, in order."""
    if found.empty:
        return found
    numbers = {key: number for number, key in enumerate(month.keys)}
    unit_no = np.array([numbers[key] for key in zip(found["cabin"], found["unit"], strict=True)], np.int64)
    pieces = cut(found.assign(unit_no=unit_no), _periods(fleet, month.keys)).drop(columns="unit_no")
    inside = (pieces["start"] >= pd.Timestamp(month.since)) & (pieces["start"] < pd.Timestamp(month.until))
    return pieces[inside].sort_values(["cabin", "unit", "start"], kind="stable", ignore_index=True)


def _days(found: pd.DataFrame, column: str, month: Month) -> pd.Series:
    if found.empty:
        return pd.Series(dtype="str")
    return pd.Series(found[column].dt.tz_convert(str(month.zone)).dt.strftime("%Y-%m-%d"))


def _summed(hours: pd.DataFrame, stretches: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Sums and percentiles per unit, or per unit and day."""
    if hours.empty:
        return pd.DataFrame(columns=[
            *by, "volume_l", "volume_l_upper", "in_specification_l", "underdosed_l", "underdosed_l_upper",
            "share_pct", "share_most_pct", "reaches_95_pct", *(f"{name}_h" for name in SPENT),
            "dose_low_p05_mj_cm2", "dose_low_p50_mj_cm2"])
    group = hours.groupby(by, sort=True)
    out = group[[f"{name}_s" for name in SPENT]].sum() / 3600.0
    out.columns = pd.Index([f"{name}_h" for name in SPENT])
    share = specification_by(hours, group.ngroup().to_numpy())
    share.index = out.index
    out = pd.concat([share, out], axis=1)
    doses = _percentiles(stretches, by)
    return out.join(doses).reset_index()


def _percentiles(stretches: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    names = ["dose_low_p05_mj_cm2", "dose_low_p50_mj_cm2"]
    if stretches.empty:
        return pd.DataFrame(columns=names, index=pd.MultiIndex.from_frame(stretches[by]), dtype=float)
    group = stretches.groupby(by, sort=True)
    number = np.asarray(group.ngroup(), np.int64)
    dose = stretches["dose_low_mj_cm2"].to_numpy(dtype=float)
    dose = np.where(np.isinf(dose), np.nan, dose)
    litres = stretches["drawn_l"].fillna(0.0).to_numpy(dtype=float)
    return pd.DataFrame(
        {name: dose_by_volume(number, group.ngroups, dose, litres, share)
         for name, share in zip(names, (P05, P50), strict=True)}, index=group.size().index)
