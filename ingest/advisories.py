"""What people do to an advisory: raise one by hand, record a step, lift it by name.

Each appends one event; what cannot count is refused with the reason.
"""

from __future__ import annotations

import math
import uuid
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb

from ingest.advisory_log import (
    INSERT_SERVICE,
    Kept,
    answer,
    append,
    append_lift,
    kept_advisory,
    new_advisory,
    open_advisory,
)
from ingest.engine import Local, transaction
from ingest.exposed import unanswered
from ingest.judging import PRESENT, unit_states
from ingest.proofs_now import proofs_now
from ingest.registry import load_fleet
from ingest.settings import BadInput
from ingest.watch import exposure_now
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
    exposure_event,
    new_proofs,
    unknown_proofs,
)
from models.advisory_events import PERSON_STEPS, SENSOR_STEPS, Cause, Step
from models.advisory_pieces import pieces_of

Con = duckdb.DuckDBPyConnection


def record_step(con: Con, body: dict[str, Any], now: datetime, path: Path) -> dict[str, Any]:
    """Record that a named person did a step (`advisory, step, by`, and `at`, `note`; `failed` for a bad sample)."""
    kept = _kept(con, str(body["advisory"]))
    name = str(body["step"])
    if name not in list(PERSON_STEPS):
        allowed = ", ".join(PERSON_STEPS)
        raise BadInput(f"step must be one of {allowed}; got {name!r} (a dose can only be proven by the sensors)")
    done_at = _instant(body.get("at"), now)
    begun_at = None if body.get("from") is None else _instant(body["from"], now, name="from")
    event: Event
    try:
        if body.get("failed"):
            event = SampleFailed(
                at=_at(kept, now), by=str(body["by"]), done_at=done_at, note=_note(body), service=_service(body))
            return _append(con, kept, [event], now)
        event = StepRecorded(
            at=_at(kept, now), step=Step(name), by=str(body["by"]), done_at=done_at, note=_note(body),
            begun_at=begun_at, service=_service(body))
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
        for offset, event in enumerate(events):
            append(con, before.id, before.next_seq + offset, event, now)
        append_lift(con, kept, lifted, now)
        con.execute("UPDATE to_watch SET due = $now WHERE cabin = $cabin AND unit = $unit", {
            "now": now, "cabin": key[0], "unit": key[1]})

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
        con.execute("DELETE FROM to_watch WHERE cabin = $cabin AND unit = $unit", {"cabin": key[0], "unit": key[1]})
        con.execute("INSERT INTO to_watch VALUES ($cabin, $unit, $now)", {
            "cabin": key[0], "unit": key[1], "now": now})
        return number

    return {"advisory": transaction(con, work)}


def note_seen(con: Con, body: dict[str, Any], now: datetime, path: Path) -> dict[str, Any]:
    """Note by name that under-dosed water of before the unit was first heard live was seen (`cabin, unit, by`).

    Only of what is to be noted (`models.advisory_pieces.only_to_note`); all else takes an advisory and its lift.
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
        answer(con, key, number, pieces_of(rows), now)

    transaction(con, work)
    return {"id": number, "noted": words}


def step_of_service(con: Con, body: dict[str, Any], now: datetime) -> str:
    """Let a service event count for the unit's open advisory where it can; says what came of it, or nothing."""
    key = (str(body["cabin"]), str(body["unit"]))
    kept = open_advisory(con, key)
    kind = body["kind"]
    if kept is None or kind not in ("flushed", "chlorinated", "sampled"):
        return ""
    given = {
        "advisory": kept.id, "by": body["who"], "at": body["at"], "note": body.get("note"),
        "from": body.get("from"), "service": body.get("service")}
    open_steps = kept.advisory.open_steps
    if kind == "sampled":
        value = body.get("value")
        if value is None:
            return "kept; give the laboratory's result as value (0: satisfactory) for it to count for the advisory"
        first = Step.SAMPLE_1 in open_steps
        steps = [Step.SAMPLE_1 if first else Step.SAMPLE_2]
        given["failed"] = value > 0
    else:
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


def _kept(con: Con, number: str) -> Kept:
    kept = kept_advisory(con, number)
    if kept is None:
        raise BadInput(f"no advisory {number!r}; `tarnlight advisory list` shows them")
    if kept.advisory.state is State.LIFTED:
        raise BadInput(f"advisory {number!r} is lifted: nothing changes any more")
    return kept


def _append(con: Con, kept: Kept, events: list[Event], now: datetime) -> dict[str, Any]:
    """Add events, and what the sensors make of them; refuses what cannot count, before anything is written."""
    after = _after(kept, events)
    proven = new_proofs(after.advisory, _proofs(con, after, now))
    whole = _after(after, list(proven))

    def work() -> None:
        for offset, event in enumerate([*events, *proven]):
            append(con, kept.id, kept.next_seq + offset, event, now)

    transaction(con, work)
    return _told(kept.id, whole.advisory)


def _after(kept: Kept, events: Sequence[Event]) -> Kept:
    """The advisory as these events leave it; nothing is written."""
    advisory = kept.advisory
    for event in events:
        advisory = advance(advisory, event)
    return replace(kept, advisory=advisory, next_seq=kept.next_seq + len(events))


def _proofs(con: Con, kept: Kept, now: datetime) -> tuple[Proof, ...]:
    """What the sensors say of an advisory's steps now."""
    store, key = Local(con), (kept.cabin, kept.unit)
    fleet = load_fleet(store)
    states = unit_states(store.ask(
        f"{PRESENT} WHERE cabin = $cabin AND unit = $unit", {"cabin": key[0], "unit": key[1]}), fleet)
    return proofs_now(store, fleet, {key: kept.advisory}, states, now).get(key, ())


def _told(number: str, after: Advisory) -> dict[str, Any]:
    return {"advisory": number, "state": str(after.state), "open_steps": [str(one) for one in after.open_steps]}


def _at(kept: Kept, now: datetime) -> datetime:
    """Now, or the record's last instant where the clock went back."""
    return max(now, kept.advisory.updated_at)


def _note(body: dict[str, Any]) -> str:
    return str(body.get("note") or "")


def _service(body: dict[str, Any]) -> str:
    """Id of the record of service that a step comes from."""
    return str(body.get("service") or "")


def _instant(text: Any, now: datetime, *, name: str = "at") -> datetime:
    if text is None:
        return now
    try:
        at = datetime.fromisoformat(str(text))
    except ValueError:
        raise BadInput(f"{name} must be ISO 8601 with an offset or Z; got {text!r}") from None
    if at.tzinfo is None:
        raise BadInput(f"{name} must have an offset or Z; got {text!r}")
    if at > now:
        raise BadInput(f"{name} must not lie in the future (now {now.isoformat()}); got {text!r}")
    return at
