"""Under-dosed water that no lift has answered, of many units at once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta

import numpy as np
import pandas as pd

from ingest.db import past
from ingest.db.engine import Asks
from ingest.evaluation.vulnerable import drunk_by_them, marked_stays
from ingest.record.advisory_log import FOREVER, Key, asked
from models.advisory.events import StepPolicy
from models.advisory.marginal import MARGINAL_DAYS, rises
from models.advisory.pieces import DOSED_DAYS_SINCE, GRACE, answered, badness, in_grace, only_to_note
from models.dose.credit import protozoa_from_mj_cm2
from models.fleet import Fleet
from models.shortfall import Severity, marginal_from_mj_cm2, under_treated_from_mj_cm2

# One row per under-dosed interval and lifted piece that it overlaps; without one, the interval alone.
_UNDERDOSED = """
    WITH asked AS (SELECT unnest($cabins) AS cabin, unnest($units) AS unit)
    SELECT u.cabin, u.unit, u.start, u."end", u.kind, u.cause, u.underdosed_l, u.underdosed_l_upper,
        u.dose_low_mj_cm2, u.severity, a.lift, a.number, a.kind AS piece_kind,
        a.underdosed_l_upper AS piece_l_upper,
        a.dose_low_mj_cm2 AS piece_dose, f."at" AS first_live,
        u."end" > a."at" AS beyond, epoch(least(u."end", a."end")) - epoch(greatest(u.start, a.start)) AS overlap_s
    FROM underdosed AS u SEMI JOIN asked ON u.cabin = asked.cabin AND u.unit = asked.unit
    LEFT JOIN answered AS a ON a.cabin = u.cabin AND a.unit = u.unit AND a.start < u."end" AND a."end" > u.start
        AND a."at" <= $until
    LEFT JOIN first_live AS f ON f.cabin = u.cabin AND f.unit = u.unit
    WHERE u."end" <= $until AND (u.severity IS DISTINCT FROM 'marginal' OR u."end" > $month)
    ORDER BY u.cabin, u.unit, u.start
"""
# How much dosed water followed these units' intervals that ended by then, and on how many days: by running sums
# from now backwards, as a year of silence is an interval an hour. A day counts at its last hour with such water. (A
# sum of ones: a running count with a FILTER takes a hundred times as long, duckdb 1.5.5.)
_FOLLOWED = """
    WITH asked AS (SELECT DISTINCT unnest($cabins) AS cabin, unnest($units) AS unit),
    gone AS (
        SELECT DISTINCT u.cabin, u.unit, u."end"
        FROM underdosed AS u SEMI JOIN asked ON u.cabin = asked.cabin AND u.unit = asked.unit
        WHERE u."end" < $before),
    since AS (SELECT cabin, unit, min("end") AS first FROM gone GROUP BY ALL),
    later AS (
        SELECT h.cabin, h.unit, h.hour, h.in_spec_l, CASE WHEN h.hour::DATE IS DISTINCT FROM
            lead(h.hour) OVER (PARTITION BY h.cabin, h.unit ORDER BY h.hour)::DATE THEN 1 ELSE 0 END AS ends_day
        FROM hourly AS h JOIN since AS s ON h.cabin = s.cabin AND h.unit = s.unit
        WHERE h.hour >= s.first AND h.hour <= $now AND h.in_spec_l > 0),
    rest AS (
        SELECT cabin, unit, hour, sum(in_spec_l) OVER backwards AS litres,
            sum(ends_day) OVER backwards AS days
        FROM later WINDOW backwards AS (PARTITION BY cabin, unit ORDER BY hour DESC))
    SELECT g.cabin, g.unit, g."end", coalesce(r.days, 0) AS days, coalesce(r.litres, 0) AS litres
    FROM gone AS g ASOF LEFT JOIN rest AS r ON g.cabin = r.cabin AND g.unit = r.unit AND g."end" <= r.hour
"""
# When these units were last heard at or before an instant; of long before, nothing is asked.
_HEARD = """
    WITH asked AS (SELECT unnest($cabins) AS cabin, unnest($units) AS unit)
    SELECT cabin, unit, max("at") AS heard FROM whole_reading SEMI JOIN asked USING (cabin, unit)
    WHERE "at" >= $since AND "at" <= $before GROUP BY ALL
