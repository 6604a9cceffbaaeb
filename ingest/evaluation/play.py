"""History that came in one go, played in the time in which it happened.

A file that is loaded, and the demo's past, tell in a minute of a year. What the program would have recorded in that
year is recorded here, each event at its own instant: an advisory raised with the first litre, its end, what the
sensors had proven by then, what the record of service says that people did. What holds now is `watch`'s, after it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np
import pandas as pd

from ingest.db.engine import Local, transaction
from ingest.evaluation import faults
from ingest.evaluation.exposed import unanswered
from ingest.evaluation.judging import judged_at, unit_states
from ingest.evaluation.proofs_now import proofs_now
from ingest.evaluation.watch import named_by
from ingest.record.advisory_log import (
    Con,
    KeptAdvisory,
    Key,
    append,
    append_lift,
    keep_played,
    latest_of,
    new_advisory,
)
from ingest.registry.tables import load_history
from models.advisory import (
    Advisory,
    Event,
    Lifted,
    NotAllowed,
    PlayedAnew,
    Raised,
    State,
    StepRecorded,
    advance,
    exposure_event,
    new_proofs,
)
from models.advisory.events import FLUSH_STEPS, SEVERITY_RANK, Exposure, Step, StepPolicy
from models.advisory.exposures import exposure_of
from models.advisory.pieces import GRACE, UNHEARD, Intervals
from models.fleet import Fleet
from models.shortfall import Severity

_BEFORE_LIVE = """
    SELECT DISTINCT p.cabin, p.unit FROM pending AS p LEFT JOIN first_live AS f USING (cabin, unit)
    WHERE f."at" IS NULL OR p.since < f."at"
"""
_CONFIRMED = """
    SELECT count(*) FROM confirmation AS c WHERE c.advisory = $number
"""
_NOTED = """
    SELECT count(*) FROM answered WHERE cabin = $cabin AND unit = $unit AND "at" >= $known
"""
_LAST_DARK = """
    SELECT max("end") FROM segment WHERE cabin = $cabin AND unit = $unit AND kind <> 'lit'
        AND "end" > $since AND "end" < $until
"""
_KINDS = ("weak", "warming", "unheard", "dark")  # from the least to the worst of one severity
DAY_S = 86_400.0
_HEARD = "SELECT \"at\" FROM present WHERE cabin = $cabin AND unit = $unit"
_FIRST_LIVE = "SELECT \"at\" FROM first_live WHERE cabin = $cabin AND unit = $unit"
_DEEDS = """
    SELECT e.id::VARCHAR AS id, e."at", e.kind, e.who, e.note FROM service_done AS e
    LEFT JOIN laboratory_result AS r ON r.service = e.id
    WHERE e.cabin = $cabin AND e.unit = $unit AND e.kind IN ('flushed', 'chlorinated', 'sampled')
        AND (e.kind <> 'sampled' OR r.outcome = 'satisfactory')
    ORDER BY e."at"
