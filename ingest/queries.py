"""What people ask of the store: verdicts, outages, readings to draw, what was done.

Each function takes anything that answers SQL (`ingest.engine.Asks`), so that a page, a command and the collector
ask alike, and returns DataFrames or frozen values.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, cast

import numpy as np
import pandas as pd

from ingest import faults
from ingest.engine import Asks, by_unit, named
from ingest.evaluate import EARLIEST, tested_uvt, with_doses
from ingest.notify import NOTIFICATIONS, OVERDUE
from ingest.progress import up_to_now
from ingest.registry import load_fleet
from ingest.watch import LATEST_EVENTS, Kept, latest
from models.advisory_events import State
from models.credit import Organism, log_credit, share_in_specification
from models.dose import assess
from models.enrolment import Sent
from models.fleet import Cabin, Fleet, Reactor, Unit
from models.outage import Carry, join, open_tail, timeline
from models.plumbing import Plumbing, StillThere, still_there
from models.verdict import TAP_FLOW_L_MIN, Present, Verdict, verdict
from models.work_cautions import sentences

logger = logging.getLogger(__name__)

# A lead-acid battery of nominal 12 V is all but empty below; common practice, no source.
BATTERY_LOW_V = 11.8
CLOCK_FAULT_FOR = timedelta(days=1)
UNEXPLAINED_FOR = timedelta(days=30)

# One row per unit: its state after its latest reading; kept by the evaluation, so it costs no scan of readings.
_PRESENT = "SELECT cabin, unit, state FROM present"
# The same as of an instant: the last hourly state before it, and what came after is read again.
_PRESENT_AT = """
    SELECT cabin, unit, arg_max(state, "at") AS state FROM carry WHERE "at" <= $now GROUP BY ALL
"""
# One row per reading of a unit within at most about an hour.
_READ_SINCE = """
    SELECT * EXCLUDE (cabin, unit) FROM reading
    WHERE cabin = $cabin AND unit = $unit AND "at" > $since AND "at" <= $now ORDER BY "at"
"""
_LINKS = """
    SELECT cabin, unit, max("at") AS at, arg_max(up, "at") AS up FROM link_event WHERE "at" <= $now GROUP BY ALL
"""
_CLOCK_FAULTS = """
    SELECT cabin, unit, min(arrived_at) AS since FROM quarantine
    WHERE arrived_at > $since AND arrived_at <= $now AND reason LIKE 'at = %' AND cabin IS NOT NULL GROUP BY ALL
"""
# Under-dosed time of late, newest last: few rows, since lit time is left out.
_TROUBLED = """
    SELECT cabin, unit, start, "end", kind, underdosed_l, underdosed_l_upper FROM segment
    WHERE kind <> 'lit' AND "end" > $since AND "end" <= $now AND underdosed_l_upper > 0 ORDER BY start
"""
_GOOD = """
    SELECT cabin, unit, max("end") FILTER (kind <> 'lit') AS bad_until, min(start) AS first FROM segment
    WHERE start <= $now GROUP BY ALL
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitStatus:
    """One unit's verdict, and what it rests on."""

    cabin: Cabin
    unit: Unit
    reactor: Reactor
    verdict: Verdict
    carry: Carry | None
    uvt_pct: float
    uvt_live: bool
    red_mj_cm2: float | None  # at the flow measured; at peak flow where none flows
    red_low_mj_cm2: float | None
    judged_flow_l_min: float | None
    heard: bool  # whether the latest reading still speaks
    advisory: Kept | None
    link_down_since: datetime | None
    warm: bool | None = None  # lit for its warm-up time; None: not known

    def to_json(self) -> dict[str, Any]:
        """The keys of `tarnlight status --json`."""
        carry = self.carry
        held = carry if carry is not None and self.heard else None
        low = self.red_low_mj_cm2
        return {
            "cabin": self.cabin.slug, "unit": self.unit.slug, "verdict": str(self.verdict.verdict),
            "since": self.verdict.since, "reasons": list(self.verdict.reasons),
            "next_action": self.verdict.next_action, "dose_mj_cm2": self.red_mj_cm2, "dose_low_mj_cm2": low,
            "dose_target_mj_cm2": self.unit.dose_target_mj_cm2,
            "log_credit": {
                str(organism): None if low is None else float(log_credit(low, organism))
                for organism in Organism},
            "intensity_w_m2": held.intensity_w_m2 if held else None,
            "flow_l_min": held.flow_l_min if held else None, "uvt_pct": self.uvt_pct,
            "lamp_on": held.lit if held else None, "lamp_hours": carry.lamp_hours if carry else None,
            "last_heard": carry.at if carry else None, "advisory": self._advisory(),
            "cautions": list(sentences(self.verdict.works)),
        }

    def _advisory(self) -> dict[str, Any] | None:
        return None if self.standing is None else advisory_json(self.standing)

    @property
    def standing(self) -> Kept | None:
        """The unit's open advisory."""
        kept = self.advisory
        return kept if kept is not None and kept.advisory.state is not State.LIFTED else None


