"""Who has a unit's trouble in hand: the named person who last read its advisory or did a step of it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from ingest.db.engine import Asks, named
from ingest.record.advisory_log import KeptAdvisory

# One row per advisory that somebody read: the last to do so.
_READ = """
    SELECT advisory, max("at") AS "at", arg_max(who, "at") AS who FROM confirmation
    WHERE list_contains($numbers::VARCHAR[], advisory) GROUP BY ALL
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class InHand:
    """A person, when they last did something about it, and whether that was a step rather than a reading."""

    who: str
    at: datetime
    did: bool


def in_hand(store: Asks, standing: Iterable[KeptAdvisory]) -> dict[str, InHand]:
    """By advisory; nothing of one that nobody has read or worked on."""
    open_ = list(standing)
    found = store.ask(_READ, {"numbers": [one.id for one in open_]}) if open_ else None
    out = {} if found is None else {
        row.advisory: InHand(who=row.who, at=row.at.to_pydatetime(), did=False) for row in named(found)}
    for one in open_:
        last = max(one.advisory.records, key=lambda record: record.at, default=None)
        if last is not None and (one.id not in out or last.at >= out[one.id].at):
            out[one.id] = InHand(who=last.by, at=last.at, did=True)
    return out
