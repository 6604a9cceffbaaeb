"""Each unit's duty sensor in one state: what its checks, its days and its latest readings say, joined in one place.

Verdict, dose and the lamps' outlook read the same. A few queries for all units at once; only those few whose
readings look wrong are looked at closely.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd

from ingest.db import past
from ingest.db.engine import Asks, named
from ingest.db.schema import FUTURE_S
from ingest.evaluation.sensor_checks import EVER, SENSOR_CHECKED, doubts_by_tests, uvt_doubts
from ingest.settings import ArchiveUnavailable
from models.dose.reactor import Sensor
from models.dose.sensor_checks import LOW_DUTY_OVER_REFERENCE, MOST_DUTY_OVER_REFERENCE, SensorState
from models.dose.sensor_trust import (
    FaultKind,
    SensorFinding,
    SensorTrust,
    level_jump,
    most_believable_w_m2,
    stuck,
    too_bright,
)
from models.dose.water_band import Water, noon
from models.evidence import warm_now
from models.exposure import DARK_SHARE, UnitState
from models.fleet import Fleet
from models.lamp.daily_faults import OFFSET_DAYS, StandingFault, standing_faults
from models.lamp.level_jumps import JUMP, KINDS_THAT_EXPLAIN, levels_before, standing_jumps
from models.lamp.sensor_faults import FLOWING_L_MIN, stuck_since

Key = tuple[str, str]
LATELY = timedelta(hours=1)  # what was read so lately is the level of now; common practice, no source
LEAST_LATELY = 3  # readings in flowing water that make a level
SEEN_READINGS = 5  # so many before a check are what it saw; common practice, no source
CLOCKS = timedelta(seconds=FUTURE_S)  # a state further ahead is not of that instant, but of one after it
LOOKED_BACK = timedelta(days=8)  # how far a reading that looks wrong is followed back

# One row per unit and day of late; all days of the few units whose level ever rose by that much over the least of
# its days before. `most_values` is the most values that the unit ever showed in a day.
_DAYS = """
    WITH d AS (
        SELECT cabin, unit, day::TIMESTAMP AS day, intensity_w_m2, uvt_pct, values_read, fault, fault_evidence,
            max(values_read) OVER mine AS most_values, max(day) OVER mine AS last_day
        FROM daily WHERE day < $until::DATE WINDOW mine AS (PARTITION BY cabin, unit)),
    rose AS (
        SELECT DISTINCT cabin, unit FROM (
            SELECT cabin, unit, intensity_w_m2, min(intensity_w_m2) OVER (
                PARTITION BY cabin, unit ORDER BY day ROWS BETWEEN 7 PRECEDING AND 1 PRECEDING) AS least
            FROM d WHERE intensity_w_m2 > 0)
        WHERE intensity_w_m2 >= $jump * least)
    SELECT d.*, rose.cabin IS NOT NULL AS rose FROM d LEFT JOIN rose USING (cabin, unit)
    WHERE rose.cabin IS NOT NULL OR d.day > d.last_day - to_days($recent) ORDER BY d.cabin, d.unit, d.day
"""
# One row per unit whose water was ever tested: what the latest test said.
_TESTED = """
    SELECT cabin, unit, arg_max(value, "at") AS value, max("at") AS tested_at FROM service_done
    WHERE kind = 'water-tested' AND value IS NOT NULL AND "at" <= $now GROUP BY ALL
"""
# What was done at lamps and sensors, and water tests; few.
_DONE = """
    SELECT cabin, unit, "at", kind, value FROM service_done
    WHERE "at" <= $now AND list_contains($kinds::VARCHAR[], kind) ORDER BY "at"
"""
# One row per reading of the last hour or so.
_LATELY = """
    SELECT cabin, unit, "at", intensity_w_m2, flow_l_min FROM whole_reading
    WHERE "at" > $since AND "at" <= $now AND intensity_w_m2 IS NOT NULL
