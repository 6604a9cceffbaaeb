"""What people recorded at one of a cabin's two collectors, for the other: services, steps, withdrawals, lifts.

They are read off the append-only tables, so that no crash loses one: `counterpart_record` says which the other has
acknowledged, and which came from it and are not sent back. What comes is kept before it is acknowledged
(`counterpart_inbox`) and done in its order, by the same actions as what is recorded here. A service has an id of
its own, a step that is recorded already is refused, a lift answers what is answered already: twice is once.

What comes is of the cabin on whose topic it came, by the names that the other knows. A lift is seen to by `lifts`.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb

from ingest.actions import record_service, require_unit, withdraw_service
from ingest.counterpart.lifts import answer_lift, what_it_answers
from ingest.counterpart.said import (
    MOST_NOTE,
    Key,
    instant_said,
    number_said,
    object_of,
    one_line,
    person_said,
    present_cabin,
    present_unit,
)
from ingest.db.engine import Local, could_not_write, transaction
from ingest.record.advisories import record_step, step_of_service
from ingest.record.advisory_log import open_advisory
from ingest.record.laboratory import KEYS as LABORATORY_KEYS
from ingest.record.laboratory import number_of, result_of
from ingest.settings import BadInput
from models.counterpart import Place

logger = logging.getLogger(__name__)

Con = duckdb.DuckDBPyConnection

MOST_ID = 200  # characters of a record's id

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
    SELECT a.cabin, a.unit, e.body::VARCHAR, e.recorded_at
    FROM advisory_event AS e JOIN advisory AS a ON a.id = e.advisory
    WHERE e.advisory = $advisory AND e.seq = $seq
"""
# A step, or a sample that was not satisfactory, that stands here as it came from there.
_SAME_STEP = """
    SELECT 'event:' || e.advisory || ':' || e.seq FROM advisory_event AS e JOIN advisory AS a ON a.id = e.advisory
    WHERE a.cabin = $cabin AND a.unit = $unit AND (e.body ->> '$.by') = $by
        AND coalesce(e.body ->> '$.done_at', e.body ->> '$.at')::TIMESTAMPTZ = $at_
        AND CASE WHEN $failed THEN (e.body ->> '$.kind') = 'sample-failed'
            ELSE (e.body ->> '$.kind') = 'step-recorded' AND (e.body ->> '$.step') = $step END
"""
STEP_NUMBERS = ("degrees_c", "minutes", "times")


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
    cabin, unit, text, recorded_at = found
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
    return {"what": what, "body": {
        **body, "number": of, "at": event["at"], "reason": event.get("reason", ""),
        **what_it_answers(con, (cabin, unit), of, recorded_at)}}


def was_sent(con: Con, number: str, now: datetime) -> None:
    """Note that the broker has that record."""
    con.execute("INSERT INTO counterpart_record VALUES ($id, 'sent', $now)", {"id": number, "now": now})


def keep_incoming(con: Con, cabin: str, payload: bytes, now: datetime) -> None:
    """Keep a record that came, to be done in its turn; one that came before is not kept again.

    Parameters
    ----------
    cabin : str
        As the other collector calls it.

    Raises
    ------
    BadInput
        If it is no such record.
    """
    said = object_of(payload, "record")
    number, what, body = said.get("id"), said.get("what"), said.get("body")
    if not isinstance(number, str) or not 0 < len(number) <= MOST_ID or not number.isprintable():
        raise BadInput(f"id of a record must be 1 to {MOST_ID} printable characters; got {str(number)[:40]!r}")
    if not isinstance(what, str) or what not in _DONE:
        raise BadInput(f"what must be one of {', '.join(_DONE)}; got {str(what)[:40]!r}")
    if not isinstance(body, dict):
        raise BadInput(f"body of a record must be a JSON object; got {type(body).__name__}")
    if body.get("cabin", cabin) != cabin:
        raise BadInput(f"this record is of {str(body['cabin'])[:80]!r} and came on a topic of {cabin!r}")
    con.execute("""
        INSERT INTO counterpart_inbox SELECT nextval('counterpart_number'), $id, $cabin, $body::JSON, $now
        WHERE NOT EXISTS (FROM counterpart_record WHERE id = $id AND way = 'heard')
            AND NOT EXISTS (FROM counterpart_inbox WHERE id = $id)
    """, {"id": number, "cabin": cabin, "body": json.dumps(said), "now": now})


