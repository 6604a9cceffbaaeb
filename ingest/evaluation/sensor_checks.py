"""Recorded checks of duty sensors against a reference: what they divide doses by, and when the next is due."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd

from ingest.db import past
from ingest.db.engine import Asks, named
from models.dose.sensor_checks import (
    FOREVER_US,
    MOST_DUTY_OVER_REFERENCE,
    SensorState,
    divided_words,
    first_change_us,
    low_divided_words,
    sensor_due,
    sensor_stretches,
)
from models.dose.uvt_checks import MOST_OFF_POINTS, UvtDoubt, off_a_test, uvt_stretches
from models.exposure import microsecond
from models.exposure.instants import instants, moment
from models.fleet import Fleet

SENSOR_CHECKED = "sensor-checked"
UVT_SENSOR_CHECKED = "uvt-sensor-checked"
Key = tuple[str, str]

# One row per check with a ratio that counts; few.
_CHECKS = f"""
    SELECT cabin, unit, "at", value AS ratio, who FROM service_done
    WHERE kind = '{SENSOR_CHECKED}' AND value > 0 AND "at" <= $until
    AND ($cabin::VARCHAR IS NULL OR cabin = $cabin) AND ($unit::VARCHAR IS NULL OR unit = $unit)
"""  # noqa: S608  (a kind of our own)
# The same of transmittance sensors.
_UVT_CHECKS = f"""
    SELECT cabin, unit, "at", value AS off_points, who FROM service_done
    WHERE kind = '{UVT_SENSOR_CHECKED}' AND value IS NOT NULL
    AND ($cabin::VARCHAR IS NULL OR cabin = $cabin) AND ($unit::VARCHAR IS NULL OR unit = $unit)
"""  # noqa: S608  (a kind of our own)
# One row per unit whose latest water test was made since its sensor's last good check, if there was one: what that
# said, and what the sensor read then: of a test of the last day in the hour around it, else that day's median.
_TESTED_AGAINST = f"""
    WITH tested AS (
        SELECT cabin, unit, arg_max(value, "at") AS tested_pct, max("at") AS "at", arg_max(who, "at") AS who
        FROM service_done WHERE kind = 'water-tested' AND value IS NOT NULL AND "at" <= $now GROUP BY ALL),
    good AS (
        SELECT cabin, unit, max("at") AS good_at FROM service_done
        WHERE kind = '{UVT_SENSOR_CHECKED}' AND abs(value) <= {MOST_OFF_POINTS} AND "at" <= $now GROUP BY ALL),
    late AS (
        SELECT t.cabin, t.unit, median(r.uvt_pct) AS uvt_pct FROM tested AS t JOIN whole_reading AS r
            ON r.cabin = t.cabin AND r.unit = t.unit
            AND r."at" > t."at" - INTERVAL 30 MINUTE AND r."at" < t."at" + INTERVAL 30 MINUTE
        WHERE t."at" > $since AND r."at" > $since - INTERVAL 30 MINUTE AND r."at" <= $now GROUP BY ALL)
    SELECT t.*, coalesce(n.uvt_pct, d.uvt_pct) AS read_pct FROM tested AS t
    LEFT JOIN good AS g USING (cabin, unit) LEFT JOIN late AS n USING (cabin, unit)
    LEFT JOIN daily AS d ON d.cabin = t.cabin AND d.unit = t.unit AND d.day = (t."at" AT TIME ZONE 'UTC')::DATE
    WHERE g.good_at IS NULL OR g.good_at < t."at"
