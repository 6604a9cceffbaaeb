"""What people do to an advisory: raise one by hand, record a step, lift it by name.

Each appends one event; what cannot count is refused with the reason.
"""

from __future__ import annotations

import math
import uuid
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import duckdb

from ingest.db.engine import Local, transaction
from ingest.db.held import unjudged
from ingest.evaluation.exposed import unanswered
from ingest.evaluation.judging import PRESENT, unit_states
from ingest.evaluation.proofs_now import proofs_now
from ingest.evaluation.watch import exposure_now, watch
from ingest.record.advisory_log import (
    INSERT_SERVICE,
    KeptAdvisory,
    answer,
    append,
    append_all,
    append_lift,
    kept_advisory,
    look_now,
    new_advisory,
    open_advisory,
)
from ingest.record.laboratory import Report, insert_report, samples_that_count
from ingest.registry.tables import load_fleet
from ingest.settings import BadInput, instant_of
from models.advisory import (
    Advisory,
    Event,
    Exposure,
    Lifted,
    NotAllowed,
    Proof,
    SampleFailed,
    State,
    StepRecorded,
    advance,
    advanced,
    exposure_event,
    from_json,
    in_utc,
    new_proofs,
    unknown_proofs,
)
from models.advisory.cleaning import cleaning_of, too_little
from models.advisory.events import FLUSH_STEPS, PERSON_STEPS, SENSOR_STEPS, Cause, Step, StepPolicy
from models.advisory.laboratory import Outcome, found_words
from models.advisory.pieces import Intervals, pieces_of
from models.advisory.samples import Sample
from models.shortfall import Severity

Con = duckdb.DuckDBPyConnection
SAMPLE_STEPS = (Step.SAMPLE_1, Step.SAMPLE_2)


def record_step(con: Con, body: dict[str, Any], now: datetime, path: Path) -> dict[str, Any]:
    """Record that a named person did a step (`advisory, step, by`, and `at`, `note`; `failed` for a bad sample).

    One that somebody recorded already is refused with who and when; `again` says that it was done once more.
    """
    kept = _kept(con, str(body["advisory"]))
    name = str(body["step"])
    if name not in list(PERSON_STEPS):
        allowed = ", ".join(PERSON_STEPS)
        raise BadInput(f"step must be one of {allowed}; got {name!r} (a dose can only be proven by the sensors)")
    done_at = _instant(body.get("at"), now)
    begun_at = None if body.get("from") is None else _instant(body["from"], now, name="from")
    way = _way(body)
    if body.get("failed"):
        by = _failed_by(con, kept.id, done_at)
        if by:
            raise BadInput(
                f"that this sample was not satisfactory is recorded already, by {by}; nothing was stored twice")
    elif not body.get("again"):
        counted = _sample_told(con, kept, body, done_at, now) if name in SAMPLE_STEPS else None
        if counted is not None:
            return counted
        _refuse_recorded(kept, Step(name))
    event: Event
    try:
        if body.get("failed"):
            event = SampleFailed(
                at=_at(kept, now), by=str(body["by"]), done_at=done_at, note=_note(body), service=_service(body),
                steps=_all_steps(con, kept))
            return _append(con, kept, [event], now)
        event = StepRecorded(
            at=_at(kept, now), step=Step(name), by=str(body["by"]), done_at=done_at, note=_note(body),
            begun_at=begun_at, service=_service(body), **way)
        if short := _too_little(con, kept, event):
            raise NotAllowed(f"step {event.step} cannot count yet: {short}")
        # its sensor said otherwise and is silent since: that is part of the record then
        silent = unknown_proofs(kept.advisory, _proofs(con, kept, now), event.step)
        return _append(con, kept, [*silent, event], now)
    except NotAllowed as error:
        raise BadInput(str(error)) from error


