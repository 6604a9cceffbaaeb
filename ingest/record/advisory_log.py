"""The record of advisories in the store: append-only, one row per event; what lifts have answered beside it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

import duckdb
import pandas as pd

from ingest.db.engine import Asks, Local
from models.advisory import Advisory, Event, Lifted, State, from_json, replay, to_json
from models.advisory.pieces import Piece

Key = tuple[str, str]
Con = duckdb.DuckDBPyConnection

INSERT_SERVICE = "INSERT INTO service_event VALUES ($id, $cabin, $unit, $at_, $kind, $who, $value, $note, $now)"
FOREVER = pd.Timestamp("2200-01-01", tz="UTC").to_pydatetime()


@dataclass(frozen=True, slots=True)
class KeptAdvisory:
    """A unit's latest advisory as the store has it."""

    id: str
    cabin: str
    unit: str
    advisory: Advisory
    next_seq: int


def latest(found: pd.DataFrame) -> dict[Key, KeptAdvisory]:
    """Each unit's latest advisory, from rows `advisory, cabin, unit, seq, body` in order of number and sequence."""
    return {(one.cabin, one.unit): one for one in _kept(found)}


def standing_then(store: Asks, at: datetime) -> dict[Key, KeptAdvisory]:
    """Each unit's advisory at an instant, by all that is stored now: one that was open then, else the latest."""
    found = sorted(
        _kept(store.ask(_EVENTS_THEN, {"now": at})), key=lambda one: one.advisory.state is not State.LIFTED)
    return {(one.cabin, one.unit): one for one in found}


def _kept(found: pd.DataFrame) -> list[KeptAdvisory]:
    """Advisories of such rows, in their order."""
    records: dict[tuple[str, str, str], list[tuple[int, str]]] = {}
    for number, cabin, unit, seq, body in zip(
            *(found[name].tolist() for name in ("advisory", "cabin", "unit", "seq", "body")), strict=True):
        records.setdefault((number, cabin, unit), []).append((int(seq), body))
    return [
        KeptAdvisory(
            number, cabin, unit, replay(from_json(body) for _, body in record), max(seq for seq, _ in record) + 1)
        for (number, cabin, unit), record in records.items()]


# The latest is that of the highest number: it begins only once the one before is lifted, and a clock that was set
# back must not let a lifted one hide it.
# One row per event of each unit's latest advisory; few, however long the history.
LATEST_EVENTS = """
    WITH newest AS (
        SELECT cabin, unit, arg_max(id, substr(id, 2)::BIGINT) AS advisory FROM advisory
        WHERE raised_at <= $now GROUP BY ALL)
    SELECT e.advisory, n.cabin, n.unit, e.seq, e.body
    FROM newest AS n JOIN advisory_event AS e USING (advisory) WHERE e."at" <= $now
    ORDER BY e.advisory, e.seq
"""
# One row per event up to an instant of each advisory that had begun by then. What loaded history adds to one is
# recorded when it is loaded, and stands in `played_event` at its own instants: the order of loads says when more
# became known, and nothing of what stood when.
_EVENTS_THEN = """
    WITH begun AS (SELECT id, cabin, unit FROM advisory WHERE raised_at <= $now),
    played AS (SELECT advisory, max(known) AS known FROM played_event GROUP BY ALL HAVING max(known) > $now),
    told AS (
        SELECT advisory, seq, "at", body FROM advisory_event ANTI JOIN played USING (advisory)
        UNION ALL SELECT advisory, seq, "at", body FROM played_event SEMI JOIN played USING (advisory))
    SELECT e.advisory, b.cabin, b.unit, e.seq, e.body
    FROM begun AS b JOIN told AS e ON e.advisory = b.id WHERE e."at" <= $now
    ORDER BY substr(e.advisory, 2)::BIGINT, e.seq
"""
# The same for some units, whatever the clock says: one set back must not hide an advisory and raise it again.
_LATEST_OF = """
    WITH asked AS (SELECT unnest($cabins) AS cabin, unnest($units) AS unit),
    newest AS (
        SELECT cabin, unit, arg_max(id, substr(id, 2)::BIGINT) AS advisory
        FROM advisory SEMI JOIN asked USING (cabin, unit) GROUP BY ALL)
    SELECT e.advisory, n.cabin, n.unit, e.seq, e.body
    FROM newest AS n JOIN advisory_event AS e USING (advisory) ORDER BY e.advisory, e.seq
"""
# One row per event of one advisory.
_EVENTS_OF = """
    SELECT a.id AS advisory, a.cabin, a.unit, e.seq, e.body
    FROM advisory AS a JOIN advisory_event AS e ON e.advisory = a.id WHERE a.id = $number ORDER BY e.seq
"""