"""
# One row per unit asked: since when that one value is read and through what; what a day before it showed.
_UNCHANGED = """
    WITH r AS (
        SELECT r.cabin, r.unit, r."at", r.intensity_w_m2 AS value, r.flow_l_min,
            r.intensity_w_m2 IS DISTINCT FROM lag(r.intensity_w_m2) OVER (
                PARTITION BY r.cabin, r.unit ORDER BY r."at") AS other, a.value AS now_value, a."at" AS now_at
        FROM whole_reading AS r JOIN asked AS a ON r.cabin = a.cabin AND r.unit = a.unit
        WHERE r."at" > $since AND r."at" <= a."at" AND r.intensity_w_m2 IS NOT NULL),
    differed AS (
        SELECT cabin, unit, coalesce(
            max("at") FILTER (value <> now_value), TIMESTAMPTZ '2000-01-01 00:00:00+00') AS differed
        FROM r GROUP BY ALL)
    SELECT r.cabin, r.unit, any_value(now_value) AS value, any_value(now_at) AS until,
        min("at") FILTER ("at" > differed) AS since, count(*) FILTER ("at" > differed) AS readings,
        coalesce(bool_or(flow_l_min > $flowing) FILTER ("at" > differed), false) AS flowed,
        coalesce(bool_or(flow_l_min <= $flowing) FILTER ("at" > differed), false) AS stood,
        count(DISTINCT value) FILTER ("at" <= differed AND "at" > differed - INTERVAL 1 DAY) AS values_before,
        count(*) FILTER ("at" <= differed AND "at" > differed - INTERVAL 1 DAY)
            / nullif(count(*) FILTER ("at" <= differed AND "at" > differed - INTERVAL 1 DAY AND other), 0)
            AS usual_run
    FROM r JOIN differed USING (cabin, unit) GROUP BY r.cabin, r.unit
"""
# One row per unit asked: what its sensor read in flowing water just before a check.
_SEEN_BY_CHECK = """
    SELECT cabin, unit, median(intensity_w_m2) AS saw_w_m2 FROM (
        SELECT a.cabin, a.unit, r.intensity_w_m2 FROM asked AS a JOIN whole_reading AS r
            ON r.cabin = a.cabin AND r.unit = a.unit AND r."at" <= a.checked AND r."at" > a.checked - INTERVAL 1 DAY
        WHERE r."at" > $first AND r.intensity_w_m2 > 0 AND r.flow_l_min > $flowing
        QUALIFY row_number() OVER (PARTITION BY a.cabin, a.unit ORDER BY r."at" DESC) <= $readings)
    GROUP BY cabin, unit
"""
# One row per unit asked: since when it reads more than it can, and whether it did before its last good check.
_TOO_BRIGHT = """
    SELECT a.cabin, a.unit, min(r."at") FILTER (a.checked IS NULL OR r."at" > a.checked) AS since,
        coalesce(bool_or(r."at" <= a.checked AND r."at" > a.checked - INTERVAL 1 DAY), false) AS vouched
    FROM asked AS a JOIN whole_reading AS r ON r.cabin = a.cabin AND r.unit = a.unit
    WHERE r."at" > $first AND r.intensity_w_m2 > a.most
        AND r."at" > least($since, coalesce(a.checked, $since) - INTERVAL 1 DAY)
        AND r."at" <= $now GROUP BY ALL
"""


def water_now(store: Asks, fleet: Fleet, states: Mapping[Key, UnitState], now: datetime) -> dict[Key, Water]:
    """Each enrolled unit's water: by a live sensor that still speaks, else by its latest test, else as enrolled."""
    tests = {
        (row.cabin, row.unit): (float(row.value), row.tested_at.to_pydatetime())
        for row in named(store.ask(_TESTED, {"now": now}))}
    units = {(place.slug, unit.slug): unit for place in fleet.cabins for unit in place.units}
    speaks = {
        key: state.uvt_pct for key, state in states.items() if key in units and state.uvt_pct is not None
        and now - state.at <= timedelta(seconds=units[key].overdue_s)}
    failed, apart = uvt_doubts(store, list(units), now), doubts_by_tests(store, fleet, now) if speaks else {}
    out = {}
    for key, unit in units.items():
        live = speaks.get(key)
        tested = tests.get(key, (unit.uvt_pct, noon(unit.uvt_tested)))
        water = Water.tested(fleet.reactor(unit.reactor), tested[0], tested[1], now)
        if live is not None and key in failed:
            out[key] = replace(water, doubt=failed[key])
        elif live is not None:
            out[key] = replace(
                water, uvt_pct=live, live=True, doubt=apart.get(key), rival=water if key in apart else None)
        else:
            out[key] = water
    return out