"""
_STEPS = {"flushed": (Step.FLUSH_COLD, Step.FLUSH_HOT), "chlorinated": (Step.DISINFECT,)}


@dataclass(frozen=True, slots=True)
class Past:
    """How a unit's past is played.

    Attributes
    ----------
    lifts : sequence of Lifted
        Who lifted its advisories then, in order of time.
    known_at : datetime or None
        When it became known; None: each event at its own instant.
    flush_took : timedelta or None
        How long before a recorded flush's end it began; None: nobody told, so it counts for no step.
    """

    lifts: Sequence[Lifted] = ()
    known_at: datetime | None = None
    flush_took: timedelta | None = None


@dataclass(frozen=True, slots=True)
class _Deed:
    """One thing that the record of service says a person did about the water."""

    id: str
    at: datetime
    kind: str
    who: str
    note: str


def loaded_past(con: Con) -> list[Key]:
    """Units to which something is owed of the time before they were first heard live."""
    return [(cabin, unit) for cabin, unit in con.execute(_BEFORE_LIVE).fetchall()]


def play(con: Con, fleet: Fleet, now: datetime, keys: Sequence[Key], past: Past) -> None:
    """Record what these units' past asked for, unless people have begun to see to it; all is worked out already.

    Each unit in a transaction of its own. Not to be called within one.
    """
    known = latest_of(Local(con), keys)
    for key in keys:
        kept = known.get(key)
        if kept is not None and kept.advisory.state is not State.LIFTED and not _may_play_anew(con, key, kept):
            continue  # what is more is `watch`'s, at the present instant

        def work(key: Key = key, kept: KeptAdvisory | None = kept) -> None:
            for lift in past.lifts:
                _advisory_of(con, fleet, key, lift.at, past, lift=lift)
            _advisory_of(con, fleet, key, now, past, kept=kept)

        faults.attempt(con, faults.ADVISORY, key, now, lambda work=work: transaction(con, work))  # type: ignore[misc]


def _may_play_anew(con: Con, key: Key, kept: KeptAdvisory) -> bool:
    """Whether an open advisory is of loaded history alone, and nobody has done anything about it."""
    if not kept.advisory.untouched:
        return False
    read = con.execute(_CONFIRMED, {"number": kept.id}).fetchone()
    # what was noted as seen is answered, not explained: it stood all the same
    noted = con.execute(_NOTED, {"cabin": key[0], "unit": key[1], "known": kept.advisory.known_at}).fetchone()
    live = _first_live(con, key)
    of_live = live is not None and any(one.end > live for one in kept.advisory.exposure.known_pieces)
    return not of_live and not (read and read[0]) and not (noted and noted[0])


def _first_live(con: Con, key: Key) -> datetime | None:
    """When the unit was first heard live; None: it never was."""
    found = con.execute(_FIRST_LIVE, {"cabin": key[0], "unit": key[1]}).fetchone()
    return found[0] if found is not None else None


def _advisory_of(
    con: Con, fleet: Fleet, key: Key, until: datetime, past: Past, *, lift: Lifted | None = None,
    kept: KeptAdvisory | None = None,
) -> None:
    """Record the advisory of what was unanswered by then, and its lift where every step of people was done.

    `kept` is the unit's latest so far.
    """
    rows = _rows(con, fleet, key, until, lifted=lift is not None, kept=kept)
    events, advisory = ([], None) if rows is None else _events(
        con, fleet, key, rows, until, past, lifted=lift is not None)
    before = kept.advisory.lifted if kept is not None else None
    if kept is not None and before is None:
        # none where more history explained all of it: it stands until somebody lifts it, but nothing stood then
        keep_played(con, kept.id, events, max(past.known_at or until, until))
        if advisory is not None:
            _anew(con, kept, advisory, until, past)
        return
    if advisory is None:
        return
    if kept is not None and before is not None and advisory.happened_from < before.at:
        events = [replace(one, after_lift=kept.id) if isinstance(one, Raised) else one for one in events]
    if lift is not None and set(advisory.open_steps) - {Step.NOTICE_REMOVED}:
        return  # something is undone, or came after the flush or the samples: nobody with the steps would lift
    number = new_advisory(con, key, events[0])
    for seq, event in enumerate(events, start=1):
        append(con, number, seq, event, past.known_at or event.at)
    if lift is not None:
        advance(advisory, lift)
        append_lift(con, KeptAdvisory(number, *key, advisory, len(events) + 1), lift, past.known_at or lift.at)


def _anew(con: Con, kept: KeptAdvisory, played: Advisory, until: datetime, past: Past) -> None:
    """Let an advisory that nobody has seen to be as all of its history tells it, where more water alone is not all.

    What only adds to it is `watch`'s: the record of a past that comes piece by piece would grow with each.
    """
    was = kept.advisory
    adds = SEVERITY_RANK[played.severity] >= SEVERITY_RANK[was.severity] and set(was.steps) <= set(played.steps)
    ends = (played.happened_to, was.happened_to)
    shorter = ends[0] is not None and ends[1] is not None and ends[0] < ends[1]
    if adds and not shorter and played.raised_at >= was.raised_at and played.happened_from == was.happened_from:
        return
    anew = PlayedAnew(
        at=max(until, was.updated_at), raised_at=played.raised_at, exposure=played.exposure,
        severity=played.severity, steps=played.steps)
    append(con, kept.id, kept.next_seq, anew, past.known_at or anew.at)
    con.execute("UPDATE advisory SET raised_at = least(raised_at, $at_) WHERE id = $number", {
        "at_": played.raised_at, "number": kept.id})


def _rows(
    con: Con, fleet: Fleet, key: Key, until: datetime, *, lifted: bool, kept: KeptAdvisory | None
) -> Intervals | None:
    """Under-dosed water of the unit that asks for an advisory and that nobody had answered by then.

    Up to a lift all of it; of what stands, what ended before the unit was first heard live. What an open advisory
    has named stays in it until it is answered, however long ago or little it is.
    """
    found = unanswered(Local(con), fleet, [key], until, until=until if lifted else None)
    held_back = found["to_watch"].astype(bool)
    if not lifted:
        live = _first_live(con, key)
        held_back |= found["to_note"].astype(bool) | found["graced"].astype(bool)
        if kept is not None and kept.advisory.state is not State.LIFTED:
            held_back &= ~named_by(found, held_back.to_numpy(bool), {key: kept})
        if live is not None:
            held_back |= found["end"] > pd.Timestamp(live)
    return Intervals.by_unit(found[~held_back]).get(key)


def _events(
    con: Con, fleet: Fleet, key: Key, rows: Intervals, until: datetime, past: Past, *, lifted: bool
) -> tuple[list[Event], Advisory | None]:
    """What would have been recorded of this water by then, in order, and what it adds up to.

    Of what stands, whether the last of it is over is for `watch` to say where nothing was heard after it.
    """
    unit, policy = fleet.unit(*key), fleet.policy or StepPolicy()
    events: list[Event] = []
    advisory: Advisory | None = None
    heard = None if lifted else con.execute(_HEARD, {"cabin": key[0], "unit": key[1]}).fetchone()
    deeds = [_Deed(*row) for row in con.execute(_DEEDS, {"cabin": key[0], "unit": key[1]}).fetchall()]
    runs = list(_runs(rows, unit.dose_target_mj_cm2, [one.at for one in deeds], until,
        seen_after=timedelta(seconds=unit.cadence_s)))
    for run, (began, first, exposure) in enumerate(runs):
        ended = exposure.end or until
        next_run = runs[run + 1][0] if run + 1 < len(runs) else until
        over = heard is None or ended < heard[0]
        told = [(began, replace(first, end=None)), (max(began, ended), exposure if over else replace(
            exposure, end=None))]
        for at, one in told:
            found = exposure_event(
                advisory, one, at=at, hot_tank_l=unit.hot_tank_l, policy=fleet.policy, exactly=True)
            if found is not None:
                if isinstance(found, Raised):
                    found = replace(found, known_at=past.known_at)
                advisory = advance(advisory, found)
                events.append(found)
        if advisory is None or not over:
            continue
        turns: list[tuple[datetime, _Deed | None]] = [(one.at, one) for one in deeds if ended < one.at < next_run]
        if turns or run + 1 == len(runs):  # else nothing rests on what the sensors had proven meanwhile
            turns += [(at, None) for at in _looks(con, key, ended, next_run, policy, unit.cadence_s)]
        for at, deed in sorted(turns, key=lambda turn: turn[0]):
            seen = _seen_then(con, fleet, key, advisory, at) if deed is None else _recorded(advisory, deed, past)
            for event in seen:
                try:
                    advisory = advance(advisory, event)
                except NotAllowed:
                    continue  # a step that this exposure does not ask for, or that came too early
                events.append(event)
    return events, advisory


def _looks(
    con: Con, key: Key, ended: datetime, until: datetime, policy: StepPolicy, cadence_s: float
) -> list[datetime]:
    """When proofs of power and light can have ripened: after the water's end, and after the last of the dark."""
    ripens = timedelta(minutes=max(policy.power_stable_min, policy.lamp_lit_min), seconds=2 * cadence_s)
    dark = con.execute(_LAST_DARK, {
        "cabin": key[0], "unit": key[1], "since": ended, "until": until}).fetchone()
    ends = {ended, *([dark[0]] if dark and dark[0] is not None else [])}
    return sorted({min(end + ripens, until) for end in ends} | {until})


