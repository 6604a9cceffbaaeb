"""The store's days, events and registry as the arrays that the decay fit reads."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd

from ingest.db import past
from ingest.db.engine import Asks, named
from ingest.evaluation.judging import PRESENT, holding, unit_states
from ingest.evaluation.sensor_checks import SENSOR_CHECKED, numbered_stretches, sensor_states
from ingest.evaluation.sensor_trust import sensor_trusts, water_now
from models.dose.sensor_checks import SensorState
from models.dose.sensor_trust import SensorTrust
from models.dose.water_band import age_days, noon
from models.exposure import microseconds
from models.fleet import Fleet
from models.lamp.daily_faults import StandingFault, stuck_all_day
from models.lamp.daily_series import CLEAN, SWAP, FleetDays, fleet_days
from models.lamp.filters import FILTER_COLUMNS, RECENT_DAYS, filter_losses
from models.lamp.sensor_faults import FLOWING_L_MIN

MOST_DAYS = 1095  # three years: what is older says little of today's lamp; common practice, no source
SAME_SWAP_DAYS = 7  # the registry's date and a recorded swap so near are one
LIVE_DAYS = 30  # a live sensor's transmittance is the median of so many days
LEAST_LIVE = 10  # of them with a value

# One row per unit and day that is over; bounded by MOST_DAYS.
_DAILY = """
    SELECT cabin, unit, day::TIMESTAMP AS day, intensity_w_m2, readings, values_read, lamp_hours, lit_h,
        volume_l, uvt_pct, water_temp_c, fault, fault_evidence
    FROM daily WHERE day >= $since::DATE AND day < $until::DATE ORDER BY cabin, unit, day
"""
NEW_FILTER = timedelta(days=24)  # covers what `_PEAKS` compares with
_EVENTS = """
    SELECT cabin, unit, "at", kind, who, value, note FROM service_done WHERE "at" <= $now ORDER BY "at"
"""
_TESTS, FILTER = "water-tested", "filter-changed"
# One row per day with a draw, of units with a recorded filter change: of the weeks after the last one and of the
# last weeks only, so that the cost does not grow with the history.
_PEAKS = """
    WITH changed AS (
        SELECT cabin, unit, max("at") AS day FROM service_done WHERE kind = $kind AND "at" <= $until
        GROUP BY cabin, unit)
    SELECT r.cabin, r.unit, r."at"::DATE::TIMESTAMP AS day, quantile_cont(r.flow_l_min, 0.95) AS peak_l_min,
        count(*) AS readings
    FROM whole_reading AS r JOIN changed AS c ON r.cabin = c.cabin AND r.unit = c.unit
    WHERE r.flow_l_min > $flowing AND r."at" >= $first AND r."at" < $until
        AND (r."at" >= $recent OR (r."at" >= c.day AND r."at" < c.day + INTERVAL 23 DAY))
    GROUP BY ALL
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class LampDays:
    """What is known of the fleet's lamps, day by day.

    Attributes
    ----------
    days : FleetDays or None
        None where no day of any unit is known.
    events : DataFrame
        `cabin`, `unit`, `at`, `kind`, `who`, `value`, `note`: all service, oldest first.
    faults : tuple of StandingFault
    uvt_pct, uvt_live : dict
        Per (cabin, unit): the transmittance that its threshold is taken at, and whether a live sensor said so. [%]
    uvt_age_days : dict
        How old the water test is; NaN: nobody knows. [days]
    heard : dict
        Per (cabin, unit): its last day with readings.
    filters : DataFrame
        As of `models.lamp.filters.filter_losses`.
    sensors : dict
        Per (cabin, unit): its duty sensor by its checks.

    Notes
    -----
    Where a check found the sensor to read too high, the days' intensity is divided by its ratio, as the doses are:
    what a lamp gives is what a good sensor would have read.
    """

    days: FleetDays | None
    events: pd.DataFrame
    faults: tuple[StandingFault, ...]
    uvt_pct: dict[tuple[str, str], float]
    uvt_live: dict[tuple[str, str], bool]
    uvt_age_days: dict[tuple[str, str], float]
    heard: dict[tuple[str, str], pd.Timestamp]
    filters: pd.DataFrame
    sensors: dict[tuple[str, str], SensorState]