def advisory_json(kept: Kept) -> dict[str, Any]:
    """An advisory as commands print it."""
    one = kept.advisory
    return {
        "id": kept.id, "state": str(one.state), "cause": str(one.cause), "raised_at": one.raised_at,
        "underdosed_l": one.exposure.underdosed_l, "underdosed_l_upper": one.exposure.underdosed_l_upper,
        "steps": [{"code": str(step.code), "done": step.done, "evidence": step.evidence} for step in one.statuses],
    }


def status(
    store: Asks, now: datetime, *, cabin: str | None = None, as_of: bool = False,
    units: Collection[tuple[str, str]] | None = None,
) -> list[UnitStatus]:
    """Every unit's verdict, worst first.

    Parameters
    ----------
    now : datetime
        The instant of judgement.
    cabin : str or None
        One cabin only.
    as_of : bool
        Judge by what the store holds of the time up to `now` alone, for an instant in the past.
    units : collection of (cabin, unit), optional
        These only.
    """
    fleet = load_fleet(store)
    tests = _tests_until(store, now)
    states = _states_at(store, fleet, now, tests) if as_of else _states(store)
    advisories = latest(store.ask(LATEST_EVENTS, {"now": now}))
    if not as_of:  # for the past, the record as it stood has to do
        advisories = up_to_now(store, fleet, advisories, states, now)
    links = _by_unit(store.ask(_LINKS, {"now": now}))
    clocks = _by_unit(store.ask(_CLOCK_FAULTS, {"now": now, "since": now - CLOCK_FAULT_FOR}))
    good = _by_unit(store.ask(_GOOD, {"now": now}))
    troubled = store.ask(_TROUBLED, {"now": now, "since": now - UNEXPLAINED_FOR})
    troubles = by_unit(troubled)
    at_fault = faults.faults(store)
    out = [
        _judged(fleet, place, unit, states.get((place.slug, unit.slug)), now, advisories, links, clocks, good,
             troubles, tests, at_fault.get((place.slug, unit.slug)))
        for place in fleet.cabins for unit in place.units
        if (cabin is None or place.slug == cabin) and (units is None or (place.slug, unit.slug) in units)
    ]
    return worst_first(out)


def worst_first(found: Iterable[UnitStatus]) -> list[UnitStatus]:
    """By verdict; within one, those first whose water is not known to pass a lit, warm lamp now."""
    rank = {"boil": 0, "silent": 1, "watch": 2, "clear": 3}
    return sorted(found, key=lambda one: (
        rank[one.verdict.verdict], one.heard and one.carry is not None and bool(one.carry.lit) and bool(one.warm),
        one.cabin.slug, one.unit.slug))


def _states(store: Asks) -> dict[tuple[str, str], Carry]:
    return {(row.cabin, row.unit): Carry.from_row(json.loads(row.state)) for row in named(store.ask(_PRESENT))}


def _states_at(
    store: Asks, fleet: Fleet, now: datetime, tests: dict[tuple[str, str], tuple[np.ndarray, np.ndarray]]
) -> dict[tuple[str, str], Carry]:
    """Each unit's state as of an instant: its last hourly one before, and the readings from there on."""
    before = {
        (row.cabin, row.unit): Carry.from_row(json.loads(row.state))
        for row in named(store.ask(_PRESENT_AT, {"now": now}))}
    out = dict(before)
    for cabin in fleet.cabins:
        for unit in cabin.units:
            key = (cabin.slug, unit.slug)
            carry = before.get(key)  # none yet in a unit's first hour
            later = store.ask(_READ_SINCE, {
                "cabin": cabin.slug, "unit": unit.slug, "since": carry.at if carry else EARLIEST, "now": now})
            if len(later):
                reactor = fleet.reactor(unit.reactor)
                dosed = with_doses(later, unit, reactor, carry, tests.get(key))
                _, carries = timeline(dosed, unit=unit, reactor=reactor, carry=carry)
                out[key] = Carry.from_row(cast(dict[str, Any], carries.iloc[-1].to_dict()))
    return out


