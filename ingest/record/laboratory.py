"""Results of a laboratory: from a request into the store, and back; a sample that two people record is kept once.

What a result does to an advisory stands in `ingest.record.advisories`.
"""

from __future__ import annotations

import uuid
from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import duckdb
import pandas as pd

from ingest.db.engine import Asks, Local, named
from ingest.db.frames import frame
from ingest.settings import BadInput, instant_of
from models.advisory import Advisory, NotAllowed, StepRecorded, advance, in_utc
from models.advisory.laboratory import (
    LaboratoryPolicy,
    LaboratoryResult,
    Outcome,
    count_words,
    found_words,
    meaning,
    read_count,
)
from models.advisory.samples import Sample, counts_from, sample_records

Con = duckdb.DuckDBPyConnection

KEYS = ("e_coli", "total_coliforms", "lab", "lab_number", "taken_at", "result")  # of a request, for `sampled` alone
RANK = list(Outcome)  # from best to worst

_INSERT = """
    INSERT INTO laboratory_result VALUES (
        $service, $taken_at, $e_coli, $total_coliforms, $lab, $lab_number, $outcome, $advisory)
"""
# Records of the same kind, unit and minute (a sample's is when it was taken), newest first.
_SAME = """
    SELECT e.id::VARCHAR AS id, e.who, e.value, e.note, e.recorded_at, coalesce(r.taken_at, e."at") AS done_at,
        r.outcome, coalesce(r.lab_number, '') AS lab_number
    FROM service_done AS e LEFT JOIN laboratory_result AS r ON r.service = e.id
    WHERE e.cabin = $cabin AND e.unit = $unit AND e.kind = $kind
        AND date_trunc('minute', coalesce(r.taken_at, e."at")) = date_trunc('minute', $at_::TIMESTAMPTZ)
    ORDER BY e.recorded_at DESC
"""
# One row per unit whose latest sample that asked for another one has no satisfactory one taken after it.
_AGAIN = """
    WITH sample AS (
        SELECT e.cabin, e.unit, r.* FROM laboratory_result AS r JOIN service_done AS e ON e.id = r.service
        WHERE r.taken_at <= $now)
    SELECT cabin, unit, max(taken_at) FILTER (outcome = $again) AS taken_at,
        arg_max(e_coli, taken_at) FILTER (outcome = $again) AS e_coli,
        arg_max(total_coliforms, taken_at) FILTER (outcome = $again) AS total_coliforms
    FROM sample GROUP BY ALL
    HAVING max(taken_at) FILTER (outcome = $again) >= coalesce(
        max(taken_at) FILTER (outcome = $fine), TIMESTAMPTZ '1970-01-01 00:00:00Z')
"""
_SAMPLES = """
    SELECT e.id::VARCHAR AS service, r.taken_at, r.outcome, e.who, e.note, r.e_coli, r.total_coliforms, r.lab,
        r.lab_number
    FROM laboratory_result AS r JOIN service_done AS e ON e.id = r.service
    WHERE e.cabin = $cabin AND e.unit = $unit AND r.taken_at >= $since ORDER BY r.taken_at, e.recorded_at
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """A result as it was recorded."""

    result: LaboratoryResult
    taken_at: datetime
    lab: str
    lab_number: str
    outcome: Outcome
    words: str  # what it means

    @property
    def found(self) -> str:
        """What was found, and who says so, in half a sentence."""
        return _found(self.result, self.lab, self.lab_number)


def _found(result: LaboratoryResult, lab: str, lab_number: str) -> str:
    return ", ".join(one for one in (
        found_words(result), lab, f"number {lab_number}" if lab_number else "") if one)


def report_of(body: dict[str, Any], at: datetime, policy: LaboratoryPolicy) -> Report | None:
    """The laboratory's report in a request; None where its result is still to come.

    Parameters
    ----------
    body : dict
        `e_coli`, `total_coliforms` (a number, est, overgrown), or `value` (colonies found: 0 is satisfactory), or
        `result` (satisfactory or unsatisfactory, told in words); `lab`, `lab_number`, `taken_at` (default: `at`).
    at : datetime
        When it was recorded to have been done.

    Raises
    ------
    BadInput
        If it says more than one thing, or nothing that can be.
    """
    taken_at = _taken_at(body.get("taken_at"), at)
    try:
        counts = {name: read_count(name, body.get(name)) for name in ("e_coli", "total_coliforms")}
        counted = any(count is not None for count in counts.values())
        if not counted and body.get("value") is None and body.get("result") is None:
            return None
        told = _told(body, counted)
        result = LaboratoryResult(
            e_coli=counts["e_coli"], total_coliforms=counts["total_coliforms"], told=None if counted else told)
        outcome = policy.outcome(result)
        if counted and told is not None:
            _require_agreement(told, outcome, result)
    except ValueError as error:
        raise BadInput(str(error)) from error
    return Report(
        result=result, taken_at=taken_at, lab=str(body.get("lab") or "").strip(),
        lab_number=str(body.get("lab_number") or "").strip(), outcome=outcome,
        words=meaning(result, policy))


def _told(body: Mapping[str, Any], counted: bool) -> Outcome | None:
    """What was said without counts: in words, or as the colonies found."""
    value, told = body.get("value"), body.get("result")
    if value is not None and (counted or told is not None):
        raise ValueError("give counts (e_coli, total_coliforms) or value, not both")
    if value is not None and not value >= 0:
        raise ValueError(f"sampled takes the colonies found as value, at least 0; got {value!r}")
    if told not in (None, Outcome.SATISFACTORY, Outcome.UNSATISFACTORY):
        raise ValueError(f"result must be satisfactory or unsatisfactory; got {told!r}")
    if value is not None:
        return Outcome.UNSATISFACTORY if value > 0 else Outcome.SATISFACTORY
    return None if told is None else Outcome(told)


def _require_agreement(told: Outcome, outcome: Outcome, result: LaboratoryResult) -> None:
    """Refuse words that say otherwise than the counts beside them."""
    if (told is Outcome.SATISFACTORY) != (outcome is Outcome.SATISFACTORY):
        raise ValueError(
            f"the result was said to be {told}, but the counts say {outcome} ({found_words(result)}): look at "
            "the report again")


def _taken_at(text: Any, at: datetime) -> datetime:
    if text is None:
        return at
    taken = instant_of("taken_at", text)
    if taken > at:
        raise BadInput(f"taken_at must not lie after at ({at.isoformat()}); got {text!r}")
    return taken


def number_of(body: dict[str, Any]) -> str:
    """The record's own number: the sender's `id`, so that what is sent twice is one record, or a new one."""
    if body.get("id") is None:
        return str(uuid.uuid4())
    try:
        return str(uuid.UUID(str(body["id"])))
    except ValueError:
        raise BadInput(f"id must be a UUID or left out; got {body['id']!r}") from None


def stored(con: Con, number: str) -> bool:
    """Whether a record of that number is there."""
    return con.execute("SELECT 1 FROM service_event WHERE id = $number", {"number": number}).fetchone() is not None


def refuse_twice(con: Con, body: dict[str, Any], at: datetime, report: Report | None) -> str:
    """Refuse what somebody recorded already; the message says who, and when.

    Returns
    -------
    str
        Of a sample that another result is recorded for, which was better: that the worse counts. Else empty.

    Notes
    -----
    The same is: kind, unit, minute, and a sample's number at the laboratory or another record's value. A worse
    result of the same sample is taken, and so is one that completes it: a danger is never refused for being late.
    """
    kind = str(body["kind"])
    done_at = at if report is None else report.taken_at
    given = {"cabin": body["cabin"], "unit": body["unit"], "kind": kind, "at_": done_at}
    differs = ""
    for row in named(frame(con.execute(_SAME, given))):
        said = (
            f"{kind} of {body['cabin']}/{body['unit']} at {in_utc(row.done_at)} is recorded already, by {row.who} "
            f"on {in_utc(row.recorded_at)}")
        match kind:
            case "sampled":
                differs = _require_news(said, row, report) or differs
            case "note":
                if row.note == str(body.get("note") or ""):
                    raise BadInput(f"{said}; nothing was stored twice")
            case _:
                if _number(row.value) == _number(body.get("value")):
                    raise BadInput(f"{said}; nothing was stored twice. If it was done twice, give the other time")
    return differs


def _require_news(said: str, row: Any, report: Report | None) -> str:
    """Refuse a sample that brings nothing new beside the one recorded; that the worse counts, where it is worse."""
    if report is None:
        raise BadInput(f"{said}; nothing was stored twice. Give the laboratory's result once it is there")
    if pd.isna(row.outcome) or row.lab_number.casefold() != report.lab_number.casefold():
        return ""
    known = Outcome(row.outcome)
    if RANK.index(report.outcome) > RANK.index(known):
        return f"{row.who} recorded it as {known}; the worse counts"
    if known is Outcome.INCOMPLETE and report.outcome is not Outcome.INCOMPLETE:
        return ""  # it completes the one recorded
    raise BadInput(
        f"{said}, as {known}; nothing was stored twice. If it is another sample, give its own number at "
        "the laboratory, or when it was taken")


def result_of(con: Con, number: str) -> dict[str, Any]:
    """What a laboratory found, as the keys of a request, so that a corrected record keeps it; empty: none yet."""
    found = con.execute(
        "SELECT taken_at, e_coli, total_coliforms, lab, lab_number, outcome FROM laboratory_result "
        "WHERE service = $number", {"number": number}).fetchone()
    if found is None:
        return {}
    taken_at, e_coli, total_coliforms, lab, lab_number, outcome = found
    told = outcome if e_coli is None and total_coliforms is None else None
    return {
        "taken_at": taken_at.isoformat(), "e_coli": e_coli, "total_coliforms": total_coliforms, "lab": lab,
        "lab_number": lab_number, "result": told}


def insert_report(con: Con, number: str, report: Report, advisory: str | None) -> None:
    """Keep a report; the caller holds the transaction."""
    con.execute(_INSERT, {
        "service": number, "taken_at": report.taken_at, "e_coli": _text(report.result.e_coli),
        "total_coliforms": _text(report.result.total_coliforms), "lab": report.lab, "lab_number": report.lab_number,
        "outcome": str(report.outcome), "advisory": advisory})


def samples(con: Con, key: tuple[str, str], since: datetime) -> list[Sample]:
    """A unit's samples with a result, from those taken then on, in the order in which they were taken."""
    found = Local(con).ask(_SAMPLES, {"cabin": key[0], "unit": key[1], "since": since})
    return [
        Sample(
            taken_at=row.taken_at.to_pydatetime(), outcome=Outcome(row.outcome), by=row.who,
            service=row.service, note="; ".join(one for one in (row.note, _row_found(row)) if one))
        for row in named(found)]