def sensor_trusts(
    store: Asks, fleet: Fleet, now: datetime, *, states: Mapping[Key, UnitState], checks: Mapping[Key, SensorState],
    water: Mapping[Key, Water],
) -> dict[Key, SensorTrust]:
    """Each enrolled unit's sensor, by all that is stored of the time up to `now`.

    Parameters
    ----------
    states : mapping
        What each unit's latest readings come to; one that was not heard lately is judged by its days alone.
    checks : mapping
        As of `ingest.evaluation.sensor_checks.sensor_states`, of every enrolled unit.
    water : mapping
        As of `water_now`.
    """
    midnight = pd.Timestamp(now).tz_convert("UTC").floor("D")
    days = store.ask(_DAYS, {
        "until": midnight.to_pydatetime(), "jump": JUMP, "recent": OFFSET_DAYS})
    days = days.assign(day=days["day"].dt.as_unit("us")).astype({"cabin": "str", "unit": "str"})
    done = store.ask(_DONE, {"now": now, "kinds": [*KINDS_THAT_EXPLAIN, SENSOR_CHECKED, "water-tested"]})
    done = done.astype({"cabin": "str", "unit": "str"})  # also where none is found, to be matched with the days
    held = {
        key: state for key, state in states.items() if fleet.has_unit(*key) and state.intensity_w_m2 is not None
        and -CLOCKS <= now - state.at <= timedelta(seconds=fleet.unit(*key).overdue_s)}
    lately = _lately(store, fleet, held, now)
    found: dict[Key, list[SensorFinding]] = {key: [] for key in checks}
    for one in _stuck_now(store, held, lately, now):
        found[one[0]].append(one[1])
    for fault in standing_faults(days, _checked(done)):
        _add_daily(found, fault, held)
    levels = _with_today(days, lately, midnight)
    for key, finding in _jumps(levels, done, _passed(store, levels, done, now), fleet, water, now):
        found[key].append(finding)
    most = {
        key: most_believable_w_m2(
            fleet.reactor(fleet.unit(*key).reactor), water[key]) for key in held}
    read = _read_now(held, lately)
    bright = {key: (read[key], most[key]) for key in held if read[key] > most[key]}
    for key, finding in _too_bright(store, bright, days, done, found, now):
        found[key] = [*(one for one in found[key] if one.fault is not FaultKind.JUMP), finding]
    return {key: SensorTrust(checks=state, findings=tuple(found[key])) for key, state in checks.items()}


def _lately(store: Asks, fleet: Fleet, held: Mapping[Key, UnitState], now: datetime) -> pd.DataFrame:
    """Readings of the last hour of each unit that is heard, `steady` where the lamp was warm and water flowed."""
    if not held:
        return pd.DataFrame({name: [] for name in ("cabin", "unit", "intensity_w_m2", "steady")})
    since = min(state.at for state in held.values()) - LATELY
    found = past.ask(store, _LATELY, {"since": since, "now": now}, since=since, until=now)
    rows = []
    for key, state in held.items():
        reactor = fleet.reactor(fleet.unit(*key).reactor)
        lit_from = state.lamp_since or state.lit_from
        warm_from = state.at - LATELY if lit_from is None else lit_from + timedelta(seconds=reactor.warm_up_s)
        lit = state.lit is True and warm_now(state, reactor, now) is True
        rows.append((
            *key, state.at - LATELY, warm_from if lit else EVER, DARK_SHARE * reactor.alarm_intensity_w_m2))
    known = pd.DataFrame(rows, columns=["cabin", "unit", "after", "warm_from", "dark_w_m2"])
    for name in ("after", "warm_from"):
        known[name] = pd.to_datetime(known[name], utc=True)
    found = found.merge(known, on=["cabin", "unit"])
    found = found[(found["at"] > found["after"]) & (found["intensity_w_m2"] > found["dark_w_m2"])]
    return found.assign(steady=(found["at"] >= found["warm_from"]) & (found["flow_l_min"] > FLOWING_L_MIN))


