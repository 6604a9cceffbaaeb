"""Readings of whole months past, moved out of the store into files beside it, and back.

One file holds a unit's month (UTC). At each instant every row is either in `reading` or in a file that
`archived_reading` lists, never in both and never in neither: the file is on disk, read back and compared before one
transaction deletes the rows and lists it. A kill before that leaves a file that nothing reads (`archive_leftover`).

Whatever reads `reading` and may reach back asks through `ingest.db.past`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

import duckdb
import pandas as pd

from ingest.db import archive_files
from ingest.db.archive_files import Archived as Archived
from ingest.db.archive_files import folder_of
from ingest.db.engine import literal, named, transaction
from ingest.db.frames import frame
from ingest.db.schema import QUANTITY_COLUMNS
from ingest.settings import ArchiveUnavailable, BadInput

Con = duckdb.DuckDBPyConnection

# Nothing newer than this is archived, by whichever clock. What is asked of the present reaches back 31 days at
# most, and need not look for files (`ingest.db.past.RECENT`).
RESTS = timedelta(days=45)
QUIET = timedelta(days=1)  # what came of a month since then may not be all of it
LEFT_FOR = timedelta(days=1)  # a file that was brought back stays so long, for a backup that is being made

_COLUMNS = ("cabin", "unit", '"at"', *QUANTITY_COLUMNS, "arrived_at")
# How many rows, and a number that changes with any value of any of them; the same by table and by file.
_CONTENT = f"SELECT count(*), coalesce(sum(hash({', '.join(_COLUMNS)})), 0)"
_MINE = 'cabin = $cabin AND unit = $unit AND "at" >= $month AND "at" < $end'
# One row per unit and month before the instant that holds readings: what came of it rests since when.
_MONTHS = """
    SELECT cabin, unit, date_trunc('month', "at") AS month, count(*) AS rows, max(arrived_at) AS arrived_at
    FROM reading WHERE "at" < $until GROUP BY ALL ORDER BY month, cabin, unit
"""
_LISTED = """
    SELECT cabin, unit, month, "end", file, rows, bytes, sha_hex FROM archived_reading
    WHERE month <= $until AND "end" > $since ORDER BY month, cabin, unit
"""
ANY = 'SELECT 1 FROM archived_reading WHERE month <= $until AND "end" > $since LIMIT 1'
EVERYTHING = """
    SELECT cabin, unit, month, "end", file, rows, bytes, sha_hex FROM archived_reading ORDER BY month, cabin, unit
"""
_ALL_TIME = {"since": datetime(1970, 1, 1, tzinfo=UTC), "until": datetime(9000, 1, 1, tzinfo=UTC)}


class Due(NamedTuple):
    """A unit's month that is to be archived."""

    cabin: str
    unit: str
    month: datetime
    end: datetime


@dataclass(frozen=True, slots=True)
class Written:
    """A file that is on disk and was read back, and what its rows come to."""

    part: Archived
    checksum: int


def store_path(con: Con) -> Path | None:
    """The file of a connection's store; None for one in memory."""
    found = con.execute("SELECT path FROM duckdb_databases() WHERE database_name = current_database()").fetchone()
    return Path(found[0]) if found and found[0] else None


def _folder(con: Con) -> Path:
    path = store_path(con)
    if path is None:
        raise BadInput("a store in memory has no archive")
    return folder_of(path)