def lift(con: Con, body: dict[str, Any], now: datetime, path: Path) -> dict[str, Any]:
    """Lift an advisory by name (`advisory, by`, and `reason` where steps are undone).

    What is answered is what is known at that moment: the record is brought up to it first. Where that starts the
    steps again, the lift is refused, and whoever wanted it sees why.
    """
    kept = _kept(con, str(body["advisory"]))
    key, fleet = (kept.cabin, kept.unit), load_fleet(Local(con))
    if waits := unjudged(Local(con), key, now):
        raise BadInput(f"{kept.id} cannot be lifted now: {waits}")
    try:
        lifted = Lifted(at=_at(kept, now), by=str(body["by"]), reason=str(body.get("reason") or ""))
        events: list[Event] = []
        if fleet.has_unit(*key):
            known = exposure_now(con, key, fleet, kept, now, exactly=True)
            events = [known] if known is not None else []
        kept, before = _after(kept, events), kept
        # what the sensors cannot tell now is no proof for whoever lifts now
        found = _proofs(con, kept, now)
        silent = [one for step in SENSOR_STEPS for one in unknown_proofs(kept.advisory, found, step)]
        events += [*silent, *new_proofs(kept.advisory, found)]
        kept = _after(before, events)
        after = advance(kept.advisory, lifted)
    except NotAllowed as error:
        raise BadInput(str(error)) from error

    def work() -> None:
        append_all(con, before.id, before.next_seq, events, now)
        append_lift(con, kept, lifted, now)
        look_now(con, key, now)

    transaction(con, work)
    return _told(kept.id, after)


def raise_by_hand(con: Con, body: dict[str, Any], now: datetime, path: Path) -> dict[str, Any]:
    """Raise an advisory because a person says so (`cabin, unit, by`)."""
    key = (str(body["cabin"]), str(body["unit"]))
    try:
        fleet = load_fleet(Local(con))
        unit = fleet.unit(*key)
    except KeyError as error:
        raise BadInput(str(error.args[0])) from error
    if open_advisory(con, key) is not None:
        raise BadInput(f"an advisory of {key[0]}/{key[1]} is open already")
    try:
        event = exposure_event(
            None, Exposure(cause=Cause.MANUAL, start=now, end=now), at=now, hot_tank_l=unit.hot_tank_l,
            policy=fleet.policy, by=str(body["by"]))
    except NotAllowed as error:
        raise BadInput(str(error)) from error
    assert event is not None  # a manual one is never without cause

    def work() -> str:
        number = new_advisory(con, key, event)
        append(con, number, 1, event, now)
        return number

    number = transaction(con, work)
    watch(con, fleet, now, [key])  # what the sensors say at once, so that the page does not change under a hand
    return {"advisory": number}


def note_seen(con: Con, body: dict[str, Any], now: datetime, path: Path) -> dict[str, Any]:
    """Note by name that under-dosed water of before the unit was first heard live was seen (`cabin, unit, by`).

    Only of what is to be noted (`models.advisory.pieces.only_to_note`); all else takes an advisory and its lift.
    """
    key, store, who = (str(body["cabin"]), str(body["unit"])), Local(con), str(body["by"]).strip()
    fleet = load_fleet(store)
    if not fleet.has_unit(*key):
        raise BadInput(f"no unit {key[0]}/{key[1]} is enrolled")
    if not who:
        raise BadInput("by must name the person who has seen it; got an empty name")
    rows = unanswered(store, fleet, [key], now)
    rows = rows[rows["to_note"].astype(bool)]
    if rows.empty:
        raise BadInput(f"of {key[0]}/{key[1]} there is nothing to be noted as seen")
    most, number = float(rows["underdosed_l_upper"].sum()), str(uuid.uuid4())
    words = (
        f"seen: up to {math.ceil(most)} L without a full dose between {rows['start'].min():%Y-%m-%d} and "
        f"{rows['end'].max():%Y-%m-%d} (UTC), before the unit was first heard live")

    def work() -> None:
        con.execute(INSERT_SERVICE, {
            "id": number, "cabin": key[0], "unit": key[1], "at_": now, "kind": "note", "who": who, "value": None,
            "note": words, "now": now})
        answer(con, key, number, pieces_of(Intervals.by_unit(rows)[key]), now)

    transaction(con, work)
    return {"id": number, "noted": words}


