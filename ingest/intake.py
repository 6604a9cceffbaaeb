"""Rows into the store: each exactly once, and nothing lost."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, cast

import duckdb
import numpy as np
import pandas as pd

from ingest import senml
from ingest.schema import QUANTITY_COLUMNS, rounded, split

# cabin, unit -> earliest and latest instant that a commit touched
Touched = dict[tuple[str, str], tuple[pd.Timestamp, pd.Timestamp]]

_QUANTITIES = ", ".join(QUANTITY_COLUMNS)
_SAME = 'r.cabin = b.cabin AND r.unit = b.unit AND r."at" = b."at"'
# Exact, because a duplicate of a batch row has an instant within the batch's own span; cheap, because
# that span is all that is looked at. Relies on one writer.
_WINDOW = 'r."at" BETWEEN $since AND $until'

_IS_NEWS = " OR ".join(f"(r.{c} IS NULL AND b.{c} IS NOT NULL)" for c in QUANTITY_COLUMNS)

# A later record of the same instant fills what is still empty; what is there stays.
_FILL = f"""
    UPDATE reading AS r SET {", ".join(f"{c} = coalesce(r.{c}, b.{c})" for c in QUANTITY_COLUMNS)}
    FROM batch AS b
    WHERE {_SAME} AND {_WINDOW} AND ({_IS_NEWS})
    RETURNING r.cabin, r.unit, r."at"
"""  # noqa: S608  (names from our own lists)
_INSERT = f"""
    INSERT INTO reading BY NAME
    SELECT cabin, unit, "at", {_QUANTITIES} FROM batch AS b
    ANTI JOIN (SELECT cabin, unit, "at" FROM reading AS r WHERE {_WINDOW}) AS r
        ON {_SAME}
    ORDER BY "at"
    RETURNING cabin, unit, "at"
"""  # noqa: S608
_LINKS = """
    INSERT INTO link_event
    SELECT cabin, unit, "at", up FROM (
        SELECT *, lag(up) OVER (PARTITION BY cabin, unit ORDER BY "at", old DESC) AS before FROM (
            SELECT cabin, unit, "at", up, FALSE AS old FROM links
            UNION ALL
            SELECT cabin, unit, max("at"), arg_max(up, "at"), TRUE FROM link_event GROUP BY ALL))
    WHERE NOT old AND before IS DISTINCT FROM up
"""
_QUARANTINE = """
    INSERT INTO quarantine
    SELECT $arrived, source, cabin, unit, payload, reason FROM refused
