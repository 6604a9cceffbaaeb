"""What people ask of the store: verdicts, outages, readings to draw, what was done.

Each function takes anything that answers SQL (`ingest.db.engine.Asks`), so that a page, a command and the collector
ask alike, and returns DataFrames or frozen values.
"""

from __future__ import annotations

import logging
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd

from ingest.clock import BOOT, monotonic_s
from ingest.counterpart.words import counterpart_verdicts
from ingest.db import held, past
from ingest.db.engine import Asks, by_unit, named
from ingest.evaluation import faults
from ingest.evaluation.battery import outlooks
from ingest.evaluation.exposed import at_once, severity_from, unanswered
from ingest.evaluation.judging import PRESENT, UnitColumns, judged_at, tails, unit_states, with_doses
from ingest.evaluation.proofs_now import up_to_now
from ingest.evaluation.sensor_checks import checked_unit, sensor_checks, sensor_states
from ingest.evaluation.sensor_trust import sensor_trusts, water_now
from ingest.evaluation.shutoff import PastValve, past_valves
from ingest.evaluation.vulnerable import vulnerable_now
from ingest.notification.message_log import NOTIFICATIONS, OVERDUE
from ingest.record.advisory_log import LATEST_EVENTS, KeptAdvisory, latest, standing_then
from ingest.record.laboratory import asked_again
from ingest.registry.tables import (
    load_fleet,
    load_history,
    load_names,
    load_whole_fleet,
    load_whole_history,
)
from ingest.room import NOT_TAKEN_IN
from models.advisory.events import State
from models.advisory.plumbing import Plumbing, StillThere, still_there
from models.advisory.shared_event import SharedEvent, concerns
from models.advisory.work_cautions import sentences
from models.battery import Outlook
from models.counterpart import said_of, worse_of
from models.dose.credit import credit_in, specification_by
from models.dose.reactor import is_outside
from models.dose.sensor_checks import SensorState
from models.dose.sensor_trust import SensorTrust
from models.dose.tested_range import outside_tested
from models.dose.water_band import Water
from models.enrolment import Sent
from models.evidence import DoseNow, battery_low_v, dose_now, not_in_an_advisory, repeated_light, tail_bad_since
from models.exposure import UnitState, cut, hourly, join, period_us
from models.exposure.instants import NEVER
from models.fleet import Cabin, Fleet, Reactor, Unit
from models.shortfall import Organism
from models.verdict import Present, Verdict, verdict

logger = logging.getLogger(__name__)

BEAT_WITHIN_S = 10.0  # a collector whose last sign of life is older has stopped
CLOCK_FAULT_FOR = timedelta(days=1)

Key = tuple[str, str]

_LINKS = """
    SELECT cabin, unit, max("at") AS at, arg_max(up, "at") AS up FROM link_event WHERE "at" <= $now GROUP BY ALL
"""
_CLOCK_FAULTS = """
    SELECT cabin, unit, min(arrived_at) AS since FROM quarantine
    WHERE arrived_at > $since AND arrived_at <= $now AND reason LIKE 'at = %' AND cabin IS NOT NULL GROUP BY ALL
"""
_GOOD = """
    SELECT cabin, unit, max("end") FILTER (kind <> 'lit' AND "end" <= $now) AS bad_until, min(start) AS first
    FROM segment WHERE start <= $now GROUP BY ALL
"""
# What verdicts rest on: tables whose rows stay as they are, by how many there are; others by what stands in them.
_COUNTED = (
    "advisory_event", "answered", "archived_reading", "booking_feed", "confirmation", "first_live", "held_link",
    "held_reading", "laboratory_result", "link_event", "lost_session", "quarantine", "reading", "service_event",
    "service_withdrawn")
_READ = (
    "battery_outlook", "booking", "counterpart_verdict", "pending", "present", "registry_revision", "unit_fault")
_PARTS = (
    *(f"(SELECT count(*) FROM {name})" for name in _COUNTED),  # noqa: S608  (names of our own)
    *(f"coalesce((SELECT bit_xor(hash(t)) FROM {name} AS t), 0)" for name in _READ))  # noqa: S608
