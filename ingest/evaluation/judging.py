"""What judging the time of units needs of the store: for the evaluation, for people, for a past instant.

Columns for many units at once; `models.exposure` does the judging.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any, cast

import numpy as np
import pandas as pd

from ingest.db import past
from ingest.db.engine import Asks, named
from ingest.evaluation.sensor_checks import Checked, checked
from models.advisory.events import StepPolicy
from models.dose import assess
from models.dose.credit import protozoa_from_mj_cm2
from models.dose.reactor import is_outside
from models.dose.water_band import band_points, noon_us
from models.exposure import (
    Rows,
    UnitState,
    covered_s,
    exposure,
    instants,
    microsecond,
    microseconds,
    no_states,
    open_tail,
    period_us,
    profile,
    rows_of,
)
from models.exposure.instants import US_PER_S, Floats, Ints, moment
from models.exposure.resume import STATE_COLUMNS
from models.exposure.rows import PROFILE, look_ahead_s
from models.fleet import Fleet, JudgingPolicy, Reactor, Unit
from models.fleet_history import FleetHistory

STATE_SQL = ", ".join(STATE_COLUMNS)
PRESENT = f"SELECT cabin, unit, {STATE_SQL} FROM present"  # noqa: S608  (names from our own list)
Key = tuple[str, str]


@dataclass(frozen=True, slots=True)
class UnitColumns:
    """The units that are worked out together: what the registry says of each, by `unit_no`."""

    keys: list[tuple[str, str]]
    profiles: pd.DataFrame  # unit_no, from_us, PROFILE, uvt_pct, reactor (position in `reactors`); sorted
    reactors: list[Reactor]
    period: Ints

    @classmethod
    def of(cls, history: FleetHistory, keys: list[tuple[str, str]]) -> UnitColumns:
        """For these units; KeyError if one is not enrolled."""
        positions: dict[Reactor, int] = {}
        columns: dict[str, list[float]] = {
            name: [] for name in ("unit_no", "from_us", *PROFILE, "uvt_pct", "uvt_tested_us", "reactor")}
        policies = history.judging_versions()
        partial_share = (history.present.policy or StepPolicy()).partial_share
        for number, (cabin, slug) in enumerate(keys):
            for since, unit, reactor, policy in _versions(history, policies, cabin, slug):
                columns["unit_no"].append(number)
                columns["from_us"].append(microsecond(since))
                for name, value in profile(
                    unit, reactor, two_ends_s=policy.two_ends_s, partial_share=partial_share,
                    protozoa_from_mj_cm2=protozoa_from_mj_cm2(reactor),
                ).items():
                    columns[name].append(value)
                columns["uvt_pct"].append(unit.uvt_pct)
                columns["uvt_tested_us"].append(noon_us(unit.uvt_tested))
                columns["reactor"].append(positions.setdefault(reactor, len(positions)))
        whole = ("unit_no", "from_us", "reactor")
        table = pd.DataFrame({
            name: np.array(values, np.int64 if name in whole else np.float64) for name, values in columns.items()})
        return cls(
            keys, table, list(positions),
            np.array([period_us(history.present.cabin(cabin).time_zone) for cabin, _ in keys], np.int64))

    def at(self, unit_no: Ints, at_us: Ints) -> pd.DataFrame:
        """What held at these instants, a row each; before the first version, the first."""
        i = holding(self.profiles["unit_no"].to_numpy(), self.profiles["from_us"].to_numpy(), unit_no, at_us)
        return self.profiles.take(i).reset_index(drop=True)

    @property
    def look_ahead_us(self) -> Ints:
        """Per unit how far ahead of a row a reading may lie that it speaks by, under any of its versions. [us]"""
        table = self.profiles
        ahead = pd.Series(look_ahead_s(table["cadence_s"].to_numpy(), table["two_ends_s"].to_numpy()))
        most_s = ahead.groupby(table["unit_no"]).max().to_numpy(dtype=float)
        # a second more, for what rounding to microseconds may add
        ahead_us: Ints = np.ceil((most_s + 1.0) * US_PER_S).astype(np.int64)
        return ahead_us

    def names(self, unit_no: Ints) -> dict[str, Any]:
        """Columns `cabin` and `unit`."""
        cabins = pd.array([cabin for cabin, _ in self.keys], dtype="str")
        units = pd.array([unit for _, unit in self.keys], dtype="str")
        return {"cabin": cabins.take(unit_no), "unit": units.take(unit_no)}


def _versions(
    history: FleetHistory, policies: list[tuple[datetime, JudgingPolicy]], cabin: str, slug: str
) -> list[tuple[datetime, Unit, Reactor, JudgingPolicy]]:
    """From when a unit was judged as what; rising, the first from the beginning."""
    versions = history.versions(cabin, slug)
    starts = sorted({since for since, *_ in versions} | {since for since, _ in policies})
    out = []
    for start in starts:
        _, unit, reactor = [one for one in versions if one[0] <= start][-1]
        policy = [one for since, one in policies if since <= start][-1]
        out.append((start, unit, reactor, policy))
    return out


def holding(table_no: Ints, table_at: Ints, unit_no: Ints, at: Ints) -> Ints:
    """Index of the table's last row of that unit up to that instant; -1 where it has none."""
    moments, rank = np.unique(np.concatenate([table_at, at]), return_inverse=True)
    wide = moments.size + 1
    found = np.searchsorted(
        table_no * wide + rank[: table_at.size], unit_no * wide + rank[table_at.size :], side="right") - 1
    mine = (found >= 0) & (table_no[np.maximum(found, 0)] == unit_no) if table_no.size else np.zeros(at.size, bool)
    return np.where(mine, found, -1)


