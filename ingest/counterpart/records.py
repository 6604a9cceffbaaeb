"""What people recorded at one of a cabin's two collectors, for the other: services, steps, withdrawals, lifts.

They are read off the append-only tables, so that no crash loses one: `counterpart_record` says which the other has
acknowledged, and which came from it and are not sent back. What comes is kept before it is acknowledged
(`counterpart_inbox`) and done in its order, by the same actions as what is recorded here. A service has an id of
its own, a step that is recorded already is refused, a lift answers what is answered already: twice is once.

A lift brings the pieces of water that it answered. They are answered here too; the advisory that stands here is
lifted, by that person's name, once nothing of it is left unanswered. Until then it stands: who lifted it there had
not seen what only this collector heard.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb

from ingest.actions import record_service, withdraw_service
from ingest.db.engine import Local, transaction
from ingest.db.held import unjudged
from ingest.evaluation.exposed import unanswered
from ingest.record.advisories import record_step
from ingest.record.advisory_log import KeptAdvisory, answer, append, look_now, open_advisory
from ingest.record.laboratory import result_of
from ingest.registry.tables import load_fleet
from ingest.settings import BadInput, instant_of
from models.advisory import Lifted
from models.advisory.events import Cause
from models.advisory.pieces import Piece
from models.counterpart import Place

Con = duckdb.DuckDBPyConnection
Key = tuple[str, str]

SET_ASIDE = """
    INSERT INTO quarantine BY NAME SELECT $now AS arrived_at, $source AS source, $cabin AS cabin,
        $payload AS payload, $reason AS reason, 1 AS times
"""

# What people did at these cabins and the other has not acknowledged, in the order in which it was recorded. A step
# that rests on a record of service is that record's, and done anew where that comes.
_UNSENT = """
    WITH mine AS (
        SELECT 'service:' || id AS id, cabin, 'service' AS what, recorded_at, 0 AS seq, id::VARCHAR AS of
        FROM service_event WHERE list_contains($cabins, cabin)
        UNION ALL
        SELECT 'withdrawn:' || w.id, e.cabin, 'withdrawn', w."at", 1, w.id::VARCHAR
        FROM service_withdrawn AS w JOIN service_event AS e USING (id) WHERE list_contains($cabins, e.cabin)
        UNION ALL
        SELECT 'event:' || e.advisory || ':' || e.seq, a.cabin, e.body ->> '$.kind', e.recorded_at, e.seq,
            e.advisory
        FROM advisory_event AS e JOIN advisory AS a ON a.id = e.advisory
        WHERE list_contains($cabins, a.cabin)
            AND (e.body ->> '$.kind') IN ('step-recorded', 'sample-failed', 'lifted')
            AND coalesce(e.body ->> '$.service', '') = '')
    SELECT id, cabin, what, of, seq FROM mine
    ANTI JOIN (SELECT id FROM counterpart_record WHERE way <> 'heard') AS gone USING (id)
    ORDER BY recorded_at, seq, id
"""
_SERVICE = """
    SELECT id::VARCHAR, cabin, unit, "at", kind, who, value, note FROM service_event WHERE id = $id::UUID
"""
_EVENT = """
    SELECT a.cabin, a.unit, e.body::VARCHAR FROM advisory_event AS e JOIN advisory AS a ON a.id = e.advisory
    WHERE e.advisory = $advisory AND e.seq = $seq
"""
_ANSWERED = """
    SELECT start, "end", kind, underdosed_l_upper, dose_low_mj_cm2 FROM answered WHERE lift = $lift ORDER BY number
"""
# Samples that were not satisfactory and that the other had not heard of when it lifted.
_NOT_KNOWN_THERE = """
    WITH failed AS (
        SELECT 'service:' || r.service AS id FROM laboratory_result AS r JOIN service_done AS e ON e.id = r.service
        WHERE r.advisory = $advisory
        UNION ALL
        SELECT 'event:' || advisory || ':' || seq FROM advisory_event
        WHERE advisory = $advisory AND (body ->> '$.kind') = 'sample-failed'
            AND coalesce(body ->> '$.service', '') = '')
    SELECT count(*) FROM failed LEFT JOIN counterpart_record AS c USING (id)
    WHERE c.id IS NULL OR c."at" > $lifted