def samples_that_count(
    con: Con, key: tuple[str, str], advisory: Advisory, now: datetime, *, more: Sample | None = None
) -> tuple[StepRecorded, ...]:
    """What an advisory's record lacks of the samples taken; the store is asked only once samples can count.

    `more` is one that is not in the store: a person's word for it.
    """
    since = counts_from(advisory)
    if since is None:
        return ()
    out: list[StepRecorded] = []
    taken = [*samples(con, key, since), *([more] if more is not None else [])]
    for one in sample_records(advisory, taken, at=max(now, advisory.updated_at)):
        try:
            advisory = advance(advisory, one)
        except NotAllowed:  # the sensors deny a step that it rests on
            continue
        out.append(one)
    return tuple(out)


def asked_again(store: Asks, now: datetime) -> dict[tuple[str, str], tuple[datetime, str]]:
    """Per unit of which a laboratory asks for another sample: when the last one was taken, and what was found."""
    found = store.ask(_AGAIN, {
        "now": now, "again": str(Outcome.SAMPLE_AGAIN), "fine": str(Outcome.SATISFACTORY)})
    return {(row.cabin, row.unit): (row.taken_at.to_pydatetime(), _row_found(row)) for row in named(found)}


def result_json(row: Mapping[Hashable, Any]) -> dict[str, Any] | None:
    """What a row of `queries.service_events` says of a laboratory's result, for JSON; None where there is none."""
    if pd.isna(row["outcome"]):
        return None
    counts = {
        name: None if pd.isna(row[name]) else read_count(name, row[name]) for name in ("e_coli", "total_coliforms")}
    return {
        "outcome": row["outcome"], **{name: one if one is None or isinstance(one, float) else str(one)
                                      for name, one in counts.items()},
        "lab": row["lab"], "lab_number": row["lab_number"], "taken_at": row["taken_at"].to_pydatetime(),
        "advisory": None if pd.isna(row["advisory"]) else row["advisory"]}