@dataclass(frozen=True, slots=True)
class Dosed:
    """Rows of many units, each with the dose that it stands for if lit and warm. [mJ/cm2]"""

    rows: Rows
    dose_mj_cm2: Floats  # NaN in states
    dose_low_mj_cm2: Floats
    dose_low_at_peak_mj_cm2: Floats
    tested_mj_cm2: Floats  # best estimate; NaN also where nobody tested the unit at such water or flow
    tested_at_peak_mj_cm2: Floats


def with_doses(
    readings: pd.DataFrame, units: UnitColumns, tests: pd.DataFrame, states: pd.DataFrame | None = None,
    sensors: Checked | None = None,
) -> Dosed:
    """Readings as rows with their doses, at the flow that holds and at the most that the supply can deliver.

    Parameters
    ----------
    readings : DataFrame
        `unit_no`, `at` and the quantities, sorted by both.
    tests : DataFrame
        Water tests: `unit_no`, `at`, `uvt_pct`, sorted by both.
    states : DataFrame, optional
        What the units are taken up from, sorted by `unit_no`.
    sensors : Checked, optional
        What doses, and their lower bounds, are divided by, and when a live transmittance is not used; by default by
        nothing, and always.
    """
    known = states if states is not None else no_states()
    unit_no = np.concatenate([known["unit_no"].to_numpy(np.int64), readings["unit_no"].to_numpy(np.int64)])
    at = np.concatenate([known["at_us"].to_numpy(np.int64), microseconds(readings["at"])])
    given = units.at(unit_no, at)
    rows = rows_of(readings, given, known if len(known) else None)
    order = np.lexsort((~np.concatenate([np.ones(len(known), bool), np.zeros(len(readings), bool)]), unit_no)) \
        if len(known) else np.arange(unit_no.size)
    kind, enrolled = given["reactor"].to_numpy()[order], given["uvt_pct"].to_numpy(dtype=float)[order]
    tested = holding(tests["unit_no"].to_numpy(np.int64), microseconds(tests["at"]), rows.unit_no, rows.at)
    values = np.append(tests["uvt_pct"].to_numpy(dtype=float), np.nan)
    tested_us = np.where(
        tested >= 0, np.append(microseconds(tests["at"]), 0)[tested].astype(float),
        given["uvt_tested_us"].to_numpy(dtype=float)[order])
    age_days = (rows.at - tested_us) / (86_400 * US_PER_S)
    live = rows.near("uvt_pct")
    if sensors is not None and len(sensors.uvt):
        live = np.where(_at(sensors.uvt, "off_points", rows, otherwise=0.0) > 0, np.nan, live)
    uvt = np.where(np.isnan(live), np.where(tested >= 0, values[tested], enrolled), live)
    red, low, at_peak, best_at_peak = (np.full(len(rows), np.nan) for _ in range(4))
    flow, peak = rows.near("flow_l_min"), rows.profile["peak_flow_l_min"]
    outside, outside_at_peak = np.zeros((2, len(rows)), bool)
    intensity = rows.near("intensity_w_m2")
    for number, reactor in enumerate(units.reactors):
        of_kind = np.flatnonzero((kind == number) & ~rows.is_state)
        points = band_points(reactor, np.where(np.isnan(live[of_kind]), age_days[of_kind], 0.0))
        for wide in np.unique(points):
            i = of_kind[points == wide]
            most = assess(
                reactor, intensity_w_m2=intensity[i], flow_l_min=peak[i], uvt_pct=uvt[i],
                uvt_live=~np.isnan(live[i]), uvt_test_points=float(wide))
            at_peak[i], best_at_peak[i] = most.red_low_mj_cm2, most.red_mj_cm2
            low[i] = np.where(flow[i] == 0, np.where(np.isnan(at_peak[i]), np.nan, np.inf), np.nan)
            red[i] = np.where(flow[i] == 0, np.inf, np.nan)
            flows = i[flow[i] > 0]
            if flows.size:
                now = assess(
                    reactor, intensity_w_m2=intensity[flows], flow_l_min=flow[flows], uvt_pct=uvt[flows],
                    uvt_live=~np.isnan(live[flows]), uvt_test_points=float(wide))
                red[flows], low[flows] = now.red_mj_cm2, now.red_low_mj_cm2
        outside[of_kind] = is_outside(reactor, uvt_pct=uvt[of_kind], flow_l_min=flow[of_kind])
        outside_at_peak[of_kind] = is_outside(reactor, uvt_pct=uvt[of_kind], flow_l_min=peak[of_kind])
    if sensors is not None and len(sensors.duty):
        ratio, of_low = (_at(sensors.duty, name, rows, otherwise=1.0) for name in ("ratio", "low_ratio"))
        red, low, at_peak, best_at_peak = red / ratio, low / of_low, at_peak / of_low, best_at_peak / ratio
    within: Floats = np.where(outside, np.nan, red)
    within_at_peak: Floats = np.where(outside_at_peak, np.nan, best_at_peak)
    if len(known):
        within = np.where(rows.is_state, rows.state["dose_mj_cm2"], within)
        within_at_peak = np.where(rows.is_state, rows.state["dose_at_peak_mj_cm2"], within_at_peak)
        low = np.where(rows.is_state, rows.state["dose_low_mj_cm2"], low)
        at_peak = np.where(rows.is_state, rows.state["dose_low_at_peak_mj_cm2"], at_peak)
    return Dosed(rows, red, low, at_peak, within, within_at_peak)