"""


@dataclass(frozen=True, slots=True)
class Outgoing:
    """A record to be sent: its id, its cabin, and the message."""

    id: str
    cabin: str
    payload: str


def unsent(con: Con, cabins: list[str], most: int) -> list[Outgoing]:
    """The first records of these cabins that the other collector has not acknowledged."""
    rows = con.execute(f"{_UNSENT} LIMIT $most", {"cabins": cabins, "most": most}).fetchall()
    return [
        Outgoing(number, cabin, json.dumps({"id": number, **_message(con, what, of, int(seq))}))
        for number, cabin, what, of, seq in rows]


def _message(con: Con, what: str, of: str, seq: int) -> dict[str, Any]:
    if what == "service":
        found = con.execute(_SERVICE, {"id": of}).fetchone()
        assert found is not None
        number, cabin, unit, at, kind, who, value, note = found
        return {"what": what, "body": {
            "id": number, "cabin": cabin, "unit": unit, "at": at.isoformat(), "kind": kind, "who": who,
            "value": value, "note": note, "is_pct": True, **result_of(con, number)}}
    if what == "withdrawn":
        found = con.execute("SELECT who, reason FROM service_withdrawn WHERE id = $id::UUID", {"id": of}).fetchone()
        assert found is not None
        return {"what": what, "body": {"id": of, "by": found[0], "reason": found[1]}}
    found = con.execute(_EVENT, {"advisory": of, "seq": seq}).fetchone()
    assert found is not None
    cabin, unit, text = found
    event = json.loads(text)
    body: dict[str, Any] = {"cabin": cabin, "unit": unit, "by": event["by"]}
    if what != "lifted":
        body |= {
            "step": event.get("step") or "sample-1", "at": event.get("done_at") or event["at"],
            "note": event.get("note", ""), "failed": what == "sample-failed"}
        body |= {name: event[name] for name in ("how", "degrees_c", "minutes", "times") if event.get(name)}
        if event.get("begun_at"):
            body["from"] = event["begun_at"]
        return {"what": "step", "body": body}
    pieces = [
        {"start": start.isoformat(), "end": end.isoformat(), "kind": kind, "most": most, "dose": dose}
        for start, end, kind, most, dose in con.execute(_ANSWERED, {"lift": of}).fetchall()]
    return {"what": what, "body": {
        **body, "number": of, "at": event["at"], "reason": event.get("reason", ""), "pieces": pieces}}


def was_sent(con: Con, number: str, now: datetime) -> None:
    """Note that the broker has that record."""
    con.execute("INSERT INTO counterpart_record VALUES ($id, 'sent', $now)", {"id": number, "now": now})


def keep_incoming(con: Con, cabin: str, payload: bytes, now: datetime) -> None:
    """Keep a record that came, to be done in its turn; one that came before is not kept again.

    Raises
    ------
    BadInput
        If it is no such record.
    """
    try:
        said = json.loads(payload)
        number, body = str(said["id"]), dict(said["body"])
        if said["what"] not in _DONE:
            raise BadInput(f"what must be one of {', '.join(_DONE)}; got {said['what']!r}")
        if body.get("cabin", cabin) != cabin:
            raise BadInput(f"this record is of {body['cabin']!r} and came on a topic of {cabin!r}")
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise BadInput(f"this is no record: {type(error).__name__}: {error}") from error
    con.execute("""
        INSERT INTO counterpart_inbox SELECT nextval('counterpart_number'), $id, $cabin, $body::JSON, $now
        WHERE NOT EXISTS (FROM counterpart_record WHERE id = $id AND way = 'heard')
            AND NOT EXISTS (FROM counterpart_inbox WHERE id = $id)
    """, {"id": number, "cabin": cabin, "body": json.dumps(said), "now": now})


def do_next(con: Con, place: Place, cabins: list[str], now: datetime) -> str | None:
    """Do the first record that waits; what came of it, or None where none waits.

    Parameters
    ----------
    place : Place
        Where the other collector stands.
    cabins : list of str
        Whose records are sent to the other: what this one adds is not sent back.
    """
    found = con.execute(
        "SELECT number, id, cabin, body::VARCHAR FROM counterpart_inbox ORDER BY number LIMIT 1").fetchone()
    if found is None:
        return None
    number, heard_id, cabin, text = found
    said = json.loads(text)
    before = set(_ids(con, cabins))
    try:
        told = _DONE[said["what"]](con, said["body"], place, now)
        refused = ""
    except (BadInput, KeyError, TypeError, ValueError, AttributeError) as error:
        told = refused = f"not counted here: {error if isinstance(error, BadInput) else repr(error)}"

    def work() -> None:
        if refused:
            con.execute(SET_ASIDE, {
                "now": now, "source": f"{place.collector}: {said['what']}", "payload": text.encode()[:10_000],
                "cabin": cabin, "reason": refused})
        for mine in _ids(con, cabins):
            if mine not in before:
                con.execute("INSERT INTO counterpart_record VALUES ($id, 'echo', $now)", {"id": mine, "now": now})
        con.execute("INSERT INTO counterpart_record VALUES ($id, 'heard', $now)", {"id": heard_id, "now": now})
        con.execute("DELETE FROM counterpart_inbox WHERE number = $number", {"number": number})

    transaction(con, work)
    return f"{said['what']} of {cabin}: {told}"


def _ids(con: Con, cabins: list[str]) -> list[str]:
    return [number for number, *_ in con.execute(_UNSENT, {"cabins": cabins}).fetchall()]


def _service(con: Con, body: dict[str, Any], place: Place, now: datetime) -> str:
    told = record_service(con, body, now, Path())
    return "recorded already" if told.get("already") else f"recorded; {told['advisory']}".rstrip("; ")


def _withdrawn(con: Con, body: dict[str, Any], place: Place, now: datetime) -> str:
    return str(withdraw_service(con, body, now, Path())["advisory"] or "withdrawn")


def _step(con: Con, body: dict[str, Any], place: Place, now: datetime) -> str:
    kept = open_advisory(con, (str(body["cabin"]), str(body["unit"])))
    if kept is None:
        return "no advisory stands here"
    record_step(con, {**body, "advisory": kept.id}, now, Path())
    return f"counted for {kept.id}"


def _lifted(con: Con, body: dict[str, Any], place: Place, now: datetime) -> str:
    key = (str(body["cabin"]), str(body["unit"]))
    lift, at = f"{place}:{body['number']}", instant_of("at", body["at"])
    pieces = [
        Piece(start=instant_of("start", one["start"]), end=instant_of("end", one["end"]), kind=str(one["kind"]),
              cause="", underdosed_l=0.0, underdosed_l_upper=float(one["most"]),
              dose_low_mj_cm2=None if one["dose"] is None else float(one["dose"]))
        for one in body["pieces"]]

    def work() -> None:
        con.execute("DELETE FROM answered WHERE lift = $lift AND cabin = $cabin AND unit = $unit", {
            "lift": lift, "cabin": key[0], "unit": key[1]})
        answer(con, key, lift, pieces, min(at, now))
        con.execute("INSERT INTO counterpart_lift VALUES ($cabin, $unit, $lift, $by, $at_, $reason)", {
            "cabin": key[0], "unit": key[1], "lift": lift, "by": str(body["by"]), "at_": min(at, now),
            "reason": str(body.get("reason") or "")})
        look_now(con, key, now)

    transaction(con, work)
    return f"what {body['by']} lifted there ({body['number']}) is answered here"


_DONE: dict[str, Callable[[Con, dict[str, Any], Place, datetime], str]] = {
    "service": _service, "withdrawn": _withdrawn, "step": _step, "lifted": _lifted}


def lift_what_is_answered(con: Con, place: Place, now: datetime) -> list[str]:
    """Lift, by the name of who lifted it at the other collector, what has nothing unanswered left.

    Of the advisories that were raised before such a lift: one of water alone, or of a sample that the other knew of
    when it lifted. One that somebody raised by hand here is lifted here.
    """
    rows = con.execute("""
        SELECT cabin, unit, arg_max(lift, "at"), arg_max(who, "at"), max("at"), arg_max(reason, "at")
        FROM counterpart_lift GROUP BY ALL ORDER BY ALL
    """).fetchall()
    if not rows:
        return []
    fleet, told = load_fleet(Local(con)), []
    for cabin, unit, lift, who, at, reason in rows:
        key = (str(cabin), str(unit))
        kept = open_advisory(con, key)
        if kept is None or not fleet.has_unit(*key):
            con.execute("DELETE FROM counterpart_lift WHERE cabin = $cabin AND unit = $unit", {
                "cabin": key[0], "unit": key[1]})
            continue
        if _stands(con, kept, at) or unjudged(Local(con), key, now):
            continue
        left = unanswered(Local(con), fleet, [key], now)
        if not left[~left["to_watch"].astype(bool) & ~left["to_note"].astype(bool)].empty:
            continue
        _lift(con, kept, Lifted(
            at=max(now, kept.advisory.updated_at), by=f"{who} (at {place.collector})",
            reason=f"lifted there as {lift.partition(':')[2]}: {reason or 'all its steps were done'}"), now)
        told.append(f"{kept.id} of {cabin}/{unit} is lifted, as {who} lifted it at {place.collector}")
    return told


def _stands(con: Con, kept: KeptAdvisory, lifted: datetime) -> bool:
    """Whether an advisory is about something that no lift of before that instant at the other can have answered."""
    found = con.execute(_NOT_KNOWN_THERE, {"advisory": kept.id, "lifted": lifted}).fetchone()
    return kept.advisory.cause is Cause.MANUAL or bool(found and found[0])


def _lift(con: Con, kept: KeptAdvisory, lifted: Lifted, now: datetime) -> None:
    def work() -> None:
        append(con, kept.id, kept.next_seq, lifted, now)
        con.execute("INSERT INTO counterpart_record VALUES ($id, 'echo', $now)", {
            "id": f"event:{kept.id}:{kept.next_seq}", "now": now})
        con.execute("DELETE FROM counterpart_lift WHERE cabin = $cabin AND unit = $unit", {
            "cabin": kept.cabin, "unit": kept.unit})
        look_now(con, (kept.cabin, kept.unit), now)

    transaction(con, work)