def _stuck_now(
    store: Asks, held: Mapping[Key, UnitState], lately: pd.DataFrame, now: datetime
) -> list[tuple[Key, SensorFinding]]:
    """Sensors whose present value is that of one that is stuck: of those that showed one value in the last hour."""
    if lately.empty:
        return []
    shown = lately.groupby(["cabin", "unit"], as_index=False).agg(number=("intensity_w_m2", "nunique"))
    keys = [(row.cabin, row.unit) for row in named(shown[shown["number"] == 1])]
    keys = [key for key in keys if held[key].lit is not False]
    if not keys:
        return []
    asked = _asked(keys, value=[held[key].intensity_w_m2 for key in keys], at=[held[key].at for key in keys])
    since = now - LOOKED_BACK
    found = past.ask(store, f"WITH asked AS ({asked[0]}), {_UNCHANGED.strip().removeprefix('WITH')}", {
        **asked[1], "since": since, "flowing": FLOWING_L_MIN}, since=since, until=now)
    found["since"] = stuck_since(found)
    out = []
    for row in named(found[found["since"].notna()]):
        same = held[row.cabin, row.unit].intensity_same_since or EVER  # further back than is looked here
        out.append(((row.cabin, row.unit), stuck(
            reading_w_m2=float(row.value), since=min(row.since.to_pydatetime(), same),
            until=row.until.to_pydatetime())))
    return out


def _asked(keys: list[Key], **columns: list[Any]) -> tuple[str, dict[str, Any]]:
    """A table of units with a column or two, as SQL and its values."""
    given = {"cabins": [cabin for cabin, _ in keys], "units": [unit for _, unit in keys]}
    parts = ["unnest($cabins::VARCHAR[]) AS cabin", "unnest($units::VARCHAR[]) AS unit"]
    for name, values in columns.items():
        kind = "TIMESTAMPTZ" if any(isinstance(one, datetime) for one in values) or name in ("at", "checked") \
            else "DOUBLE"
        parts.append(f'unnest(${name}s::{kind}[]) AS "{name}"')
        given[f"{name}s"] = values
    return f"SELECT {', '.join(parts)}", given


def _checked(done: pd.DataFrame) -> pd.DataFrame:
    return done[(done["kind"] == SENSOR_CHECKED) & (done["value"] > 0)]


def _good(done: pd.DataFrame) -> pd.DataFrame:
    checks = _checked(done)
    return checks[checks["value"] <= MOST_DUTY_OVER_REFERENCE]


def _add_daily(found: dict[Key, list[SensorFinding]], fault: StandingFault, held: Mapping[Key, UnitState]) -> None:
    """A finding of whole days; one that is stuck still says no more than the day's own end did."""
    key, kind = (fault.cabin, fault.unit), FaultKind(fault.fault)
    mine = found.get(key)
    if mine is None or any(one.fault is kind for one in mine):
        return  # no longer enrolled; or stuck now, which is said with its instant
    since = datetime(fault.since.year, fault.since.month, fault.since.day, tzinfo=UTC)
    until = datetime(fault.until.year, fault.until.month, fault.until.day, tzinfo=UTC) + timedelta(days=1)
    state = held.get(key)
    same = state.intensity_same_since if state is not None else None
    goes_on = kind is FaultKind.STUCK and (state is None or (same is not None and same < until))
    mine.append(SensorFinding(
        fault=kind, since=since, until=until, days=fault.days, evidence=fault.evidence,
        low_ratio=None if goes_on else 1.0))