def _by_unit(found: pd.DataFrame) -> dict[tuple[str, str], Any]:
    return {(row.cabin, row.unit): row for row in named(found)}


def _tests_until(store: Asks, now: datetime) -> dict[tuple[str, str], tuple[np.ndarray, np.ndarray]]:
    """Per unit the instants (us) and transmittances of its water tests up to then, in order."""
    found = store.ask("""
        SELECT cabin, unit, epoch_us("at") AS at_us, value FROM service_event
        WHERE kind = 'water-tested' AND "at" <= $now ORDER BY cabin, unit, "at"
    """, {"now": now})
    return {key: (rows["at_us"].to_numpy(), rows["value"].to_numpy()) for key, rows in by_unit(found).items()}


def _judged(
    fleet: Fleet, cabin: Cabin, unit: Unit, carry: Carry | None, now: datetime, *given: Any
) -> UnitStatus:
    """One unit's status; one that cannot be judged is silent and does not hide the others."""
    try:
        return _one(fleet, cabin, unit, carry, now, *given)
    except Exception:
        logger.exception("%s/%s could not be judged; the others are", cabin.slug, unit.slug)
    nothing = Present(
        last_heard=carry.at if carry else None, cadence_s=unit.cadence_s, fault_since=now,
        dose_target_mj_cm2=unit.dose_target_mj_cm2, peak_flow_l_min=unit.peak_flow_l_min)
    kept = given[0].get((cabin.slug, unit.slug))
    return UnitStatus(
        cabin=cabin, unit=unit, reactor=fleet.reactor(unit.reactor), carry=carry, uvt_pct=unit.uvt_pct,
        verdict=verdict(replace(nothing, advisory=kept.advisory if kept else None), now=now), uvt_live=False,
        red_mj_cm2=None, red_low_mj_cm2=None, judged_flow_l_min=None, heard=False, advisory=kept,
        link_down_since=None)


def _one(
    fleet: Fleet, cabin: Cabin, unit: Unit, carry: Carry | None, now: datetime,
    advisories: dict[tuple[str, str], Kept], links: dict[tuple[str, str], Any], clocks: dict[tuple[str, str], Any],
    good: dict[tuple[str, str], Any], troubles: dict[Any, pd.DataFrame],
    tests: dict[tuple[str, str], tuple[np.ndarray, np.ndarray]], at_fault: tuple[datetime, str] | None,
) -> UnitStatus:
    key = (cabin.slug, unit.slug)
    reactor = fleet.reactor(unit.reactor)
    kept, link = advisories.get(key), links.get(key)
    down = link.at.to_pydatetime() if link is not None and not link.up else None
    heard = carry is not None and now - carry.at <= timedelta(seconds=3 * unit.cadence_s)
    live = carry is not None and carry.uvt_pct is not None and heard
    now_us = np.array([int(now.timestamp() * 1e6)])
    uvt = carry.uvt_pct if live and carry else float(tested_uvt(now_us, unit, tests.get(key))[0])
    present, judged = _present(
        unit, reactor, carry if heard else None, carry, now, kept, down, clocks.get(key), good.get(key),
        troubles.get(key), float(uvt or np.nan), live)
    if at_fault is not None:
        present = replace(present, fault_since=at_fault[0])
    return UnitStatus(
        cabin=cabin, unit=unit, reactor=reactor, verdict=verdict(present, now=now), carry=carry,
        uvt_pct=float(uvt or np.nan), uvt_live=live, red_mj_cm2=judged[0], red_low_mj_cm2=judged[1],
        judged_flow_l_min=judged[2], heard=heard, warm=present.warm, advisory=kept, link_down_since=down)