"""


@dataclass(slots=True)
class Kept:
    """What one commit did."""

    rows: int = 0
    filled: int = 0
    already: int = 0
    refused: int = 0
    touched: Touched = field(default_factory=dict)


@dataclass(slots=True)
class Message:
    """A message as it came."""

    topic: str
    payload: bytes
    arrived: datetime
    mid: int = 0
    qos: int = 1
    connection: int = 0  # which connection brought it: its number `mid` means nothing on a later one


@dataclass(slots=True)
class Decoded:
    """Messages as rows, link events and what was refused."""

    rows: pd.DataFrame
    links: pd.DataFrame
    refused: pd.DataFrame


_REFUSED_COLUMNS = ["source", "cabin", "unit", "payload", "reason"]


def decode(messages: list[Message], enrolled: set[tuple[str, str]], now: pd.Timestamp) -> Decoded:
    """A batch of messages to valid rows; never raises for what a device sent.

    Parameters
    ----------
    messages : list of Message
        In order of arrival.
    enrolled : set of (cabin, unit)
        The registry; others are quarantined.
    now : Timestamp
        The store's present instant.
    """
    keys: list[tuple[str, str, int, int]] = []
    values: list[dict[str, float | bool]] = []
    links: list[tuple[str, str, datetime, bool]] = []
    last_link: dict[tuple[str, str], datetime] = {}
    refused: list[tuple[str, str | None, str | None, bytes, str]] = []
    for number, message in enumerate(messages):
        parts = message.topic.split("/")
        if len(parts) != 4 or parts[0] != "tarnlight" or parts[3] not in ("log", "link"):
            refused.append((message.topic, None, None, message.payload,
                            "topic must be tarnlight/<cabin>/<unit>/log or .../link"))
            continue
        cabin, unit = parts[1], parts[2]
        if (cabin, unit) not in enrolled:
            refused.append((message.topic, None, None, message.payload,
                            f"unit {unit!r} of cabin {cabin!r} is not enrolled"))
            continue
        if parts[3] == "link":
            if message.payload in (b"up", b"down"):
                # a last will and the return of its device often share a millisecond; their order must last
                last = last_link.get((cabin, unit))
                at = message.arrived if last is None else max(message.arrived, last + timedelta(microseconds=1))
                last_link[cabin, unit] = at
                links.append((cabin, unit, at, message.payload == b"up"))
            elif message.payload:  # an empty one removes the retained message: no news
                refused.append((message.topic, cabin, unit, message.payload, "link must be up or down"))
            continue
        try:
            rows, problems = senml.readings(message.payload, message.arrived.timestamp())
        except senml.PackRefused as error:
            refused.append((message.topic, cabin, unit, message.payload, str(error)))
            continue
        refused += [(message.topic, cabin, unit, problem.record.encode(), problem.reason) for problem in problems]
        keys += [(cabin, unit, at_ms, number) for at_ms in rows]
        values += rows.values()
    frame, out_of_range = _frame(keys, values, now, [message.topic for message in messages])
    return Decoded(
        rows=frame,
        links=pd.DataFrame(links, columns=["cabin", "unit", "at", "up"]),
        refused=pd.concat(
            [pd.DataFrame(refused, columns=_REFUSED_COLUMNS), out_of_range], ignore_index=True),
    )


def failed(message: Message, error: Exception) -> Decoded:
    """A message that this program could not take, for quarantine: its fault or ours, it must not come for ever."""
    nothing, _ = _frame([], [], pd.Timestamp(message.arrived), [])
    links = pd.DataFrame([], columns=["cabin", "unit", "at", "up"])
    reason = f"could not be kept: {type(error).__name__}: {error}"[:1000]
    refused = pd.DataFrame([(message.topic, None, None, message.payload, reason)], columns=_REFUSED_COLUMNS)
    return Decoded(rows=nothing, links=links, refused=refused)


def _frame(
    keys: list[tuple[str, str, int, int]], values: list[dict[str, float | bool]], now: pd.Timestamp,
    topics: list[str],
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rows as a valid frame, and what of them was out of range."""
    at_ms = np.array([key[2] for key in keys], dtype="int64")
    at = pd.to_datetime(at_ms, unit="ms", utc=True).astype("datetime64[us, UTC]")
    columns: dict[str, Any] = {column: [row.get(column) for row in values] for column in QUANTITY_COLUMNS}
    columns |= {"cabin": [key[0] for key in keys], "unit": [key[1] for key in keys], "at": at}
    valid, bad = split(rounded(pd.DataFrame(columns)), now)
    if bad.empty:
        return valid, pd.DataFrame(columns=_REFUSED_COLUMNS)
    rows = bad["row"].astype(int).tolist()
    return valid, pd.DataFrame({
        "source": [topics[keys[row][3]] for row in rows],
        "cabin": [keys[row][0] for row in rows],
        "unit": [keys[row][1] for row in rows],
        "payload": [
            json.dumps({"at_ms": keys[row][2], **(
                {column: values[row].get(column)} if column in values[row] else values[row])}).encode()
            for row, column in zip(rows, bad["column"], strict=True)],
        "reason": bad["reason"].tolist(),
    })


def merge_same_instant(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows of one instant as one: of each quantity the first value that is there."""
    if not rows.duplicated(["cabin", "unit", "at"]).any():
        return rows
    return rows.groupby(["cabin", "unit", "at"], sort=False, as_index=False).first()


def keep(
    con: duckdb.DuckDBPyConnection, *, rows: pd.DataFrame, arrived: datetime,
    links: pd.DataFrame | None = None, refused: pd.DataFrame | None = None,
) -> Kept:
    """Write a batch; the caller holds the transaction.

    Parameters
    ----------
    rows : DataFrame
        Columns of `Reading`, valid.
    links, refused : DataFrame or None
        Link events; rows for quarantine (`source, cabin, unit, payload, reason`).
    """
    kept = Kept()
    if len(rows):
        _keep_rows(con, merge_same_instant(rows), len(rows), kept)
    if links is not None and len(links):
        con.register("links", links)
        # a retained message comes again at every connection: only a change is an event
        con.execute(_LINKS)
        con.unregister("links")
    if refused is not None and len(refused):
        con.register("refused", refused)
        con.execute(_QUARANTINE, {"arrived": arrived})
        con.unregister("refused")
        kept.refused = len(refused)
    return kept


def _keep_rows(con: duckdb.DuckDBPyConnection, rows: pd.DataFrame, given: int, kept: Kept) -> None:
    con.register("batch", rows)
    window: Mapping[str, Any] = {
        "since": rows["at"].min().to_pydatetime(), "until": rows["at"].max().to_pydatetime()}
    filled = con.execute(_FILL, dict(window)).df()
    inserted = con.execute(_INSERT, dict(window)).df()
    con.unregister("batch")
    kept.rows, kept.filled = len(inserted), len(filled)
    kept.already = given - len(inserted) - len(filled)
    changed = pd.concat([frame for frame in (filled, inserted) if len(frame)] or [inserted])
    for key, at in changed.groupby(["cabin", "unit"])["at"]:
        cabin, unit = cast(tuple[str, str], key)
        kept.touched[cabin, unit] = (at.min(), at.max())