def do_next(con: Con, place: Place, now: datetime, last: str = "") -> tuple[str, str] | None:
    """Do the first record that waits of the cabin whose turn it is.

    Parameters
    ----------
    place : Place
        Where the other collector stands.
    last : str
        Whose record was done last: cabins take turns, for one may send thousands.

    Returns
    -------
    cabin, words : str
        Whose it was, as the other calls it, and what came of it; None where none waits.
    """
    found = con.execute(
        "SELECT number, id, cabin, body::VARCHAR FROM counterpart_inbox ORDER BY cabin <= $last, cabin, number "
        "LIMIT 1", {"last": last}).fetchone()
    if found is None:
        return None
    number, heard_id, called, text = found
    said, cabin = json.loads(text), present_cabin(Local(con), called)
    before = set(_ids(con, cabin))
    same: list[str] = []
    try:
        heard = _Heard(said["body"], called, cabin, place, now)
        told = _DONE[said["what"]](con, heard, same)
        refused = ""
    except Exception as error:  # outermost: one that cannot be done must not hold up what comes behind it
        if could_not_write(error):
            raise
        if not isinstance(error, BadInput):
            logger.exception("a record of %s could not be done", place.collector)
        why = error if isinstance(error, BadInput) else f"{type(error).__name__}: {str(error).splitlines()[:1]}"
        told = refused = f"not counted here: {why}"

    def work() -> None:
        if refused:
            con.execute(SET_ASIDE, {
                "now": now, "source": f"{place.collector}: {said['what']}", "payload": text.encode()[:10_000],
                "cabin": cabin, "reason": refused})
        # What this one added is not sent back; nor what it had added when a stop came in between.
        stay = {mine for mine in _ids(con, cabin) if mine not in before} | set(same)
        for mine in stay:
            con.execute("""
                INSERT INTO counterpart_record SELECT $id, 'echo', $now
                WHERE NOT EXISTS (FROM counterpart_record WHERE id = $id AND way <> 'heard')
            """, {"id": mine, "now": now})
        con.execute("INSERT INTO counterpart_record VALUES ($id, 'heard', $now)", {"id": heard_id, "now": now})
        con.execute("DELETE FROM counterpart_inbox WHERE number = $number", {"number": number})

    transaction(con, work)
    return called, f"{said['what']} of {cabin}: {told}"


def _ids(con: Con, cabin: str) -> list[str]:
    return [number for number, *_ in con.execute(_UNSENT, {"cabins": [cabin]}).fetchall()]


@dataclass(frozen=True, slots=True)
class _Heard:
    """What a record says, what the other calls its cabin and what that is here, and where and when it was heard."""

    body: dict[str, Any]
    called: str
    cabin: str
    place: Place
    now: datetime

    def key(self, con: Con) -> Key:
        """Its unit, as it is called here; one of this cabin."""
        unit = self.body.get("unit")
        key = present_unit(Local(con), self.called, unit if isinstance(unit, str) else "")
        if key[0] != self.cabin:
            raise BadInput(f"what is called {unit!r} there belongs to another cabin here")
        require_unit(con, *key)
        return key

    def lines(self, *names: str) -> dict[str, str]:
        """What people wrote, as it may be shown; what is not there is left out."""
        return {name: one_line(self.body[name], MOST_NOTE) for name in names if self.body.get(name) is not None}


def _service(con: Con, heard: _Heard, same: list[str]) -> str:
    body, now = heard.body, heard.now
    cabin, unit = heard.key(con)
    if body.get("id") is None:
        raise BadInput("a record of service from another collector must bear its id")
    number = number_of(body)
    given = {
        "id": number, "cabin": cabin, "unit": unit, "value": body.get("value"), "is_pct": True,
        "at": instant_said("at", body.get("at")).isoformat(), **heard.lines("kind", "who", "note"),
        **{name: body[name] for name in LABORATORY_KEYS if body.get(name) is not None}}
    if given.get("taken_at") is not None:
        given["taken_at"] = instant_said("taken_at", given["taken_at"]).isoformat()
    same.append(f"service:{number}")
    told = record_service(con, given, now, Path())
    if told.get("already"):  # a stop may have come before it could count for an advisory: it is asked once more
        return f"recorded already; {step_of_service(con, {**given, 'service': number}, now)}".rstrip("; ")
    return f"recorded; {told['advisory']}".rstrip("; ")


def _withdrawn(con: Con, heard: _Heard, same: list[str]) -> str:
    number = number_of({"id": str(heard.body.get("id"))})
    found = con.execute("""
        SELECT e.cabin, w.who FROM service_event AS e LEFT JOIN service_withdrawn AS w USING (id)
        WHERE e.id = $id::UUID
    """, {"id": number}).fetchone()
    if found is None or found[0] != heard.cabin:
        raise BadInput(f"no record {number!r} of this cabin is here to be withdrawn")
    same.append(f"withdrawn:{number}")
    if found[1] is not None:
        return f"withdrawn already, by {found[1]}"
    given = {"id": number, "by": person_said("by", heard.body.get("by")), **heard.lines("reason")}
    return str(withdraw_service(con, given, heard.now, Path())["advisory"] or "withdrawn")


def _step(con: Con, heard: _Heard, same: list[str]) -> str:
    body, key = heard.body, heard.key(con)
    given: dict[str, Any] = {
        "by": person_said("by", body.get("by")), "at": instant_said("at", body.get("at")).isoformat(),
        "failed": body.get("failed") is True, **heard.lines("step", "note", "how")}
    if body.get("from") is not None:
        given["from"] = instant_said("from", body["from"]).isoformat()
    given |= {name: number_said(name, body[name]) for name in STEP_NUMBERS if body.get(name) is not None}
    there = [number for (number,) in con.execute(_SAME_STEP, {
        "cabin": key[0], "unit": key[1], "by": given["by"], "at_": instant_said("at", given["at"]),
        "failed": given["failed"], "step": given.get("step", "")}).fetchall()]
    same.extend(there)
    if there:
        return "recorded already"
    kept = open_advisory(con, key)
    if kept is None:
        return "no advisory stands here"
    record_step(con, {**given, "step": given.get("step", ""), "advisory": kept.id}, heard.now, Path())
    return f"counted for {kept.id}"


def _lifted(con: Con, heard: _Heard, same: list[str]) -> str:
    return answer_lift(con, heard.key(con), heard.body, heard.place, heard.now)


_DONE: dict[str, Callable[[Con, _Heard, list[str]], str]] = {
    "service": _service, "withdrawn": _withdrawn, "step": _step, "lifted": _lifted}