def _present(
    unit: Unit, reactor: Reactor, held: Carry | None, carry: Carry | None, now: datetime, kept: Kept | None,
    link_down_since: datetime | None, fault: Any, good: Any, trouble: pd.DataFrame | None, uvt_pct: float,
    uvt_live: bool,
) -> tuple[Present, tuple[float | None, float | None, float | None]]:
    """The verdict's evidence; and dose, its lower bound, and the flow that both are for."""
    warm = None
    red = low = peak_low = tap_low = flow = judged = None
    if held is not None:
        warm = warm_now(held, reactor, now)
        flow = held.flow_l_min
        lit = held.lit is True and warm is True
        peak = _dose(reactor, held, unit.peak_flow_l_min, uvt_pct, uvt_live)
        peak_low = peak[1]
        tap_low = _dose(reactor, held, TAP_FLOW_L_MIN, uvt_pct, uvt_live)[1]
        judged = flow if flow else unit.peak_flow_l_min
        red, low = _dose(reactor, held, judged, uvt_pct, uvt_live) if flow else peak
        if held.lit is False or (held.lit and warm is False):
            red = low = 0.0  # dark or cold: nothing is credited
        elif not lit:
            red = low = None
    gap_since, under = _unanswered(trouble, kept)
    bad_since = None
    if held is not None:
        tail = open_tail(held, now, unit, reactor)
        # a warm-up without a draw is over when it is over
        bad = tail[(tail["kind"] != "lit") & ((tail["underdosed_l_upper"] > 0) | (tail.index == len(tail) - 1))]
        bad_since = bad["start"].iloc[0].to_pydatetime() if len(bad) else None
    since = None
    if good is not None and bad_since is None:
        found = good.first if pd.isna(good.bad_until) else good.bad_until
        since = found.to_pydatetime()
    return Present(
        last_heard=carry.at if carry else None, cadence_s=unit.cadence_s,
        dose_target_mj_cm2=unit.dose_target_mj_cm2, peak_flow_l_min=unit.peak_flow_l_min,
        lamp_on=held.lit if held else None, warm=warm, power_on=held.power_on if held else None,
        lamp_since=(held.lit_from or held.stated_since) if held else None,
        power_since=held.power_since if held else None, flow_l_min=flow, dose_mj_cm2=red,
        dose_low_mj_cm2=low if flow else None, dose_peak_low_mj_cm2=peak_low,
        dose_tap_low_mj_cm2=tap_low,
        battery_v=held.battery_v if held else None,
        battery_low_v=BATTERY_LOW_V if held and held.battery_v and held.battery_v < 16 else None,
        lamp_hours=carry.lamp_hours if carry else None, lamp_life_h=reactor.lamp_life_h,
        link_down_since=link_down_since, gap_since=gap_since, underdosed_since=under[0], underdosed_l=under[1],
        underdosed_l_upper=under[2], advisory=kept.advisory if kept else None,
        clock_fault_since=fault.since.to_pydatetime() if fault is not None else None, tail_bad_since=bad_since,
        good_since=since,
    ), (red, low, judged)


def warm_now(carry: Carry, reactor: Reactor, now: datetime) -> bool | None:
    """Whether the lamp has burnt for its warm-up time; None where it does not burn or nobody knows."""
    if carry.lit is None:
        return None
    if not carry.lit:
        return False
    since = carry.lamp_since or carry.lit_from
    if since is not None and now - since >= timedelta(seconds=reactor.warm_up_s):
        return True
    if carry.lamp_since is None and carry.intensity_w_m2 is not None:
        return carry.intensity_w_m2 >= reactor.alarm_intensity_w_m2
    return False


def _dose(
    reactor: Reactor, carry: Carry, flow_l_min: float | None, uvt_pct: float, uvt_live: bool
) -> tuple[float | None, float | None]:
    found = assess(
        reactor, intensity_w_m2=np.nan if carry.intensity_w_m2 is None else carry.intensity_w_m2,
        flow_l_min=np.nan if flow_l_min is None else flow_l_min, uvt_pct=uvt_pct, uvt_live=uvt_live)
    red, low = float(np.ravel(found.red_mj_cm2)[0]), float(np.ravel(found.red_low_mj_cm2)[0])
    return (None if np.isnan(red) else red), (None if np.isnan(low) else low)


