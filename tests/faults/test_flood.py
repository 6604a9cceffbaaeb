"""One topic that floods, beside ten honest ones: these go on, nothing is lost, and the flood fills nothing."""

from __future__ import annotations

import shutil
import subprocess
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from ingest import private_files
from ingest.settings import Settings
from ingest.store import Store
from tests.conftest import (
    REACTOR,
    Mosquitto,
    Running,
    cabin_toml,
    count,
    publish,
    publisher,
    senml,
    tarnlight,
    wait_for,
)

HONEST = [f"honest-{k}" for k in range(10)]
FLOOD = "tarnlight/flood/main/log"
MANY = 12_000
LATE_S = 60.0  # on a busy machine; with every payload stored whole the first of these floods took over two minutes
T = datetime.now(UTC).replace(microsecond=0) - timedelta(days=3)

KINDS: dict[str, Callable[[int], str]] = {
    "refused": lambda n: f"{'[' * 4_100}{n}",
    "good": lambda n: senml(T + timedelta(seconds=n), lamp=True, intensity=60.0, battery=12.0),
    "doubled": lambda n: senml(T, lamp=True, intensity=60.0, battery=12.0),
}


@pytest.fixture
def eleven(tmp_path: Path, mosquitto: Mosquitto) -> Iterator[Running]:
    """A collector of eleven cabins."""
    store = tmp_path / "data" / "tarnlight.duckdb"
    private_files.make_folder(store.parent)
    held = Store(store)
    held.act("enroll", {"text": REACTOR + "".join(cabin_toml(name, "main") for name in [*HONEST, "flood"])})
    held.close()
    one = Running(Settings(store=store, broker=mosquitto.url), tmp_path / "collector.log")
    one.start()
    yield one
    if one.process is not None and one.process.poll() is None:
        one.kill()


@pytest.mark.parametrize(
    "kind", ["refused", *(pytest.param(one, marks=pytest.mark.slow) for one in ("good", "doubled"))])
def test_ten_honest_loggers_go_on_beside_one_that_floods(mosquitto: Mosquitto, eleven: Running, kind: str):
    sender = shutil.which("mosquitto_pub")
    if sender is None:
        pytest.skip("mosquitto_pub is not installed (Debian: apt-get install mosquitto-clients)")
    store = eleven.client()
    publish(mosquitto.port, "tarnlight/honest-0/main/log", "an honest one's fault")
    lines = "".join(KINDS[kind](n) + "\n" for n in range(MANY))
    begun = time.monotonic()
    with subprocess.Popen(
        [sender, "-h", "127.0.0.1", "-p", str(mosquitto.port), "-q", "1", "-t", FLOOD, "-l"], stdin=subprocess.PIPE,
        text=True,
    ) as flooding, publisher(mosquitto.port) as honest:
        assert flooding.stdin is not None
        published = 0
        quarter = len(lines) // 8
        for part in range(8):
            flooding.stdin.write(lines[part * quarter:(part + 1) * quarter if part < 7 else None])
            flooding.stdin.flush()
            for name in HONEST:
                honest.publish(f"tarnlight/{name}/main/log", senml(datetime.now(UTC), battery=12.0), qos=1)
                published += 1
        flooding.stdin.close()
        flooding.wait(120)
    wait_for(lambda: count(store, "reading", "cabin LIKE 'honest%'") == published, 120, "every honest reading")
    late = store.ask("""
        SELECT max(epoch(arrived_at) - epoch("at")) AS s FROM reading WHERE cabin LIKE 'honest%'""")["s"].iloc[0]
    wait_for(lambda: int(store.ask("SELECT messages FROM process")["messages"].iloc[0]) == MANY + published + 1,
             120, "every message is counted")
    speed = MANY / (time.monotonic() - begun)
    print(f"{kind}: {speed:.0f} messages a second; honest ones at most {late:.1f} s late")
    assert late < LATE_S
    refused = store.ask("SELECT source, sum(times) AS records, count(*) AS rows FROM quarantine GROUP BY ALL")
    by_topic = refused.set_index("source")
    assert by_topic["records"].get("tarnlight/honest-0/main/log") == 1  # nobody else's went
    if kind != "refused":
        assert count(store, "reading", "cabin = 'flood'") == (MANY if kind == "good" else 1)
        assert FLOOD not in by_topic.index
        return
    assert by_topic["records"][FLOOD] == MANY
    assert by_topic["rows"][FLOOD] < 60
    assert len(list(eleven.settings.aside.iterdir())) < 60
    wait_for(lambda: count(store, "topic_flood"), 10, "it is written down")
    for words in (("doctor",), ("quarantine", "list")):
        assert f"{FLOOD} sent up to" in tarnlight(eleven.settings.store, *words).stdout


def test_a_collector_killed_in_the_flood_has_lost_no_number(mosquitto: Mosquitto, eleven: Running):
    lines = [f'[{{"n":"battery","v":"x{n}"}}]' for n in range(3_000)]
    store = eleven.client()
    with publisher(mosquitto.port) as flooding:
        for line in lines:
            flooding.publish(FLOOD, line, qos=1)
        wait_for(lambda: count(store, "quarantine"), 60, "it is taken in")
        eleven.kill()
        eleven.start()
    total = "SELECT coalesce(sum(times), 0)::BIGINT AS n FROM quarantine"
    store = eleven.client()
    # what was not acknowledged comes again: a number may be told twice, and none is lost
    wait_for(lambda: int(store.ask(total)["n"].iloc[0]) >= len(lines), 60, "every one of them is counted")
    assert count(store, "quarantine") < 100
