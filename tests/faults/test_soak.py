"""Half an hour at 500 messages a second from 100 units: memory stays, nothing is late, a backup goes on beside it.

`pytest -m soak -s tests/faults/test_soak.py`; SOAK_S makes it shorter (180 for a try).
"""

from __future__ import annotations

import os
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from ingest.db import snapshot
from ingest.settings import Settings
from ingest.store import Client, Store
from tests.conftest import REACTOR, Mosquitto, Running, cabin_toml, tarnlight, wait_for
from tests.faults.fire import honest, reckon, table

SOAK_S = float(os.environ.get("SOAK_S", "1800"))
SETTLED_S = min(300.0, SOAK_S / 3)  # memory is flat from then on
UNITS, A_SECOND = 100, 500.0
MOST_LATE_S, MOST_GROWTH = 5.0, 0.05
CABINS = tuple(f"cabin-{n:03d}" for n in range(UNITS))
# Per unit how far its newest stored reading lies back; bounded to the last minutes, as a person's question is.
_NEWEST = """SELECT cabin, epoch(max("at")) AS newest FROM reading
    WHERE "at" > to_timestamp($since) GROUP BY cabin"""


@dataclass
class Watched:
    """What is seen of a collector from outside, second by second."""

    client: Client
    seconds: list[float] = field(default_factory=list)
    megabytes: list[float] = field(default_factory=list)
    late_s: list[float] = field(default_factory=list)

    def look(self, collector: Running, at_s: float) -> None:
        assert collector.process is not None
        lines = Path(f"/proc/{collector.process.pid}/status").read_text().splitlines()
        self.megabytes.append(next(int(line.split()[1]) for line in lines if line.startswith("VmRSS")) / 1024)
        found = self.client.ask(_NEWEST, {"since": time.time() - 120})
        assert len(found) == UNITS, f"{UNITS - len(found)} units have nothing of the last two minutes"
        self.late_s.append(time.time() - float(found["newest"].min()))  # an upper bound: a unit sends each 0.2 s
        self.seconds.append(at_s)


@pytest.mark.soak
@pytest.mark.timeout(7200)
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="memory is read as Linux tells it")
def test_memory_stays_and_nothing_is_late(mosquitto: Mosquitto, tmp_path: Path):
    path = tmp_path / "data" / "tarnlight.duckdb"
    store = Store(path)
    store.act("enroll", {"text": REACTOR + "".join(cabin_toml(slug, "main") for slug in CABINS)})
    store.close()
    collector = Running(Settings(store=path, broker=mosquitto.url), path.with_name("collector.log"))
    collector.start()
    seen, backup_s = Watched(collector.client()), 0.0
    try:
        with honest(mosquitto.port, CABINS) as load:
            with load.running(A_SECOND):
                begun = time.monotonic()
                time.sleep(5)
                while (at_s := time.monotonic() - begun) < SOAK_S:
                    seen.look(collector, at_s)
                    if not backup_s and at_s > SOAK_S / 2:
                        asked = time.monotonic()
                        done = tarnlight(path, "backup", str(tmp_path / "copy.duckdb"))
                        assert done.returncode == 0, done.stderr
                        backup_s = time.monotonic() - asked
                    time.sleep(1)
                took_s = time.monotonic() - begun
            wait_for(lambda: seen.client.ask("SELECT count(*) AS n FROM reading")["n"][0] >= len(load.sent), 60,
                     "all is stored")
            assert collector.terminate(60) == 0
            row = reckon(f"{UNITS} units, {took_s:.0f} s", load, path)
    finally:
        if collector.process is not None and collector.process.poll() is None:
            collector.kill()
    print(table([row]))
    at, memory, late = map(np.array, (seen.seconds, seen.megabytes, seen.late_s))
    span = max(10.0, SETTLED_S / 3)
    first = float(np.median(memory[(at >= SETTLED_S) & (at < SETTLED_S + span)]))
    last = float(np.median(memory[at >= at[-1] - span]))
    print(f"{row.published / took_s:.0f} readings a second; memory {first:.0f} MB after {SETTLED_S:.0f} s, "
          f"{last:.0f} MB at the end ({100 * (last / first - 1):+.1f} %), {memory.max():.0f} at most; "
          f"seen from outside at most {late.max():.1f} s late; the backup took {backup_s:.1f} s")
    assert row.whole
    assert snapshot.require_whole(tmp_path / "copy.duckdb", 1) > 0
    assert row.published / took_s > 0.98 * A_SECOND, "the machine is too slow to send that much"
    assert last <= first * (1 + MOST_GROWTH)
    assert late.max() < MOST_LATE_S
    assert row.worst_s < MOST_LATE_S
