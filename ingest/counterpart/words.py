"""Verdicts that the two collectors of a cabin tell each other: one retained message a cabin.

JSON: `at`, and under `units` per unit `verdict`, `since`, `reason`, `next_action`, `works`. Each tells its own
verdict, never the worse of both (`models.counterpart`). What the other says is text of another machine: it is
bounded, held to what is allowed, and shown as text.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from typing import Any

import duckdb

from ingest.counterpart.said import MOST_TEXT, Key, instant_said, object_of, one_line, present_cabin, present_unit
from ingest.db.engine import Asks, Local, named
from ingest.settings import BadInput
from models.advisory.work_cautions import Work
from models.counterpart import CounterpartVerdict, Place
from models.verdict import Verdict, Word

Con = duckdb.DuckDBPyConnection

MOST_UNITS = 200  # of a statement
MOST_NAME = 100  # characters of a unit's name that is not ours
_KEEP = "INSERT INTO counterpart_verdict VALUES ($cabin, $unit, $place, $at_, $body::JSON)"


def words_of(verdicts: Mapping[str, Verdict], at: datetime) -> str:
    """The message of a cabin: each unit's own verdict."""
    return json.dumps({"at": at.isoformat(timespec="seconds"), "units": {
        unit: {
            "verdict": str(one.verdict), "since": None if one.since is None else one.since.isoformat(),
            "reason": one.reasons[0][:MOST_TEXT] if one.reasons else "", "next_action": one.next_action[:MOST_TEXT],
            "works": sorted(one.works)}
        for unit, one in sorted(verdicts.items())}})


def keep_words(con: Con, called: str, place: Place, payload: bytes, now: datetime) -> None:
    """Keep what the other collector says of a cabin's units in place of what it said before.

    A boil stays of a unit of ours that the message leaves out: no silence takes it back. What it says of a unit
    that is not enrolled here is kept too, since that may be one of ours under another name.

    Parameters
    ----------
    called : str
        What that collector calls the cabin.

    Raises
    ------
    BadInput
        If it is not such a message; nothing is changed then.
    """
    said = object_of(payload, "statement of verdicts")
    try:
        at = min(instant_said("at", said["at"]), now)  # of a clock ahead of ours: said when it was heard
        told = {one_line(unit, MOST_NAME): _verdict(place, at, one) for unit, one in dict(said["units"]).items()}
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise BadInput(f"this is no statement of verdicts: {type(error).__name__}: {str(error)[:200]}") from error
    if len(told) > MOST_UNITS:
        raise BadInput(f"a statement of {len(told):,} units; at most {MOST_UNITS} are taken")
    cabin = present_cabin(Local(con), called)
    units = {}
    for name, verdict in told.items():
        key = present_unit(Local(con), called, name)
        units[key[1] if key[0] == cabin else name] = verdict
    last = con.execute("""
        SELECT max("at") FILTER ("at" <= $now), (SELECT max("at") FROM counterpart_given_up WHERE cabin = $cabin)
        FROM counterpart_verdict WHERE cabin = $cabin
    """, {"cabin": cabin, "now": now}).fetchone()
    if last is not None and ((last[0] is not None and last[0] > at) or (last[1] is not None and last[1] >= at)):
        return  # an older one that came late, or what the broker kept of one that is no more
    con.execute("""
        DELETE FROM counterpart_verdict WHERE cabin = $cabin
            AND (list_contains($units, unit) OR (body ->> '$.verdict') <> 'boil'
                OR unit NOT IN (SELECT slug FROM unit WHERE cabin = $cabin))
    """, {"cabin": cabin, "units": list(units)})
    for unit, one in sorted(units.items()):
        con.execute(_KEEP, {
            "cabin": cabin, "unit": unit, "place": str(place), "at_": at, "body": _body(one, called)})


def _verdict(place: Place, at: datetime, said: Mapping[str, Any]) -> CounterpartVerdict:
    since, works = said.get("since"), said.get("works", ())
    if not isinstance(works, (list, tuple)):
        raise BadInput(f"works must be a list; got {type(works).__name__}")
    return CounterpartVerdict(
        place=place, at=at, verdict=Word(said["verdict"]),
        since=None if since is None else instant_said("since", since), reason=one_line(said.get("reason")),
        next_action=one_line(said.get("next_action")),
        works=frozenset(Work(one) for one in works if one in list(Work)))


def _body(one: CounterpartVerdict, called: str) -> str:
    return json.dumps({
        "verdict": str(one.verdict), "since": None if one.since is None else one.since.isoformat(),
        "reason": one.reason, "next_action": one.next_action, "works": sorted(one.works),
        "called": called})


def counterpart_verdicts(store: Asks) -> dict[Key, CounterpartVerdict]:
    """What the other collector said last, by (cabin, unit)."""
    found = store.ask('SELECT cabin, unit, place, "at", body::VARCHAR AS body FROM counterpart_verdict')
    return {
        (row.cabin, row.unit): _verdict(Place(row.place), row.at.to_pydatetime(), json.loads(row.body))
        for row in named(found)}
