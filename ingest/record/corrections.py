"""Records of service that a named person takes back or puts another in the place of, and what follows: append-only.

A record stays in `service_event` for ever; `service_withdrawn` says that it no longer counts, and the view
`service_done` leaves it out. What it had made better acts at once, since all that rests on it is worked out again.
What it had made worse closes no advisory and brings no proof back: an open one keeps the withdrawal in its record,
as the reason that stands ready at its lifting (`models.advisory.RecordWithdrawn`).
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

import duckdb
import pandas as pd

from ingest.db.engine import Local
from ingest.db.frames import frame
from ingest.evaluation.evaluate import SINCE_EVER, owe
from ingest.evaluation.sensor_checks import SENSOR_CHECKED, UVT_SENSOR_CHECKED, Checked, checked_unit
from ingest.record.advisory_log import append, kept_advisory, open_advisory
from ingest.registry.tables import load_fleet
from ingest.settings import BadInput
from models.advisory import RecordWithdrawn, State, advance, in_utc
from models.advisory.laboratory import Outcome
from models.dose.sensor_checks import MOST_DUTY_OVER_REFERENCE
from models.dose.uvt_checks import MOST_OFF_POINTS
from models.dose.water_band import looks_worse
from models.exposure.instants import moment

Con = duckdb.DuckDBPyConnection
# Work after which past water is judged as it was: doses rest on what the sensor and the tests of water say.
SAYS_NOTHING_OF_PAST_WATER = frozenset({"lamp-swapped", "sleeve-cleaned", "filter-changed", "valve-checked"})
FEWEST_OF_ID = 6  # characters that may stand for a whole id, where they are of one record only

_RECORDS = """
    SELECT e.*, e.id::VARCHAR AS number, w.who AS withdrawn_by, w."at" AS withdrawn_at
    FROM service_event AS e LEFT JOIN service_withdrawn AS w USING (id)
    WHERE starts_with(e.id::VARCHAR, $id) LIMIT 2
"""
# Advisories in whose record a step rests on that record of service.
_COUNTED_IN = """
    SELECT DISTINCT advisory FROM advisory_event WHERE json_extract_string(body, '$.service') = $id
    AND json_extract_string(body, '$.kind') IN ('step-recorded', 'sample-failed') ORDER BY advisory
"""
_TEST_BEFORE = """
    SELECT arg_max(value, "at") FROM service_done
    WHERE cabin = $cabin AND unit = $unit AND kind = 'water-tested' AND value IS NOT NULL AND "at" < $at_
"""
_CHECK_BEFORE = """
    SELECT arg_max(value, "at") FROM service_done
    WHERE cabin = $cabin AND unit = $unit AND kind = 'sensor-checked' AND value > 0 AND "at" < $at_