def _at(stretches: pd.DataFrame, name: str, rows: Rows, *, otherwise: float) -> Floats:
    """What a unit's stretch says at each row."""
    i = holding(
        stretches["unit_no"].to_numpy(np.int64), stretches["from_us"].to_numpy(np.int64), rows.unit_no, rows.at)
    found: Floats = np.append(stretches[name].to_numpy(dtype=float), otherwise)[i]
    return found


def judged_at(store: Asks, history: FleetHistory, keys: list[tuple[str, str]], now: datetime) -> pd.DataFrame:
    """Each unit's state as of an instant in the past, by all that is stored of the time up to then.

    Returns
    -------
    DataFrame
        `cabin`, `unit` and the columns of `models.exposure.resume`; no row where nothing was heard.
    """
    units = UnitColumns.of(history, keys)
    cabins, slugs = [cabin for cabin, _ in keys], [unit for _, unit in keys]
    asked = "WITH asked AS (SELECT unnest($cabins) AS cabin, unnest($units) AS unit)"
    given = {"cabins": cabins, "units": slugs, "now": now}
    before = store.ask(f"""
        {asked} SELECT cabin, unit, {STATE_SQL} FROM resume_state SEMI JOIN asked USING (cabin, unit)
        WHERE "at" <= $now QUALIFY row_number() OVER (PARTITION BY cabin, unit ORDER BY "at" DESC) = 1
    """, given)  # noqa: S608  (names from our own list)
    number = {key: position for position, key in enumerate(keys)}
    before = _numbered(before, number)
    out = _worked_out(store, asked, given, units, number, before)
    return out.assign(**units.names(out["unit_no"].to_numpy(np.int64)))


