"""What the program itself could not work out of a unit: noted, shown, and never taken for fine.

One unit's fault must neither stop the others nor leave its own last verdict standing. A row per unit and stage says
what failed and since when; the next success of that stage takes it away.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable
from datetime import datetime

import duckdb

from ingest.db.engine import Asks, named, transaction

logger = logging.getLogger(__name__)

Con = duckdb.DuckDBPyConnection
Key = tuple[str, str]

EVALUATION, ADVISORY, DAYS = "evaluation", "advisory", "days"
JUDGED = (EVALUATION, ADVISORY)  # without these nobody can say that the water is fine; days are a lamp's trend
LONGEST = 300  # characters of an error that are kept

# Whether it stood already, so that a fault at every reading is one line of the log and one row.
_STANDS = "SELECT error FROM unit_fault WHERE cabin = $cabin AND unit = $unit AND stage = $stage"
_STRIKE = "DELETE FROM unit_fault WHERE cabin = $cabin AND unit = $unit AND stage = $stage"


def attempt(con: Con, stage: str, key: Key, now: datetime, work: Callable[[], None]) -> bool:
    """Do a unit's part of a stage; what goes wrong is noted as that unit's fault. Whether it went well.

    Not within a transaction, for a failed one cannot hold the note.

    Raises
    ------
    duckdb.FatalException
        If the database itself is gone: no unit's fault, and nothing can be noted.
    """
    try:
        work()
    except duckdb.FatalException:
        raise
    except Exception as error:
        note(con, stage, key, now, error)
        return False
    clear(con, stage, [key])
    return True


def note(con: Con, stage: str, key: Key, now: datetime, error: Exception) -> None:
    """Keep what failed; logged when it is new or another."""
    given = {"cabin": key[0], "unit": key[1], "stage": stage}
    words = f"{type(error).__name__}: {error}"[:LONGEST]
    found = con.execute(_STANDS, given).fetchone()
    if found is not None and found[0] == words:
        return
    logger.error("%s of %s/%s failed; the others go on", stage, *key, exc_info=error)

    def work() -> None:
        if found is None:
            con.execute("INSERT INTO unit_fault VALUES ($cabin, $unit, $stage, $now, $error)",
                        {**given, "now": now, "error": words})
        else:
            con.execute("UPDATE unit_fault SET error = $error WHERE cabin = $cabin AND unit = $unit "
                        "AND stage = $stage", {**given, "error": words})

    transaction(con, work)


def standing(con: Con, stage: str) -> set[Key]:
    """The units at fault in that stage."""
    return set(con.execute("SELECT cabin, unit FROM unit_fault WHERE stage = $stage", {"stage": stage}).fetchall())


def clear(con: Con, stage: str, keys: Iterable[Key]) -> None:
    """These units went well; costs one look at an empty table where all did."""
    for cabin, unit in standing(con, stage) & set(keys):
        con.execute(_STRIKE, {"cabin": cabin, "unit": unit, "stage": stage})
        logger.info("%s of %s/%s works again", stage, cabin, unit)


def faults(store: Asks, stages: Iterable[str] = JUDGED) -> dict[Key, tuple[datetime, str]]:
    """Per unit at fault since when, and what failed."""
    found = store.ask(
        "SELECT cabin, unit, min(since) AS since, first(error ORDER BY since) AS error FROM unit_fault "
        "WHERE list_contains($stages::VARCHAR[], stage) GROUP BY ALL", {"stages": list(stages)})
    return {(row.cabin, row.unit): (row.since.to_pydatetime(), str(row.error)) for row in named(found)}


def in_words(store: Asks) -> str:
    """All faults as one line for whoever looks after the collector; empty where there is none."""
    found = store.ask("SELECT cabin, unit, stage, error FROM unit_fault ORDER BY since, cabin, unit LIMIT 3")
    if found.empty:
        return ""
    return "; ".join(f"{row.stage} of {row.cabin}/{row.unit}: {row.error}" for row in named(found))
