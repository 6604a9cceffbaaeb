"""The collector beside other processes: who reads, who restarts, who is refused, how it ends."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta

import pytest

from ingest.db.engine import Remote
from ingest.settings import StoreUnavailable
from ingest.store import Store, open_store
from tests.conftest import Mosquitto, Running, count, environment, free_port, publish, senml, tarnlight, wait_for

TOPIC = "tarnlight/heron-point/main/log"

READER = """
import sys, time
from pathlib import Path
from ingest.settings import Settings, StoreUnavailable
from ingest.store import client

asked = failed = 0
while True:
    try:
        store = client(Settings(store=Path(sys.argv[1])))
        while True:
            n = store.ask("SELECT count(*) AS n FROM reading")["n"].iloc[0]
            asked += 1
            print(asked, failed, n, flush=True)
            time.sleep(0.02)
    except StoreUnavailable:
        failed += 1
        print(asked, failed, -1, flush=True)
        time.sleep(0.1)
"""


def packs(first: int, n: int) -> list[str]:
    start = datetime.now(UTC).replace(microsecond=0) - timedelta(days=2)
    return [senml(start + timedelta(seconds=30 * s), battery=12.0) for s in range(first, first + n)]


def test_another_process_reads_while_the_collector_writes_and_either_restarts_without_the_other(
    mosquitto: Mosquitto, collector: Running
):
    log = collector.log.with_name("reader.log")

    def reader() -> subprocess.Popen[bytes]:
        with log.open("wb") as out:
            return subprocess.Popen(
                [sys.executable, "-c", READER, str(collector.settings.store)],
                stdout=out,
                env=environment(collector.settings.store),
            )

    def seen() -> tuple[int, int, int]:
        lines = log.read_text().splitlines()
        asked, failed, rows = (int(part) for part in lines[-1].split()) if lines else (0, 0, 0)
        return asked, failed, rows

    process = reader()
    try:
        publish(mosquitto.port, TOPIC, *packs(0, 400))
        wait_for(lambda: seen()[2] == 400, 20, f"the reader sees all while it is written; {seen()}")
        assert seen()[1] == 0  # never refused while both ran
        process.kill()  # the reader restarts: the collector goes on
        process.wait(10)
        publish(mosquitto.port, TOPIC, *packs(400, 100))
        process = reader()
        wait_for(lambda: seen()[2] == 500, 20, "a new reader sees what came meanwhile")
        assert collector.process is not None
        assert collector.process.poll() is None
        collector.kill()  # the collector restarts: the reader goes on
        publish(mosquitto.port, TOPIC, *packs(500, 100))
        collector.start()
        wait_for(lambda: seen()[2] == 600, 20, f"the same reader sees what the new collector writes; {seen()}")
        assert process.poll() is None
        assert seen()[1] > 0  # it did notice
    finally:
        process.kill()
        process.wait(10)


def test_the_store_is_served_to_its_owner_alone(collector: Running):
    path = collector.settings.address_file
    assert path.stat().st_mode & 0o777 == 0o600
    found = json.loads(path.read_text())
    assert found["address"].startswith("quack:localhost:")
    assert len(found["token"]) >= 32
    with pytest.raises(StoreUnavailable, match="refused this process's token"):
        Remote(found["address"], "not-the-token").ask("SELECT * FROM reading")
    with pytest.raises(StoreUnavailable, match="held by another process"):
        Store(collector.settings.store)
    port = int(found["address"].rsplit(":", 1)[1])
    listening = subprocess.run(["ss", "-ltnH"], capture_output=True, text=True, check=False).stdout
    mine = [line.split()[3] for line in listening.splitlines() if line.split()[3].endswith(f":{port}")]
    assert all(address.startswith(("127.", "[::1]")) for address in mine)


def test_the_token_is_new_at_each_start_and_in_no_log_or_command_line(collector: Running):
    first = json.loads(collector.settings.address_file.read_text())["token"]
    assert collector.process is not None
    listed = subprocess.run(
        ["ps", "-ww", "-o", "args=", "-p", str(collector.process.pid)], capture_output=True, text=True, check=True
    )
    assert first not in listed.stdout
    assert collector.terminate() == 0
    collector.start()
    assert json.loads(collector.settings.address_file.read_text())["token"] != first
    assert first not in collector.log.read_text()


def test_sigterm_ends_it_within_seconds_and_leaves_the_store_whole(mosquitto: Mosquitto, collector: Running):
    publish(mosquitto.port, TOPIC, *packs(0, 500))
    store = collector.client()
    wait_for(lambda: count(store, "reading") > 0, 10, "rows come in")
    # within the 10 s after which what runs services kills (common practice, no source), and as long again for a
    # processor that others have
    assert collector.terminate(within_s=20) == 0
    assert not collector.settings.address_file.exists()
    opened = Store(collector.settings.store)
    assert 0 < count(opened, "reading") <= 500
    opened.close()
    collector.start()  # and nothing was lost
    store = collector.client()
    wait_for(lambda: count(store, "reading") == 500, 10, "the rest comes after the restart")


def test_sigterm_ends_it_too_while_no_broker_answers(make_collector):
    collector = make_collector(f"mqtt://127.0.0.1:{free_port()}", connected=False)
    wait_for(lambda: not collector.client().ask("SELECT connected FROM process")["connected"][0], 5, "it runs")
    assert collector.terminate(within_s=20) == 0


def test_a_collector_started_before_its_broker_connects_when_that_comes_up(mosquitto: Mosquitto, make_collector):
    mosquitto.stop()
    collector = make_collector(mosquitto.url, connected=False)
    time.sleep(0.5)
    assert not collector.connected()
    mosquitto.start()
    wait_for(collector.connected, 20, f"it connects; {collector.told()}")
    publish(mosquitto.port, TOPIC, *packs(0, 1))
    store = collector.client()
    wait_for(lambda: count(store, "reading") == 1, 5, "and takes what comes")


def test_a_broker_that_restarts_is_found_again(mosquitto: Mosquitto, collector: Running):
    publish(mosquitto.port, TOPIC, *packs(0, 1))
    mosquitto.stop()
    time.sleep(0.3)
    mosquitto.start()
    publish(mosquitto.port, TOPIC, *packs(1, 1))
    store = collector.client()
    wait_for(lambda: count(store, "reading") == 2, 20, "it connects again")


def test_after_a_kill_commands_open_the_file_themselves(collector: Running):
    collector.kill()
    assert collector.settings.address_file.exists()  # it had no time to tidy up
    store = open_store(collector.settings)
    assert isinstance(store, Store)
    store.close()
    done = tarnlight(collector.settings.store, "status", "--json")
    assert done.returncode == 0
    assert len(json.loads(done.stdout)) == 3


def test_a_second_collector_of_one_store_is_refused(collector: Running):
    done = tarnlight(collector.settings.store, "collect", "--broker", collector.settings.broker, within_s=60)
    assert done.returncode == 1
    assert "held by another process" in done.stderr
    assert count(collector.client(), "unit") == 3  # the first goes on


def test_a_collector_waits_for_a_command_that_holds_the_store(mosquitto: Mosquitto, enrolled, make_collector):
    import threading

    store = Store(enrolled)
    timer = threading.Timer(3, store.close)
    timer.start()
    collector = make_collector(mosquitto.url)
    assert count(collector.client(), "unit") == 3
    timer.join()


def test_a_request_is_not_done_twice_by_a_collector_that_was_killed(mosquitto: Mosquitto, collector: Running):
    client = collector.client()
    client.act(
        "record-service",
        {"kind": "note", "cabin": "heron-point", "unit": "main", "at": datetime.now(UTC).isoformat(), "who": "Kim"},
    )
    collector.kill()
    collector.start()
    again = collector.client()
    assert count(again, "service_event") == 1
    assert count(again, "request") == 0


def test_a_request_that_cannot_be_done_is_answered_and_the_collector_goes_on(collector: Running):
    from ingest.settings import BadInput

    client = collector.client()
    for kind, body, match in (
        ("nonsense", {}, "unknown action 'nonsense'"),
        ("rows", {}, "rows failed in the collector"),
        ("rows", {"file": "../../etc/passwd"}, "must be a bare name of the spool"),
        ("release-backup", {"id": "x"}, "make another"),
        ("enroll", {"text": "x ="}, "fleet.toml"),
        ("record-service", {"kind": "note", "at": "yesterday", "who": "K", "cabin": "a", "unit": "b"}, "ISO 8601"),
        (
            "record-service",
            {"kind": "note", "at": "2026-01-01T00:00:00Z", "who": "K", "cabin": "a", "unit": "b"},
            "no unit 'b' of cabin 'a' is enrolled; enrolled are: heron-point/main",
        ),
    ):
        with pytest.raises(BadInput, match=match):
            client.act(kind, body)
    assert count(client, "request") == 0
    assert count(client, "unit") == 3