def _with_today(days: pd.DataFrame, lately: pd.DataFrame, midnight: pd.Timestamp) -> pd.DataFrame:
    """Days of units that may have jumped, with the level of the last hour as one of today."""
    out = days.assign(rose=days["rose"].astype(bool))
    steady = lately[lately["steady"]] if len(lately) else lately
    if len(steady):
        now = steady.groupby(["cabin", "unit"], as_index=False).agg(
            intensity_w_m2=("intensity_w_m2", "median"), number=("intensity_w_m2", "size"))
        now = now[now["number"] >= LEAST_LATELY].drop(columns="number")
        least = out.groupby(["cabin", "unit"], as_index=False).agg(least=("intensity_w_m2", "min"))
        now = now.merge(least, on=["cabin", "unit"])
        now = now.assign(day=midnight.tz_localize(None), rose=now["intensity_w_m2"] >= JUMP * now["least"])
        out = pd.concat([out, now.drop(columns="least")], ignore_index=True)
    return out[out.groupby(["cabin", "unit"])["rose"].transform("max").astype(bool)]


def _passed(store: Asks, levels: pd.DataFrame, done: pd.DataFrame, now: datetime) -> pd.DataFrame:
    """The latest check that passed, of units that may have jumped, and what their sensor read just before it."""
    good = _good(done).drop_duplicates(["cabin", "unit"], keep="last").merge(
        levels[["cabin", "unit"]].drop_duplicates(), on=["cabin", "unit"])
    keys = [(row.cabin, row.unit) for row in named(good)]
    sql, given = _asked(keys, checked=[at.to_pydatetime() for at in good["at"]])
    day = timedelta(days=1)
    spans = [(*key, at - day, at) for key, at in zip(keys, given.get("checkeds", []), strict=True)]
    first = min((since for _, _, since, _ in spans), default=now)
    saw = good.assign(saw_w_m2=np.nan)
    with contextlib.suppress(ArchiveUnavailable):  # then no check vouches for a level; doctor says what is missing
        saw = past.ask(store, f"WITH asked AS ({sql}) {_SEEN_BY_CHECK}", {
            **given, "flowing": FLOWING_L_MIN, "readings": SEEN_READINGS, "first": first},
            since=first, spans=spans) if keys else saw
    saw = saw[["cabin", "unit", "saw_w_m2"]].astype({"cabin": "str", "unit": "str", "saw_w_m2": float})
    return good.assign(day=_day(good["at"])).merge(saw, on=["cabin", "unit"], how="left")


def _jumps(
    levels: pd.DataFrame, done: pd.DataFrame, passed: pd.DataFrame, fleet: Fleet, water: Mapping[Key, Water],
    now: datetime,
) -> list[tuple[Key, SensorFinding]]:
    """Levels that rose and stand."""
    keys = list(zip(levels["cabin"], levels["unit"], strict=True))
    levels = levels[np.array([fleet.has_unit(*key) for key in keys], bool)]
    if levels.empty:
        return []
    tests = done[done["kind"] == "water-tested"]
    known = levels[["cabin", "unit"]].drop_duplicates()
    mine = [(row.cabin, row.unit) for row in named(known)]
    known = known.assign(
        uvt_now_pct=[water[key].uvt_pct for key in mine],
        enrolled_pct=[fleet.unit(*key).uvt_pct for key in mine],
        path_cm=[Sensor(fleet.reactor(fleet.unit(*key).reactor)).reach_cm for key in mine])
    table = levels.merge(known, on=["cabin", "unit"])
    told = tests.assign(day=_day(tests["at"]), tested=tests["value"])[["cabin", "unit", "day", "tested"]]
    table = pd.merge_asof(
        table.sort_values("day"), told.sort_values("day"), on="day", by=["cabin", "unit"])
    table["uvt_pct"] = table["uvt_pct"].astype(float).fillna(table["tested"]).fillna(table["enrolled_pct"])
    checks = _checked(done)
    mended = checks[checks["value"] < LOW_DUTY_OVER_REFERENCE]  # read too little then, and rightly reads more now
    events = pd.concat([done[done["kind"].isin(KINDS_THAT_EXPLAIN)], mended]).assign(
        day=lambda rows: _day(rows["at"]))
    installed = [
        (*key, pd.Timestamp(day)) for key in mine if (day := fleet.unit(*key).lamp_installed) is not None]
    events = pd.concat([
        events[["cabin", "unit", "day"]],
        pd.DataFrame(installed, columns=["cabin", "unit", "day"]).astype({"day": "datetime64[us]"})])
    found = standing_jumps(table, events[events["day"].isin(table["day"])], passed)
    return [
        ((row.cabin, row.unit), level_jump(
            level_w_m2=float(row.level_w_m2), before_w_m2=float(row.before_w_m2), until=now,
            since=row.since.tz_localize("UTC").to_pydatetime()))
        for row in named(found)]


