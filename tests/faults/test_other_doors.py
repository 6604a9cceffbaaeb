"""Other ways in through a real broker, with the rights that `tarnlight broker` writes, into `status --json`."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.conftest import (
    FLEET_TOML,
    MOSQUITTO,
    count,
    environment,
    free_port,
    tarnlight,
    tarnlight_here,
    wait_for,
)
from tests.faults.test_broker import issue, send  # noqa: F401  (a fixture)
from tests.ingest.poller.controllers import serving

pytestmark = [
    pytest.mark.broker,
    pytest.mark.skipif(MOSQUITTO is None, reason="mosquitto is not installed (Debian: apt-get install mosquitto)"),
]
TOPICS = """
[[cabin.unit.topics]]
topic = "heron/uv/+/state"
values = [
  { path = "/sensor", column = "intensity_w_m2", unit = "mW/cm2" },
  { path = "/lamp", column = "lamp_on" },
  { path = "/uvt", column = "uvt_pct", unit = "%" },
]
[[cabin.unit.topics]]
topic = "heron/flow"
device = "flow-meter"
values = [{ column = "flow_l_min", unit = "gpm" }]
"""


def status(store: Path) -> dict[str, dict]:
    told = tarnlight(store, "status", "--json")
    assert told.returncode == 0, told.stderr
    return {f"{one['cabin']}/{one['unit']}": one for one in json.loads(told.stdout)}


def test_plain_json_and_plain_values_come_in_by_their_own_users_alone_and_under_a_former_name(
    enrolled, tmp_path, issue, make_collector  # noqa: F811
):
    fleet = tmp_path / "fleet.toml"
    cut = FLEET_TOML.index("\n[[cabin]]", FLEET_TOML.index("heron-point"))
    fleet.write_text(FLEET_TOML[:cut] + TOPICS + FLEET_TOML[cut:])
    broker = issue()
    told = tarnlight_here(enrolled, "enroll", str(fleet))
    assert told.returncode == 0, told.stderr
    assert [one["user"] for one in broker.write()] == ["heron-point/main/flow-meter"]  # the others have theirs
    broker.start()
    collector = make_collector(broker.url, *broker.collector_words())
    at = datetime.now(UTC)
    for stranger in ("otter-cove/main", "heron-point/main/flow-meter"):  # not its own: dropped, or it is cut off
        with broker.client(stranger) as other:
            other.publish("heron/uv/1/state", json.dumps({"sensor": 9.9, "lamp": True})).wait_for_publish(9)
    with broker.client("heron-point/main") as uv, broker.client("heron-point/main/flow-meter") as meter:
        send(meter, "heron/flow", "1.5")
        send(uv, "heron/uv/1/state", json.dumps({"sensor": 4.5, "lamp": True, "uvt": 86.5}), "{")
        asked = collector.client()
        wait_for(lambda: count(asked, "quarantine") and count(asked, "reading", "flow_l_min IS NOT NULL"), 20,
                 f"they are taken in; {collector.told()}")
        found = status(enrolled)["heron-point/main"]
        assert (found["intensity_w_m2"], found["lamp_on"], found["uvt_pct"]) == (45.0, True, 86.5)
        assert found["flow_l_min"] == pytest.approx(1.5 * 3.785411784, abs=1e-3)
        assert found["last_heard"][:10] in (f"{at:%Y-%m-%d}", f"{datetime.now(UTC):%Y-%m-%d}")
        assert count(asked, "quarantine") == 1  # the half object alone; the others never came through the broker
        assert count(asked, "reading", "intensity_w_m2 > 90") == 0
        told = tarnlight(enrolled, "rename", "--cabin", "heron-point", "--to", "north-point", "--by", "Ann Lund",
                         "--yes")
        assert told.returncode == 0, told.stderr
        send(uv, "heron/uv/1/state", json.dumps({"sensor": 4.4}))
        send(uv, "tarnlight/heron-point/main/log", json.dumps([{"n": "battery", "v": 12.5}]))
        wait_for(lambda: count(asked, "reading", "cabin = 'north-point' AND battery_v = 12.5"), 20, "its log too")
        wait_for(lambda: count(asked, "reading", "cabin = 'north-point' AND intensity_w_m2 = 44"), 20, "and topic")
        assert status(enrolled)["north-point/main"]["intensity_w_m2"] == 44.0
        signs: dict[str, str] = {}
        uv.on_message = lambda _c, _u, one: signs.setdefault(one.topic, json.loads(one.payload)["state"])
        uv.subscribe("tarnlight/heron-point/advisory", 1)
        wait_for(lambda: signs, 20, "the sign of its former name goes on")
        assert count(asked, "reading", "cabin = 'heron-point'") == 0
        assert collector.terminate() == 0
        # what bears no time is not kept for a collector that is away: it would come as if it were of now
        send(meter, "heron/flow", "3.0")
        send(uv, "tarnlight/heron-point/main/log", json.dumps([{"n": "battery", "v": 12.25}]))
        collector.start()
        asked = collector.client()
        wait_for(lambda: count(asked, "reading", "battery_v = 12.25"), 20, "its log was kept")
        send(meter, "heron/flow", "4.5")
        wait_for(lambda: count(asked, "reading", "flow_l_min BETWEEN 17 AND 17.1"), 20, "it is heard again")
        assert count(asked, "reading", "flow_l_min BETWEEN 11 AND 12") == 0


def test_a_right_that_is_of_another_unit_now_is_warned_of(enrolled, tmp_path, issue):  # noqa: F811
    broker, fleet = issue(), tmp_path / "fleet.toml"
    cut = FLEET_TOML.index("\n[[cabin]]", FLEET_TOML.index("heron-point"))
    plain = '\n[[cabin.unit.topics]]\ntopic = "shed/flow"\nvalues = [{ column = "flow_l_min", unit = "l/s" }]\n'
    for text in (FLEET_TOML[:cut] + plain + FLEET_TOML[cut:], FLEET_TOML + plain):
        fleet.write_text(text)
        assert tarnlight_here(enrolled, "enroll", str(fleet)).returncode == 0
        told = tarnlight_here(enrolled, "broker", str(broker.folder))
    assert "heron-point/main may still write shed/flow, which belongs to otter-cove/annex now" in told.stderr
    access = (broker.folder / "access").read_text()
    assert "user otter-cove/annex\ntopic write shed/flow\n" in access
    assert "user collector\ntopic read shed/flow\n" in access


CONTROLLER = """
[cabin.unit.controller]
address = "127.0.0.1:{port}"
device_id = 7
registers = [
  {{ address = 10, type = "float32", column = "intensity_w_m2", unit = "mW/cm2" }},
  {{ bank = "input", address = 0, column = "lamp_on", bit = 2 }},
  {{ bank = "input", address = 1, column = "uvt_pct", unit = "%", scale = 0.1 }},
]
"""


def test_registers_of_a_controller_come_in_beside_one_that_is_dead(
    enrolled, tmp_path, issue, make_collector  # noqa: F811
):
    broker, fleet = issue(), tmp_path / "fleet.toml"
    cut, dead = FLEET_TOML.index("\n[[cabin]]", FLEET_TOML.index("heron-point")), free_port()
    with serving() as port:
        # polled each second, and not overdue for minutes, however busy the machine is that asks for the status
        fleet.write_text((FLEET_TOML[:cut] + CONTROLLER.format(port=port) + FLEET_TOML[cut:] + CONTROLLER.format(
            port=dead)).replace("cadence_s = 60", "cadence_s = 1\nsends_every_s = 120"))
        assert tarnlight_here(enrolled, "enroll", str(fleet)).returncode == 0
        assert [one["user"] for one in broker.write()] == ["poller"]
        broker.start()
        collector = make_collector(broker.url, *broker.collector_words())
        secret, log = tmp_path / "poller-password", tmp_path / "poll.log"
        secret.write_text(broker.passwords["poller"])
        with log.open("wb") as out:
            poller = subprocess.Popen(
                [sys.executable, "-m", "dashboard.cli", "poll", "--broker", broker.url, "--broker-user", "poller",
                 "--broker-password-file", str(secret)], env=environment(enrolled), stdout=out, stderr=out)
        try:
            asked = collector.client()
            wait_for(lambda: count(asked, "reading", "intensity_w_m2 IS NOT NULL") > 2, 40,
                     f"it is polled; {log.read_text()}")
            found = status(enrolled)
            assert found["heron-point/main"]["intensity_w_m2"] == 45.2
            assert (found["heron-point/main"]["lamp_on"], found["heron-point/main"]["uvt_pct"]) == (True, 86.5)
            assert found["otter-cove/annex"]["verdict"] == "silent"
            assert count(asked, "quarantine") == 0
        finally:
            poller.terminate()
            code = poller.wait(20)
    assert code == 0
    assert log.read_text().count(f"otter-cove/annex: 127.0.0.1:{dead} does not answer") == 1
    assert broker.passwords["poller"] not in log.read_text()


def test_without_a_controller_there_is_nothing_to_poll(enrolled):
    told = tarnlight_here(enrolled, "poll", "--broker", "mqtt://127.0.0.1:1")
    assert told.returncode == 2 and "no enrolled unit has a controller" in told.stderr
