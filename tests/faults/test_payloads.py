"""Generated payloads at the decoder: none stops it, none costs more than a second or 100 MB.

FUZZ_PAYLOADS says how many (100,000 where `pytest -m faults` runs it), FUZZ_SEED which.
"""

from __future__ import annotations

import math
import os
import random
import time
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
import pytest

from ingest.db.intake import Message, decode
from ingest.db.schema import QUANTITY_COLUMNS
from tests.faults.payloads import NOW_S, payload

MOST_S, MOST_MB = 1.0, 100.0
BATCH = 250
BUSY = 5  # times as long as on a machine of its own, that a payload seems to take beside others' work
UNIT = ("alder", "main")
NOW = pd.Timestamp(NOW_S, unit="s", tz="UTC")


def _message(one: bytes) -> Message:
    return Message("tarnlight/alder/main/log", one, datetime.fromtimestamp(NOW_S, UTC))


def _resident_mb(name: str) -> float:
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(name)) / 1024


def _cost(payloads: list[bytes]) -> tuple[float, float, int, int]:
    """Processor seconds, peak megabytes, rows and refused records of decoding these in one batch."""
    Path("/proc/self/clear_refs").write_text("5")  # the peak counts from here (Linux, proc(5))
    before, begun = _resident_mb("VmRSS"), time.process_time()
    found = decode([_message(one) for one in payloads], {UNIT}, NOW)
    seconds = time.process_time() - begun
    megabytes = _resident_mb("VmHWM") - before
    values = found.rows[list(QUANTITY_COLUMNS)].astype("float64")
    assert not values.map(math.isinf).to_numpy().any()
    assert found.rows["at"].max() <= NOW + pd.Timedelta(minutes=5) if len(found.rows) else True
    assert (found.refused["reason"].str.len() < 3_000).all()
    return seconds, megabytes, len(found.rows), int(found.refused["times"].sum())


def hold(count: int, seed: int) -> None:
    """Decode so many, in batches; a batch that costs more than one payload may is taken apart."""
    dice = random.Random(seed)
    decode([_message(b'[{"n":"flow","v":1},{"n":"uvt","v":9}]')], {UNIT}, NOW)  # what a first call loads
    done, size, worst_s, worst_mb = 0, 0, 0.0, 0.0
    rows = refused = 0
    begun = time.monotonic()
    while done < count:
        batch = [payload(dice) for _ in range(min(BATCH, count - done))]
        seconds, megabytes, good, bad = _cost(batch)
        assert good + bad
        if seconds > MOST_S or megabytes > MOST_MB:
            alone = [_cost([one])[:2] for one in batch]
            seconds, megabytes = max(one[0] for one in alone), max(one[1] for one in alone)
            assert seconds <= MOST_S * BUSY, f"{seconds:.2f} s, after {done} of seed {seed}"
            assert megabytes <= MOST_MB, f"{megabytes:.0f} MB, after {done} of seed {seed}"
        worst_s, worst_mb = max(worst_s, seconds), max(worst_mb, megabytes)
        rows, refused, done = rows + good, refused + bad, done + len(batch)
        size += sum(map(len, batch))
    print(f"{done:,} payloads of {size / 1e6:,.0f} MB in {time.monotonic() - begun:.0f} s: {rows:,} rows, "
          f"{refused:,} refused; none took more than {worst_s:.2f} s and {worst_mb:.0f} MB")
    assert rows > count / 20  # many are sound at heart: the decoder's inside is reached
    assert refused > count / 20


pytestmark = pytest.mark.skipif(not Path("/proc/self/clear_refs").exists(), reason="measures as Linux tells it")


def test_three_thousand_payloads():
    hold(3_000, 7)


@pytest.mark.faults
@pytest.mark.timeout(20_000)
def test_a_hundred_thousand_payloads():
    hold(int(os.environ.get("FUZZ_PAYLOADS", "100000")), int(os.environ.get("FUZZ_SEED", "1")))
