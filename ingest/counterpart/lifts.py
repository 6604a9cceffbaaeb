"""A lift at a cabin's other collector: what it answered is answered here, and what stands here for that is lifted.

A lift brings the pieces of water that it answered, and the samples that were not satisfactory of which it knew.
The advisory that stood here when it came is lifted by the same name once nothing of it is left that the lift did
not answer: who lifted it there had not seen what only this collector heard. It stays to be lifted here where no
piece of it was meant, where somebody raised it here by hand, where a sample failed of which the other did not know,
and where it is still not answered after a week: what time alone makes of it is nobody's will.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any

import duckdb

from ingest.counterpart.said import Key, instant_said, number_said, one_line, person_said
from ingest.db.engine import Local, transaction
from ingest.db.held import unjudged
from ingest.evaluation.exposed import unanswered
from ingest.evaluation.watch import named_by
from ingest.record.advisory_log import FOREVER, KeptAdvisory, answer, append, look_now, open_advisory
from ingest.registry.tables import load_fleet
from ingest.settings import BadInput
from models.advisory import Lifted
from models.advisory.pieces import Piece
from models.counterpart import Place
from models.exposure import IntervalKind
from models.fleet import Fleet

Con = duckdb.DuckDBPyConnection

WAITS = timedelta(days=7)  # for logs that are on their way, from when it came
NUMBER = re.compile(r"a\d{1,12}")
KINDS = [str(one) for one in IntervalKind if one is not IntervalKind.LIT]

_ANSWERED = """
    SELECT start, "end", kind, underdosed_l_upper, dose_low_mj_cm2 FROM answered
    WHERE lift = $lift AND cabin = $cabin AND unit = $unit ORDER BY number
"""
# Samples that were not satisfactory: of the laboratory by the record's id, which is the same at both, and what
# people said of others by when they were taken.
_FAILED = """
    SELECT 'service:' || r.service AS sample FROM laboratory_result AS r JOIN service_done AS e ON e.id = r.service
    WHERE e.cabin = $cabin AND e.unit = $unit AND r.advisory IS NOT NULL AND e.recorded_at <= $until
        AND coalesce(r.advisory = $advisory, $advisory IS NULL)
    UNION
    SELECT 'taken:' || epoch_ms(coalesce(e.body ->> '$.done_at', e.body ->> '$.at')::TIMESTAMPTZ)
    FROM advisory_event AS e JOIN advisory AS a ON a.id = e.advisory
    WHERE a.cabin = $cabin AND a.unit = $unit AND (e.body ->> '$.kind') = 'sample-failed'
        AND coalesce(e.body ->> '$.service', '') = '' AND e.recorded_at <= $until
        AND coalesce(a.id = $advisory, $advisory IS NULL)
"""
_BY_HAND = """
    SELECT count(*) FROM advisory_event WHERE advisory = $advisory AND (body ->> '$.kind') = 'raised'
        AND (body ->> '$.exposure.cause') = 'manual'
