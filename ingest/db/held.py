"""Rows whose time cannot be right yet: kept apart, judged by nobody, taken in once it can be.

Either the collector's own clock is in doubt (`models.own_clock`): then all rows wait. Or one logger's is ahead:
then its rows wait until their time has come, or until a named person releases them with a correction. What is taken
in goes the way of any row, `intake.keep`, in the transaction that takes it off the table.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import duckdb
import numpy as np
import pandas as pd

from ingest.db.engine import Asks, Local, named
from ingest.db.frames import frame
from ingest.db.intake import CLOCKS_DIFFER, REFUSED_COLUMNS
from ingest.db.schema import QUANTITY_COLUMNS, rounded
from models.own_clock import TOLERANCE_S

# A logger's clock that is further ahead was never set; what it says is refused. Common practice, no source.
MOST_AHEAD = timedelta(days=7)
MOST_ROWS = 50_000  # of one unit: 34 days at a reading a minute, some 5 MB; policy
TAKEN_AT_ONCE = 100_000  # rows

Con = duckdb.DuckDBPyConnection
Key = tuple[str, str]

_QUANTITIES = ", ".join(QUANTITY_COLUMNS)
# Where a row belongs by the clock as it is now: times that were told as before the arrival move with it. NULL:
# nobody can say, for the machine was started again since.
_PLACED = """CASE WHEN NOT relative THEN "at" WHEN boot = $boot THEN
    "at" + to_microseconds(round(($basis_s - basis_s) * 1e6)::BIGINT) END"""
_HOLD = f"""
    INSERT INTO held_reading BY NAME
    SELECT cabin, unit, "at", {_QUANTITIES}, relative, $batch::BIGINT AS batch, $arrived AS arrived_at,
        $boot AS boot, $basis_s::DOUBLE AS basis_s FROM batch
"""  # noqa: S608  (names from our own lists)
_DUE = f"""
    SELECT rowid AS id, cabin, unit, {_PLACED} AS "at", {_QUANTITIES}, relative,
        arrived_at + CASE WHEN boot = $boot THEN to_microseconds(round(($basis_s - basis_s) * 1e6)::BIGINT)
            ELSE to_microseconds(0) END AS arrived_at
    FROM held_reading WHERE coalesce({_PLACED}, $until) <= $until OR {_PLACED} > $most
    ORDER BY batch, rowid LIMIT $count
"""  # noqa: S608
_LINKS = f"""
    SELECT cabin, unit, {_PLACED.replace("NOT relative", "FALSE")} AS "at", up FROM held_link ORDER BY batch, rowid
"""  # noqa: S608
_NEXT = f"SELECT min(coalesce({_PLACED}, $until)) FROM held_reading"  # noqa: S608
# Of each unit that has any: how many, since when, and how far the last of them is ahead.
_PER_UNIT = """
    SELECT cabin, unit, count(*) AS rows, min(arrived_at) AS since, max("at") AS newest,
        max(epoch("at") - epoch(arrived_at)) AS ahead_s
    FROM held_reading GROUP BY ALL ORDER BY ALL
"""
# The same, and what was refused for its time and is kept, per unit.
_SET_ASIDE = f"""
    SELECT cabin, unit, TRUE AS held, rows, since, ahead_s FROM ({_PER_UNIT.replace("ORDER BY ALL", "")})
    UNION ALL
    SELECT cabin, unit, FALSE, sum(times)::BIGINT, min(arrived_at), max(
        TRY_CAST(split_part(try(decode(payload)), chr(10), 1) ->> '$.at_ms' AS BIGINT) - epoch_ms(arrived_at)) / 1e3
    FROM quarantine WHERE cabin IS NOT NULL AND reason LIKE 'at = %' AND json_valid(
        split_part(try(decode(payload)), chr(10), 1)) AND TRY_CAST(
        split_part(try(decode(payload)), chr(10), 1) ->> '$.at_ms' AS BIGINT) IS NOT NULL
    GROUP BY ALL ORDER BY ALL
