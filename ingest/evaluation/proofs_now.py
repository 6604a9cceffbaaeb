"""What the sensors say now of the steps of open advisories: of all that are asked for at once.

The record keeps only what ticks or unticks a step (`ingest.evaluation.watch`); the litres and minutes between are
asked here.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial
from typing import Any

import pandas as pd

from ingest.db import past
from ingest.db.engine import Asks, named
from ingest.record.advisory_log import KeptAdvisory, Key
from ingest.settings import ArchiveUnavailable
from models.advisory import (
    FLUSH_STEPS,
    Advisory,
    Flush,
    Proof,
    State,
    Step,
    StepPolicy,
    StepRecorded,
    advanced,
    proofs,
)
from models.advisory.cleaning import (
    Cleaning,
    advisory_water,
    cleaning_of,
    left_at_cold_tap,
    too_little,
    ways_words,
)
from models.advisory.plumbing import flush_volumes
from models.exposure import UnitState, covered_s
from models.fleet import Fleet, Unit

# One row per asked unit; segments since the unit's last under-dosed litre only, so it does not grow with history.
# Lit water alone is counted, so a short dark or silent stretch without a draw takes no litre back.
_SINCE = """
    WITH asked AS (
        SELECT unnest($cabins) AS cabin, unnest($units) AS unit, unnest($since) AS since)
    SELECT a.cabin, a.unit, max(s."end") FILTER (s.kind <> 'lit') AS bad_until,
        sum(s.drawn_l) FILTER (s.kind = 'lit' AND s.start >= a.since) AS metered_l
    FROM asked AS a LEFT JOIN segment AS s ON s.cabin = a.cabin AND s.unit = a.unit AND s."end" > a.since
        AND s.start < $now
    GROUP BY ALL
"""
# Per recorded flush what was counted within its time, at least: between the first total in it and the last, or by
# the lesser flow of each two readings. A flow that never changes by its last digit counts nothing.
_FLUSHED = """
    WITH asked AS (
        SELECT unnest($numbers) AS number, unnest($cabins) AS cabin, unnest($units) AS unit,
            unnest($begun) AS begun, unnest($ended) AS ended, unnest($covered) AS covered_s),
    seen AS (
        SELECT a.number, a.covered_s, r."at", r.total_l, r.flow_l_min,
            lag(r."at") OVER w AS before, lag(r.flow_l_min) OVER w AS flow_before,
            lag(r.total_l IGNORE NULLS) OVER w AS total_before
        FROM asked AS a JOIN whole_reading AS r ON r.cabin = a.cabin AND r.unit = a.unit
            AND r."at" BETWEEN a.begun AND a.ended
        WHERE r."at" >= $first
        WINDOW w AS (PARTITION BY a.number ORDER BY r."at"))
    SELECT number, count(total_l) AS totals, count(flow_l_min) AS flows, count(DISTINCT flow_l_min) AS values_read,
        sum(greatest(total_l - total_before, 0)) AS by_total_l,
        sum(least(flow_l_min, flow_before) * epoch("at" - before) / 60) FILTER (
            epoch("at" - before) <= covered_s) AS by_flow_l
    FROM seen GROUP BY number