def _unanswered(
    trouble: pd.DataFrame | None, kept: Kept | None
) -> tuple[datetime | None, tuple[datetime | None, float | None, float | None]]:
    """Gaps and under-dosed water that no advisory has covered: start of the first gap; start and litres."""
    nothing: tuple[datetime | None, float | None, float | None] = (None, None, None)
    if trouble is None:
        return None, nothing
    if kept is not None:
        one = kept.advisory
        covered = one.exposure.end or one.updated_at
        if one.lifted is not None:
            covered = one.evidence_since or one.lifted.at
        trouble = trouble[trouble["end"] > pd.Timestamp(covered)]
    gaps = trouble[trouble["kind"] == "unheard"]
    rest = trouble[trouble["kind"] != "unheard"]
    since = gaps["start"].min().to_pydatetime() if len(gaps) else None
    if rest.empty:
        return since, nothing
    return since, (
        rest["start"].min().to_pydatetime(), float(rest["underdosed_l"].sum(min_count=1)),
        float(rest["underdosed_l_upper"].sum()))


def advisories(store: Asks, *, cabin: str | None = None, number: str | None = None) -> list[Kept]:
    """All advisories, newest first."""
    found = store.ask("""
        SELECT a.id AS advisory, a.cabin, a.unit, e.seq, e.body
        FROM advisory AS a JOIN advisory_event AS e ON e.advisory = a.id
        WHERE ($cabin::VARCHAR IS NULL OR a.cabin = $cabin) AND ($number::VARCHAR IS NULL OR a.id = $number)
        ORDER BY a.raised_at DESC, a.id, e.seq
    """, {"cabin": cabin, "number": number})
    return [one for _, group in found.groupby("advisory", sort=False) for one in latest(group).values()]


def with_proofs_now(store: Asks, found: list[Kept], now: datetime) -> list[Kept]:
    """The same advisories, open ones with what the sensors say of their steps now."""
    fleet = load_fleet(store)
    open_ = {(one.cabin, one.unit): one for one in found if one.advisory.state is not State.LIFTED}
    shown = up_to_now(store, fleet, open_, _states(store), now)
    return [shown[one.cabin, one.unit] if one.advisory.state is not State.LIFTED else one for one in found]


def advisory_events(store: Asks, number: str) -> pd.DataFrame:
    """The record of one advisory: `at`, `recorded_at`, `body` (JSON), in order."""
    return store.ask(
        'SELECT seq, "at", recorded_at, body FROM advisory_event WHERE advisory = $number ORDER BY seq',
        {"number": number})


def outages(
    store: Asks, now: datetime, *, cabin: str | None = None, unit: str | None = None,
    since: datetime | None = None, with_lit: bool = False,
) -> pd.DataFrame:
    """Whole intervals, oldest first per unit, with what holds since each unit's latest reading.

    Returns
    -------
    DataFrame
        cabin, unit, kind, start, end, drawn_l, drawn_l_upper, underdosed_l, underdosed_l_upper, cause, rests_on,
        dose_low_mj_cm2, seconds. NaN is not known.
    """
    given: dict[str, Any] = {"cabin": cabin, "unit": unit, "since": since}
    found = store.ask("""
        SELECT * FROM segment WHERE ($cabin::VARCHAR IS NULL OR cabin = $cabin)
        AND ($unit::VARCHAR IS NULL OR unit = $unit) AND ($since::TIMESTAMPTZ IS NULL OR "end" > $since)
        ORDER BY cabin, unit, start
    """, given)
    fleet = load_fleet(store)
    enrolled = {(place.slug, one.slug) for place in fleet.cabins for one in place.units}
    links = _by_unit(store.ask(_LINKS, {"now": now}))
    parts = [found]
    for row in named(store.ask(_PRESENT)):
        key = (row.cabin, row.unit)
        if (cabin is not None and row.cabin != cabin) or (unit is not None and row.unit != unit):
            continue
        if key not in enrolled:
            continue  # what was heard of it stays; without its profile nothing is known of the time since
        one = fleet.unit(*key)
        link = links.get(key)
        tail = open_tail(
            Carry.from_row(json.loads(row.state)), now, one, fleet.reactor(one.reactor),
            link.at.to_pydatetime() if link is not None and not link.up else None)
        parts.append(tail.assign(cabin=row.cabin, unit=row.unit)[list(found.columns)])
    everything = pd.concat([part for part in parts if len(part)] or parts[:1], ignore_index=True)
    whole = join(everything.sort_values(["cabin", "unit", "start"], kind="stable").reset_index(drop=True))
    return whole if with_lit else whole[whole["kind"] != "lit"].reset_index(drop=True)