def lamp_days(store: Asks, fleet: Fleet, now: datetime) -> LampDays:
    """Everything up to `now`, of units that are enrolled."""
    until = pd.Timestamp(now).tz_convert("UTC").floor("D")
    daily = store.ask(_DAILY, {
        "since": (until - timedelta(days=MOST_DAYS)).to_pydatetime(), "until": until.to_pydatetime()})
    daily["day"] = daily["day"].dt.as_unit("us")
    events = store.ask(_EVENTS, {"now": now})
    kind = pd.Series({
        (place.slug, unit.slug): unit.reactor for place in fleet.cabins for unit in place.units}, dtype="str")
    daily, events = (
        found[pd.MultiIndex.from_frame(found[["cabin", "unit"]]).isin(kind.index)].reset_index(drop=True)
        for found in (daily, events))
    checked = events[(events["kind"] == SENSOR_CHECKED) & (events["value"] > 0)]
    checks = checked.rename(columns={"value": "ratio"})
    read = daily[daily["intensity_w_m2"].notna()].groupby(["cabin", "unit"], as_index=False).agg(day=("day", "min"))
    first = {(one.cabin, one.unit): one.day.tz_localize("UTC").to_pydatetime() for one in named(read)}
    sensors = sensor_states(checks, fleet, now, first, first)
    states = unit_states(store.ask(PRESENT), fleet)
    faults = _faults(sensor_trusts(
        store, fleet, now, states=states, checks=sensors, water=water_now(store, fleet, states, now)))
    daily["intensity_w_m2"] = daily["intensity_w_m2"].mask(stuck_all_day(daily)) / _read_too_high(daily, checks)
    heard = {(one.cabin, one.unit): one.day for one in
             named(daily.groupby(["cabin", "unit"], as_index=False).agg(day=("day", "max")))}
    uvt, live, ages = _present_uvt(daily, events, fleet, now)
    filters = _filters(store, events, until)
    if daily.empty or daily["intensity_w_m2"].isna().all():
        return LampDays(
            days=None, events=events, faults=faults, uvt_pct=uvt, uvt_live=live, uvt_age_days=ages,
            heard=heard, filters=filters, sensors=sensors)
    daily = _with_lamp_hours(daily, fleet)
    done = pd.concat([
        events.loc[events["kind"].isin([SWAP, CLEAN]), ["cabin", "unit", "at", "kind"]],
        _registry_swaps(daily, events, fleet)], ignore_index=True)
    daily = with_clean_hours(daily, done)
    daily = _with_tests(daily, events[events["kind"] == _TESTS], fleet)
    table = _up_to(daily, until.tz_localize(None) - pd.Timedelta(days=1))
    return LampDays(
        days=fleet_days(table, kind=kind, events=done), events=events, faults=faults, uvt_pct=uvt,
        uvt_live=live, uvt_age_days=ages, heard=heard, filters=filters, sensors=sensors)


def _faults(trusts: dict[tuple[str, str], SensorTrust]) -> tuple[StandingFault, ...]:
    """What the verdict reads of each sensor, by whole days as the lamps' outlook names it."""
    return tuple(
        StandingFault(
            cabin=key[0], unit=key[1], fault=str(one.fault), since=one.since.astimezone(UTC).date(),
            until=(one.until - timedelta(microseconds=1)).astimezone(UTC).date(), days=one.days,
            evidence=one.evidence)
        for key, trust in trusts.items() for one in trust.findings)


def _read_too_high(daily: pd.DataFrame, checks: pd.DataFrame) -> np.ndarray:
    """By how many times each day's intensity was read too high, by the checks before and after its noon in UTC."""
    if checks.empty:
        return np.ones(len(daily))
    keys = daily[["cabin", "unit"]].drop_duplicates()
    number = {key: i for i, key in enumerate(zip(keys["cabin"], keys["unit"], strict=True))}
    found = numbered_stretches(checks, number)
    unit_no = np.array([number[key] for key in zip(daily["cabin"], daily["unit"], strict=True)], np.int64)
    noon_us = microseconds((daily["day"] + pd.Timedelta(hours=12)).dt.tz_localize("UTC"))
    i = holding(found["unit_no"].to_numpy(np.int64), found["from_us"].to_numpy(np.int64), unit_no, noon_us)
    return np.append(found["ratio"].to_numpy(dtype=float), 1.0)[i]