def _day(at: pd.Series) -> pd.Series:
    days: pd.Series = at.dt.tz_convert("UTC").dt.floor("D").dt.tz_localize(None).dt.as_unit("us")
    return days


def _read_now(held: Mapping[Key, UnitState], lately: pd.DataFrame) -> dict[Key, float]:
    """What each unit reads, or its level of the last hour if that is higher. [W/m2]"""
    level: dict[Key, float] = {}
    if len(lately):
        steady = lately[lately["steady"]].groupby(["cabin", "unit"], as_index=False).agg(
            level=("intensity_w_m2", "median"))
        level = {(row.cabin, row.unit): float(row.level) for row in named(steady)}
    return {key: max(state.intensity_w_m2 or 0.0, level.get(key, 0.0)) for key, state in held.items()}


def _seen_too_bright(
    store: Asks, keys: list[Key], sql: str, given: dict[str, Any], now: datetime
) -> pd.DataFrame:
    """What `_TOO_BRIGHT` finds; where a file of then cannot be had no check vouches, the last days alone count."""
    back, day = now - LOOKED_BACK, timedelta(days=1)
    since = [back if at is None else min(back, at - day) for at in given["checkeds"]]
    asked = f"WITH asked AS ({sql}) {_TOO_BRIGHT}"
    given = {**given, "since": back, "now": now, "first": min(since)}
    spans = [(*key, first, now) for key, first in zip(keys, since, strict=True)]
    try:
        return past.ask(store, asked, given, since=min(since), until=now, spans=spans)
    except ArchiveUnavailable:
        return store.ask(asked.replace(past.NAME, "reading"), {**given, "first": back})


def _too_bright(
    store: Asks, bright: Mapping[Key, tuple[float, float]], days: pd.DataFrame, done: pd.DataFrame,
    found: Mapping[Key, list[SensorFinding]], now: datetime,
) -> list[tuple[Key, SensorFinding]]:
    """Units that read (first number) above what a new lamp can give in their water (second).

    A good check that saw the sensor read so high vouches for it: the water is clearer then, or the lamp stronger.
    """
    if not bright:
        return []
    keys = list(bright)
    good = _good(done).drop_duplicates(["cabin", "unit"], keep="last")
    last = {(row.cabin, row.unit): row.at.to_pydatetime() for row in named(good)}
    sql, given = _asked(
        keys, most=[most for _, most in bright.values()], checked=[last.get(key) for key in keys])
    told = _seen_too_bright(store, keys, sql, given, now)
    ceiling = [bright.get(key, (0.0, 0.0))[1] for key in zip(days["cabin"], days["unit"], strict=True)]
    before = {
        (row.cabin, row.unit): float(row.before_w_m2)
        for row in named(levels_before(days[days["intensity_w_m2"] <= np.array(ceiling, float)]))}
    out = []
    for row in named(told[~told["vouched"] & told["since"].notna()]):
        key = (row.cabin, row.unit)
        read, most = bright[key]
        jumped = [(one.since, one.low_ratio) for one in found[key] if one.fault is FaultKind.JUMP]
        levels = [read / ratio for _, ratio in jumped if ratio is not None]
        if key in before:
            levels.append(before[key])
        out.append((key, too_bright(
            reading_w_m2=read, most_w_m2=most, before_w_m2=min(levels, default=None), until=now,
            since=min([row.since.to_pydatetime(), *(since for since, _ in jumped)]))))
    return out
