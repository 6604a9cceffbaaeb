"""How much the store holds, kept beside it: a store that opens with less has lost the log beside its file.

DuckDB opens a store whose log was cut short, by a disk or a copy, as if what stood in the rest had never been. What
had been acknowledged by then comes from no broker again.
"""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path

import duckdb

from ingest import private_files

_HELD = """
    SELECT (SELECT count(*) FROM reading) + (SELECT coalesce(sum(rows), 0)::BIGINT FROM archived_reading),
        (SELECT count(*) FROM advisory_event),
        (SELECT count(*) FROM service_event)
"""
_NEWEST = "SELECT max(arrived_at) FROM reading"


def keep_tally(path: Path, con: duckdb.DuckDBPyConnection, began: datetime, now: datetime) -> None:
    """Write how much is stored; `began` is when whoever counts began to take in."""
    private_files.write(path, json.dumps({
        "began": began.isoformat(), "at": now.isoformat(), "held": con.execute(_HELD).fetchone()}).encode())


def lost_since(path: Path, con: duckdb.DuckDBPyConnection) -> tuple[datetime, datetime] | None:
    """From when to when what was stored is lost; None where the store holds all that it held, or nobody counted.

    The times are those of arrival: from the newest row that is there (or, without one, from when the intake began)
    to the last count.
    """
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
        began, until = (datetime.fromisoformat(kept[name]) for name in ("began", "at"))
        held = [int(one) for one in kept["held"]]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    found = con.execute(_HELD).fetchone()
    if found is None or all(now >= then for now, then in zip(found, held, strict=True)):
        return None
    newest = con.execute(_NEWEST).fetchone()
    since = newest[0] if newest and newest[0] is not None else began
    return min(since, until), until