def step_of_service(con: Con, body: dict[str, Any], now: datetime) -> str:
    """Let a service event count for the unit's open advisory where it can; says what came of it, or nothing.

    What a laboratory found acts with its record (`keep_result`).
    """
    key = (str(body["cabin"]), str(body["unit"]))
    kept = open_advisory(con, key)
    kind = body["kind"]
    if kept is None or kind not in ("flushed", "chlorinated", "sampled"):
        return ""
    given = {
        "advisory": kept.id, "by": body["who"], "at": body["at"], "note": body.get("note"),
        "from": body.get("from"), "service": body.get("service")}
    if kind == "sampled":
        return "kept; record it with the laboratory's result for it to count for the advisory"
    steps = [Step.FLUSH_COLD, Step.FLUSH_HOT] if kind == "flushed" else [Step.DISINFECT]
    told = []
    for step in steps:
        if step not in kept.advisory.steps:
            continue
        try:
            record_step(con, {**given, "step": step}, now, Path())
            told.append(f"{step}: counted")
        except BadInput as error:
            told.append(f"{step}: kept, but it does not count: {error}")
    return "; ".join(told)


def keep_result(
    con: Con, body: dict[str, Any], number: str, report: Report, now: datetime
) -> tuple[str, str | None]:
    """Keep a laboratory's report and do what it asks for at once; the caller holds the transaction.

    Returns
    -------
    words, advisory : str, str or None
        What came of it, empty where nothing did; and the advisory that it raised or began again.

    Notes
    -----
    An unsatisfactory result raises a boil advisory whether or not anything else is known, and with one open begins
    its cleaning and both its samples again. A satisfactory one counts by when it was taken.
    """
    key, by = (str(body["cabin"]), str(body["unit"])), str(body["who"]).strip()
    kept = open_advisory(con, key)
    told, advisory = "", None
    if report.outcome is Outcome.UNSATISFACTORY:
        advisory, told = _unsatisfactory(con, key, kept, report, by, number, now)
    insert_report(con, number, report, advisory)
    if kept is not None and report.outcome is Outcome.SATISFACTORY:
        told = _satisfactory(con, key, kept, report, by, now)
    elif kept is not None and report.outcome in (Outcome.SAMPLE_AGAIN, Outcome.INCOMPLETE):
        told = f"{kept.id}: kept, but it ticks no sample step"
        # of one that was taken between two that count, these are no longer consecutive
        found = samples_that_count(con, key, kept.advisory, now)
        append_all(con, kept.id, kept.next_seq, found, now)
        for event in found:
            told += f"; {event.step} stands on the sample of {in_utc(event.when)} now"
    return told, advisory


def _all_steps(con: Con, kept: KeptAdvisory) -> tuple[Step, ...]:
    """What the fleet's policy asks for of untreated water at the advisory's unit."""
    fleet = load_fleet(Local(con))
    key = (kept.cabin, kept.unit)
    hot_tank_l = fleet.unit(*key).hot_tank_l if fleet.has_unit(*key) else None
    return (fleet.policy or StepPolicy()).steps(Severity.UNTREATED, hot_tank_l=hot_tank_l)


