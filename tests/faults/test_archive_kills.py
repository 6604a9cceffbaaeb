"""A process that archives, brings back and takes late rows, killed with -9 at any moment: nothing lost or doubled.

And a collector that archives beside its intake.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pandas as pd
import pytest

from ingest.db import archive, archive_files
from ingest.store import Store
from tests.conftest import Mosquitto, count, environment, publisher, senml, tarnlight, wait_for
from tests.ingest.db.archived_months import all_readings, month
from tests.ingest.ingest_streams import commit, steady

KILLS = int(os.environ.get("FAULTS_KILLS", "6"))
SEED = int(os.environ.get("FAULTS_SEED", "1"))
UNITS = (("heron-point", "main"), ("otter-cove", "main"))
TOPIC = "tarnlight/heron-point/main/log"

# Archives all, takes late rows into archived months (each noted once it is committed), brings a month back, again.
CHILD = """
import sys
from datetime import datetime, timedelta, UTC
from pathlib import Path
from ingest.archiving import archive_some, bring_back_next
from ingest.db.engine import transaction
from ingest.db.intake import keep
from ingest.store import Store
from tests.ingest.db.archived_months import month
from tests.ingest.ingest_streams import steady

store, noted, number = Store(Path(sys.argv[1])), open(sys.argv[2], "a"), int(sys.argv[3])
print("ready", flush=True)
while True:
    now = datetime.now(UTC)
    told = archive_some(store.con, {"keep_months": 2}, now, store.path)
    while told["running"]:
        told = archive_some(store.con, {"keep_months": 2, "goes_on": True}, now, store.path)
    assert not told["trouble"], told
    for back in (4, 3):
        rows = steady(month(back) + timedelta(days=9, seconds=number), 1)
        transaction(store.con, lambda: keep(store.con, rows=rows, arrived=now))
        noted.write(f"{back} {number}\\n"); noted.flush()
        number += 1
    after = ""
    while after is not None:
        told = bring_back_next(store.con, {"month": f"{month(4):%Y-%m}", "after": after}, now, store.path)
        assert not told["trouble"], told
        after = told["file"]
"""


@pytest.fixture
def filled(enrolled: Path) -> Path:
    """A store with three months past of two units, and this month's beginning."""
    store = Store(enrolled)
    for back in (5, 4, 3, 0):
        for number, key in enumerate(UNITS):
            at = month(back)
            rows = steady(at, 3000 if back else 1, *key, battery_v=12.0 + number, lamp_hours=float(back))
            commit(store, rows, at)
    store.act("evaluate", {})
    store.close()
    return enrolled


def test_killed_at_any_moment_each_reading_is_there_exactly_once(filled: Path, tmp_path: Path):
    store = Store(filled)
    first = all_readings(store)
    store.close()
    chance, noted, seen = random.Random(SEED), tmp_path / "noted", {"files": 0, "left": 0, "table": 0}
    for kill in range(KILLS):
        child = subprocess.Popen(
            [sys.executable, "-c", CHILD, str(filled), str(noted), str(100 * kill)], stdout=subprocess.PIPE,
            stderr=subprocess.PIPE, env={**environment(filled), "PYTHONPATH": os.environ.get("PYTHONPATH", "")},
            cwd=Path(__file__).parents[2])
        assert child.stdout is not None and child.stderr is not None
        assert child.stdout.readline() == b"ready\n", child.stderr.read().decode()
        time.sleep(chance.uniform(0.02, 1.2))
        child.kill()
        assert child.wait(10) == -9, child.stderr.read().decode()
        child.stdout.close()
        child.stderr.close()
        store = Store(filled)
        folder = archive_files.folder_of(filled)
        listed = archive.listed(store.con)
        seen["files"] += bool(listed)
        seen["left"] += len(list(folder.glob("*"))) > len(listed)
        seen["table"] += count(store, "reading") > 1000
        found = all_readings(store)
        assert not found.duplicated(["cabin", "unit", "at"]).any(), f"kill {kill}: twice"
        late = found[found["at"].dt.day == 10]
        told = [line.split() for line in noted.read_text().splitlines()] if noted.exists() else []
        must = {pd.Timestamp(month(int(back)) + timedelta(days=9, seconds=int(n))) for back, n in told}
        assert must <= set(late["at"]), f"kill {kill}: a row that was acknowledged is lost"
        assert len(late) <= len(must) + kill + 1  # of each kill one may have been committed and not noted
        old = found.drop(late.index).reset_index(drop=True)
        pd.testing.assert_frame_equal(old, first, check_exact=True)
        # what a start clears away is nothing that anybody reads, and after that nothing is left of the kill
        archive_files.remove_parts(folder)
        archive.clean_up(store.con, datetime.now(UTC) + timedelta(days=2))
        assert sorted(path.name for path in folder.glob("*")) == sorted(one.file for one in listed)
        pd.testing.assert_frame_equal(all_readings(store), found, check_exact=True)
        store.close()
    print(f"{KILLS} kills: with files listed {seen['files']}, with something left {seen['left']}, with months in "
          f"the table {seen['table']}")
    assert seen["files"] and seen["left"]