_MARK = f"SELECT concat_ws(' ', (SELECT first(reason) FROM own_clock), {', '.join(_PARTS)}) AS mark"  # noqa: S608


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitStatus:
    """One unit's verdict, and what it rests on."""

    cabin: Cabin
    unit: Unit
    reactor: Reactor
    verdict: Verdict
    state: UnitState | None
    water: Water
    red_mj_cm2: float | None  # at the flow measured; at peak flow where none flows
    red_low_mj_cm2: float | None
    judged_flow_l_min: float | None
    heard: bool  # whether the latest reading still speaks
    advisory: KeptAdvisory | None
    link_down_since: datetime | None
    warm: bool | None = None  # lit for its warm-up time; None: not known
    to_note: bool = False  # whether a named person is to note water of long before it was first heard live
    trust: SensorTrust = field(default_factory=SensorTrust)
    own: Verdict | None = None  # by what this collector hears, where the cabin has another one; None: `verdict`

    @property
    def sensor(self) -> SensorState:
        """Its duty sensor by its checks."""
        return self.trust.checks

    @property
    def uvt_pct(self) -> float:
        """Transmittance over 1 cm; NaN: not known. [%]"""
        return self.water.uvt_pct

    @property
    def uvt_live(self) -> bool:
        """Whether a sensor says so now."""
        return self.water.live

    def to_json(self) -> dict[str, Any]:
        """The keys of `tarnlight status --json`."""
        state = self.state
        held = state if state is not None and self.heard else None
        low = self.red_low_mj_cm2
        untested = bool(is_outside(
            self.reactor, uvt_pct=self.water.cloudiest_pct, flow_l_min=self.judged_flow_l_min or 0.0))
        return {
            "cabin": self.cabin.slug, "unit": self.unit.slug, "verdict": str(self.verdict.verdict),
            "since": self.verdict.since, "reasons": list(self.verdict.reasons),
            "next_action": self.verdict.next_action, "dose_mj_cm2": self.red_mj_cm2, "dose_low_mj_cm2": low,
            "dose_target_mj_cm2": self.unit.dose_target_mj_cm2,
            "log_credit": {
                str(organism): None if low is None or untested else credit_in(self.reactor, low, organism)
                for organism in Organism},
            "intensity_w_m2": held.intensity_w_m2 if held else None,
            "flow_l_min": held.flow_l_min if held else None, "uvt_pct": self.water.uvt_pct,
            "lamp_on": held.lit if held else None, "lamp_hours": state.lamp_hours if state else None,
            "last_heard": state.at if state else None, "advisory": self._advisory(),
            "cautions": list(sentences(self.verdict.works)),
        }

    def _advisory(self) -> dict[str, Any] | None:
        return None if self.standing is None else advisory_json(self.standing)

    @property
    def standing(self) -> KeptAdvisory | None:
        """The unit's open advisory."""
        kept = self.advisory
        return kept if kept is not None and kept.advisory.state is not State.LIFTED else None