def still_standing(
    store: Asks, now: datetime, *, cabin: str, unit: str, since: datetime
) -> StillThere | None:
    """What is left behind a unit of the under-dosed water drawn from `since` on; None where it is not known."""
    plumbing = Plumbing.of(load_fleet(store).unit(cabin, unit))
    if plumbing is None:
        return None
    return still_there(outages(store, now, cabin=cabin, unit=unit, since=since, with_lit=True), plumbing)


def advisory_records(store: Asks, numbers: Sequence[str]) -> pd.DataFrame:
    """The records of these advisories: `advisory, seq, at, body` (JSON), in order."""
    return store.ask("""
        SELECT advisory, seq, "at", body FROM advisory_event WHERE list_contains($numbers::VARCHAR[], advisory)
        ORDER BY advisory, seq
    """, {"numbers": list(numbers)})


def readings(
    store: Asks, cabin: str, unit: str, since: datetime, until: datetime, *, points: int = 3000
) -> pd.DataFrame:
    """A unit's readings with their doses, thinned to at most about `points` rows for a chart.

    Thinning keeps of each stretch of time the row of the least intensity, the most flow and any event, so that no
    short dip or draw is lost.
    """
    fleet = load_fleet(store)
    one = fleet.unit(cabin, unit)
    span_s = max(1.0, (until - since).total_seconds())
    step_s = max(1, int(3 * span_s / points))
    thin = span_s / one.cadence_s > points
    sql = 'SELECT * EXCLUDE (cabin, unit) FROM reading WHERE cabin = $cabin AND unit = $unit ' \
        'AND "at" >= $since AND "at" < $until'
    if thin:
        sql = f"""
            WITH r AS ({sql}), b AS (
                SELECT *, floor(epoch("at") / $step) AS bucket,
                    lag(power_on) OVER (ORDER BY "at") AS p, lag(lamp_on) OVER (ORDER BY "at") AS l FROM r)
            SELECT * EXCLUDE (bucket, p, l) FROM b QUALIFY
                row_number() OVER (PARTITION BY bucket ORDER BY intensity_w_m2 NULLS LAST, "at") = 1
                OR row_number() OVER (PARTITION BY bucket ORDER BY flow_l_min DESC NULLS LAST, "at") = 1
                OR power_on IS DISTINCT FROM p OR lamp_on IS DISTINCT FROM l
        """  # noqa: S608  (our own statement around our own statement)
    found = store.ask(
        sql + ' ORDER BY "at"', {"cabin": cabin, "unit": unit, "since": since, "until": until, "step": step_s}
        if thin else {"cabin": cabin, "unit": unit, "since": since, "until": until})
    if found.empty:
        return found
    tests = store.ask("""
        SELECT epoch_us("at") AS at_us, value FROM service_event
        WHERE cabin = $cabin AND unit = $unit AND kind = 'water-tested' ORDER BY "at"
    """, {"cabin": cabin, "unit": unit})
    return with_doses(
        found, one, fleet.reactor(one.reactor), None,
        (tests["at_us"].to_numpy(), tests["value"].to_numpy()) if len(tests) else None)


def hours(store: Asks, cabin: str, unit: str, since: datetime, until: datetime) -> pd.DataFrame:
    """A unit's hourly sums, oldest first."""
    return store.ask(
        "SELECT * FROM hourly WHERE cabin = $cabin AND unit = $unit AND hour >= $since AND hour < $until "
        "ORDER BY hour", {"cabin": cabin, "unit": unit, "since": since, "until": until})