def result_words(row: Mapping[Hashable, Any]) -> str:
    """The same for people, in half a sentence; empty where there is none."""
    told = result_json(row)
    if told is None:
        return ""
    counts = [
        f"{name} {count_words(read_count(name, told[key]))}" for key, name in (
            ("e_coli", "E. coli"), ("total_coliforms", "total coliforms")) if told[key] is not None]
    return ", ".join(one for one in (
        str(told["outcome"]).replace("-", " "), *counts, told["lab"],
        f"number {told['lab_number']}" if told["lab_number"] else "") if one)


def _row_found(row: Any) -> str:
    """What was found, from the columns of a row; empty where no count was given."""
    counts = {
        name: None if pd.isna(getattr(row, name)) else read_count(name, getattr(row, name))
        for name in ("e_coli", "total_coliforms")}
    if all(one is None for one in counts.values()):
        return ""
    found = LaboratoryResult(e_coli=counts["e_coli"], total_coliforms=counts["total_coliforms"])
    return _found(found, getattr(row, "lab", ""), getattr(row, "lab_number", ""))


def _text(count: object) -> str | None:
    return None if count is None else f"{count:.15g}" if isinstance(count, float) else str(count)


def _number(value: Any) -> float | None:
    return None if value is None or pd.isna(value) else float(value)