def advisory_json(kept: KeptAdvisory) -> dict[str, Any]:
    """An advisory as commands print it."""
    one = kept.advisory
    return {
        "id": kept.id, "state": str(one.state), "cause": str(one.cause), "raised_at": one.raised_at,
        "underdosed_l": one.exposure.underdosed_l, "underdosed_l_upper": one.exposure.underdosed_l_upper,
        "steps": [{"code": str(step.code), "done": step.done, "evidence": step.evidence} for step in one.statuses],
        "severity": str(one.severity), "happened_from": one.happened_from, "happened_to": one.happened_to,
        "known_at": one.known_at,
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class _Evidence:
    """What was asked of the store for all units at once; each by (cabin, unit)."""

    fleet: Fleet
    now: datetime
    states: dict[Key, UnitState]
    tails: dict[Key, pd.DataFrame]
    advisories: dict[Key, KeptAdvisory]
    links: dict[Key, Any]
    clocks: dict[Key, Any]
    good: dict[Key, Any]
    troubles: dict[Key, pd.DataFrame]
    at_fault: dict[Key, tuple[datetime, str]]
    water: dict[Key, Water]
    trusts: dict[Key, SensorTrust]
    asked_again: dict[Key, tuple[datetime, str]]
    vulnerable: frozenset[str]  # cabins
    batteries: dict[Key, Outlook]
    valves: dict[Key, PastValve]
    own_clock: tuple[datetime, str] | None
    held: dict[Key, Any]


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
    keys = [(place.slug, unit.slug) for place in fleet.cabins for unit in place.units
            if units is None or (place.slug, unit.slug) in units]
    table = judged_at(store, load_history(store), keys, now) if as_of else _only(store.ask(PRESENT), units)
    states = unit_states(table, fleet)
    if as_of:  # the record as it stood has to do
        advisories = standing_then(store, now)
    else:
        advisories = up_to_now(
            store, fleet, latest(_only(store.ask(LATEST_EVENTS, {"now": now}), units)), states, now)
    links = _by_unit(store.ask(_LINKS, {"now": now}))
    good = _by_unit(store.ask(_GOOD, {"now": now}))
    sensors = sensor_states(
        sensor_checks(store), fleet, now, {key: row.first.to_pydatetime() for key, row in good.items()},
        _keys(table[table["intensity_w_m2_at_us"] > NEVER]))
    water = water_now(store, fleet, states, now)
    trusts = sensor_trusts(store, fleet, now, states=states, checks=sensors, water=water)
    evidence = _Evidence(
        fleet=fleet, now=now, states=states, tails=_tails(table, store, now, links), advisories=advisories,
        links=links, clocks=_by_unit(store.ask(_CLOCK_FAULTS, {"now": now, "since": now - CLOCK_FAULT_FOR})),
        good=good, water=water, trusts=trusts, troubles=by_unit(unanswered(store, fleet, keys, now, until=now)),
        at_fault=faults.faults(store), asked_again=asked_again(store, now),
        vulnerable=vulnerable_now(store, fleet, now), batteries=outlooks(store, now),
        valves=past_valves(store, fleet, now),
        **_clocks(store, now, as_of=as_of))
    found = [
        _judged(evidence, place, unit) for place in fleet.cabins for unit in place.units
        if (cabin is None or place.slug == cabin) and (units is None or (place.slug, unit.slug) in units)]
    return worst_first(found if as_of else _with_counterparts(store, fleet, found, now))


def _with_counterparts(store: Asks, fleet: Fleet, found: list[UnitStatus], now: datetime) -> list[UnitStatus]:
    """The same, each with the worse of what is judged here and what the cabin's other collector says."""
    others = counterpart_verdicts(store)
    if not others:
        return found
    enrolled = {(place.slug, unit.slug) for place in fleet.cabins for unit in place.units}
    return [
        replace(one, own=one.verdict, verdict=worse_of(
            one.verdict, said_of(others, (one.cabin.slug, one.unit.slug), enrolled), now)) for one in found]


def _clocks(store: Asks, now: datetime, *, as_of: bool) -> dict[str, Any]:
    """What is known against our own clock and the loggers', at that instant."""
    found, waiting = held.doubt(store, now), held.per_unit(store)
    if as_of:  # of the past what is stored speaks, unless it was then that the doubt began
        found = found if found is not None and found[0] < now else None
        waiting = waiting[waiting["since"] <= pd.Timestamp(now)]
    return {"own_clock": found, "held": _by_unit(waiting)}


def _only(found: pd.DataFrame, units: Collection[Key] | None) -> pd.DataFrame:
    """Rows of these units (`cabin`, `unit`); None: all."""
    if units is None:
        return found
    asked = [key in units for key in zip(found["cabin"], found["unit"], strict=True)]
    return found[np.array(asked, bool)].reset_index(drop=True)


def _tails(table: pd.DataFrame, store: Asks, now: datetime, links: dict[Key, Any]) -> dict[Key, pd.DataFrame]:
    """What holds since each unit's latest reading."""
    return tails(table, load_history(store), now, links_down=_down(links))


def _down(links: dict[Key, Any]) -> dict[Key, datetime | None]:
    return {key: row.at.to_pydatetime() for key, row in links.items() if not row.up}


def _tails_of_record(
    table: pd.DataFrame, store: Asks, now: datetime, links: dict[Key, Any]
) -> dict[Key, pd.DataFrame]:
    """The same with retired units, of each until it was retired: what was unheard up to there is on record too."""
    out, names = _tails(table, store, now, links), load_names(store)
    whole = load_whole_history(store) if names.retired else None
    ended: dict[datetime, list[Key]] = {}
    for key in _keys(table):
        deed = names.retired_by(key)
        if deed is not None:
            ended.setdefault(min(deed.at, now), []).append(key)
    for at, keys in ended.items():
        if whole is not None:
            out |= tails(_only(table, keys), whole, at, links_down=_down(links))
    return out


def worst_first(found: Iterable[UnitStatus]) -> list[UnitStatus]:
    """By verdict; in one, those first whose water is not known to pass a lit, warm lamp now, then the oldest."""
    rank = {"boil": 0, "silent": 1, "watch": 2, "clear": 3}
    return sorted(found, key=lambda one: (
        rank[one.verdict.verdict], one.heard and one.state is not None and bool(one.state.lit) and bool(one.warm),
        one.verdict.since is None, one.verdict.since or datetime.max.replace(tzinfo=UTC), one.cabin.slug,
        one.unit.slug))


def _keys(found: pd.DataFrame) -> list[Key]:
    return list(zip(found["cabin"], found["unit"], strict=True))


def _by_unit(found: pd.DataFrame) -> dict[Key, Any]:
    return {(row.cabin, row.unit): row for row in named(found)}


def _judged(evidence: _Evidence, cabin: Cabin, unit: Unit) -> UnitStatus:
    """One unit's status; one that cannot be judged is silent and does not hide the others."""
    try:
        return _one(evidence, cabin, unit)
    except Exception:
        logger.exception("%s/%s could not be judged; the others are", cabin.slug, unit.slug)
    key = (cabin.slug, unit.slug)
    state, kept = evidence.states.get(key), evidence.advisories.get(key)
    nothing = Present(
        **_of_clocks(evidence, key), last_heard=state.at if state else None, cadence_s=unit.cadence_s,
        fault_since=evidence.now, dose_target_mj_cm2=unit.dose_target_mj_cm2, peak_flow_l_min=unit.peak_flow_l_min)
    return UnitStatus(
        cabin=cabin, unit=unit, reactor=evidence.fleet.reactor(unit.reactor), state=state,
        water=evidence.water[cabin.slug, unit.slug],
        verdict=verdict(replace(nothing, advisory=kept.advisory if kept else None), now=evidence.now),
        red_mj_cm2=None, red_low_mj_cm2=None, judged_flow_l_min=None, heard=False, advisory=kept,
        link_down_since=None)


def _one(evidence: _Evidence, cabin: Cabin, unit: Unit) -> UnitStatus:
    key = (cabin.slug, unit.slug)
    reactor, now = evidence.fleet.reactor(unit.reactor), evidence.now
    state, link, kept = evidence.states.get(key), evidence.links.get(key), evidence.advisories.get(key)
    down = link.at.to_pydatetime() if link is not None and not link.up else None
    heard = state is not None and now - state.at <= timedelta(seconds=unit.overdue_s)
    water, trust = evidence.water[key], evidence.trusts[key]
    dose = dose_now(
        reactor, unit, state if heard else None, now, water, (trust.checks.ratio, trust.low_ratio))
    present = replace(
        _present(evidence, unit, dose, state if heard else None, down, key),
        tested_range=outside_tested(
            reactor, uvt_pct=water.cloudiest_pct, flow_l_min=state.flow_l_min if heard and state else None),
        tested_range_at_peak=outside_tested(reactor, uvt_pct=water.cloudiest_pct, flow_l_min=unit.peak_flow_l_min),
        untested=bool(is_outside(
            reactor, uvt_pct=water.cloudiest_pct, flow_l_min=max(dose.flow_l_min or 0.0, unit.peak_flow_l_min))),
        water_too_old_days=water.too_old_days(now),
        uvt_doubt="" if water.doubt is None else water.doubt.words)
    return UnitStatus(
        cabin=cabin, unit=unit, reactor=reactor, verdict=verdict(present, now=now), state=state,
        water=water, red_mj_cm2=dose.red if trust.dose_known else None,
        red_low_mj_cm2=dose.low if trust.dose_known else None,
        judged_flow_l_min=dose.flow_l_min, heard=heard, warm=dose.warm, advisory=kept, link_down_since=down,
        to_note=present.to_note_since is not None, trust=trust)


def _present(
    evidence: _Evidence, unit: Unit, dose: DoseNow, held: UnitState | None,
    link_down_since: datetime | None, key: Key,
) -> Present:
    """The verdict's evidence."""
    state, kept = evidence.states.get(key), evidence.advisories.get(key)
    good, fault, at_fault = evidence.good.get(key), evidence.clocks.get(key), evidence.at_fault.get(key)
    again, advisory = evidence.asked_again.get(key), kept.advisory if kept else None
    valve = evidence.valves.get(key)
    bad_since = tail_bad_since(evidence.tails.get(key) if held is not None else None)
    since = None
    if good is not None and bad_since is None:
        found = good.first if pd.isna(good.bad_until) else good.bad_until
        since = found.to_pydatetime()
    return Present(
        **_of_clocks(evidence, key),
        last_heard=state.at if state else None, cadence_s=unit.cadence_s, sends_every_s=unit.sends_every_s,
        stale_s=60.0 * evidence.fleet.judging.stale_min,
        dose_target_mj_cm2=unit.dose_target_mj_cm2, peak_flow_l_min=unit.peak_flow_l_min,
        lamp_on=held.lit if held else None, warm=dose.warm, power_on=held.power_on if held else None,
        lamp_since=(held.lit_from or held.stated_since) if held else None,
        power_since=held.power_since if held else None, flow_l_min=held.flow_l_min if held else None,
        dose_mj_cm2=dose.red, dose_low_mj_cm2=dose.low if held and held.flow_l_min else None,
        dose_peak_low_mj_cm2=dose.peak_low, dose_tap_low_mj_cm2=dose.tap_low,
        **repeated_light(held, evidence.fleet.reactor(unit.reactor)), battery_v=held.battery_v if held else None,
        battery_low_v=battery_low_v(held.battery_v if held else None),
        battery=evidence.batteries.get(key) if held and held.power_on is not False else None,
        lamp_hours=state.lamp_hours if state else None,
        lamp_life_h=evidence.fleet.reactor(unit.reactor).lamp_life_h, link_down_since=link_down_since,
        **not_in_an_advisory(evidence.troubles.get(key), advisory, evidence.now), advisory=advisory,
        marginal_from_mj_cm2=severity_from(evidence.fleet, key)["marginal_from_mj_cm2"],
        marginal_at_once=at_once(evidence.fleet, key) or key[0] in evidence.vulnerable, dose_tap_mj_cm2=dose.tap,
        clock_fault_since=fault.since.to_pydatetime() if fault is not None else None, tail_bad_since=bad_since,
        good_since=since, fault_since=at_fault[0] if at_fault is not None else None, sensor=evidence.trusts[key],
        sample_again_at=again[0] if again else None, sample_again=again[1] if again else "",
        past_valve_since=valve.since if valve else None, past_valve_l=valve.litres if valve else None)


def _of_clocks(evidence: _Evidence, key: Key) -> dict[str, Any]:
    """What speaks against our clock, or against this unit's, as fields of `models.verdict.Present`."""
    out: dict[str, Any] = {}
    if evidence.own_clock is not None:
        out |= {"own_clock_since": evidence.own_clock[0], "own_clock": evidence.own_clock[1]}
    waits = evidence.held.get(key)
    if waits is not None:
        out |= {"held_rows": int(waits.rows), "held_since": waits.since.to_pydatetime(),
                "held_ahead_s": float(waits.ahead_s)}
    return out


def advisories(store: Asks, *, cabin: str | None = None, number: str | None = None) -> list[KeptAdvisory]:
    """All advisories, newest first."""
    found = store.ask("""
        SELECT a.id AS advisory, a.cabin, a.unit, e.seq, e.body
        FROM advisory AS a JOIN advisory_event AS e ON e.advisory = a.id
        WHERE ($cabin::VARCHAR IS NULL OR a.cabin = $cabin) AND ($number::VARCHAR IS NULL OR a.id = $number)
        ORDER BY a.raised_at DESC, a.id, e.seq
    """, {"cabin": cabin, "number": number})
    return [one for _, group in found.groupby("advisory", sort=False) for one in latest(group).values()]


def open_of_event(store: Asks, event: SharedEvent) -> list[KeptAdvisory]:
    """The open advisories of a shared event, in the order of their numbers."""
    found = [
        one for one in advisories(store) if one.advisory.state is not State.LIFTED
        and concerns(event, one.cabin, one.advisory.raised_at)]
    return sorted(found, key=lambda one: (one.advisory.raised_at, len(one.id), one.id))


def with_proofs_now(store: Asks, found: list[KeptAdvisory], now: datetime) -> list[KeptAdvisory]:
    """The same advisories, open ones with what the sensors say of their steps now."""
    fleet = load_fleet(store)
    open_ = {(one.cabin, one.unit): one for one in found if one.advisory.state is not State.LIFTED}
    shown = up_to_now(store, fleet, open_, unit_states(store.ask(PRESENT), fleet), now)
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
    given: dict[str, Any] = {"cabin": cabin, "unit": unit, "since": since, "lit": with_lit}
    found = store.ask("""
        SELECT * FROM segment WHERE ($cabin::VARCHAR IS NULL OR cabin = $cabin)
        AND ($unit::VARCHAR IS NULL OR unit = $unit) AND ($since::TIMESTAMPTZ IS NULL OR "end" > $since)
        AND ($lit OR kind <> 'lit')  -- nearly all of a year
        ORDER BY cabin, unit, start
    """, given)
    links = _by_unit(store.ask(_LINKS, {"now": now}))
    states = store.ask(
        f"{PRESENT} WHERE ($cabin::VARCHAR IS NULL OR cabin = $cabin) AND ($unit::VARCHAR IS NULL OR unit = $unit)",
        {"cabin": cabin, "unit": unit})
    parts = [found]
    for (place, one), tail in _tails_of_record(states, store, now, links).items():
        kept = tail if with_lit else tail[tail["kind"] != "lit"]
        parts.append(kept.assign(cabin=place, unit=one)[list(found.columns)])
    everything = pd.concat([part for part in parts if len(part)] or parts[:1], ignore_index=True)
    return join(everything.sort_values(["cabin", "unit", "start"], kind="stable").reset_index(drop=True))


def mark(store: Asks) -> str:
    """Another text once anything else is known that a verdict rests on; time alone changes verdicts too.

    Costs no more with a longer history: tables that grow are counted, which DuckDB answers without reading them.
    """
    return str(store.ask(_MARK)["mark"].iloc[0])


def never_heard(store: Asks, *, cabin: str | None = None) -> list[Key]:
    """Units that are enrolled and of which no reading ever came."""
    heard = set(_keys(store.ask("SELECT cabin, unit FROM present")))
    return [(place.slug, unit.slug) for place in load_fleet(store).cabins for unit in place.units
            if cabin in (None, place.slug) and (place.slug, unit.slug) not in heard]


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
    sql = 'SELECT * EXCLUDE (cabin, unit, arrived_at) FROM whole_reading WHERE cabin = $cabin AND unit = $unit ' \
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
    given = {"cabin": cabin, "unit": unit, "since": since, "until": until}
    found = past.ask(
        store, sql + ' ORDER BY "at"', {**given, "step": step_s} if thin else given,
        since=since, until=until, spans=[(cabin, unit, since, until)])
    if found.empty:
        return found
    tests = store.ask("""
        SELECT "at", value AS uvt_pct FROM service_done
        WHERE cabin = $cabin AND unit = $unit AND kind = 'water-tested' ORDER BY "at"
    """, {"cabin": cabin, "unit": unit}).assign(unit_no=0)
    dosed = with_doses(
        found.assign(unit_no=0), UnitColumns.of(load_history(store), [(cabin, unit)]), tests,
        sensors=checked_unit(store, cabin, unit))
    return found.assign(
        dose_mj_cm2=dosed.dose_mj_cm2, dose_low_mj_cm2=dosed.dose_low_mj_cm2,
        dose_low_at_peak_mj_cm2=dosed.dose_low_at_peak_mj_cm2)


def since_latest(store: Asks, now: datetime) -> dict[Key, pd.DataFrame]:
    """Of each unit heard, what holds since its latest reading: pieces of time as of `models.exposure`."""
    return _tails_of_record(store.ask(PRESENT), store, now, _by_unit(store.ask(_LINKS, {"now": now})))


def hours(store: Asks, cabin: str, unit: str, since: datetime, until: datetime) -> pd.DataFrame:
    """A unit's hourly sums, oldest first."""
    return store.ask(
        "SELECT * FROM hourly WHERE cabin = $cabin AND unit = $unit AND hour >= $since AND hour < $until "
        "ORDER BY hour", {"cabin": cabin, "unit": unit, "since": since, "until": until})


def spans(
    store: Asks, cabin: str, unit: str, since: datetime, until: datetime, now: datetime
) -> pd.DataFrame:
    """As `hours`, with what holds since the unit's latest reading: a silence that goes on counts up to now."""
    found = hours(store, cabin, unit, since, until)
    states = store.ask(f"{PRESENT} WHERE cabin = $cabin AND unit = $unit", {"cabin": cabin, "unit": unit})
    links = _by_unit(store.ask(_LINKS, {"now": now}))
    tail = _tails_of_record(states, store, now, links).get((cabin, unit))
    if tail is None or tail.empty:
        return found
    period = np.array([period_us(load_whole_fleet(store).cabin(cabin).time_zone)])
    open_ = hourly(cut(tail.assign(unit_no=0), period), period)
    open_ = open_[(open_["hour"] >= pd.Timestamp(since)) & (open_["hour"] < pd.Timestamp(until))]
    return pd.concat([found, open_.assign(cabin=cabin, unit=unit)[list(found.columns)]], ignore_index=True)


def in_specification(
    store: Asks, cabin: str, unit: str, month: str, since: datetime, until: datetime, now: datetime
) -> dict[str, Any]:
    """How much of a month's water was lit, warm and at its dose: for certain, and at most.

    Returns
    -------
    dict
        `volume_l` (as far as it is known), `volume_l_upper` (the most that can have been drawn),
        `in_specification_l` (for certain), `share_pct` and `share_most_pct` (the least and the most share of it;
        None where no water was drawn), `reaches_95_pct` (by the least): see
        `models.dose.credit.specification_by`; `lit_h`, `unheard_h`.
    """
    found = spans(store, cabin, unit, since, until, now)
    lit = {"lit_h": float(found["lit_s"].sum() / 3600.0), "unheard_h": float(found["unheard_s"].sum() / 3600.0)}
    if found.empty:
        return {"volume_l": 0.0, "volume_l_upper": 0.0, "in_specification_l": 0.0, "share_pct": None,
                "share_most_pct": None, "reaches_95_pct": None, **lit}
    row = specification_by(found, [month] * len(found)).iloc[0]
    known = not np.isnan(row["share_pct"])
    return {
        **{name: float(row[name]) for name in ("volume_l", "volume_l_upper", "in_specification_l")},
        **{name: float(row[name]) if known else None for name in ("share_pct", "share_most_pct")},
        "reaches_95_pct": bool(row["reaches_95_pct"]) if known else None, **lit}


def service_events(
    store: Asks, cabin: str | None = None, unit: str | None = None, *, with_withdrawn: bool = False,
    since: datetime | None = None, until: datetime | None = None,
) -> pd.DataFrame:
    """What was done, newest first; of a sample also what the laboratory found.

    Parameters
    ----------
    with_withdrawn : bool
        Also what a named person took back, to be shown struck through and counted nowhere.
    since, until : datetime or None
        Only what was done from then on, and before then.

    Returns
    -------
    DataFrame
        The columns of a record, those of `laboratory_result`, and `withdrawn_at`, `withdrawn_by`,
        `withdrawn_reason`, `replaced_by` (id of the record in its place), all missing where it stands.
    """
    return store.ask("""
        SELECT e.*, w."at" AS withdrawn_at, w.who AS withdrawn_by, w.reason AS withdrawn_reason,
            w.replaced_by::VARCHAR AS replaced_by, r.taken_at, r.e_coli, r.total_coliforms, r.lab, r.lab_number,
            r.outcome, r.advisory
        FROM service_event AS e LEFT JOIN service_withdrawn AS w USING (id)
        LEFT JOIN laboratory_result AS r ON r.service = e.id
        WHERE ($cabin::VARCHAR IS NULL OR e.cabin = $cabin) AND ($unit::VARCHAR IS NULL OR e.unit = $unit)
        AND ($with_withdrawn OR w.id IS NULL) AND ($since::TIMESTAMPTZ IS NULL OR e."at" >= $since)
        AND ($until::TIMESTAMPTZ IS NULL OR e."at" < $until) ORDER BY e."at" DESC, e.recorded_at DESC
    """, {"cabin": cabin, "unit": unit, "with_withdrawn": with_withdrawn, "since": since, "until": until})


def quarantined(
    store: Asks, limit: int = 100, *, cabin: str | None = None, unit: str | None = None
) -> pd.DataFrame:
    """What was refused, newest first; payloads as text, cut; bytes that are no text as the store writes them.

    `times` is how many records of one pack a row stands for; `file` the whole message in `Settings.aside`. Where
    `since` is an instant, the row stands for `times` records of a topic that flooded from then to `arrived_at`.
    """
    return store.ask("""
        SELECT arrived_at, since, source, cabin, unit, reason, times, file, octet_length(payload) AS bytes,
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
        was not delivered), state: delivered, in line, held back (quiet hours), overtaken (by worse,
        so never sent), forgotten (a stay's address is, so never sent), failing, no channel, nobody to tell.
    """
    return store.ask(NOTIFICATIONS, {"now": now, "cabin": cabin, "advisory": advisory, "limit": limit})


def overdue_notifications(store: Asks, now: datetime) -> pd.DataFrame:
    """Per contact and channel what was due and could not be delivered: messages, failures, since, error."""
    return store.ask(OVERDUE, {"now": now})


def stay_contacts(store: Asks, *, cabin: str | None = None) -> pd.DataFrame:
    """Stays whose guests can be reached, in order of arrival; never their addresses.

    Returns
    -------
    DataFrame
        contact, cabin, arrives, leaves, channel (a name), language, by.
    """
    return store.ask("""
        SELECT contact, cabin, first_day AS arrives, last_day AS leaves, channel, language, who AS "by"
        FROM stay_contact WHERE ($cabin::VARCHAR IS NULL OR cabin = $cabin) ORDER BY first_day, cabin, contact
    """, {"cabin": cabin})


def confirmations(store: Asks, advisory: str) -> pd.DataFrame:
    """Who said that they had read an advisory, and when; oldest first."""
    return store.ask(
        'SELECT "at", who FROM confirmation WHERE advisory = $advisory ORDER BY "at"', {"advisory": advisory})


def sent_of_late(store: Asks, now: datetime) -> dict[tuple[str, str], Sent]:
    """What each unit heard in the last week sends beside its lamp."""
    since = now - timedelta(days=7)
    found = past.ask(store, """
        SELECT cabin, unit, count(total_l) > 0 AS total, count(lamp_hours) > 0 AS lamp_hours,
            count(flow_l_min) > 0 AS flow FROM whole_reading
        WHERE "at" > $since GROUP BY ALL
    """, {"since": since}, since=since)
    return {(row.cabin, row.unit): Sent(
        total=bool(row.total), lamp_hours=bool(row.lamp_hours), flow=bool(row.flow)) for row in named(found)}


def held_back(row: Mapping[str, Any] | None) -> str:
    """Why the collector takes in nothing just now, in words, by its row of `collector`; empty where it does."""
    trouble = str(row["trouble"]) if row is not None else ""
    return next((one for one in trouble.split("; ") if NOT_TAKEN_IN in one), "")


def collector(store: Asks) -> dict[str, Any] | None:
    """How the collector does; None if none ever held this store."""
    found = store.ask("SELECT * FROM process")
    return None if found.empty else {str(key): value for key, value in found.iloc[0].to_dict().items()}


def sign_of_life_s(store: Asks) -> float | None:
    """How long ago the collector gave its last sign of life, whatever became of the clock since. [s]

    None where nobody can say: it never gave one, or by the clock as it is now it would lie ahead.
    """
    row = held.last_clock(store)
    if row and row["boot"] == BOOT:
        return max(monotonic_s() - float(row["beat_s"]), 0.0)
    known = collector(store)
    age_s = -1.0 if known is None else (datetime.now(UTC) - known["beat_at"].to_pydatetime()).total_seconds()
    return age_s if age_s >= 0 else None


def up_for_s(store: Asks) -> float | None:
    """How long the collector that last held the store had been up at its last sign of life; None: not known. [s]"""
    row = held.last_clock(store)
    return float(row["beat_s"] - row["started_s"]) if row else None
