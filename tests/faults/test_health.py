"""A real collector asked for its health while its broker goes and comes back, and while the disk has no room."""

from __future__ import annotations

import contextlib
import json
import shutil
import urllib.error
import urllib.request
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from tests.conftest import Mosquitto, Running, count, free_port, listens, publish, senml, wait_for

TOPIC = "tarnlight/heron-point/main/log"


def healthz(port: int) -> tuple[int, list[str]]:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/healthz", timeout=20) as answer:
            return answer.status, json.loads(answer.read())["reasons"]
    except urllib.error.HTTPError as error:
        return error.code, json.loads(error.read())["reasons"]


def metrics(port: int) -> dict[str, float]:
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=20) as answer:
        text = answer.read().decode()
    assert "heron" not in text and "tmp" not in text
    return {one.name: one.value for family in text_string_to_metric_families(text) for one in family.samples}


def test_its_health_follows_the_broker_and_its_figures_what_came(
    mosquitto: Mosquitto, make_collector: Callable[..., Running]
):
    port = free_port()
    collector = make_collector(mosquitto.url, "--health-port", str(port))
    wait_for(lambda: healthz(port) == (200, []), 30, "it is well")
    at = datetime.now(UTC) - timedelta(minutes=30)
    publish(mosquitto.port, TOPIC, *[
        senml(at + timedelta(minutes=k), lamp=False, power=False, flow=1e-4) for k in range(20)], "nonsense")
    wait_for(lambda: metrics(port)["tarnlight_messages_total"] == 21, 30, "all of it is counted")
    wait_for(lambda: metrics(port)["tarnlight_advisories_standing"] == 1, 60, "water ran past a dark lamp")
    found = metrics(port)
    assert found["tarnlight_readings_stored_total"] == count(collector.client(), "reading") == 20
    assert found["tarnlight_records_refused_total"] == 1
    assert found["tarnlight_last_judged_timestamp_seconds"] > at.timestamp()
    assert found["tarnlight_disk_free_bytes"] > 0
    assert (found["tarnlight_healthy"], found["tarnlight_own_clock_suspect"]) == (1, 0)
    mosquitto.stop()
    wait_for(lambda: healthz(port) == (503, ["not connected to the broker"]), 30, "it says what is wrong")
    mosquitto.start()
    wait_for(lambda: healthz(port) == (200, []), 60, "it is well again")
    assert collector.terminate() == 0
    assert not listens(port)


def test_a_disk_without_room_is_told(mosquitto: Mosquitto, make_collector: Callable[..., Running], tmp_path: Path):
    if shutil.disk_usage(tmp_path).free >= 10**6 * 2**20:
        pytest.skip("more room is left here than any floor")
    (tmp_path / "floor.toml").write_text("disk_floor_mb = 1000000\n")
    port = free_port()
    make_collector(mosquitto.url, "--health-port", str(port), "--config", str(tmp_path / "floor.toml"))
    wait_for(lambda: healthz(port) == (503, ["the disk is nearly full: nothing is taken in"]), 30, "it is told")
    assert metrics(port)["tarnlight_disk_full"] == 1


def listening(one: Running) -> list[str]:
    """Addresses that a process listens on, as the kernel writes them."""
    assert one.process is not None
    held = set()
    for file in Path(f"/proc/{one.process.pid}/fd").iterdir():
        with contextlib.suppress(OSError):
            held.add(str(file.readlink()))
    tables = [Path("/proc/net", name).read_text().splitlines()[1:] for name in ("tcp", "tcp6")]
    table = [line.split() for lines in tables for line in lines]
    return [row[1] for row in table if row[3] == "0A" and f"socket:[{row[9]}]" in held]


@pytest.mark.skipif(not Path("/proc/net/tcp").exists(), reason="reads Linux's own account of sockets")
def test_it_listens_on_one_more_port_of_loopback_only_where_that_is_asked_for(
    mosquitto: Mosquitto, make_collector: Callable[..., Running]
):
    plain = make_collector(mosquitto.url)
    before = listening(plain)
    assert before  # the store's own server
    plain.terminate()
    port = free_port()
    more = listening(make_collector(mosquitto.url, "--health-port", str(port)))
    assert len(more) == len(before) + 1
    assert f"0100007F:{port:04X}" in more
