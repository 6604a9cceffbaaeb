"""How long what was refused is kept, and what of it had to go."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import datetime, timedelta

import duckdb
import pandas as pd

from ingest.db.engine import Asks, transaction
from ingest.db.frames import frame

logger = logging.getLogger(__name__)

# Some ten thousand refused records with their reasons: more than anybody reads, and little beside the readings.
MOST_BYTES = 32_000_000
# A season: whoever looks after a logger that sent nonsense has been there by then. Common practice, no source.
MOST_AGE = timedelta(days=90)
KEPT_SHARE = 0.75  # of the most, once it is pruned: so that it is not due again at once

SOURCE_KEPT = 400  # characters of a topic; ours take at most 142

_BYTES = "octet_length(payload) + octet_length(encode(reason)) + octet_length(encode(source))"
_TALLY = f"SELECT sum(times) AS records, sum({_BYTES}) AS bytes, min(arrived_at) AS oldest FROM quarantine"  # noqa: S608
# Oldest out; of one commit's rows, which share an instant, those written first.
_PRUNE = f"""
    DELETE FROM quarantine WHERE rowid IN (
        SELECT rowid FROM (
            SELECT rowid, arrived_at, sum({_BYTES}) OVER (ORDER BY arrived_at DESC, rowid DESC) AS bytes
            FROM quarantine)
        WHERE bytes > $most OR arrived_at < $oldest)
    RETURNING times, {_BYTES} AS bytes, arrived_at
"""  # noqa: S608  (our own words)


def source_of(topic: str) -> str:
    """A topic as quarantine names it."""
    return topic if len(topic) <= SOURCE_KEPT else topic[:SOURCE_KEPT] + "..."


@dataclass(frozen=True, slots=True)
class Tally:
    """What quarantine holds, and what of it went."""

    records: int
    bytes: int
    oldest: datetime | None
    gone_records: int
    gone_until: datetime | None

    @property
    def in_words(self) -> str:
        """As people read it."""
        gone = f"; {self.gone_records:,} older ones went, the last of {self.gone_until:%Y-%m-%d}" if (
            self.gone_records and self.gone_until) else "; none had to go"
        return (f"{self.records:,} records, {self.bytes / 1e6:.1f} MB "
                f"(at most {MOST_BYTES / 1e6:.0f} MB and {MOST_AGE.days} days, oldest out){gone}")


def tally(store: Asks) -> Tally:
    """What quarantine holds now."""
    held = store.ask(_TALLY).iloc[0]
    gone = store.ask("SELECT records, until FROM quarantine_gone")
    empty = pd.isna(held["records"])
    return Tally(
        records=0 if empty else int(held["records"]), bytes=0 if empty else int(held["bytes"]),
        oldest=None if empty else held["oldest"].to_pydatetime(),
        gone_records=int(gone["records"].sum()),
        gone_until=None if gone.empty else gone["until"].max().to_pydatetime())


def prune(con: duckdb.DuckDBPyConnection, now: datetime) -> int:
    """Let the oldest go where size or age ask for it; how many records went. Looks, and does no more, where not.

    Not within a transaction.
    """
    found = con.execute(_TALLY).fetchone()
    if found is None or found[0] is None:
        return 0
    _, held_bytes, oldest = found
    if held_bytes <= MOST_BYTES and oldest >= now - MOST_AGE:
        return 0
    most = MOST_BYTES if held_bytes <= MOST_BYTES else int(MOST_BYTES * KEPT_SHARE)

    def work() -> int:
        went = frame(con.execute(_PRUNE, {"most": most, "oldest": now - MOST_AGE}))
        if went.empty:
            return 0
        records = int(went["times"].sum())
        before = con.execute(
            "SELECT coalesce(sum(records), 0), coalesce(sum(bytes), 0) FROM quarantine_gone").fetchone()
        con.execute("DELETE FROM quarantine_gone")
        con.execute("INSERT INTO quarantine_gone VALUES ($records, $bytes, $until)", {
            "records": before[0] + records, "bytes": before[1] + int(went["bytes"].sum()),  # type: ignore[index]
            "until": went["arrived_at"].max().to_pydatetime()})
        return records

    records = transaction(con, work)
    logger.info("%d refused records went, oldest first: quarantine keeps %d MB and %d days",
                records, MOST_BYTES // 10**6, MOST_AGE.days)
    return records
