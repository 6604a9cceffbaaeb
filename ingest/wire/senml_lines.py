"""Sensor logs in files of SenML JSON, one pack a line."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import IO, Any

import numpy as np
import pandas as pd

from ingest.db.intake import by_reason
from ingest.db.schema import QUANTITY_COLUMNS, rounded, split
from ingest.settings import BadInput
from ingest.wire import limits, senml
from ingest.wire.csv_log import PAYLOAD_SHOWN, Chunk, refused_lines

CHUNK_ROWS = 100_000
READ_BYTES = limits.PAYLOAD_BYTES + 1_000  # of a line: a whole pack, its byte order mark and blanks around it


def read_senml_lines(
    path: Path, *, now: datetime, cabin: str | None = None, unit: str | None = None,
    chunk_rows: int = CHUNK_ROWS,
) -> Iterator[Chunk]:
    """A file of SenML packs, one a line; names are `<cabin>/<unit>/<quantity>` unless given as arguments.

    Times below 2**28 count from `now`, as in a message that arrives now.
    """
    keys: list[tuple[str, str, int, int]] = []
    values: list[dict[str, float | bool]] = []
    refused: list[tuple[int, str, str, int]] = []
    lost, done = 0, 0
    try:
        with path.open("rb") as file:
            for line, (payload, length) in enumerate(_lines(file), start=1):
                done += length
                payload = payload.strip()
                if not payload.removeprefix(b"\xef\xbb\xbf").strip():
                    continue
                try:
                    if length > READ_BYTES:  # only the start of it was read
                        raise senml.PastLimit(limits.too_large(length))
                    rows, problems = _by_unit(payload, now, cabin, unit)
                except senml.PackRefused as error:
                    lost += 1
                    refused.append((line, payload[:PAYLOAD_SHOWN].decode("utf-8", "replace"), str(error), 1))
                    continue
                refused += [(line, one.record, one.reason, one.times) for one in problems]
                keys += [(*key, line) for key in rows]
                values += rows.values()
                if len(values) + len(refused) >= chunk_rows:
                    yield _senml_chunk(lost, keys, values, refused, now, done)
                    keys, values, refused, lost = [], [], [], 0
    except OSError as error:
        raise BadInput(f"{path}: {error.strerror}") from error
    yield _senml_chunk(lost, keys, values, refused, now, done)


def _lines(file: IO[bytes]) -> Iterator[tuple[bytes, int]]:
    """Each line and its length; of one that is longer than any payload may be, only so much as shows that."""
    while line := file.readline(READ_BYTES):
        length, more = len(line), line
        while len(more) == READ_BYTES and not more.endswith(b"\n"):
            more = file.readline(READ_BYTES)
            length += len(more)
        yield line, length


def _by_unit(
    payload: bytes, now: datetime, cabin: str | None, unit: str | None
) -> tuple[dict[tuple[str, str, int], dict[str, float | bool]], list[senml.Refusal]]:
    """A pack's rows by instant (ms) of the unit that its names carry."""
    rows: dict[tuple[str, str, int], dict[str, float | bool]] = {}
    refused = senml.Refusals()
    for record in senml.resolve(senml.consumed(senml.parse(payload)), now.timestamp()):
        found = senml.cell(record)
        if isinstance(record, senml.Refused):
            refused.add(record)
            continue
        if isinstance(found, senml.Refused):
            refused.add(found)
            continue
        parts = record["n"].rsplit("/", 3)
        key = (parts[-3], parts[-2]) if len(parts) >= 3 else (cabin or "", unit or "")
        if not all(key):
            refused.add(senml.Refused(
                record.own, "the name must be <cabin>/<unit>/<quantity>, or give --cabin and --unit"))
            continue
        at_ms, column, value = found
        rows.setdefault((*key, at_ms), {}).setdefault(column, value)
    return rows, refused.all()


def _senml_chunk(
    lost: int, keys: list[tuple[str, str, int, int]], values: list[dict[str, float | bool]],
    refused: list[tuple[int, str, str, int]], now: datetime, done: int,
) -> Chunk:
    at = pd.to_datetime(np.array([key[2] for key in keys], dtype="int64"), unit="ms", utc=True)
    columns: dict[str, Any] = {column: [row.get(column) for row in values] for column in QUANTITY_COLUMNS}
    columns |= {
        "cabin": [key[0] for key in keys], "unit": [key[1] for key in keys],
        "at": at.astype("datetime64[us, UTC]")}
    batch = rounded(pd.DataFrame(columns))
    valid, bad = split(batch, pd.Timestamp(now))
    refused = refused + [
        (line, text, reason, times) for line, _, text, reason, times in by_reason(
            batch, bad, [key[3] for key in keys], values)]
    valid.index = pd.Index([keys[int(row)][3] for row in valid.index], dtype="int64")
    refused.sort(key=lambda one: one[0])
    told = refused_lines([(line, text, reason) for line, text, reason, _ in refused])
    return Chunk(lost + len(keys), valid, told.assign(times=[times for *_, times in refused]), done)