"""
SAME_FOR = 5  # readings of one and the same flow that say that its sensor may stick


def proofs_now(
    store: Asks, fleet: Fleet, standing: Mapping[Key, Advisory], states: Mapping[Key, UnitState], now: datetime
) -> dict[Key, tuple[Proof, ...]]:
    """What the sensors say now of the steps of these open advisories.

    Parameters
    ----------
    standing : mapping
        Open advisories by (cabin, unit); of those whose exposure goes on nothing is said, since nothing counts.
    states : mapping
        Each unit's state after its latest reading.
    """
    asked = {
        key: one for key, one in standing.items()
        if one.evidence_since is not None and key in states and fleet.has_unit(*key)}
    if not asked:
        return {}
    found = {(row.cabin, row.unit): row for row in named(store.ask(_SINCE, {
        "cabins": [key[0] for key in asked], "units": [key[1] for key in asked],
        "since": [one.evidence_since for one in asked.values()], "now": now}))}
    flushes = _flushes(store, fleet, asked, states)
    out = {}
    for key, advisory in asked.items():
        row = found[key]
        out[key] = _of_unit(
            fleet, key, states[key], advisory, now, flushes.get(key, ()),
            bad_until=None if pd.isna(row.bad_until) else row.bad_until.to_pydatetime(),
            metered_l=None if pd.isna(row.metered_l) else float(row.metered_l))
    return out


def _flushes(
    store: Asks, fleet: Fleet, asked: Mapping[Key, Advisory], states: Mapping[Key, UnitState]
) -> dict[Key, tuple[Flush, ...]]:
    """What people recorded as flushes, with what was metered in their time."""
    told = [
        (key, one) for key, advisory in asked.items() for one in advisory.records
        if one.step in FLUSH_STEPS and one.begun_at is not None]
    if not told:
        return {}
    counted: dict[int, Any] = {}  # nothing is known to have been metered in a time that cannot be read
    with contextlib.suppress(ArchiveUnavailable):  # doctor says what is missing
        counted = _counted(store, fleet, told)
    out: dict[Key, tuple[Flush, ...]] = {}
    for number, (key, one) in enumerate(told):
        assert one.begun_at is not None
        heard = states[key].at >= one.when
        metered_l = _metered(counted[number]) if number in counted else None
        out[key] = (*out.get(key, ()), Flush(
            step=one.step, begun_at=one.begun_at, ended_at=one.when, heard=heard,
            metered_l=metered_l if heard or metered_l is not None else 0.0,
            most_l=fleet.unit(*key).peak_flow_l_min * ((one.when - one.begun_at) / timedelta(minutes=1))))
    return out


def _counted(store: Asks, fleet: Fleet, told: Sequence[tuple[Key, StepRecorded]]) -> dict[int, Any]:
    """Of each recorded flush, by its place in `told`: the row of what its readings count; none without readings."""
    two_ends_s = fleet.judging.two_ends_s
    spans = [(*key, one.begun_at, one.when) for key, one in told if one.begun_at is not None]
    begun, ended = min(since for _, _, since, _ in spans), max(until for *_, until in spans)
    return {row.number: row for row in named(past.ask(store, _FLUSHED, {
        "first": begun,
        "numbers": list(range(len(told))), "cabins": [key[0] for key, _ in told],
        "units": [key[1] for key, _ in told], "begun": [one.begun_at for _, one in told],
        "ended": [one.when for _, one in told],
        "covered": [float(covered_s(fleet.unit(*key).cadence_s, two_ends_s)) for key, _ in told],
    }, since=begun, until=ended, spans=spans))}


def _metered(row: Any) -> float | None:
    """Litres that the readings of a time count at least; None: nothing counted them."""
    if row.totals >= 2:
        return float(row.by_total_l)
    stuck = row.values_read == 1 and row.flows >= SAME_FOR
    if row.flows < 2 or stuck or pd.isna(row.by_flow_l):
        return None
    return float(row.by_flow_l)


def _of_unit(
    fleet: Fleet, key: Key, state: UnitState, advisory: Advisory, now: datetime, flushes: tuple[Flush, ...], *,
    bad_until: datetime | None, metered_l: float | None,
) -> tuple[Proof, ...]:
    """The same of one unit.

    Parameters
    ----------
    bad_until : datetime or None
        End of the last segment since `advisory.evidence_since` that was not lit; None: there was none.
    metered_l : float or None
        Litres of the lit segments since then; None: there was none, or none was metered. [L]
    """
    unit = fleet.unit(*key)
    asked = cleaning_of(advisory, unit, fleet.cabin(key[0]))
    cold_l, hot_l = _litres(advisory, unit, asked)
    proven = partial(
        proofs, at=max(now, advisory.updated_at), flush_cold_l=cold_l, flush_hot_l=hot_l, flushes=flushes,
        metered_alone=advisory.metered_alone, policy=fleet.policy, clean_since=advisory.evidence_since,
        ways=ways_words(asked.ways), too_little=_too_little(advisory, asked))
    if now - state.at > timedelta(seconds=unit.overdue_s):  # what was heard last says nothing of now
        return proven(
            power_on=None, power_on_since=None, lamp_on=None, lamp_on_since=None, dose_ok_min=None, metered_l=None)
    if metered_l is None and state.flow_l_min is not None:  # a meter that has counted nothing yet
        metered_l = 0.0
    return proven(
        left=_left(advisory, unit, metered_l), power_on=state.power_on, power_on_since=state.power_since,
        lamp_on=state.lit, lamp_on_since=state.lamp_since or state.lit_from, metered_l=metered_l,
        dose_ok_min=_dose_ok_min(unit, state, advisory, bad_until))


def _litres(advisory: Advisory, unit: Unit, asked: Cleaning) -> tuple[float | None, float | None]:
    """Litres of the cold and of the hot flush.

    An advisory of before cleaning was sized keeps what it asked for where that was less, so that it loses no tick.
    And where a record was withdrawn that had made the water look worse, nothing ticks by there being no such water.
    """
    usual = flush_volumes(unit)
    if advisory.proven_from is not None and asked.cold_l == 0:
        return usual
    if advisory.sized:
        return asked.cold_l, asked.hot_l
    cold_l, hot_l = (
        min((one for one in both if one is not None), default=None)
        for both in zip(usual, (asked.cold_l, asked.hot_l), strict=True))
    return cold_l, hot_l


def _too_little(advisory: Advisory, asked: Cleaning) -> str:
    """Why the hot tank is not clean by what a person recorded of it."""
    return next((too_little(one, asked) for one in advisory.records if one.step is Step.FLUSH_HOT), "")


def _left(advisory: Advisory, unit: Unit, metered_l: float | None) -> str:
    """What normal use has left at the cold tap; empty where nobody knows, or all of it may still come."""
    water = advisory_water(advisory, unit)
    if metered_l is None or unit.cold_plumbing_l is None or metered_l < unit.cold_plumbing_l or not water.parts:
        return ""
    return left_at_cold_tap(water, unit.cold_plumbing_l, metered_l).words


def _dose_ok_min(unit: Unit, state: UnitState, advisory: Advisory, bad_until: datetime | None) -> float | None:
    """Minutes up to the latest reading that the dose held its target at peak flow; None: dose not known. [min]"""
    since, peak = advisory.evidence_since, state.dose_low_at_peak_mj_cm2
    if since is None or peak is None:
        return None
    if not (state.lit and peak >= unit.dose_target_mj_cm2):
        return 0.0
    proven = any(one.step is Step.DOSE_BACK and one.done for one in advisory.proofs)
    anew = None if proven else advisory.proven_from
    good_since = max(one for one in (since, bad_until, anew) if one is not None)
    return max(0.0, (state.at - good_since) / timedelta(minutes=1))


def ripens_at(fleet: Fleet, advisory: Advisory, state: UnitState, now: datetime) -> datetime | None:
    """When the next proof of an open advisory is complete by time alone, if no reading says otherwise before."""
    if advisory.evidence_since is None:
        return None
    policy = fleet.policy or StepPolicy()
    due = [
        since + timedelta(minutes=least) for since, on, least in (
            (state.power_since, state.power_on, policy.power_stable_min),
            (state.lamp_since or state.lit_from, state.lit, policy.lamp_lit_min))
        if since is not None and on]
    return min((one for one in due if one > now), default=None)


def up_to_now(
    store: Asks, fleet: Fleet, kept: Mapping[Key, KeptAdvisory], states: Mapping[Key, UnitState], now: datetime
) -> dict[Key, KeptAdvisory]:
    """Each unit's latest advisory, an open one with what the sensors say of its steps now; nothing is recorded.

    Parameters
    ----------
    kept : mapping
        The latest advisory per (cabin, unit), open or lifted; it outlives its unit's registration.
    states : mapping
        Each unit's state after its latest reading.
    """
    standing = {key: one.advisory for key, one in kept.items() if one.advisory.state is not State.LIFTED}
    out = dict(kept)
    for key, found in proofs_now(store, fleet, standing, states, now).items():
        out[key] = replace(kept[key], advisory=advanced(kept[key].advisory, found))
    return out