"""
# Of these units, all water of the month at least (what met its target, and what is known to have been short: a
# total that jumps by more than the supply can deliver is neither), and when water last passed that met its target
# before the latest that was marginal.
_MONTH = """
    WITH asked AS (SELECT unnest($cabins) AS cabin, unnest($units) AS unit, unnest($latest) AS latest)
    SELECT a.cabin, a.unit,
        (SELECT sum(coalesce(h.in_spec_l, 0) + coalesce(h.underdosed_l, 0)) FROM hourly AS h
            WHERE h.cabin = a.cabin AND h.unit = a.unit AND h.hour > $month AND h.hour <= $now) AS volume_l,
        (SELECT max(s."end") FROM segment AS s WHERE s.cabin = a.cabin AND s.unit = a.unit AND s.kind = 'lit'
            AND s.drawn_l > 0 AND s."end" <= a.latest AND s."end" > $month) AS met
    FROM asked AS a
"""
_INTERVAL = [
    "cabin", "unit", "start", "end", "kind", "cause", "underdosed_l", "underdosed_l_upper", "dose_low_mj_cm2",
    "severity"]


def unanswered(
    store: Asks, fleet: Fleet, keys: Sequence[Key], now: datetime, *, until: datetime | None = None
) -> pd.DataFrame:
    """Under-dosed intervals of enrolled units that nobody has answered, oldest first per unit.

    Parameters
    ----------
    now : datetime
        Now, for what a backlog may still explain and for how long ago it was.
    until : datetime, optional
        Judge by intervals that end and lifts that were by then; default: by all.

    Returns
    -------
    DataFrame
        `cabin, unit, start, end, kind, cause, underdosed_l, underdosed_l_upper, dose_low_mj_cm2, severity`, whether
        a backlog may still explain it (`graced`), whether it is only to be noted as seen (`to_note`), and whether
        it is marginal and only to be watched (`to_watch`): of marginal water, that of the last month alone.
    """
    given = {**asked(keys), "until": until or FOREVER, "month": now - timedelta(days=MARGINAL_DAYS)}
    found = store.ask(_UNDERDOSED, given) if keys else pd.DataFrame()
    if found.empty:
        return pd.DataFrame(columns=[*_INTERVAL, "graced", "to_note", "to_watch"])
    row = (~found.duplicated(["cabin", "unit", "start"])).cumsum().to_numpy() - 1
    from_ = {
        name: _of_units(found, lambda key, name=name: severity_from(fleet, key)[name])  # type: ignore[misc]
        for name in ("marginal_from_mj_cm2", "under_treated_from_mj_cm2")}
    found = found.assign(
        row=row, badness=badness(found["kind"], found["dose_low_mj_cm2"], **from_),
        piece_badness=badness(found["piece_kind"], found["piece_dose"].astype(float), **from_))
    rows = found.drop_duplicates("row").reset_index(drop=True)
    pairs = found[found["lift"].notna()]
    pairs = pairs.assign(piece=pd.factorize(
        pairs["cabin"] + "/" + pairs["unit"] + "/" + pairs["lift"] + "/" + pairs["number"].astype(str))[0])
    rows = rows.assign(graced=_graced(store, rows, now))
    rows = rows[~answered(rows, pairs)].reset_index(drop=True)
    return rows.assign(
        to_note=_to_note(store, fleet, rows, now), to_watch=_to_watch(store, fleet, rows, now),
    )[[*_INTERVAL, "graced", "to_note", "to_watch"]]


def _graced(store: Asks, rows: pd.DataFrame, now: datetime) -> np.ndarray:
    """Which intervals are of a silence that a backlog may still explain."""
    graced = in_grace(rows, now)
    if not graced.any():
        return graced
    some = rows[graced]
    since, before = some["end"].min().to_pydatetime(), now - GRACE
    found = past.ask(store, _HEARD, {
        **asked(list(some[["cabin", "unit"]].drop_duplicates().itertuples(index=False, name=None))),
        "since": since, "before": before}, since=since, until=before)
    heard = rows[["cabin", "unit"]].merge(found, on=["cabin", "unit"], how="left", validate="many_to_one")["heard"]
    return in_grace(rows, now, pd.to_datetime(heard, utc=True).dt.tz_localize(None).to_numpy())


def severity_from(fleet: Fleet, key: Key) -> dict[str, float]:
    """From which lower bounds of dose on a unit's water is no worse than marginal, and than under-treated."""
    unit = fleet.unit(*key)
    protozoa, target = protozoa_from_mj_cm2(fleet.reactor(unit.reactor)), unit.dose_target_mj_cm2
    share = (fleet.policy or StepPolicy()).partial_share
    return {
        "marginal_from_mj_cm2": marginal_from_mj_cm2(target, protozoa),
        "under_treated_from_mj_cm2": under_treated_from_mj_cm2(target, protozoa, share)}