def _runs(
    rows: Intervals, target_mj_cm2: float, deeds: Sequence[datetime], until: datetime, *, seen_after: timedelta
) -> Iterator[tuple[datetime, Exposure, Exposure]]:
    """Each run of under-dosed water: when it was known of, all up to its first interval, and all up to its end.

    A new one begins where somebody did something in between, where a day passed without any, and where it got
    worse: so no event tells of worse water than had passed by then. It is known of with the next reading, and a
    silence only once it is over and no backlog has explained it.
    """
    start = np.array([one.timestamp() for one in rows.start])
    reach = np.maximum.accumulate([one.timestamp() for one in rows.end])
    # something was done between the end of all before and the next start
    did = np.searchsorted(np.sort([one.timestamp() for one in deeds]), np.stack([reach[:-1], start[1:]]))
    ranks = [SEVERITY_RANK[Severity(one or Severity.UNTREATED)] for one in rows.severity or [""] * len(rows)]
    worst = np.maximum.accumulate([
        len(_KINDS) * rank + _KINDS.index(kind) for rank, kind in zip(ranks, rows.kind, strict=True)])
    begins = (did[0] < did[1]) | (start[1:] - reach[:-1] > DAY_S) | (worst[1:] > worst[:-1])
    firsts = [0, *(np.flatnonzero(begins) + 1).tolist()]
    for first, end in zip(firsts, [*firsts[1:], len(rows)], strict=True):
        told = min(
            rows.end[one] + GRACE if rows.kind[one] == UNHEARD else rows.start[one] + seen_after
            for one in range(first, end))
        upto = [
            exposure_of(rows.first(last), dose_target_mj_cm2=target_mj_cm2, now=until) for last in (first + 1, end)]
        if upto[0] is not None and upto[1] is not None:
            yield min(told, until), upto[0], upto[1]


def _recorded(advisory: Advisory, deed: _Deed, past: Past) -> list[Event]:
    """What the record of service says that people did, as the steps that it is."""
    if deed.kind == "flushed" and past.flush_took is None:
        return []
    steps = _STEPS.get(deed.kind)
    if steps is None:
        first = all(one.step is not Step.SAMPLE_1 for one in advisory.records)
        steps = (Step.SAMPLE_1 if first else Step.SAMPLE_2,)
    return [
        StepRecorded(
            at=deed.at, step=step, by=deed.who, note=deed.note, service=deed.id,
            begun_at=deed.at - past.flush_took if past.flush_took and step in FLUSH_STEPS else None)
        for step in steps]


def _seen_then(con: Con, fleet: Fleet, key: Key, advisory: Advisory, at: datetime) -> list[Event]:
    """What the sensors said then of power, lamp and dose, by all that is stored of the time up to it."""
    if advisory.evidence_since is None:
        return []
    store = Local(con)
    history = load_history(store)
    states = unit_states(judged_at(store, history, [key], at), history.present)
    found = proofs_now(store, history.present, {key: advisory}, states, at).get(key, ())
    return list(new_proofs(advisory, (one for one in found if one.step not in FLUSH_STEPS)))