def in_specification(
    store: Asks, cabin: str, unit: str, month: str, since: datetime, until: datetime
) -> dict[str, Any]:
    """How much of a month's water was for certain lit, warm and at its dose.

    Returns
    -------
    dict
        `volume_l` (where it is only bounded, its bound), `in_specification_l`, `share_pct` and `reaches_95_pct`
        (None where no water was drawn): see `models.credit.share_in_specification`.
    """
    found = hours(store, cabin, unit, since, until)
    unsure = (found["underdosed_l_upper"] - found["underdosed_l"].fillna(0.0)).clip(lower=0.0).fillna(0.0)
    drawn = found["volume_l"].fillna(0.0) + unsure  # nothing unknown is counted as treated
    inside = found["in_spec_l"].fillna(0.0).clip(upper=drawn)
    share = share_in_specification(drawn, inside, [month] * len(found))
    known = len(share) > 0 and not np.isnan(share["share_pct"].iloc[0])
    return {
        "volume_l": float(drawn.sum()), "in_specification_l": float(inside.sum()),
        "share_pct": float(share["share_pct"].iloc[0]) if known else None,
        "reaches_95_pct": bool(share["reaches_95_pct"].iloc[0]) if known else None,
    }


def service_events(store: Asks, cabin: str | None = None, unit: str | None = None) -> pd.DataFrame:
    """What was done, newest first."""
    return store.ask("""
        SELECT * FROM service_event WHERE ($cabin::VARCHAR IS NULL OR cabin = $cabin)
        AND ($unit::VARCHAR IS NULL OR unit = $unit) ORDER BY "at" DESC
    """, {"cabin": cabin, "unit": unit})


def quarantined(
    store: Asks, limit: int = 100, *, cabin: str | None = None, unit: str | None = None
) -> pd.DataFrame:
    """What was refused, newest first; payloads as text, cut; bytes that are no text as the store writes them.

    `times` is how many records of one pack a row stands for; `file` the whole message in `Settings.aside`.
    """
    return store.ask("""
        SELECT arrived_at, source, cabin, unit, reason, times, file, octet_length(payload) AS bytes,
            left(regexp_replace(coalesce(try(decode(payload)), payload::VARCHAR), '[[:cntrl:]]', '?', 'g'), 300)
                AS payload
        FROM quarantine WHERE ($cabin::VARCHAR IS NULL OR cabin = $cabin)
        AND ($unit::VARCHAR IS NULL OR unit = $unit) ORDER BY arrived_at DESC LIMIT $limit
    """, {"limit": limit, "cabin": cabin, "unit": unit})


def notifications(
    store: Asks, now: datetime, *, cabin: str | None = None, advisory: str | None = None, limit: int = 200
) -> pd.DataFrame:
    """Messages to people, newest first.

    Returns
    -------
    DataFrame
        key, event, kind, advisory, cabin, unit, contact, role, channel (a name), number (2: first repeat), at (of
        the event), due_at, urgent, title, body, failures, tried_at, delivered_at, error (of the last try, where it
        was not delivered), state: delivered, in line, held back (quiet hours), failing, no channel, nobody to tell.
    """
    return store.ask(NOTIFICATIONS, {"now": now, "cabin": cabin, "advisory": advisory, "limit": limit})


def overdue_notifications(store: Asks, now: datetime) -> pd.DataFrame:
    """Per contact and channel what was due and could not be delivered: messages, failures, since, error."""
    return store.ask(OVERDUE, {"now": now})


def confirmations(store: Asks, advisory: str) -> pd.DataFrame:
    """Who said that they had read an advisory, and when; oldest first."""
    return store.ask(
        'SELECT "at", who FROM confirmation WHERE advisory = $advisory ORDER BY "at"', {"advisory": advisory})


def sent_of_late(store: Asks, now: datetime) -> dict[tuple[str, str], Sent]:
    """What each unit heard in the last week sends beside lamp and flow."""
    found = store.ask("""
        SELECT cabin, unit, count(total_l) > 0 AS total, count(lamp_hours) > 0 AS lamp_hours FROM reading
        WHERE "at" > $since GROUP BY ALL
    """, {"since": now - timedelta(days=7)})
    return {(row.cabin, row.unit): Sent(total=bool(row.total), lamp_hours=bool(row.lamp_hours))
            for row in named(found)}


def collector(store: Asks) -> dict[str, Any] | None:
    """How the collector does; None if none ever held this store."""
    found = store.ask("SELECT * FROM process")
    return None if found.empty else {str(key): value for key, value in found.iloc[0].to_dict().items()}
