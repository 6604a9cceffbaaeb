"""Readings wherever they lie: in the store, or in the files of months past (`ingest.db.archive`).

A statement that may reach back names them `whole_reading` and is asked through `ask`, with the time that it looks
at. Of the last weeks nothing is ever archived, so what is asked of the present costs no more than it did and opens
no file. What lies in a file that cannot be had is refused: it is not known, and never "no water".
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd

from ingest.db.archive import ANY, as_listed
from ingest.db.archive_files import Archived, folder_of, place, require_whole
from ingest.db.engine import Asks
from ingest.settings import StoreUnavailable

NAME = "whole_reading"
RECENT = timedelta(days=40)  # of less than this nothing is archived (`ingest.db.archive.RESTS`), with days to spare
EVER, FOREVER = datetime(1970, 1, 1, tzinfo=UTC), datetime(9000, 1, 1, tzinfo=UTC)
TRIES = 5  # of a statement while months are archived or brought back just then

Span = tuple[str, str, datetime, datetime]  # cabin, unit, since, until

_BOTH = """(
    SELECT * FROM reading UNION ALL BY NAME SELECT * FROM read_parquet($archive_files, union_by_name = true))
"""
_FILES = """
    SELECT DISTINCT a.cabin, a.unit, a.month, a."end", a.file, a.rows, a.bytes, a.sha_hex,
        (SELECT path FROM duckdb_databases() WHERE database_name = current_database()) AS store
    FROM archived_reading AS a
"""
_OF_ALL = f"""{_FILES} WHERE a.month <= $until AND a."end" > $since ORDER BY a.file"""
_OF_SPANS = f"""
    WITH span AS (
        SELECT unnest($cabins::VARCHAR[]) AS cabin, unnest($units::VARCHAR[]) AS unit,
            unnest($since::TIMESTAMPTZ[]) AS since, unnest($until::TIMESTAMPTZ[]) AS until)
    {_FILES} JOIN span AS s ON a.cabin = s.cabin AND a.unit = s.unit AND a.month <= s.until AND a."end" > s.since
    ORDER BY a.file
"""


def ask(
    store: Asks, sql: str, given: Mapping[str, Any] | None = None, *,
    since: datetime, until: datetime = FOREVER, spans: Iterable[Span] | None = None,
) -> pd.DataFrame:
    """The answer to a statement about `whole_reading`.

    Parameters
    ----------
    since, until : datetime
        The time that the statement looks at; it bounds that itself too.
    spans : iterable of (cabin, unit, since, until), optional
        The units that it looks at, each with its time, where these are not all; within `since` and `until`. Walked
        through only where it reaches back.

    Raises
    ------
    ArchiveUnavailable
        If a file that it needs is missing, or is not what was written.
    """
    given = dict(given or {})
    if since > datetime.now(UTC) - RECENT:
        return store.ask(sql.replace(NAME, "reading"), given)
    some = None if spans is None else list(spans)
    files = _files(store, since, until, some)
    found: pd.DataFrame | Exception
    for _ in range(TRIES):
        found = _answer(store, sql, given, files)
        now = _files(store, since, until, some)
        if now == files:  # so all of it was there, once, all the while
            if isinstance(found, pd.DataFrame):
                return found
            raise found
        files = now
    raise StoreUnavailable("readings are being archived just now; ask again in a moment")


_Files = tuple[Path | None, list[Archived]]


def _files(store: Asks, since: datetime, until: datetime, spans: Sequence[Span] | None) -> _Files:
    """The store's path, and the files that hold readings of that time."""
    if spans is None:
        found = store.ask(_OF_ALL, {"since": since, "until": until})
    elif not spans or store.ask(ANY, {"since": since, "until": until}).empty:
        return None, []
    else:
        cabins, units, begins, ends = (list(column) for column in zip(*spans, strict=True))
        found = store.ask(_OF_SPANS, {"cabins": cabins, "units": units, "since": begins, "until": ends})
    path = found["store"].iloc[0] if len(found) else None
    return Path(path) if path else None, as_listed(found.drop(columns="store"))


def _answer(store: Asks, sql: str, given: dict[str, Any], files: _Files) -> pd.DataFrame | Exception:
    path, some = files
    if path is None or not some:
        return store.ask(sql.replace(NAME, "reading"), given)
    try:
        folder = folder_of(path)
        require_whole(folder, some)
        return store.ask(sql.replace(NAME, _BOTH), {
            **given, "archive_files": [str(place(folder, one.file)) for one in some]})
    except (StoreUnavailable, duckdb.Error) as error:  # or it was brought back meanwhile
        return error
