"""What was known at an instant: a store with what had arrived by then and no more, worked out anew.

For who asks afterwards what could have been known. The registry is that of now (its changes hold from their dates
on), and so are the marks of stays; readings of before arrivals were kept count as come in their own time. A cell
that a later record of the same instant filled or made worse counts with its row: when it came is kept of the row
alone.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from ingest.db import past
from ingest.db.engine import Asks, transaction
from ingest.evaluation.daily import pay_days
from ingest.evaluation.evaluate import derive, owe_all
from ingest.registry.tables import load_fleet, load_whole_fleet
from ingest.store import Store

# Of each table what had come by $at_; `cabin` null for all of them.
_MINE = "($cabin::VARCHAR IS NULL OR cabin = $cabin)"
_EVER = "SELECT * FROM {table}"
_KNOWN = {
    **dict.fromkeys((
        "reactor", "cabin", "unit", "contact", "step_policy", "unit_version", "reactor_version", "judging_version",
        "registry_revision", "retired", "registry_deed"), _EVER),
    # of which stay its category tells, and nobody's name
    "booking": """
        SELECT cabin, first_day, last_day, '' AS summary, vulnerable FROM booking WHERE {mine} AND vulnerable""",
    "reading": 'SELECT * FROM whole_reading WHERE {mine} AND coalesce(arrived_at, "at") <= $at_',
    "link_event": 'SELECT * FROM link_event WHERE {mine} AND coalesce(arrived_at, "at") <= $at_',
    "quarantine": "SELECT * FROM quarantine WHERE ({mine} OR cabin IS NULL) AND arrived_at <= $at_",
    "first_live": 'SELECT * FROM first_live WHERE {mine} AND "at" <= $at_',
    "service_event": """
        SELECT * REPLACE (id::VARCHAR AS id) FROM service_event WHERE {mine} AND recorded_at <= $at_""",
    "service_withdrawn": """
        SELECT * REPLACE (id::VARCHAR AS id, replaced_by::VARCHAR AS replaced_by) FROM service_withdrawn
        WHERE "at" <= $at_""",
    "laboratory_result": """
        SELECT r.* REPLACE (service::VARCHAR AS service) FROM laboratory_result AS r
        SEMI JOIN (SELECT id FROM service_event WHERE {mine} AND recorded_at <= $at_) AS e ON e.id = r.service""",
    "advisory": """
        SELECT * FROM advisory WHERE {mine}
        AND id IN (SELECT advisory FROM advisory_event WHERE recorded_at <= $at_)""",
    "advisory_event": "SELECT * FROM advisory_event WHERE recorded_at <= $at_",
    "answered": 'SELECT * FROM answered WHERE {mine} AND "at" <= $at_',
    "lost_session": "SELECT * FROM lost_session WHERE until <= $at_",
}


@contextmanager
def as_known(
    store: Asks, at: datetime, *, cabin: str | None = None, told: Callable[[str], None] = lambda _: None
) -> Iterator[Store]:
    """A store of its own, gone when the block ends, that holds what had arrived by that instant, worked out.

    Parameters
    ----------
    at : datetime
        Aware.
    cabin : str, optional
        That cabin's evidence alone.
    told : callable
        Is told what is being done, in a few words.
    """
    with tempfile.TemporaryDirectory(prefix="tarnlight-") as folder:
        known = Store(Path(folder) / "known.duckdb")
        try:
            told("taking what had arrived by then")
            transaction(known.con, lambda: _copy(store, known, {"at_": at, "cabin": cabin}))
            told("working out doses and intervals")
            fleet = load_fleet(known)
            derive(known.con, fleet, at)
            pay_days(known.con, load_whole_fleet(known), at)
            yield known
        finally:
            known.close()


def _copy(store: Asks, known: Store, given: dict[str, object]) -> None:
    """Fill the tables of a fresh store, and note that all of it is to be worked out."""
    for table, sql in _KNOWN.items():
        asked = sql.format(table=table, mine=_MINE)
        bound = {name: value for name, value in given.items() if f"${name}" in asked}
        rows = past.ask(store, asked, bound, since=past.EVER) if table == "reading" else store.ask(asked, bound)
        known.con.execute(f"DELETE FROM {table}")  # noqa: S608
        if len(rows):
            known.con.register("rows", rows)
            known.con.execute(f"INSERT INTO {table} BY NAME SELECT * FROM rows")  # noqa: S608
            known.con.unregister("rows")
    units = known.con.execute("SELECT DISTINCT cabin, unit FROM reading").fetchall()
    owe_all(known.con, units)