"""  # noqa: S608  (our own words)
# Records of a unit that were refused for their time, each line of a payload a row (intake.by_reason).
_REFUSED_FOR_TIME = f"""
    WITH line AS (
        SELECT rowid AS id, arrived_at, times, reason, unnest(string_split(try(decode(payload)), chr(10))) AS text
        FROM quarantine WHERE cabin = $cabin AND unit = $unit AND reason LIKE 'at = %'
        AND ($since::TIMESTAMPTZ IS NULL OR arrived_at >= $since)
        AND ($until::TIMESTAMPTZ IS NULL OR arrived_at <= $until))
    SELECT id, arrived_at, times, reason, make_timestamptz((text ->> '$.at_ms')::BIGINT * 1000) AS "at",
        {", ".join(f"TRY_CAST(text ->> '$.{c}' AS {'BOOLEAN' if c.endswith('_on') else 'DOUBLE'}) AS {c}"
                   for c in QUANTITY_COLUMNS)}
    FROM line WHERE json_valid(text) AND TRY_CAST(text ->> '$.at_ms' AS BIGINT) BETWEEN -9e12 AND 9e12
    ORDER BY arrived_at, id
"""  # noqa: S608


@dataclass(frozen=True, slots=True)
class Taken:
    """What was waiting and can be judged: rows, link events, and what can never be placed, for quarantine."""

    rows: pd.DataFrame
    links: pd.DataFrame
    refused: pd.DataFrame
    heard_at: Mapping[Key, datetime]  # when each of these units was first heard of in it


@dataclass(slots=True)
class Held:
    """What is held, as far as it has to be known for each message: how many rows of each unit, when one is due."""

    counts: dict[Key, int] = field(default_factory=dict)
    batch: int = 0
    next_at: datetime | None = None
    links: bool = False

    @classmethod
    def of(cls, con: Con, clock: Mapping[str, Any]) -> Held:
        """As it is in the store; `clock` has `boot` and `basis_s`."""
        found = frame(con.execute(_PER_UNIT))
        batch = con.execute(
            "SELECT max(batch) FROM (FROM (SELECT batch FROM held_reading) UNION ALL SELECT batch FROM held_link)"
        ).fetchone()
        links = con.execute("SELECT count(*) FROM held_link").fetchone()
        next_at = con.execute(_NEXT, {**clock, "until": datetime(1970, 1, 1, tzinfo=UTC)}).fetchone()
        return cls(
            dict(zip(zip(found["cabin"], found["unit"], strict=True), found["rows"].tolist(), strict=True)),
            int(batch[0] or 0) if batch else 0, next_at[0] if next_at else None, bool(links and links[0]))

    def due(self, now: datetime) -> bool:
        """Whether the time of any of it has come, our clock being right."""
        return self.links or (self.next_at is not None and self.next_at <= now + CLOCKS_DIFFER)

    def hold(
        self, con: Con, rows: pd.DataFrame, links: pd.DataFrame, *, arrived: datetime, clock: Mapping[str, Any]
    ) -> pd.DataFrame:
        """Keep rows (`relative` beside the columns of a reading) and link events; what is too many, for quarantine.

        The caller holds the transaction, and reads `Held.of` anew where that fails.
        """
        given = {**clock, "batch": self.batch + 1}
        units = rows.groupby(["cabin", "unit"], sort=False)
        before = np.array([self.counts.get(key, 0) for key in units.size().index], np.int64)
        room = before[units.ngroup().to_numpy()] + units.cumcount().to_numpy() < MOST_ROWS
        kept, over = rows[room], rows[~room]
        if len(kept):
            con.register("batch", kept)
            con.execute(_HOLD, {**given, "arrived": arrived})
            con.unregister("batch")
            earliest = kept["at"].min().to_pydatetime()
            self.next_at = earliest if self.next_at is None else min(self.next_at, earliest)
        if len(links):
            con.register("links", links)
            con.execute("""
                INSERT INTO held_link SELECT cabin, unit, "at", up, $batch::BIGINT, $boot, $basis_s::DOUBLE
                FROM links""", given)
            con.unregister("links")
            self.links = True
        self.batch += 1
        for key, count in kept.groupby(["cabin", "unit"], sort=False).size().items():
            self.counts[key] = self.counts.get(key, 0) + int(count)  # type: ignore[index,call-overload]
        return refused_rows(over, f"{MOST_ROWS:,} readings of this unit wait already until clocks are right")


def refused_rows(rows: pd.DataFrame, reason: str) -> pd.DataFrame:
    """Rows of a reading as rows for quarantine, one a unit, with the first few of them."""
    out = [{
        "source": f"tarnlight/{cabin}/{unit}/log", "cabin": cabin, "unit": unit, "reason": reason,
        "payload": few.head(3).drop(columns=["cabin", "unit"]).reindex(columns=["at", *QUANTITY_COLUMNS]).to_json(
            orient="records", lines=True, date_format="iso").strip().encode(),
        "times": len(few), "file": None, "aside": -1,
    } for (cabin, unit), few in rows.groupby(["cabin", "unit"], sort=False)]
    return pd.DataFrame(out, columns=list(REFUSED_COLUMNS))


def take(con: Con, now: datetime, clock: Mapping[str, Any]) -> Taken:
    """Take off what can be judged now, in the order in which it came; the caller holds the transaction.

    A link event whose moment nobody knows counts from now, the last of each unit.
    """
    until = now + CLOCKS_DIFFER
    found = frame(con.execute(
        _DUE, {**clock, "until": until, "most": now + MOST_AHEAD, "count": TAKEN_AT_ONCE}))
    con.register("gone", found[["id"]])
    con.execute("DELETE FROM held_reading WHERE rowid IN (SELECT id FROM gone)")
    con.unregister("gone")
    links = frame(con.execute(_LINKS, clock))
    con.execute("DELETE FROM held_link")
    lost = links["at"].isna()
    last = links[lost].drop_duplicates(["cabin", "unit"], keep="last").assign(at=pd.Timestamp(now))
    links = pd.concat([links[~lost], last], ignore_index=True) if lost.any() else links
    nowhere, far = found["at"].isna(), found["at"] > pd.Timestamp(until)
    refused = [
        refused_rows(found[nowhere], "its time was told by our clock, which could not be right then, and nobody "
                     "can say how wrong it was: the computer was started again since"),
        refused_rows(found[far], f"it lies more than {MOST_AHEAD.days} days after its arrival: the logger's clock "
                     "is wrong")]
    rows = found[~(nowhere | far)]
    first = rows.groupby(["cabin", "unit"], sort=False)["arrived_at"].min()
    return Taken(
        rounded(rows), links, pd.concat([one for one in refused if len(one)] or refused[:1], ignore_index=True),
        {key: min(at.to_pydatetime(), now) for key, at in first.items()})  # type: ignore[misc]


def per_unit(store: Asks) -> pd.DataFrame:
    """Of each unit that has rows held: cabin, unit, rows, since, newest, ahead_s."""
    return store.ask(_PER_UNIT)


def set_aside(store: Asks) -> pd.DataFrame:
    """Of each unit what can be released: cabin, unit, held (or refused), rows, since, ahead_s."""
    return store.ask(_SET_ASIDE)


@dataclass(frozen=True, slots=True)
class Chosen:
    """Readings of a unit that a person releases: rows, the rows of quarantine that they stand in (none: they were
    held), and how many records of these quarantine has only counted."""

    rows: pd.DataFrame
    ids: list[int] | None = None
    lacking: int = 0


def waiting(con: Con, key: Key) -> Chosen:
    """What of a unit is held."""
    last = last_clock(Local(con))
    found = frame(con.execute(f"""
        SELECT cabin, unit, coalesce({_PLACED}, "at") AS "at", {_QUANTITIES} FROM held_reading
        WHERE cabin = $cabin AND unit = $unit ORDER BY batch, rowid
    """, {"cabin": key[0], "unit": key[1], "boot": last.get("boot", ""), "basis_s": last.get("basis_s", 0.0)}))  # noqa: S608
    return Chosen(rounded(found))


def refused_for_time(con: Con, key: Key, since: datetime | None, until: datetime | None) -> Chosen:
    """What of a unit was refused for its time and is kept, of what came between these instants."""
    given = {"cabin": key[0], "unit": key[1]}
    found = frame(con.execute(_REFUSED_FOR_TIME, {**given, "since": since, "until": until}))
    told = found.groupby("id")["times"].agg(["first", "size"])
    return Chosen(
        rounded(found.assign(**given)), told.index.to_list(),
        int((told["first"] - told["size"]).clip(lower=0).sum()))


def strike(con: Con, key: Key, chosen: Chosen) -> None:
    """Take off what was released; the caller holds the transaction."""
    if chosen.ids is None:
        con.execute(
            "DELETE FROM held_reading WHERE cabin = $cabin AND unit = $unit", {"cabin": key[0], "unit": key[1]})
    else:
        con.execute("DELETE FROM quarantine WHERE list_contains($ids::BIGINT[], rowid)", {"ids": chosen.ids})


# -- What is known of our own clock -------------------------------------------------------------------------------

_KNOWN_UNTIL = """
    SELECT max("at") FROM (
        SELECT max("at") AS "at" FROM present UNION ALL SELECT max(good_until) FROM own_clock
        UNION ALL SELECT max(recorded_at) FROM advisory_event UNION ALL SELECT max(recorded_at) FROM service_event)