"""  # noqa: S608  (a kind and a limit of our own)
EVER = pd.Timestamp("2200-01-01", tz="UTC").to_pydatetime()


def sensor_checks(
    store: Asks, *, cabin: str | None = None, unit: str | None = None, until: datetime = EVER
) -> pd.DataFrame:
    """Checks with a ratio that nobody withdrew: `cabin`, `unit`, `at`, `ratio`, `who`."""
    return store.ask(_CHECKS, {"until": until, "cabin": cabin, "unit": unit})


@dataclass(frozen=True, slots=True)
class Checked:
    """What checks say of the sensors of some units, from when to when.

    Attributes
    ----------
    duty : DataFrame
        As of `models.dose.sensor_checks.sensor_stretches`.
    uvt : DataFrame
        As of `models.dose.uvt_checks.uvt_stretches`.
    """

    duty: pd.DataFrame
    uvt: pd.DataFrame

    @classmethod
    def of(cls, checks: pd.DataFrame) -> Checked:
        """By checks of both kinds: `unit_no`, `kind`, `at`, `value`, `who`."""
        of_duty = checks["kind"] == SENSOR_CHECKED
        return cls(
            sensor_stretches(checks[of_duty].rename(columns={"value": "ratio"})),
            uvt_stretches(checks[~of_duty].rename(columns={"value": "off_points"})))

    def first_change_us(self, after: Checked) -> int | None:
        """From when on they say something else of one unit; `NEVER`: always, None: never. [us]"""
        found = [one for one in (
            first_change_us(self.duty, after.duty), first_change_us(self.uvt, after.uvt, ("off_points",), 0.0))
            if one is not None]
        return min(found, default=None)


def checked(
    store: Asks, number: Mapping[Key, int], *, cabin: str | None = None, unit: str | None = None
) -> Checked:
    """What all checks on record say of the units that `number` knows."""
    uvt = store.ask(_UVT_CHECKS, {"cabin": cabin, "unit": unit})
    return Checked(
        numbered_stretches(sensor_checks(store, cabin=cabin, unit=unit), number),
        uvt_stretches(_numbered(uvt, number)))


def checked_unit(store: Asks, cabin: str, unit: str) -> Checked:
    """The same of one unit, whose `unit_no` is 0."""
    return checked(store, {(cabin, unit): 0}, cabin=cabin, unit=unit)


def numbered_stretches(checks: pd.DataFrame, number: Mapping[Key, int]) -> pd.DataFrame:
    """As of `models.dose.sensor_checks.sensor_stretches`, of the units that `number` knows."""
    return sensor_stretches(_numbered(checks, number))


def _numbered(checks: pd.DataFrame, number: Mapping[Key, int]) -> pd.DataFrame:
    position = [number.get(key, -1) for key in zip(checks["cabin"], checks["unit"], strict=True)]
    table = checks.assign(unit_no=np.array(position, np.int64))
    return table[table["unit_no"] >= 0]


def uvt_doubts(store: Asks, keys: Sequence[Key], now: datetime) -> dict[Key, UvtDoubt]:
    """The units whose live transmittance is not used at `now`, and why; a later check tells of that time too."""
    number = {key: position for position, key in enumerate(keys)}
    found = uvt_stretches(_numbered(store.ask(_UVT_CHECKS, {"cabin": None, "unit": None}), number))
    at_us = microsecond(now)
    bad = found[(found["off_points"] > 0) & (found["from_us"] <= at_us) & (at_us < found["until_us"])]
    return {
        keys[row.unit_no]: UvtDoubt(
            off_points=float(row.off_points), checked_by=str(row.who),
            checked_at=instants(np.array([row.checked_us])).iloc[0].to_pydatetime())
        for row in named(bad)}


def doubts_by_tests(store: Asks, fleet: Fleet, now: datetime) -> dict[Key, UvtDoubt]:
    """The units whose live transmittance and latest water test cannot both be right."""
    out: dict[Key, UvtDoubt] = {}
    for row in named(past.ask(
            store, _TESTED_AGAINST, {"now": now, "since": now - timedelta(days=1)},
            since=now - timedelta(days=2), until=now)):
        key = (str(row.cabin), str(row.unit))
        off = off_a_test(
            fleet.reactor(fleet.unit(*key).reactor), live_pct=float(row.read_pct),
            tested_pct=float(row.tested_pct)) if fleet.has_unit(*key) else None
        if off is not None:
            out[key] = UvtDoubt(
                off_points=off, checked_at=row.at.to_pydatetime(), checked_by=str(row.who), by_test=True)
    return out


def sensor_states(
    checks: pd.DataFrame, fleet: Fleet, now: datetime, first_heard: Mapping[Key, datetime | None],
    with_sensor: Iterable[Key],
) -> dict[Key, SensorState]:
    """Each enrolled unit's sensor by its checks.

    Parameters
    ----------
    checks : DataFrame
        As of `sensor_checks`, of all units.
    now : datetime
        The instant of judgement; a check made later still tells what the sensor read by then.
    first_heard : mapping
        When each unit was first heard.
    with_sensor : iterable of (cabin, unit)
        Units that ever sent an intensity.
    """
    sensors = set(with_sensor)
    keys = [(cabin.slug, unit.slug) for cabin in fleet.cabins for unit in cabin.units]
    at_us = microsecond(now)
    found = numbered_stretches(checks, {key: number for number, key in enumerate(keys)})
    here = found[(found["from_us"] <= at_us) & (at_us < found["until_us"])]
    lows = {keys[row.unit_no]: float(row.low_ratio) for row in named(here)}
    bad = {keys[row.unit_no]: row for row in named(here[here["ratio"] > 1])}
    past = checks[checks["at"] <= pd.Timestamp(now)].sort_values("at", kind="stable")
    last = {(row.cabin, row.unit): row for row in named(past.drop_duplicates(["cabin", "unit"], keep="last"))}
    out: dict[Key, SensorState] = {}
    for key in keys:
        latest, worst = last.get(key), bad.get(key)
        last_at = None if latest is None else latest.at.to_pydatetime()
        due, late_days = sensor_due(
            last_at=last_at, first_heard=first_heard.get(key), has_sensor=key in sensors, now=now,
            policy=fleet.sensor_checks,
            last_passed=latest is None or latest.ratio <= MOST_DUTY_OVER_REFERENCE)
        out[key] = SensorState(
            ratio=1.0 if worst is None else float(worst.ratio), low_ratio=lows.get(key, 1.0),
            since=None if worst is None else moment(worst.from_us),
            checked_at=None if worst is None else moment(worst.checked_us),
            checked_by="" if worst is None else str(worst.who), last_at=last_at,
            last_ratio=None if latest is None else float(latest.ratio), due=due, late_days=late_days,
            kept=latest is not None or fleet.sensor_checks is not None)
    return out


def divided_between(store: Asks, cabin: str, unit: str, since: datetime, until: datetime) -> list[dict[str, Any]]:
    """Stretches of that time whose doses are divided: `since`, `until`, `ratio`, `checked_at`, `who`, `words`.

    Where only lower bounds are, by a check that passed, `ratio` is 1 and `low_ratio` says by what.
    """
    found = divided_in(checked_unit(store, cabin, unit).duty, since, until)
    return [{name: value for name, value in one.items() if name != "unit_no"} for one in found]


def divided_in(duty: pd.DataFrame, since: datetime, until: datetime) -> list[dict[str, Any]]:
    """The same of all units in `duty` (`Checked.duty`), each with its `unit_no`."""
    found = duty[
        (duty["low_ratio"] > 1) & (duty["from_us"] < microsecond(until)) & (duty["until_us"] > microsecond(since))]
    out = []
    for row in named(found):
        failed = row.ratio > 1
        start = moment(row.from_us)
        checked = moment(row.checked_us) if failed else start
        assert checked is not None  # a ratio above 1 is of a check, and one that passed begins a stretch
        out.append({
            "unit_no": int(row.unit_no), "since": start,
            "until": None if row.until_us == FOREVER_US else moment(row.until_us),
            "ratio": float(row.ratio), "low_ratio": float(row.low_ratio), "checked_at": checked,
            "who": str(row.who), "words": divided_words(float(row.ratio), start, checked, str(row.who)) if failed
            else low_divided_words(float(row.low_ratio), checked)})
    return out
