"""A collector killed with -9 in mid-stream: every message that the broker accepted is in the store exactly once."""

from __future__ import annotations

import threading
import time
from datetime import UTC, datetime, timedelta

import pytest

from tests.conftest import Mosquitto, count, publisher, senml, wait_for

TOPIC = "tarnlight/heron-point/main/log"
START = datetime(2026, 11, 1, tzinfo=UTC)


def send(port: int, messages: int, accepted: list[int], pace_s: float) -> None:
    """Publish `messages` packs at QoS 1, each of its own second; notes which the broker accepted."""
    start = datetime.now(UTC).replace(microsecond=0) - timedelta(days=3)
    with publisher(port, client_id="stream") as sender:
        sent = []
        for n in range(messages):
            sent.append(sender.publish(TOPIC, senml(start + timedelta(seconds=n), battery=10.0 + n % 5), qos=1))
            if n % 50 == 49:
                time.sleep(pace_s)
        for n, one in enumerate(sent):
            one.wait_for_publish(60)
            if one.is_published():
                accepted.append(n)


def kill_in_midstream(make_collector, url: str, port: int, *, messages: int, kills: int, pace_s: float) -> None:
    collector = make_collector(url)
    accepted: list[int] = []
    thread = threading.Thread(target=send, args=(port, messages, accepted, pace_s))
    thread.start()
    found_at_kill = []
    for number in range(kills):
        enough = messages * (number + 0.3) / (kills + 1)
        store = collector.client()
        while (found := count(store, "reading")) < enough and thread.is_alive():
            time.sleep(0.02)
        found_at_kill.append(found)
        collector.kill()
        collector.start()
    thread.join(120)
    assert len(accepted) == messages
    store = collector.client()
    until = time.monotonic() + 60
    while count(store, "reading") < messages and time.monotonic() < until:
        time.sleep(0.1)
    time.sleep(0.5)  # for what might come twice
    rows = store.ask('SELECT count(*) AS n, count(DISTINCT "at") AS instants, sum(battery_v) AS volts FROM reading')
    print(f"rows at each kill {found_at_kill}, at the end {rows['n'][0]} of {messages}")
    assert rows["n"][0] == messages
    assert rows["instants"][0] == messages
    assert rows["volts"][0] == pytest.approx(sum(10.0 + n % 5 for n in range(messages)))
    assert any(0 < n < messages for n in found_at_kill), "no kill fell into the stream"
    assert count(store, "quarantine") == 0
    wait_for(lambda: count(store, "pending") == 0, 30, "all is worked out")
    # and what is derived is whole: the intervals tile all of the time
    tiled = store.ask('SELECT sum(seconds) AS s, max("end") - min(start) AS span FROM segment').iloc[0]
    assert tiled["s"] == pytest.approx(tiled["span"].total_seconds())
    assert collector.terminate() == 0


def test_through_mosquitto_every_accepted_message_is_stored_exactly_once(mosquitto: Mosquitto, make_collector):
    kill_in_midstream(make_collector, mosquitto.url, mosquitto.port, messages=2000, kills=2, pace_s=0.12)


@pytest.mark.slow
def test_through_the_embedded_broker_every_accepted_message_is_stored_exactly_once(iotcore_port, make_collector):
    kill_in_midstream(
        make_collector, f"mqtt://127.0.0.1:{iotcore_port}", iotcore_port, messages=1500, kills=2, pace_s=0.2
    )


@pytest.mark.soak
def test_twelve_kills_lose_nothing(mosquitto: Mosquitto, make_collector):
    kill_in_midstream(make_collector, mosquitto.url, mosquitto.port, messages=30_000, kills=12, pace_s=0.1)


def test_what_the_broker_keeps_through_its_own_restart_is_stored_too(mosquitto: Mosquitto, make_collector):
    collector = make_collector(mosquitto.url)
    collector.kill()
    accepted: list[int] = []
    send(mosquitto.port, 300, accepted, 0.0)
    mosquitto.stop()
    mosquitto.start()
    collector.start()
    store = collector.client()
    until = time.monotonic() + 20
    while count(store, "reading") < 300 and time.monotonic() < until:
        time.sleep(0.1)
    assert count(store, "reading") == len(accepted) == 300