"""


def known_until(con: Con) -> datetime | None:
    """The latest instant that is known to have been: see `models.own_clock.ClockEvidence`."""
    found = con.execute(_KNOWN_UNTIL).fetchone()
    return found[0] if found else None


def last_clock(store: Asks) -> Mapping[str, Any]:
    """What the last collector wrote of its clock: the columns of `own_clock`; empty: nothing."""
    found = store.ask("SELECT * FROM own_clock")
    return {} if found.empty else {str(key): value for key, value in found.iloc[0].to_dict().items()}


def write_clock(con: Con, row: Mapping[str, Any]) -> None:
    """Keep what is known of it; while it is in doubt, that it was right stays as it was. In a transaction."""
    before = con.execute("SELECT good_until FROM own_clock").fetchone()
    good = row["now"] if row["suspect_since"] is None else (before[0] if before else None)
    con.execute("DELETE FROM own_clock")
    con.execute(
        "INSERT INTO own_clock VALUES ($good, $boot, $basis_s, $started_s, $beat_s, $suspect_since, $reason)",
        {name: value for name, value in {**row, "good": good}.items() if name != "now"})


def doubt(store: Asks, now: datetime) -> tuple[datetime, str] | None:
    """Since when our own clock cannot be right, and why; None: nothing speaks against it."""
    row = last_clock(store)
    if not row:
        return None
    if row["reason"]:
        return row["suspect_since"].to_pydatetime(), str(row["reason"])
    good = row["good_until"]
    if not pd.isna(good) and (good - pd.Timestamp(now)).total_seconds() > TOLERANCE_S:
        return now, (f"it says {now.astimezone(UTC):%Y-%m-%d %H:%M UTC}, and it was {good:%Y-%m-%d %H:%M UTC} when "
                     "it was last known to be right")
    return None


def unjudged(store: Asks, key: Key, now: datetime) -> str:
    """Why nobody can say now what a unit's readings mean; empty: they are judged."""
    found = doubt(store, now)
    if found is not None:
        return (f"the collector's own clock cannot be right: {found[1]}. Set it; what is held is then judged by "
                "itself")
    waits = per_unit(store)
    if ((waits["cabin"] == key[0]) & (waits["unit"] == key[1])).any():
        return (f"readings of {'/'.join(key)} that lie ahead of their arrival are held and not judged: set the "
                "clock that is wrong, or release them with a correction (`tarnlight quarantine release`)")
    return ""


def in_words(store: Asks, now: datetime) -> list[str]:
    """What people are told of clocks, a sentence each; nothing where all are right."""
    out = []
    found, units = doubt(store, now), per_unit(store)
    if found is not None:
        out.append(
            f"The collector's own clock cannot be right: {found[1]}. {int(units['rows'].sum()):,} readings are "
            "held until it is; then they are judged by themselves. Set the clock of the collector's computer, and "
            "let it keep the time by NTP or a battery.")
    elif len(units):
        names = ", ".join(f"{one.cabin}/{one.unit}" for one in named(units.head(5)))
        more = f" and {len(units) - 5} more" if len(units) > 5 else ""
        out.append(
            f"{int(units['rows'].sum()):,} readings of {names}{more} lie ahead of their arrival and are held until "
            "their time has come: set the logger's clock. `tarnlight quarantine list` shows them.")
    return out