def _unsatisfactory(
    con: Con, key: tuple[str, str], kept: KeptAdvisory | None, report: Report, by: str, number: str, now: datetime
) -> tuple[str, str]:
    """Raise an advisory, or begin the open one's cleaning and samples again; its number, and what was done."""
    if kept is not None:
        if not _failed_by(con, kept.id, report.taken_at):
            event = SampleFailed(
                at=_at(kept, now), by=by, done_at=report.taken_at, note=report.found, service=number,
                steps=_all_steps(con, kept))
            advance(kept.advisory, event)
            append(con, kept.id, kept.next_seq, event, now)
        return kept.id, f"{kept.id}: cleaning and both samples start again"
    fleet = load_fleet(Local(con))
    exposure = Exposure(
        cause=Cause.LABORATORY, start=report.taken_at, end=report.taken_at,
        finding=found_words(report.result) if report.result.counted else "")
    raised = exposure_event(
        None, exposure, at=now, hot_tank_l=fleet.unit(*key).hot_tank_l, policy=fleet.policy, by=by)
    assert raised is not None  # no litres are known, so none is known to be 0
    advisory = new_advisory(con, key, raised)
    append(con, advisory, 1, raised, now)
    look_now(con, key, now)
    return advisory, f"{advisory}: raised, because this sample was not satisfactory"


def _satisfactory(
    con: Con, key: tuple[str, str], kept: KeptAdvisory, report: Report, by: str, now: datetime
) -> str:
    """Let the samples taken so far count; what came of this one."""
    found = samples_that_count(con, key, kept.advisory, now)
    append_all(con, kept.id, kept.next_seq, found, now)
    if any(event.when == report.taken_at for event in found):
        return "; ".join(
            f"{event.step}: counted" + ("" if event.when == report.taken_at else f" (taken {in_utc(event.when)})")
            for event in found)
    waited = [step for step in (Step.SAMPLE_1, Step.SAMPLE_2) if step in kept.advisory.open_steps]
    if not waited:
        return f"{kept.id}: kept; it waits for no sample"
    why = "a sample taken with or after it asks for another one"
    try:
        advance(kept.advisory, StepRecorded(at=_at(kept, now), step=waited[0], by=by, done_at=report.taken_at))
    except NotAllowed as error:
        why = str(error)
    return f"{waited[0]}: kept, but it does not count: {why}"


def _sample_told(
    con: Con, kept: KeptAdvisory, body: dict[str, Any], done_at: datetime, now: datetime
) -> dict[str, Any] | None:
    """Let a sample that a person says was satisfactory count by when it was taken; None: it counts for nothing."""
    advisory = kept.advisory
    same = next((one for one in advisory.records
                 if one.step in SAMPLE_STEPS and _minute(one.when) == _minute(done_at)), None)
    if same is not None:
        _refuse_recorded(kept, same.step)
    if not str(body["by"]).strip():
        return None  # the record says what is missing
    told = Sample(taken_at=done_at, outcome=Outcome.SATISFACTORY, by=str(body["by"]), note=_note(body))
    found = samples_that_count(con, (kept.cabin, kept.unit), advisory, now, more=told)
    if not any(one.when == done_at for one in found):
        return None
    transaction(con, lambda: append_all(con, kept.id, kept.next_seq, found, now))
    return _told(kept.id, advanced(advisory, found))


def _refuse_recorded(kept: KeptAdvisory, step: Step) -> None:
    """Refuse a step that counts by a person's record; the message says whose."""
    advisory: Advisory = kept.advisory
    record = next((one for one in advisory.records if one.step is step), None)
    proven = any(one.step is step and one.done is not None for one in advisory.proofs)
    if step in FLUSH_STEPS and not advisory.metered_alone:
        proven = False  # the meter only confirms what a person recorded
    if record is None or proven or step in advisory.open_steps:
        return
    raise BadInput(
        f"step {step} of {kept.id} is recorded already: {record.by}, done {in_utc(record.when)}, recorded "
        f"{in_utc(record.at)}; nothing was stored twice. If it was done once more, say so by command: --again")


def _failed_by(con: Con, number: str, taken_at: datetime) -> str:
    """Who recorded, and when, that the sample taken in that minute was not satisfactory; empty: nobody did."""
    found = con.execute(
        "SELECT body FROM advisory_event WHERE advisory = $number AND json_extract_string(body, '$.kind') = $kind "
        "ORDER BY seq", {"number": number, "kind": SampleFailed.kind}).fetchall()
    for (text,) in found:
        event = from_json(text)
        if isinstance(event, SampleFailed) and _minute(event.when) == _minute(taken_at):
            return f"{event.by} on {in_utc(event.at)}"
    return ""