"""


def find_record(con: Con, number: str) -> dict[str, Any]:
    """The standing record of that id, or of a beginning of it that no other has: its columns."""
    number = number.strip().lower()
    if len(number) < FEWEST_OF_ID:
        raise BadInput(f"id must be a record's id, or its first {FEWEST_OF_ID} characters or more; got {number!r}")
    found = frame(con.execute(_RECORDS, {"id": number}))
    if found.empty:
        raise BadInput(f"no record {number!r}; `tarnlight service list` shows them")
    if len(found) > 1:
        raise BadInput(f"more than one record begins with {number!r}; give more of its id")
    row: dict[str, Any] = {
        str(key): None if value is None or value != value else value
        for key, value in found.iloc[0].items()}
    if row["withdrawn_by"] is not None:
        raise BadInput(
            f"record {row['number']} was withdrawn by {row['withdrawn_by']} ({in_utc(row['withdrawn_at'])}): "
            "nothing more can be done to it")
    return row


def withdraw(
    con: Con, row: dict[str, Any], *, by: str, reason: str, now: datetime, replaced_by: str | None = None
) -> list[str]:
    """Take a record back and note what is owed for it; says what came of it. The caller holds the transaction.

    Parameters
    ----------
    row : dict
        As of `find_record`.
    """
    by, reason = by.strip(), reason.strip()
    if not by:
        raise BadInput("by must name the person who withdraws the record; got an empty name")
    if not reason:
        raise BadInput("reason must say why the record is withdrawn; got nothing")
    key = (str(row["cabin"]), str(row["unit"]))
    at = pd.Timestamp(row["at"]).to_pydatetime()
    worse = _made_worse(con, row)
    before = checked_unit(Local(con), *key)
    con.execute("INSERT INTO service_withdrawn VALUES ($id, $now, $by, $reason, $replaced_by)", {
        "id": row["number"], "now": now, "by": by, "reason": reason, "replaced_by": replaced_by})
    owe_record(con, key, str(row["kind"]), at, before, now)
    return _told_advisories(con, key, row, by, reason, worse, now)


def owe_record(
    con: Con, key: tuple[str, str], kind: str, at: datetime, before: Checked, now: datetime
) -> None:
    """Note that a unit is owed its time from a record on, or from where its sensor checks now divide other doses.

    Parameters
    ----------
    kind : str
        What was done; what says nothing of past water asks for no more than a look at the unit as it is `now`.
    before : Checked
        What the unit's checks said before that record was stored or withdrawn.
    """
    since = pd.Timestamp(max(at, now) if kind in SAYS_NOTHING_OF_PAST_WATER else at)
    changed = before.first_change_us(checked_unit(Local(con), *key))
    if changed is not None:
        start = moment(changed)
        since = SINCE_EVER if start is None else min(since, pd.Timestamp(start))
    owe(con, {key: (since, since)})


def _made_worse(con: Con, row: dict[str, Any]) -> bool:
    """Whether a record had made the water look worse than it did without it."""
    kind, value = row["kind"], row["value"]
    if kind == SENSOR_CHECKED:
        if value is None or value > MOST_DUTY_OVER_REFERENCE:
            return value is not None
        given = {"cabin": row["cabin"], "unit": row["unit"], "at_": row["at"]}
        found = con.execute(_CHECK_BEFORE, given).fetchone()
        return bool(value > max(1.0, (found and found[0]) or 1.0))  # lower bounds are divided by it
    if kind == UVT_SENSOR_CHECKED:
        return value is not None and bool(abs(value) > MOST_OFF_POINTS)
    if kind == "sampled":
        outcome = con.execute(
            "SELECT outcome FROM laboratory_result WHERE service = $id", {"id": row["number"]}).fetchone()
        return outcome is not None and outcome[0] in (Outcome.UNSATISFACTORY, Outcome.SAMPLE_AGAIN)
    if kind != "water-tested" or value is None:
        return False
    names = {name: row[name] for name in ("cabin", "unit")}
    found = con.execute(_TEST_BEFORE, {**names, "at_": row["at"]}).fetchone()
    fleet = load_fleet(Local(con))
    if not fleet.has_unit(row["cabin"], row["unit"]):  # no longer enrolled
        return bool(found is not None and found[0] is not None and value < found[0])
    unit = fleet.unit(row["cabin"], row["unit"])
    before = unit.uvt_pct if found is None or found[0] is None else float(found[0])
    return looks_worse(fleet.reactor(unit.reactor), float(value), before)


def _told_advisories(
    con: Con, key: tuple[str, str], row: dict[str, Any], by: str, reason: str, worse: bool, now: datetime
) -> list[str]:
    """Let an open advisory know; of lifted ones that rested on the record, say so."""
    counted = [number for (number,) in con.execute(_COUNTED_IN, {"id": row["number"]}).fetchall()]
    told = []
    kept = open_advisory(con, key)
    if kept is not None and (worse or kept.id in counted):
        event = RecordWithdrawn(
            at=max(now, kept.advisory.updated_at), by=by, reason=reason, service=str(row["number"]),
            what=in_words(row), worse=worse)
        after = advance(kept.advisory, event)
        append(con, kept.id, kept.next_seq, event, now)
        undone = [str(step) for step in after.open_steps if step not in kept.advisory.open_steps]
        if undone:
            told.append(f"{kept.id}: no longer done: {', '.join(undone)}")
        if worse:
            told.append(f"{kept.id}: stands until a named person lifts it; the withdrawal is a reason to give then")
    for number in counted:
        past = kept_advisory(con, number)
        if past is not None and past.advisory.state is State.LIFTED:
            told.append(
                f"{number}: was lifted while this record counted; if the water may not be clean, raise an advisory "
                "by hand")
    return told


def in_words(row: dict[str, Any]) -> str:
    """A record as one names it."""
    value = "" if row["value"] is None or row["value"] != row["value"] else f" {row['value']:g}"
    return f"{row['kind']}{value} of {in_utc(pd.Timestamp(row['at']).to_pydatetime())} by {row['who']}"
