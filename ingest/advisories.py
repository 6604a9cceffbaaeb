"""What people do to an advisory: raise one by hand, record a step, lift it by name.

Each appends one event; what cannot count is refused with the reason.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb

from ingest.engine import Local, transaction
from ingest.registry import load_fleet
from ingest.settings import BadInput
from ingest.watch import Kept, append, kept_advisory, new_advisory, open_advisory
from models.advisory import (
    Event,
    Exposure,
    Lifted,
    NotAllowed,
    SampleFailed,
    State,
    StepRecorded,
    advance,
    exposure_event,
)
from models.advisory_events import PERSON_STEPS, Cause, Step

Con = duckdb.DuckDBPyConnection


def record_step(con: Con, body: dict[str, Any], now: datetime, path: Path) -> dict[str, Any]:
    """Record that a named person did a step (`advisory, step, by`, and `at`, `note`; `failed` for a bad sample)."""
    kept = _kept(con, str(body["advisory"]))
    name = str(body["step"])
    if name not in list(PERSON_STEPS):
        allowed = ", ".join(PERSON_STEPS)
        raise BadInput(f"step must be one of {allowed}; got {name!r} (a dose can only be proven by the sensors)")
    done_at = _instant(body.get("at"), now)
    event: Event
    try:
        if body.get("failed"):
            event = SampleFailed(
                at=_at(kept, now), by=str(body["by"]), done_at=done_at, note=_note(body), service=_service(body))
        else:
            event = StepRecorded(
                at=_at(kept, now), step=Step(name), by=str(body["by"]), done_at=done_at, note=_note(body),
                service=_service(body))
        return _append(con, kept, event, now)
    except NotAllowed as error:
        raise BadInput(str(error)) from error


def lift(con: Con, body: dict[str, Any], now: datetime, path: Path) -> dict[str, Any]:
    """Lift an advisory by name (`advisory, by`, and `reason` where steps are undone)."""
    kept = _kept(con, str(body["advisory"]))
    try:
        event = Lifted(at=_at(kept, now), by=str(body["by"]), reason=str(body.get("reason") or ""))
        return _append(con, kept, event, now)
    except NotAllowed as error:
        raise BadInput(str(error)) from error


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

    return {"advisory": transaction(con, work)}


def step_of_service(con: Con, body: dict[str, Any], now: datetime) -> str:
    """Let a service event count for the unit's open advisory where it can; says what came of it, or nothing."""
    key = (str(body["cabin"]), str(body["unit"]))
    kept = open_advisory(con, key)
    kind = body["kind"]
    if kept is None or kind not in ("flushed", "chlorinated", "sampled"):
        return ""
    given = {"advisory": kept.id, "by": body["who"], "at": body["at"], "note": body.get("note"),
             "service": body.get("service")}
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


def _append(con: Con, kept: Kept, event: Event, now: datetime) -> dict[str, Any]:
    after = advance(kept.advisory, event)  # refuses what cannot count, before anything is written
    transaction(con, lambda: append(con, kept.id, kept.next_seq, event, now))
    return {"advisory": kept.id, "state": str(after.state), "open_steps": [str(one) for one in after.open_steps]}


def _at(kept: Kept, now: datetime) -> datetime:
    """Now, or the record's last instant where the clock went back."""
    return max(now, kept.advisory.updated_at)


def _note(body: dict[str, Any]) -> str:
    return str(body.get("note") or "")


def _service(body: dict[str, Any]) -> str:
    """Id of the record of service that a step comes from."""
    return str(body.get("service") or "")


def _instant(text: Any, now: datetime) -> datetime:
    if text is None:
        return now
    try:
        at = datetime.fromisoformat(str(text))
    except ValueError:
        raise BadInput(f"at must be ISO 8601 with an offset or Z; got {text!r}") from None
    if at.tzinfo is None:
        raise BadInput(f"at must have an offset or Z; got {text!r}")
    if at > now:
        raise BadInput(f"at must not lie in the future (now {now.isoformat()}); got {text!r}")
    return at
