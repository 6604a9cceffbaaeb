"""Sensor logs in files of SenML JSON, one pack a line."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from ingest import senml
from ingest.csvlog import PAYLOAD_SHOWN, Chunk, refused_lines
from ingest.schema import QUANTITY_COLUMNS, rounded, split
from ingest.settings import BadInput

CHUNK_ROWS = 100_000


def read_senml_lines(
    path: Path, *, now: datetime, cabin: str | None = None, unit: str | None = None,
    chunk_rows: int = CHUNK_ROWS,
) -> Iterator[Chunk]:
    """A file of SenML packs, one a line; names are `<cabin>/<unit>/<quantity>` unless given as arguments.

    Times below 2**28 count from `now`, as in a message that arrives now.
    """
    keys: list[tuple[str, str, int, int]] = []
    values: list[dict[str, float | bool]] = []
    refused: list[tuple[int, str, str]] = []
    lost, done = 0, 0
    try:
        with path.open("rb") as file:
            for line, payload in enumerate(file, start=1):
                done += len(payload)
                payload = payload.removeprefix(b"\xef\xbb\xbf").strip()
                if not payload:
                    continue
                try:
                    packs, problems = _by_unit(payload, now, cabin, unit)
                except senml.PackRefused as error:
                    lost += 1
                    refused.append((line, payload[:PAYLOAD_SHOWN].decode("utf-8", "replace"), str(error)))
                    continue
                refused += [(line, one.record, one.reason) for one in problems]
                for (c, u), rows in packs.items():
                    keys += [(c, u, at_ms, line) for at_ms in rows]
                    values += rows.values()
                if len(values) + len(refused) >= chunk_rows:
                    yield _senml_chunk(lost, keys, values, refused, now, done)
                    keys, values, refused, lost = [], [], [], 0
    except OSError as error:
        raise BadInput(f"{path}: {error.strerror}") from error
    yield _senml_chunk(lost, keys, values, refused, now, done)


def _by_unit(
    payload: bytes, now: datetime, cabin: str | None, unit: str | None
) -> tuple[dict[tuple[str, str], dict[int, dict[str, float | bool]]], list[senml.Refused]]:
    """A pack's rows by the unit that its names carry."""
    groups: dict[tuple[str, str], list[dict[str, Any]]] = {}
    problems: list[senml.Refused] = []
    for record in senml.resolve(senml.parse(payload), now.timestamp()):
        if isinstance(record, senml.Refused):
            problems.append(record)
            continue
        parts = record["n"].split("/")
        key = (parts[-3], parts[-2]) if len(parts) >= 3 else (cabin or "", unit or "")
        if not all(key):
            problems.append(senml.Refused(
                json.dumps(record), "the name must be <cabin>/<unit>/<quantity>, or give --cabin and --unit"))
            continue
        groups.setdefault(key, []).append(record)
    out = {}
    for key, records in groups.items():
        out[key], more = senml.rows_of(records)
        problems += more
    return out, problems


def _senml_chunk(
    lost: int, keys: list[tuple[str, str, int, int]], values: list[dict[str, float | bool]],
    refused: list[tuple[int, str, str]], now: datetime, done: int,
) -> Chunk:
    at = pd.to_datetime(np.array([key[2] for key in keys], dtype="int64"), unit="ms", utc=True)
    columns: dict[str, Any] = {column: [row.get(column) for row in values] for column in QUANTITY_COLUMNS}
    columns |= {
        "cabin": [key[0] for key in keys], "unit": [key[1] for key in keys],
        "at": at.astype("datetime64[us, UTC]")}
    valid, bad = split(rounded(pd.DataFrame(columns)), pd.Timestamp(now))
    refused = refused + [
        (keys[int(row)][3], json.dumps(values[int(row)]), str(reason))
        for row, reason in zip(bad["row"], bad["reason"], strict=True)]
    valid.index = pd.Index([keys[int(row)][3] for row in valid.index], dtype="int64")
    return Chunk(lost + len(keys), valid, refused_lines(sorted(refused, key=lambda one: one[0])), done)