def latest_of(store: Asks, keys: Sequence[Key]) -> dict[Key, KeptAdvisory]:
    """The latest advisory of each of these units that ever had one."""
    return latest(store.ask(_LATEST_OF, asked(keys))) if keys else {}


def kept_advisory(con: Con, number: str) -> KeptAdvisory | None:
    """The advisory of that number."""
    found = latest(Local(con).ask(_EVENTS_OF, {"number": number}))
    return next(iter(found.values()), None)


def open_advisory(con: Con, key: Key) -> KeptAdvisory | None:
    """The unit's open advisory."""
    kept = latest_of(Local(con), [key]).get(key)
    return kept if kept is not None and kept.advisory.state is not State.LIFTED else None


def append(con: Con, number: str, seq: int, event: Event, now: datetime) -> None:
    """Add an event to an advisory's record."""
    con.execute("INSERT INTO advisory_event VALUES ($number, $seq, $at_, $body, $now)", {
        "number": number, "seq": seq, "at_": event.at, "body": to_json(event), "now": now})


def append_all(con: Con, number: str, seq: int, events: Iterable[Event], now: datetime) -> None:
    """Add events in their order, from that number of sequence on."""
    for offset, event in enumerate(events):
        append(con, number, seq + offset, event, now)


def keep_played(con: Con, number: str, events: Sequence[Event], known: datetime) -> None:
    """Keep what loaded history tells of an advisory, in place of what less of it told; the caller's transaction.

    Of no events a row is kept that says so; it bears the instant at which that became known, before which alone
    these rows are read.
    """
    con.execute("DELETE FROM played_event WHERE advisory = $number", {"number": number})
    rows = [(event.at, to_json(event)) for event in events] or [(known, "")]
    for seq, (at, body) in enumerate(rows, start=1):
        con.execute("INSERT INTO played_event VALUES ($number, $seq, $at_, $body, $known)", {
            "number": number, "seq": seq, "at_": at, "body": body, "known": known})


def new_advisory(con: Con, key: Key, event: Event) -> str:
    """Begin a record; its number."""
    found = con.execute("SELECT nextval('advisory_number')").fetchone()
    number = f"a{found[0] if found else 0}"
    con.execute("INSERT INTO advisory VALUES ($number, $cabin, $unit, $at_)", {
        "number": number, "cabin": key[0], "unit": key[1], "at_": event.at})
    return number


def append_lift(con: Con, kept: KeptAdvisory, lifted: Lifted, now: datetime) -> None:
    """Add the lift to the record, and what it answers to what is answered; the caller holds the transaction."""
    append(con, kept.id, kept.next_seq, lifted, now)
    answer(con, (kept.cabin, kept.unit), kept.id, kept.advisory.exposure.known_pieces, lifted.at)


def answer(con: Con, key: Key, lift: str, pieces: Iterable[Piece], at: datetime) -> None:
    """Keep that these pieces are answered, by a lift of that number or by somebody who noted them as seen."""
    for number, one in enumerate(pieces):
        con.execute("""
            INSERT INTO answered VALUES (
                $cabin, $unit, $lift, $number, $at_, $start, $end_, $kind, $most, $dose)
        """, {"cabin": key[0], "unit": key[1], "lift": lift, "number": number, "at_": at, "start": one.start,
              "end_": one.end, "kind": one.kind, "most": one.underdosed_l_upper, "dose": one.dose_low_mj_cm2})


def look_now(con: Con, key: Key, now: datetime) -> None:
    """Let the unit be weighed at the next turn; the caller holds the transaction."""
    given = {"cabin": key[0], "unit": key[1]}
    con.execute("DELETE FROM to_watch WHERE cabin = $cabin AND unit = $unit", given)
    con.execute("INSERT INTO to_watch VALUES ($cabin, $unit, $now)", {**given, "now": now})


def asked(keys: Sequence[Key]) -> dict[str, list[str]]:
    """Units as parameters of a statement."""
    return {"cabins": [cabin for cabin, _ in keys], "units": [unit for _, unit in keys]}