def at_once(fleet: Fleet, key: Key) -> bool:
    """Whether a unit's marginal water is an advisory from its first litre: by policy, or for those who drink it."""
    return (fleet.policy or StepPolicy()).marginal_at_once or fleet.cabin(key[0]).vulnerable


def _to_watch(store: Asks, fleet: Fleet, rows: pd.DataFrame, now: datetime) -> np.ndarray:
    """Which intervals are marginal and of a unit of which that asks for no advisory."""
    marginal = (rows["severity"] == Severity.MARGINAL).to_numpy(bool)
    if not marginal.any():
        return marginal
    some = rows[marginal]
    by_unit = some.groupby(["cabin", "unit"])
    latest, most = by_unit["end"].max(), by_unit["underdosed_l_upper"].sum()
    keys: list[Key] = list(latest.index)
    found = store.ask(_MONTH, {
        **asked(keys), "latest": [one.to_pydatetime() for one in latest], "now": now,
        "month": now - timedelta(days=MARGINAL_DAYS)}).set_index(["cabin", "unit"]).reindex(latest.index)
    # of the latest run of it, not broken by water that met its target
    met = found["met"].reindex(pd.MultiIndex.from_frame(some[["cabin", "unit"]])).set_axis(some.index)
    since = some[met.isna() | (some["start"] >= met)].groupby(["cabin", "unit"])["start"].min()
    unbroken = (latest - since.reindex(latest.index)).dt.total_seconds() / 3600
    policy = fleet.policy or StepPolicy()
    rising = rises(
        marginal_l_upper=most, volume_l=found["volume_l"].astype(float), unbroken_h=unbroken.fillna(0.0),
        at_once=[at_once(fleet, key) for key in keys], share=policy.marginal_share, hours=policy.marginal_h)
    risen = {key for key, rose in zip(keys, rising, strict=True) if rose}
    of_them = some[drunk_by_them(some, marked_stays(store, fleet, now))]
    risen |= set(zip(of_them["cabin"], of_them["unit"], strict=True))
    of_risen = np.array([key in risen for key in zip(rows["cabin"], rows["unit"], strict=True)], bool)
    return np.asarray(marginal & ~of_risen)


def _to_note(store: Asks, fleet: Fleet, rows: pd.DataFrame, now: datetime) -> np.ndarray:
    """Which intervals of before the unit was first heard live have long been followed by dosed water."""
    before_live = (rows["first_live"].isna() | (rows["end"] <= rows["first_live"])).to_numpy(bool)
    before = pd.Timestamp(now) - pd.Timedelta(days=DOSED_DAYS_SINCE)
    asked_of = np.flatnonzero(before_live & (rows["end"] < before).to_numpy(bool))
    if not asked_of.size:
        return np.zeros(len(rows), bool)
    some = rows.iloc[asked_of]
    keys = list(some[["cabin", "unit"]].drop_duplicates().itertuples(index=False, name=None))
    found = some[["cabin", "unit", "end"]].merge(
        store.ask(_FOLLOWED, {**asked(keys), "before": before.to_pydatetime(), "now": now}),
        on=["cabin", "unit", "end"], how="left", validate="many_to_one")
    days, litres, plumbing = np.zeros(len(rows)), np.zeros(len(rows)), np.full(len(rows), np.nan)
    days[asked_of], litres[asked_of] = found["days"].to_numpy(float), found["litres"].to_numpy(float)
    plumbing[asked_of] = _of_units(some, lambda key: _plumbing_l(fleet, key))
    return only_to_note(before_live=before_live, dosed_days=days, dosed_l=litres, plumbing_l=plumbing)


def _of_units(rows: pd.DataFrame, of: Callable[[Key], float]) -> np.ndarray:
    """A number of each row's unit; asked once a unit."""
    number, units = pd.MultiIndex.from_frame(rows[["cabin", "unit"]]).factorize()
    of_row: np.ndarray = np.array([of(key) for key in units], float)[number]
    return of_row


def _plumbing_l(fleet: Fleet, key: Key) -> float:
    """All that stands behind the unit; NaN where it is not enrolled. [L]"""
    unit = fleet.unit(*key)
    if unit.cold_plumbing_l is None or unit.hot_tank_l is None:
        return float("nan")
    return unit.cold_plumbing_l + unit.hot_tank_l
