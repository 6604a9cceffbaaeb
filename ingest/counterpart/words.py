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

from ingest.db.engine import Asks, named
from ingest.settings import BadInput, instant_of
from models.advisory.work_cautions import Work
from models.counterpart import CounterpartVerdict, Place
from models.verdict import Verdict, Word

Con = duckdb.DuckDBPyConnection
Key = tuple[str, str]

MOST_TEXT = 600  # characters of a reason or an action
_KEEP = "INSERT INTO counterpart_verdict VALUES ($cabin, $unit, $place, $at_, $body::JSON)"


def words_of(verdicts: Mapping[str, Verdict], at: datetime) -> str:
    """The message of a cabin: each unit's own verdict."""
    return json.dumps({"at": at.isoformat(timespec="seconds"), "units": {
        unit: {
            "verdict": str(one.verdict), "since": None if one.since is None else one.since.isoformat(),
            "reason": one.reasons[0][:MOST_TEXT] if one.reasons else "", "next_action": one.next_action[:MOST_TEXT],
            "works": sorted(one.works)}
        for unit, one in sorted(verdicts.items())}})


def keep_words(con: Con, cabin: str, place: Place, payload: bytes, now: datetime) -> None:
    """Keep what the other collector says of a cabin's units in place of what it said before.

    Raises
    ------
    BadInput
        If it is not such a message; nothing is changed then.
    """
    try:
        said = json.loads(payload)
        at = min(instant_of("at", said["at"]), now)  # of a clock ahead of ours: said when it was heard
        units = {str(unit): _verdict(place, at, one) for unit, one in dict(said["units"]).items()}
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise BadInput(f"this is no statement of verdicts: {type(error).__name__}: {error}") from error
    enrolled = {unit for (unit,) in con.execute("SELECT slug FROM unit WHERE cabin = $cabin", {"cabin": cabin})
                .fetchall()}
    last = con.execute(
        'SELECT max("at") FROM counterpart_verdict WHERE cabin = $cabin', {"cabin": cabin}).fetchone()
    if last is not None and last[0] is not None and last[0] > at:
        return  # an older one that came late
    con.execute("DELETE FROM counterpart_verdict WHERE cabin = $cabin", {"cabin": cabin})
    for unit in sorted(units.keys() & enrolled):
        con.execute(_KEEP, {
            "cabin": cabin, "unit": unit, "place": str(place), "at_": at, "body": _body(units[unit])})


def _verdict(place: Place, at: datetime, said: Mapping[str, Any]) -> CounterpartVerdict:
    since = said.get("since")
    return CounterpartVerdict(
        place=place, at=at, verdict=Word(said["verdict"]),
        since=None if since is None else instant_of("since", since), reason=_text(said.get("reason")),
        next_action=_text(said.get("next_action")),
        works=frozenset(Work(one) for one in said.get("works", ()) if one in list(Work)))


def _text(said: Any) -> str:
    """A sentence as it may be shown: one line of bounded length, without control characters."""
    line = " ".join(str(said or "").split())
    return "".join(sign for sign in line if sign.isprintable())[:MOST_TEXT]


def _body(one: CounterpartVerdict) -> str:
    return json.dumps({
        "verdict": str(one.verdict), "since": None if one.since is None else one.since.isoformat(),
        "reason": one.reason, "next_action": one.next_action, "works": sorted(one.works)})


def counterpart_verdicts(store: Asks) -> dict[Key, CounterpartVerdict]:
    """What the other collector said last, by (cabin, unit)."""
    found = store.ask('SELECT cabin, unit, place, "at", body::VARCHAR AS body FROM counterpart_verdict')
    return {
        (row.cabin, row.unit): _verdict(Place(row.place), row.at.to_pydatetime(), json.loads(row.body))
        for row in named(found)}
