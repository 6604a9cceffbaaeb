"""Loggers against a real broker: wills, backlogs, stopping, and a broker that is not there."""

import json
import shutil
import socket
import subprocess
import threading
import time
import tomllib
from collections import defaultdict
from datetime import UTC, datetime, timedelta

import paho.mqtt.client as mqtt
import pytest

from simulated_feeds import fleet_toml, history_frames
from simulated_feeds.feed import publish_history, run_feed
from tests.conftest import free_port

NOW = datetime(2026, 11, 25, 16, 0, tzinfo=UTC)
pytestmark = pytest.mark.broker


def fleet(*cabins):
    found = tomllib.loads(fleet_toml(12, 1, now=NOW))
    return {**found, "cabin": [one for one in found["cabin"] if one["slug"] in cabins]}


@pytest.fixture
def broker(tmp_path):
    program = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
    if shutil.which(program) is None:
        pytest.skip("mosquitto is not installed")
    port = free_port()
    conf = tmp_path / "mosquitto.conf"
    conf.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\n")
    process = subprocess.Popen([program, "-c", str(conf)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    until = time.monotonic() + 10
    while time.monotonic() < until:
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                break
        time.sleep(0.05)
    yield f"mqtt://127.0.0.1:{port}"
    process.terminate()
    process.wait(10)


@pytest.fixture
def heard(broker):
    """What a subscriber got, by topic."""
    got, ready = defaultdict(list), threading.Event()
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    client.on_connect = lambda one, *_: one.subscribe("tarnlight/#", qos=1)
    client.on_subscribe = lambda *_: ready.set()
    client.on_message = lambda _c, _u, message: got[message.topic].append(message)
    client.connect("127.0.0.1", int(broker.rsplit(":", 1)[1]))
    client.loop_start()
    assert ready.wait(5)
    yield got
    client.disconnect()
    client.loop_stop()


def settled(got, topic, count):
    until = time.monotonic() + 5
    while len(got[topic]) < count and time.monotonic() < until:
        time.sleep(0.02)
    return [message.payload.decode() for message in got[topic]]


def test_a_logger_without_link_leaves_its_will_and_sends_its_backlog_in_one_message(broker, heard):
    run_feed(broker, fleet("otter-ledge"), start=NOW, until=NOW + timedelta(minutes=12), speed=600, seed=1)
    links = settled(heard, "tarnlight/otter-ledge/main/link", 4)
    # the connection that broke says nothing itself: the first "down" is the broker's, from the last will
    assert links == ["up", "down", "up", "down"]
    packs = [json.loads(one) for one in settled(heard, "tarnlight/otter-ledge/main/log", 8)]
    instants = [{pack[0]["bt"] + record.get("t", 0) for record in pack} for pack in packs]
    assert len(instants[0]) > 7 * 60
    assert all(len(one) == 1 for one in instants[1:])
    assert all(message.qos == 1 for message in heard["tarnlight/otter-ledge/main/log"])


def test_history_and_live_feed_together_leave_out_nothing(broker, heard):
    past, whole = (next(history_frames(fleet("heron-point"), NOW - timedelta(hours=2), end, 1, now=NOW))[2].readings
                   for end in (NOW, NOW + timedelta(minutes=30)))
    run_feed(broker, fleet("heron-point"), start=NOW, until=NOW + timedelta(minutes=30), speed=2400, seed=1)
    packs = [json.loads(one) for one in settled(heard, "tarnlight/heron-point/main/log", len(whole) - len(past))]
    live = {pack[0]["bt"]: {record["n"]: record.get("v") for record in pack} for pack in packs}
    expected = whole[~whole["at"].isin(past["at"])]
    assert sorted(live) == [int(at.timestamp()) for at in sorted(expected["at"])]
    for row in expected.itertuples():
        assert live[int(row.at.timestamp())]["total"] == pytest.approx(row.total_l / 1000, abs=1e-6)


def test_a_stopped_feed_says_down_and_is_retained(broker, heard):
    stop = threading.Event()
    feed = threading.Thread(target=run_feed, args=(broker, fleet("heron-point", "fox-meadow")), kwargs={
        "start": NOW, "speed": 60, "seed": 1, "stop_event": stop})
    feed.start()
    assert settled(heard, "tarnlight/heron-point/main/log", 1)
    stop.set()
    feed.join(10)
    assert not feed.is_alive()
    for cabin in ("heron-point", "fox-meadow"):
        assert settled(heard, f"tarnlight/{cabin}/main/link", 2) == ["up", "down"]
    late, client = [], mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    client.on_connect = lambda one, *_: one.subscribe("tarnlight/+/+/link", qos=1)
    client.on_message = lambda _c, _u, message: late.append((message.topic, message.payload, message.retain))
    client.connect("127.0.0.1", int(broker.rsplit(":", 1)[1]))
    until = time.monotonic() + 5
    while len(late) < 2 and time.monotonic() < until:
        client.loop(0.1)
    client.disconnect()
    assert {payload for _, payload, _ in late} == {b"down"} and all(retain for *_, retain in late)


def test_a_feed_that_starts_late_catches_up_with_the_wall(broker, heard):
    began = time.monotonic()
    run_feed(broker, fleet("heron-point"), start=NOW, until=NOW + timedelta(minutes=5), speed=10, seed=1,
             wall_start=datetime.now(UTC) - timedelta(seconds=60))
    assert time.monotonic() - began < 10  # 30 s without
    assert len(settled(heard, "tarnlight/heron-point/main/log", 5)) == 5


def test_the_past_through_a_broker_holds_every_row_of_the_frames(broker, heard):
    sent = publish_history(broker, fleet("birch-landing"), NOW - timedelta(days=2), NOW, 1)
    packs = [json.loads(one) for one in settled(heard, "tarnlight/birch-landing/main/log", sent)]
    assert len(packs) == sent == 6
    frames = next(history_frames(fleet("birch-landing"), NOW - timedelta(days=2), NOW, 1))[2]
    assert sum(len({pack[0]["bt"] + one.get("t", 0) for one in pack}) for pack in packs) == len(frames.readings)


def test_no_broker_is_an_error_that_names_the_address():
    port = free_port()
    with pytest.raises(ConnectionError, match=rf"broker 127\.0\.0\.1:{port} cannot be reached"):
        run_feed(f"mqtt://127.0.0.1:{port}", fleet("heron-point"), start=NOW)


def test_an_address_of_another_kind_is_refused():
    with pytest.raises(ValueError, match="mqtt://HOST:PORT or mqtts://HOST:PORT; got 'http://x'"):
        run_feed("http://x", fleet("heron-point"), start=NOW)


@pytest.mark.parametrize("speed", [0, -1, float("nan")])
def test_a_speed_that_goes_nowhere_is_refused(speed):
    with pytest.raises(ValueError, match="speed must be above 0"):
        run_feed("mqtt://127.0.0.1", fleet("heron-point"), start=NOW, speed=speed)