"""


def what_it_answers(con: Con, key: Key, number: str, recorded_at: datetime) -> dict[str, Any]:
    """Of a lift here, for the other collector: the pieces that it answered, the failed samples that were known."""
    found = con.execute(_ANSWERED, {"lift": number, "cabin": key[0], "unit": key[1]}).fetchall()
    return {
        "pieces": [
            {"start": start.isoformat(), "end": end.isoformat(), "kind": kind, "most": most, "dose": dose}
            for start, end, kind, most, dose in found],
        "failed": sorted(_failed(con, key, None, recorded_at))}


def _failed(con: Con, key: Key, advisory: str | None, until: datetime) -> set[str]:
    return {sample for (sample,) in con.execute(_FAILED, {
        "cabin": key[0], "unit": key[1], "advisory": advisory, "until": until}).fetchall()}


def answer_lift(con: Con, key: Key, body: dict[str, Any], place: Place, now: datetime) -> str:
    """Answer here what somebody lifted at the other collector, and note it for the advisory that stands here.

    Raises
    ------
    BadInput
        If it names no person, or no advisory, or pieces that cannot be; nothing is changed then.
    """
    number = body.get("number")
    if not isinstance(number, str) or not NUMBER.fullmatch(number):
        raise BadInput(f"number must be an advisory's, like a12; got {str(number)[:40]!r}")
    by, reason = person_said("by", body.get("by")), one_line(body.get("reason"))
    lift, at = f"{place}:{number}", min(instant_said("at", body.get("at")), now)
    pieces = _pieces(body.get("pieces"), now)
    failed = body.get("failed", [])
    if not isinstance(failed, list) or not all(isinstance(one, str) for one in failed):
        raise BadInput("failed must be a list of samples")
    kept = open_advisory(con, key)
    meant = kept is not None and _meant(con, key, kept, pieces, failed, now)

    def work() -> None:
        con.execute("DELETE FROM answered WHERE lift = $lift AND cabin = $cabin AND unit = $unit", {
            "lift": lift, "cabin": key[0], "unit": key[1]})
        answer(con, key, lift, pieces, at)
        if kept is not None and meant:  # the latest knows of all that those before it knew
            con.execute("DELETE FROM counterpart_lift WHERE advisory = $advisory", {"advisory": kept.id})
            con.execute(
                "INSERT INTO counterpart_lift VALUES ($cabin, $unit, $lift, $by, $at_, $reason, $advisory, "
                "$failed, $now)", {
                    "cabin": key[0], "unit": key[1], "lift": lift, "by": by, "at_": at, "reason": reason,
                    "advisory": kept.id, "failed": json.dumps(failed), "now": now})
        look_now(con, key, now)

    transaction(con, work)
    return f"what {by} lifted there ({number}) is answered here"


def _pieces(found: Any, now: datetime) -> list[Piece]:
    """The pieces that a lift answered; nobody can have answered water that is still to pass."""
    if not isinstance(found, list) or not all(isinstance(one, dict) for one in found):
        raise BadInput("pieces must be a list of JSON objects")
    out = []
    for one in found:
        start, end = instant_said("start", one.get("start")), min(instant_said("end", one.get("end")), now)
        if one.get("kind") not in KINDS:
            raise BadInput(f"kind of a piece must be one of {', '.join(KINDS)}; got {str(one.get('kind'))[:40]!r}")
        most, dose = number_said("most", one.get("most"), infinite=True), one.get("dose")
        if start < end:
            out.append(Piece(
                start=start, end=end, kind=str(one["kind"]), cause="", underdosed_l=0.0, underdosed_l_upper=most,
                dose_low_mj_cm2=None if dose is None else number_said("dose", dose)))
    return out


def _meant(
    con: Con, key: Key, kept: KeptAdvisory, pieces: Iterable[Piece], failed: list[str], now: datetime,
) -> bool:
    """Whether a lift answered anything of what an advisory here is about."""
    about = kept.advisory.exposure
    until = now if about.end is None else about.end
    return any(one.start < until and one.end > about.start for one in pieces) or bool(
        _failed(con, key, kept.id, FOREVER) & set(failed))


def lift_what_is_answered(con: Con, place: Place, now: datetime) -> list[str]:
    """Lift, by the name of who lifted it at the other collector, what has nothing unanswered left."""
    rows = con.execute("""
        SELECT cabin, unit, advisory, lift, who, reason, failed, heard_at
        FROM counterpart_lift ANTI JOIN counterpart_inbox USING (cabin) ORDER BY ALL
    """).fetchall()  # what its collector recorded besides comes first
    if not rows:
        return []
    fleet, told = load_fleet(Local(con)), []
    for cabin, unit, advisory, lift, who, reason, failed, heard_at in rows:
        key = (str(cabin), str(unit))
        kept = open_advisory(con, key)
        if kept is None or kept.id != advisory or not fleet.has_unit(*key) or heard_at < now - WAITS:
            con.execute("DELETE FROM counterpart_lift WHERE advisory = $advisory", {"advisory": advisory})
            continue
        if _stands(con, kept, json.loads(failed)) or unjudged(Local(con), key, now) or _left(
                con, fleet, kept, now):
            continue
        _lift(con, kept, Lifted(
            at=max(now, kept.advisory.updated_at), by=f"{who} (at {place.collector})",
            reason=f"lifted there as {lift.partition(':')[2]}: {reason or 'all its steps were done'}"), now)
        told.append(f"{kept.id} of {cabin}/{unit} is lifted, as {who} lifted it at {place.collector}")
    return told


def _stands(con: Con, kept: KeptAdvisory, known_there: list[str]) -> bool:
    """Whether an advisory is about something that the lift at the other cannot have answered."""
    by_hand = con.execute(_BY_HAND, {"advisory": kept.id}).fetchone()
    return bool(by_hand and by_hand[0]) or not _failed(
        con, (kept.cabin, kept.unit), kept.id, FOREVER) <= set(known_there)


def _left(con: Con, fleet: Fleet, kept: KeptAdvisory, now: datetime) -> bool:
    """Whether water is left that nobody answered: what asks for an advisory, or what this one names."""
    key = (kept.cabin, kept.unit)
    left = unanswered(Local(con), fleet, [key], now)
    held_back = (left["to_watch"].astype(bool) | left["to_note"].astype(bool)).to_numpy(bool)
    return bool((~held_back | named_by(left, held_back, {key: kept})).any())


def _lift(con: Con, kept: KeptAdvisory, lifted: Lifted, now: datetime) -> None:
    def work() -> None:
        append(con, kept.id, kept.next_seq, lifted, now)
        con.execute("INSERT INTO counterpart_record VALUES ($id, 'echo', $now)", {
            "id": f"event:{kept.id}:{kept.next_seq}", "now": now})
        con.execute("DELETE FROM counterpart_lift WHERE advisory = $advisory", {"advisory": kept.id})
        look_now(con, (kept.cabin, kept.unit), now)

    transaction(con, work)