def _filters(store: Asks, events: pd.DataFrame, until: pd.Timestamp) -> pd.DataFrame:
    """What each filter has cost of the flow, for units whose last change was recorded."""
    changes = events[events["kind"] == FILTER]
    if changes.empty:
        return pd.DataFrame(columns=list(FILTER_COLUMNS)).astype({"due": bool})
    changed = changes.groupby(["cabin", "unit"], as_index=False).agg(at=("at", "max"))
    changed["day"] = changed.pop("at").dt.tz_convert("UTC").dt.floor("D").dt.tz_localize(None).dt.as_unit("us")
    first, recent, end = (
        (until - timedelta(days=back)).to_pydatetime() for back in (MOST_DAYS, RECENT_DAYS, 0))
    days = [(row.cabin, row.unit, row.day.tz_localize("UTC").to_pydatetime()) for row in named(changed)]
    spans = [(*key, day, day + NEW_FILTER) for *key, day in days if day + NEW_FILTER > first]
    spans += [(*key, recent, end) for *key, _ in days]
    peaks = past.ask(store, _PEAKS, {
        "kind": FILTER, "flowing": FLOWING_L_MIN, "until": end, "first": first, "recent": recent},
        since=first, until=end, spans=spans)
    peaks["day"] = peaks["day"].dt.as_unit("us")
    return filter_losses(peaks, changed, today=until.tz_localize(None))


def _with_lamp_hours(daily: pd.DataFrame, fleet: Fleet) -> pd.DataFrame:
    """Where a unit has no hour counter: its lit hours, from the registry's date of the lamp on."""
    by = [daily["cabin"], daily["unit"]]
    counted = daily["lamp_hours"].groupby(by).transform("count") > 0
    first = daily["day"].groupby(by).transform("min")
    installed = pd.Series(pd.NaT, index=daily.index, dtype="datetime64[us]")
    for place in fleet.cabins:
        for unit in place.units:
            if unit.lamp_installed is not None:
                mine = (daily["cabin"] == place.slug) & (daily["unit"] == unit.slug)
                installed = installed.mask(mine, pd.Timestamp(unit.lamp_installed))
    # how it burnt before it was heard is not known: throughout, as these units are meant to
    before_h = ((first - installed).dt.total_seconds() / 3600.0).clip(lower=0.0).fillna(0.0)
    lit_h = daily["lit_h"].fillna(0.0).groupby(by).cumsum()
    return daily.assign(lamp_hours=daily["lamp_hours"].where(counted, before_h + lit_h))


def _registry_swaps(daily: pd.DataFrame, events: pd.DataFrame, fleet: Fleet) -> pd.DataFrame:
    """Swaps that only the registry's date of the lamp tells of, within the days known."""
    rows = []
    swaps = events[events["kind"] == SWAP]
    span = {(one.cabin, one.unit): (one.first, one.last) for one in named(daily.groupby(
        ["cabin", "unit"], as_index=False).agg(first=("day", "min"), last=("day", "max")))}
    for place in fleet.cabins:
        for unit in place.units:
            key = (place.slug, unit.slug)
            if unit.lamp_installed is None or key not in span:
                continue
            day = pd.Timestamp(unit.lamp_installed)
            first, last = span[key]
            at = swaps.loc[(swaps["cabin"] == key[0]) & (swaps["unit"] == key[1]), "at"].dt.tz_localize(None)
            told = ((at - day).abs() <= pd.Timedelta(days=SAME_SWAP_DAYS)).any()
            if first < day <= last and not told:
                rows.append({"cabin": key[0], "unit": key[1], "at": day.tz_localize("UTC"), "kind": SWAP})
    found = pd.DataFrame(rows, columns=["cabin", "unit", "at", "kind"])
    return found.assign(at=pd.to_datetime(found["at"], utc=True).astype(events["at"].dtype))