def _worked_out(
    store: Asks, asked: str, given: dict[str, Any], units: UnitColumns, number: dict[Key, int], before: pd.DataFrame
) -> pd.DataFrame:
    """The states before, brought forward by the readings since."""
    known = {int(row.unit_no): moment(row.at_us) or past.EVER for row in named(before)}
    spans = [(*key, known.get(position, past.EVER), given["now"]) for key, position in number.items()]
    first = min((since for _, _, since, _ in spans), default=past.EVER)
    later = past.ask(store, f"""
        {asked}, since AS (
            SELECT cabin, unit, coalesce(max(s."at"), TIMESTAMPTZ '2000-01-01 00:00:00+00') AS "from"
            FROM asked LEFT JOIN resume_state AS s USING (cabin, unit) WHERE s."at" IS NULL OR s."at" <= $now
            GROUP BY ALL)
        SELECT r.* EXCLUDE (arrived_at) FROM whole_reading AS r
        JOIN asked USING (cabin, unit) LEFT JOIN since AS s USING (cabin, unit)
        WHERE r."at" <= $now AND r."at" > $first
            AND r."at" > coalesce(s."from", TIMESTAMPTZ '2000-01-01 00:00:00+00')
    """, {**given, "first": first}, since=first, until=given["now"], spans=spans)  # noqa: S608
    later = _numbered(later, number)
    if later.empty:
        return before
    tests = _numbered(store.ask(f"""
        {asked} SELECT cabin, unit, "at", value AS uvt_pct FROM service_done SEMI JOIN asked USING (cabin, unit)
        WHERE kind = 'water-tested' AND "at" <= $now
    """, given), number)  # noqa: S608
    heard = later["unit_no"].unique()
    resumed = before[before["unit_no"].isin(heard)].reset_index(drop=True)
    # a check that was made later tells of that time all the same
    sensors = checked(store, number)
    dosed = with_doses(later, units, tests, resumed, sensors)
    _, states = exposure(
        dosed.rows, dose_low_mj_cm2=dosed.dose_low_mj_cm2, dose_low_at_peak_mj_cm2=dosed.dose_low_at_peak_mj_cm2,
        dose_mj_cm2=dosed.tested_mj_cm2, dose_at_peak_mj_cm2=dosed.tested_at_peak_mj_cm2)
    last = states.drop_duplicates("unit_no", keep="last")
    return pd.concat([before[~before["unit_no"].isin(heard)], last], ignore_index=True)