def _minute(at: datetime) -> datetime:
    return at.astimezone(UTC).replace(second=0, microsecond=0)


def _kept(con: Con, number: str) -> KeptAdvisory:
    kept = kept_advisory(con, number)
    if kept is None:
        raise BadInput(f"no advisory {number!r}; `tarnlight advisory list` shows them")
    if kept.advisory.state is State.LIFTED:
        raise BadInput(f"advisory {number!r} is lifted: nothing changes any more")
    return kept


def _append(con: Con, kept: KeptAdvisory, events: list[Event], now: datetime) -> dict[str, Any]:
    """Add events, and what sensors and samples make of them; refuses what cannot count, before it writes."""
    after = _after(kept, events)
    proven = new_proofs(after.advisory, _proofs(con, after, now))
    after = _after(after, proven)
    # a sample that was typed before the step that it comes after counts from now on
    counting = samples_that_count(con, (kept.cabin, kept.unit), after.advisory, now)

    def work() -> None:
        append_all(con, kept.id, kept.next_seq, [*events, *proven, *counting], now)

    transaction(con, work)
    return _told(kept.id, advanced(after.advisory, counting))


def _after(kept: KeptAdvisory, events: Sequence[Event]) -> KeptAdvisory:
    """The advisory as these events leave it; nothing is written."""
    return replace(kept, advisory=advanced(kept.advisory, events), next_seq=kept.next_seq + len(events))


def _proofs(con: Con, kept: KeptAdvisory, now: datetime) -> tuple[Proof, ...]:
    """What the sensors say of an advisory's steps now."""
    store, key = Local(con), (kept.cabin, kept.unit)
    fleet = load_fleet(store)
    states = unit_states(store.ask(
        f"{PRESENT} WHERE cabin = $cabin AND unit = $unit", {"cabin": key[0], "unit": key[1]}), fleet)
    return proofs_now(store, fleet, {key: kept.advisory}, states, now).get(key, ())


def _told(number: str, advisory: Advisory) -> dict[str, Any]:
    """How an advisory stands, for whoever recorded something."""
    return {
        "advisory": number, "state": str(advisory.state), "open_steps": [str(one) for one in advisory.open_steps]}


def _at(kept: KeptAdvisory, now: datetime) -> datetime:
    """Now, or the record's last instant where the clock went back."""
    return max(now, kept.advisory.updated_at)


def _note(body: dict[str, Any]) -> str:
    return str(body.get("note") or "")


def _service(body: dict[str, Any]) -> str:
    """Id of the record of service that a step comes from."""
    return str(body.get("service") or "")


def _way(body: dict[str, Any]) -> dict[str, Any]:
    """By what way a hot tank was cleaned, and what proves it, as `StepRecorded` takes them."""
    out: dict[str, Any] = {"how": str(body.get("how") or "")}
    for name in ("degrees_c", "minutes", "times"):
        value = body.get(name)
        if value is not None and (isinstance(value, bool) or not isinstance(value, (int, float))):
            raise BadInput(f"{name} must be a number; got {value!r}")
        out[name] = value
    return out


def _too_little(con: Con, kept: KeptAdvisory, event: StepRecorded) -> str:
    """Why a tank that was drained, heated or chlorinated so is not clean; empty where it is, or was flushed."""
    fleet, key = load_fleet(Local(con)), (kept.cabin, kept.unit)
    if event.ran_taps or event.step is not Step.FLUSH_HOT or not fleet.has_unit(*key):
        return ""
    return too_little(event, cleaning_of(kept.advisory, fleet.unit(*key), fleet.cabin(kept.cabin)))


def _instant(text: Any, now: datetime, *, name: str = "at") -> datetime:
    if text is None:
        return now
    at = instant_of(name, text)
    if at > now:
        raise BadInput(f"{name} must not lie in the future (now {now.isoformat()}); got {text!r}")
    return at