def with_clean_hours(daily: pd.DataFrame, done: pd.DataFrame) -> pd.DataFrame:
    """Lit hours since the sleeve was cleaned, also where that was before the first day known.

    A sleeve that nobody recorded as cleaned counts from the first day known: what is left on it is in the level.
    """
    cleaned = done[done["kind"] == CLEAN]
    cleaned = cleaned.assign(day=cleaned["at"].dt.tz_convert("UTC").dt.floor("D").dt.tz_localize(None))
    by = [daily["cabin"], daily["unit"]]
    first = daily["day"].groupby(by).transform("min")
    starts = daily[["cabin", "unit"]].assign(first=first).drop_duplicates().reset_index(drop=True)
    before = cleaned.merge(starts, on=["cabin", "unit"])
    before = before[before["day"] < before["first"]]
    if before.empty:
        return daily
    earlier = before.groupby(["cabin", "unit"], as_index=False).agg(cleaned=("day", "max"))
    table = daily.merge(earlier, on=["cabin", "unit"], how="left")
    before_h = ((first - table["cleaned"]).dt.total_seconds() / 3600.0).fillna(0.0)
    within = cleaned.drop_duplicates(["cabin", "unit", "day"])[["cabin", "unit", "day"]].assign(anew=True)
    table = table.merge(within, on=["cabin", "unit", "day"], how="left")
    anew = table["anew"].fillna(False).astype(bool)
    part = anew.groupby(by).cumsum()
    lit_h = table["lit_h"].fillna(0.0).groupby([*by, part]).cumsum()
    return daily.assign(clean_hours=lit_h + before_h.where(part == 0, 0.0))


def _with_tests(daily: pd.DataFrame, tests: pd.DataFrame, fleet: Fleet) -> pd.DataFrame:
    """Transmittance where a sensor measured it, where it was tested, and what the registry says before any test."""
    registry = pd.DataFrame(
        [(place.slug, unit.slug, unit.uvt_pct) for place in fleet.cabins for unit in place.units],
        columns=["cabin", "unit", "tested"])
    first = daily.groupby(["cabin", "unit"], as_index=False).agg(first=("day", "min"))
    found = tests.assign(day=tests["at"].dt.tz_convert("UTC").dt.floor("D").dt.tz_localize(None)).merge(
        first, on=["cabin", "unit"])
    found["day"] = found["day"].where(found["day"] >= found["first"], found["first"])  # an older one still holds
    told = pd.concat([
        registry.merge(first, on=["cabin", "unit"]).rename(columns={"first": "day"}),
        found.rename(columns={"value": "tested"})[["cabin", "unit", "tested", "day"]]], ignore_index=True)
    told = told.drop_duplicates(["cabin", "unit", "day"], keep="last")
    table = daily.merge(told, on=["cabin", "unit", "day"], how="left")
    return daily.assign(uvt_pct=table["uvt_pct"].fillna(table["tested"]).to_numpy())


def _present_uvt(
    daily: pd.DataFrame, events: pd.DataFrame, fleet: Fleet, now: datetime
) -> tuple[dict[tuple[str, str], float], dict[tuple[str, str], bool], dict[tuple[str, str], float]]:
    """Each unit's transmittance of late: a live sensor's median, else the latest test, else the registry's.

    With whether it is live, and how old a test it is; NaN: nobody knows. [days]
    """
    at = {(place.slug, unit.slug): noon(unit.uvt_tested) for place in fleet.cabins for unit in place.units}
    uvt = {(place.slug, unit.slug): unit.uvt_pct for place in fleet.cabins for unit in place.units}
    live = dict.fromkeys(uvt, False)
    tests = events[(events["kind"] == _TESTS) & (events["value"] > 0)]
    uvt |= {(one.cabin, one.unit): float(one.value) for one in named(tests) if (one.cabin, one.unit) in uvt}
    at |= {(one.cabin, one.unit): one.at.to_pydatetime() for one in named(tests) if (one.cabin, one.unit) in uvt}
    ages = {key: age_days(day, now) for key, day in at.items()}
    last = daily["day"].groupby([daily["cabin"], daily["unit"]]).transform("max")
    recent = daily[daily["day"] > last - pd.Timedelta(days=LIVE_DAYS)]
    told = recent.groupby(["cabin", "unit"], as_index=False).agg(
        middle=("uvt_pct", "median"), number=("uvt_pct", "count"))
    for one in named(told[told["number"] >= LEAST_LIVE]):
        uvt[one.cabin, one.unit], live[one.cabin, one.unit] = float(one.middle), True
    return uvt, live, ages


def _up_to(daily: pd.DataFrame, last: pd.Timestamp) -> pd.DataFrame:
    """The table reaches to yesterday also where nobody was heard then, so that dates count from today."""
    if daily["day"].max() >= last:
        return daily
    names = [name for name in ("intensity_w_m2", "lamp_hours", "clean_hours", "uvt_pct", "water_temp_c")
             if name in daily]
    extra = daily.iloc[[0]].assign(day=last, **dict.fromkeys(names, np.nan))
    return pd.concat([daily, extra], ignore_index=True)
