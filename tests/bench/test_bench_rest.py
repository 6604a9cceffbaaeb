"""What a collector costs while nothing comes: a demo of thirteen units with ten days of past.

`pytest -m bench tests/bench/test_bench_rest.py -s`; on Linux, since it reads /proc.
"""

from __future__ import annotations

import os
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from dashboard.commands.demo import write_past
from ingest import private_files
from ingest.settings import Settings
from ingest.store import Store
from simulated_feeds import fleet_toml
from tests.conftest import Running

pytestmark = pytest.mark.bench
UNITS, DAYS = 13, 10
WATCHED_S = float(os.environ.get("REST_S", "120"))
SHARE_PCT = 1.0  # of a core: the figure to hold
MEMORY_MIB = 250.0


def processor_s(pid: int) -> float:
    """Seconds of processor that a process has had, with the system's for it. [s]"""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def memory_mib(pid: int) -> float:
    """What of it lies in memory, files that it has mapped among it. [MiB]"""
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 2**20


@pytest.fixture
def collector(mosquitto, store_path):
    one = Running(Settings(store=store_path, broker=mosquitto.url), store_path.with_name("collector.log"))
    yield one
    one.kill()


def test_a_collector_at_rest_takes_a_hundredth_of_a_core(collector):
    private_files.make_folder(collector.settings.store.parent)
    store = Store(collector.settings.store)
    units = list(write_past(store, fleet_toml(12), days=DAYS, seed=1, live_from=datetime.now(UTC)))
    assert len(units) == UNITS
    store.close()
    collector.start()
    time.sleep(15)  # what was owed is paid, what is needed now and then is loaded
    pid = collector.process.pid
    before, began = processor_s(pid), time.monotonic()
    time.sleep(WATCHED_S)
    share_pct = 100 * (processor_s(pid) - before) / (time.monotonic() - began)
    print(f"{UNITS} units at rest: {share_pct:.2f} % of a core, {memory_mib(pid):.0f} MiB")
    assert share_pct <= SHARE_PCT and memory_mib(pid) <= MEMORY_MIB