# a day of minutes, a week, or nearly all of a month; how long the intake is held says nothing on a busy machine
@pytest.mark.parametrize(
    "minutes", [1_500, *(pytest.param(many, marks=pytest.mark.slow) for many in (10_000, 40_000))])
def test_a_collector_archives_beside_its_intake(
    mosquitto: Mosquitto, make_collector, enrolled: Path, minutes: int
):
    store = Store(enrolled)
    for back in (4, 3):
        for key in (*UNITS, ("otter-cove", "annex")):
            commit(store, steady(month(back), minutes, *key, battery_v=12.0), month(back))
    for key in (*UNITS, ("otter-cove", "annex")):  # heard up to now, as units are
        commit(store, steady(datetime.now(UTC) - timedelta(days=1), 1380, *key, battery_v=12.0))
    store.act("evaluate", {})
    store.close()
    collector = make_collector(mosquitto.url)
    stop, sent = threading.Event(), [0]
    first = datetime.now(UTC).replace(microsecond=0) - timedelta(minutes=30)

    def send() -> None:
        with publisher(mosquitto.port) as sender:
            while not stop.is_set():
                at = first + timedelta(milliseconds=20 * sent[0])
                sender.publish(TOPIC, senml(at, battery=12.0), 1).wait_for_publish(20)
                sent[0] += 1
                time.sleep(0.02)

    def messages() -> int:
        return count(asks, "reading", f"\"at\" >= TIMESTAMPTZ '{first.isoformat()}'")

    asks = collector.client()
    thread = threading.Thread(target=send)
    thread.start()
    try:
        wait_for(lambda: messages() > 20, 20, "messages come in")
        measured = minutes >= 10_000
        alone = longest_gap(messages, lambda began: time.monotonic() < began + 5.0) if measured else 0.0
        done: list[subprocess.CompletedProcess[str]] = []
        command = threading.Thread(target=lambda: done.append(
            tarnlight(enrolled, "archive", "--keep-months", "2")))
        command.start()
        beside = longest_gap(messages, lambda _: command.is_alive()) if measured else 0.0
        command.join()
    finally:
        stop.set()
        thread.join()
    assert done[0].returncode == 0, done[0].stderr
    assert "6 units x month archived" in done[0].stdout
    wait_for(lambda: messages() == sent[0], 20, "all that was sent is stored")
    if measured:
        print(f"longest time without a message taken in: {alone:.2f} s, {beside:.2f} s beside the archiving")
        assert beside < 0.5 + 2 * alone + 1.0 * (os.getloadavg()[0] > 4)  # a crowded machine holds up anything
    assert count(asks, "archived_reading") == 6
    assert count(asks, "reading", f"\"at\" < TIMESTAMPTZ '{month(2).isoformat()}'") == 0
    # a message that comes late brings its own unit's month back, and is there once
    publish_late(mosquitto, month(4) + timedelta(minutes=minutes + 1))
    wait_for(lambda: count(asks, "archived_reading") == 5, 20, "its month is back")
    assert count(asks, "reading", f"\"at\" < TIMESTAMPTZ '{month(3).isoformat()}'") == minutes + 1
    brought = tarnlight(enrolled, "archive", "--bring-back", f"{month(3):%Y-%m}")
    assert brought.returncode == 0 and f"{3 * minutes:,} readings" in brought.stdout, brought.stderr
    assert collector.terminate() == 0


def longest_gap(messages: Callable[[], int], goes_on: Callable[[float], bool]) -> float:
    """The longest time in which no message was taken in, as seen from outside. [s]"""
    began = since = time.monotonic()
    last, longest = messages(), 0.0
    while goes_on(began):
        now = messages()
        if now > last:
            longest, last, since = max(longest, time.monotonic() - since), now, time.monotonic()
        time.sleep(0.01)
    return max(longest, time.monotonic() - since)


def publish_late(mosquitto: Mosquitto, at: datetime) -> None:
    with publisher(mosquitto.port) as sender:
        sender.publish(TOPIC, senml(at, battery=12.0), 1).wait_for_publish(20)