def month_after(month: datetime, months: int = 1) -> datetime:
    """The first instant of the month so many later; earlier for a negative number."""
    number = month.year * 12 + month.month - 1 + months
    return datetime(number // 12, number % 12 + 1, 1, tzinfo=UTC)


def month_of(text: str) -> datetime:
    """The first instant of a month given as 2026-03.

    Raises
    ------
    BadInput
        If it is none.
    """
    try:
        return datetime.strptime(text, "%Y-%m").replace(tzinfo=UTC)
    except ValueError:
        raise BadInput(f"a month must be like 2026-03; got {text!r}") from None


def horizon(con: Con, keep_months: int, now: datetime) -> datetime | None:
    """Before which instant months are archived; None: none is.

    By the latest reading too, and the machine's own clock: one that is ahead archives nothing of the present.
    """
    found = con.execute('SELECT max("at") FROM present').fetchone()
    if not keep_months or found is None or found[0] is None:
        return None
    bound = min(now, datetime.now(UTC), found[0])
    return min(month_after(bound, -keep_months), month_after(bound - RESTS, 0))


def due(con: Con, until: datetime, now: datetime, *, by_hand: bool = False) -> list[Due]:
    """Units' months that lie whole before an instant and are to be archived, the oldest first.

    Parameters
    ----------
    by_hand : bool
        Also those of which something came today, and those that a person brought back.
    """
    found = frame(con.execute(_MONTHS, {"until": until}))
    if not by_hand and len(found):
        stays = set(frame(con.execute("SELECT month FROM archive_stays"))["month"])
        rests = found["arrived_at"].isna() | (found["arrived_at"] < pd.Timestamp(now) - QUIET)
        found = found[rests & ~found["month"].isin(stays)]
    out = []
    for one in named(found):
        month = one.month.to_pydatetime()
        out.append(Due(str(one.cabin), str(one.unit), month, month_after(month)))
    return [one for one in out if one.end <= until]


def begin(con: Con, one: Due, now: datetime) -> str:
    """A name for a file, noted before anything is written: a kill leaves nothing of which nobody knows."""
    file = archive_files.new_name(one.month)
    con.execute("INSERT INTO archive_leftover VALUES ($file, $now)", {"file": file, "now": now})
    return file


def write(con: Con, one: Due, file: str) -> Written:
    """Write a unit's month to a file, and read it back; changes nothing of the store, so any cursor does.

    Raises
    ------
    OSError, duckdb.Error
        If it cannot be written, or reads otherwise than it was written.
    """
    folder, mine = _folder(con), {"cabin": one.cabin, "unit": one.unit, "month": one.month, "end": one.end}
    with archive_files.writing(folder, file) as part:
        def work() -> tuple[int, int]:  # of one snapshot both, whatever is taken in meanwhile
            con.execute(
                f"COPY (SELECT * FROM reading WHERE {_MINE} ORDER BY \"at\") TO {literal(str(part))} "  # noqa: S608
                "(FORMAT parquet, PARQUET_VERSION V2, COMPRESSION zstd)", mine)
            return _content(con, f"reading WHERE {_MINE}", mine)

        rows, checksum = transaction(con, work)
        archive_files.sync(part)
        read = _content(con, "read_parquet($file)", {"file": str(part)})
        if read != (rows, checksum):
            raise OSError(f"{part} reads otherwise than it was written")
        written = Archived(
            one.cabin, one.unit, one.month, one.end, file, rows, part.stat().st_size, archive_files.digest(part))
    return Written(written, checksum)


def _content(con: Con, of: str, given: Mapping[str, object]) -> tuple[int, int]:
    found = con.execute(f"{_CONTENT} FROM {of}", given).fetchone()
    return (int(found[0]), int(found[1])) if found else (0, 0)


def move(con: Con, written: Written, now: datetime) -> bool:
    """Delete the rows that a file holds and list the file, in one transaction.

    Returns
    -------
    bool
        Whether that was done. False where the rows are others by now: something came late, and the month waits.
    """
    one = written.part
    mine: dict[str, object] = {"cabin": one.cabin, "unit": one.unit, "month": one.month, "end": one.end}

    def work() -> bool:
        if _content(con, f"reading WHERE {_MINE}", mine) != (one.rows, written.checksum):
            return False
        con.execute(f"DELETE FROM reading WHERE {_MINE}", mine)  # noqa: S608
        con.execute("INSERT INTO archived_reading VALUES ($cabin, $unit, $month, $end, $file, $rows, $bytes, "
                    "$sha, $now)", {**mine, "file": one.file, "rows": one.rows, "bytes": one.bytes,
                                    "sha": one.sha_hex, "now": now})
        con.execute("DELETE FROM archive_leftover WHERE file = $file", {"file": one.file})
        return True

    return transaction(con, work)


def listed(con: Con, since: datetime | None = None, until: datetime | None = None) -> list[Archived]:
    """Files whose months overlap a time, the oldest first; default: all."""
    return as_listed(frame(con.execute(
        _LISTED, {"since": since or _ALL_TIME["since"], "until": until or _ALL_TIME["until"]})))


def as_listed(found: pd.DataFrame) -> list[Archived]:
    """Rows of `archived_reading` as values."""
    return [Archived(
        str(row.cabin), str(row.unit), row.month.to_pydatetime(), row.end.to_pydatetime(), str(row.file),
        int(row.rows), int(row.bytes), str(row.sha_hex)) for row in named(found)]


def bring_back(con: Con, one: Archived, now: datetime) -> None:
    """Put a file's rows back into the store; the caller holds the transaction.

    The file stays for a day: a backup that is being made may list it.

    Raises
    ------
    ArchiveUnavailable
        If the file cannot be had, or is not what was written.
    """
    folder = _folder(con)
    archive_files.require_whole(folder, [one])
    con.execute("INSERT INTO reading BY NAME SELECT * FROM read_parquet($file)", {
        "file": str(archive_files.place(folder, one.file))})
    con.execute("DELETE FROM archived_reading WHERE file = $file", {"file": one.file})
    con.execute("INSERT INTO archive_leftover VALUES ($file, $due)", {"file": one.file, "due": now + LEFT_FOR})


def require_whole(con: Con, one: Archived) -> None:
    """Refuse to go on without a file, or with one that is not what was written (ArchiveUnavailable)."""
    archive_files.require_whole(_folder(con), [one])


def copy_for(con: Con, one: Archived, now_key: tuple[str, str], now: datetime) -> Archived:
    """A copy of a file under another unit's name, on disk and read back; nothing lists it yet.

    Raises
    ------
    ArchiveUnavailable
        If the file cannot be had, or is not what was written.
    OSError, duckdb.Error
        If the copy cannot be written, or reads otherwise.
    """
    folder = _folder(con)
    require_whole(con, one)
    file = begin(con, Due(*now_key, one.month, one.end), now)
    given = {"file": str(archive_files.place(folder, one.file)), "cabin": now_key[0], "unit": now_key[1]}
    source = "SELECT * REPLACE ($cabin AS cabin, $unit AS unit) FROM read_parquet($file)"
    with archive_files.writing(folder, file) as part:
        con.execute(
            f"COPY ({source} ORDER BY \"at\") TO {literal(str(part))} "
            "(FORMAT parquet, PARQUET_VERSION V2, COMPRESSION zstd)", given)
        archive_files.sync(part)
        if _content(con, f"({source})", given) != _content(con, "read_parquet($file)", {"file": str(part)}):
            raise OSError(f"{part} reads otherwise than it was written")
        return Archived(
            *now_key, one.month, one.end, file, one.rows, part.stat().st_size, archive_files.digest(part))


def put_in_place(con: Con, copies: Sequence[tuple[Archived, Archived]], now: datetime) -> None:
    """List copies (`copy_for`) in place of the files that they were made of; the caller holds the transaction.

    The files of before stay for a day, for a backup that is being made.
    """
    for was, one in copies:
        con.execute("""
            UPDATE archived_reading SET cabin = $cabin, unit = $unit, file = $file, bytes = $bytes, sha_hex = $sha
            WHERE file = $was""", {"cabin": one.cabin, "unit": one.unit, "file": one.file, "bytes": one.bytes,
                                   "sha": one.sha_hex, "was": was.file})
        con.execute("DELETE FROM archive_leftover WHERE file = $file", {"file": one.file})
        con.execute("INSERT INTO archive_leftover VALUES ($file, $due)", {"file": was.file, "due": now + LEFT_FOR})


def make_room_for(con: Con, rows: pd.DataFrame, now: datetime) -> tuple[pd.Series, str]:
    """Bring back the archived months that rows lie in, so that each instant stays one row.

    The caller holds the transaction. Costs a look at an empty list where nothing is archived.

    Returns
    -------
    lacking : Series of bool
        Rows whose month cannot be brought back: they cannot be kept without perhaps standing twice.
    why : str
    """
    lacking, why = pd.Series(False, index=rows.index), ""
    span = {"since": rows["at"].min().to_pydatetime(), "until": rows["at"].max().to_pydatetime()}
    if con.execute(ANY, span).fetchone() is None:
        return lacking, why
    for one in listed(con, **span):
        mine = (rows["cabin"] == one.cabin) & (rows["unit"] == one.unit) & (rows["at"] >= pd.Timestamp(one.month)) \
            & (rows["at"] < pd.Timestamp(one.end))
        if not mine.any():
            continue
        try:
            bring_back(con, one, now)
        except ArchiveUnavailable as error:
            lacking, why = lacking | mine, str(error)
    return lacking, why


def clean_up(con: Con, now: datetime) -> None:
    """Delete files that nothing reads any more; not while one is being written."""
    found = con.execute("SELECT file FROM archive_leftover WHERE due <= $now", {"now": now}).fetchall()
    path = store_path(con)
    if path is None or not found:
        return
    for (file,) in found:
        archive_files.place(folder_of(path), file).unlink(missing_ok=True)
    con.execute("DELETE FROM archive_leftover WHERE list_contains($files, file)", {
        "files": [file for (file,) in found]})


def bring_back_whole(con: Con, one: Archived, now: datetime) -> None:
    """The same in a transaction of its own."""
    transaction(con, lambda: bring_back(con, one, now))


def let_stay(con: Con, month: datetime) -> None:
    """Note that a person had a month brought back: it stays."""
    con.execute("DELETE FROM archive_stays WHERE month = $month", {"month": month})
    con.execute("INSERT INTO archive_stays VALUES ($month)", {"month": month})


def stay_no_longer(con: Con, until: datetime) -> None:
    """A person wants all months before an instant archived, brought back or not."""
    con.execute("DELETE FROM archive_stays WHERE month < $until", {"until": until})


def files_of_copy(path: Path) -> list[Archived]:
    """The files that a copy of a store lists; none for one of before there was an archive."""
    con = duckdb.connect(str(path), read_only=True)
    try:
        con.execute("SET TimeZone = 'UTC'")
        known = con.execute(
            "SELECT count(*) FROM duckdb_tables() WHERE table_name = 'archived_reading'").fetchone()
        return listed(con) if known and known[0] else []
    finally:
        con.close()


def in_words(some: Sequence[Archived]) -> str:
    """What lies archived, in a line; empty where nothing does."""
    if not some:
        return ""
    months = sorted({one.month for one in some})
    units = len({(one.cabin, one.unit) for one in some})
    span = f"{months[0]:%Y-%m}" if len(months) == 1 else f"{months[0]:%Y-%m} to {months[-1]:%Y-%m}"
    return (f"{len(months)} month{'' if len(months) == 1 else 's'} ({span}) of {units} "
            f"unit{'' if units == 1 else 's'}, {sum(one.rows for one in some):,} readings, "
            f"{sum(one.bytes for one in some) / 2**20:.1f} MiB")