def _numbered(found: pd.DataFrame, number: dict[tuple[str, str], int]) -> pd.DataFrame:
    """With `unit_no` in place of cabin and unit, sorted by it and `at`."""
    positions = [number[cabin, unit] for cabin, unit in zip(found["cabin"], found["unit"], strict=True)]
    out = found.drop(columns=["cabin", "unit"]).assign(unit_no=np.array(positions, np.int64))
    by = ["unit_no", "at"] if "at" in out else ["unit_no"]
    return out.sort_values(by, kind="stable", ignore_index=True)


def unit_states(states: pd.DataFrame, fleet: Fleet) -> dict[Key, UnitState]:
    """States as of a table with `cabin` and `unit`, each as one value; of units that are no longer enrolled too."""
    out: dict[Key, UnitState] = {}
    names = list(states.columns)
    for values in zip(*(states[name].tolist() for name in names), strict=True):
        row = dict(zip(names, values, strict=True))
        key = (row["cabin"], row["unit"])
        cadence_s = fleet.unit(*key).cadence_s if fleet.has_unit(*key) else 60.0
        out[key] = UnitState.from_row(row, covered_s=float(covered_s(cadence_s, fleet.judging.two_ends_s)))
    return out


def tails(
    states: pd.DataFrame, history: FleetHistory, now: datetime, *,
    links_down: dict[Key, datetime | None] | None = None,
) -> dict[Key, pd.DataFrame]:
    """`tails_table` by unit."""
    found = tails_table(states, history, now, links_down=links_down)
    return {
        cast(Key, key): part.drop(columns=["cabin", "unit"]).reset_index(drop=True)
        for key, part in found.groupby(["cabin", "unit"], sort=False)}


def tails_table(
    states: pd.DataFrame, history: FleetHistory, now: datetime, *,
    links_down: dict[Key, datetime | None] | None = None, while_heard: bool = False,
) -> pd.DataFrame:
    """What holds from each unit's state to `now`; states of units that are not enrolled are passed over.

    Parameters
    ----------
    states : DataFrame
        `cabin`, `unit` and the columns of `models.exposure.resume`.
    links_down : dict, optional
        Since when a unit's link is down; None: it is up.
    while_heard : bool
        Of each unit only until it is overdue, and at least a second: of a reading that just came nothing would be
        said that goes on.

    Returns
    -------
    DataFrame
        `cabin`, `unit` and the columns of `models.exposure.open_tail`.
    """
    fleet = history.present
    all_keys = list(zip(states["cabin"], states["unit"], strict=True))
    known = np.array([fleet.has_unit(*key) for key in all_keys], bool)
    keys = [key for key, here in zip(all_keys, known, strict=True) if here]
    if not keys:
        return pd.DataFrame({"cabin": [], "unit": []})
    units = UnitColumns.of(history, keys)
    number = np.arange(len(keys))
    kept = states[known].reset_index(drop=True).assign(unit_no=number)
    overdue = np.array([fleet.unit(*key).overdue_s for key in keys])
    at_us = kept["at_us"].to_numpy(np.int64)
    # Nothing said of the link: it is up as far as anyone knows, so it is the logger that says nothing.
    events = [pd.DataFrame({"unit_no": number, "at": instants(at_us - 1), "up": True})]
    down = [(links_down or {}).get(key) for key in keys]
    away = np.array([one is not None for one in down], bool)
    if away.any():
        since = np.array([microsecond(one) for one in down])[away]
        events.append(pd.DataFrame({
            "unit_no": number[away], "at": instants(np.maximum(since, at_us[away])), "up": False}))
    now_us = np.full(len(keys), microsecond(now), np.int64)
    if while_heard:
        overdue_us = np.rint(overdue * US_PER_S).astype(np.int64)
        now_us = np.maximum(np.minimum(now_us, at_us + overdue_us), at_us + US_PER_S)
    found = open_tail(
        kept, units.at(number, at_us), now_us=now_us, overdue_s=overdue,
        links=pd.concat(events, ignore_index=True))
    return found.assign(**units.names(found["unit_no"].to_numpy(np.int64)))
