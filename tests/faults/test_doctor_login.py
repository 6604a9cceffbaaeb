"""`doctor` at a broker: it hears itself, names rights that lack, takes nothing from a collector."""

from __future__ import annotations

import json
import signal
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from ingest.settings import Settings
from ingest.wire.broker_look import log_in
from ingest.wire.mqtt_client import ECHO
from tests.conftest import MOSQUITTO, count, senml, tarnlight_here, wait_for
from tests.faults.test_broker import LOG, Issued, issue, send  # noqa: F401

pytestmark = [
    pytest.mark.broker,
    pytest.mark.skipif(MOSQUITTO is None, reason="mosquitto is not installed (Debian: apt-get install mosquitto)"),
]


def test_what_waits_for_a_collector_that_is_away_is_still_there_after_doctor_was(issue, make_collector):  # noqa: F811
    broker: Issued = issue()
    broker.start()
    words = broker.collector_words()
    collector = make_collector(broker.url, *words)
    assert collector.terminate() == 0
    start = datetime.now(UTC).replace(microsecond=0) - timedelta(days=1)
    with broker.client("heron-point/main") as logger:
        send(logger, LOG, *[senml(start + timedelta(seconds=60 * n), battery=12.0) for n in range(200)])
    config = config_of(broker)
    told = tarnlight_here(broker.store, "doctor", "--config", str(config)).stdout
    assert "lets us in" in told
    with broker.client("heron-point/main") as logger:
        send(logger, LOG, *[senml(start + timedelta(seconds=60 * n), battery=12.0) for n in range(200, 250)])
    collector.start()
    wait_for(lambda: count(collector.client(), "reading") == 250, 30, "all that waited comes")
    assert count(collector.client(), "lost_session") == 0


def config_of(broker: Issued) -> Path:
    """Settings by which `doctor` logs in as the collector."""
    words = broker.collector_words()
    config = broker.store.with_name("tarnlight.toml")
    config.write_text(
        f'broker = "{broker.url}"\nbroker_user = "collector"\nbroker_password_file = "{words[3]}"\n')
    return config


def finding(broker: Issued, check: str) -> dict[str, Any]:
    done = tarnlight_here(broker.store, "doctor", "--config", str(config_of(broker)), "--json")
    return next(one for one in json.loads(done.stdout) if one["check"] == check)


@pytest.mark.parametrize("version", ["3.1.1", "5"])
def test_it_hears_its_own_message_and_leaves_no_session_behind(issue, version):  # noqa: F811
    broker: Issued = issue()
    broker.start()
    settings = Settings(
        store=broker.store, broker=broker.url, broker_user="collector", mqtt_version=version,
        broker_password_file=broker.collector_words()[3])
    for _ in range(2):
        answer = log_in(settings)
        assert answer.ok and "hands back what we publish" in answer.words
    present: list[bool] = []
    one = paho.Client(CallbackAPIVersion.VERSION2, "any", clean_session=False)
    one.on_connect = lambda _c, _u, flags, _r, _p: present.append(flags.session_present)
    one.username_pw_set("collector", broker.passwords["collector"])
    one.connect("localhost", broker.port)
    one.loop_start()
    wait_for(lambda: present, 10, "it is connected")
    one.disconnect()
    one.loop_stop()
    assert present == [False]


def refuse_the_echo(broker: Issued, *, only_write: bool) -> None:
    """The access list of an earlier version, or one that lets the collector read alone."""
    access = broker.folder / "access"
    instead = f"topic read {ECHO}\n" if only_write else ""
    text = access.read_text().replace(f"topic readwrite {ECHO}\n", instead)
    access.write_text(text)


@pytest.mark.parametrize("only_write", [True, False])
@pytest.mark.parametrize("running", [True, False], ids=["collector runs", "none runs"])
def test_rights_that_lack_are_named_and_the_command_mends_them(
    issue, make_collector, running, only_write  # noqa: F811
):
    broker: Issued = issue()
    refuse_the_echo(broker, only_write=only_write)
    broker.start()
    check = "collector's broker" if running else "broker"
    if running:
        make_collector(broker.url, *broker.collector_words())
        wait_for(lambda: "not connected" not in finding(broker, check)["found"], 20, "it has said how it is")
    found = finding(broker, check)
    assert not found["ok"]
    assert "did not hand it back: let the collector's user 'collector' write and read tarnlight/doctor/echo" in (
        found["found"])
    assert broker.write() == []
    assert broker.process is not None
    broker.process.send_signal(signal.SIGHUP)
    wait_for(lambda: finding(broker, check)["ok"], 30, "the rights are there")
    assert "hands back what" in finding(broker, check)["found"]


def test_a_collector_that_runs_is_asked_itself_and_goes_on_undisturbed(issue, make_collector):  # noqa: F811
    broker: Issued = issue()
    broker.start()
    collector = make_collector(broker.url, *broker.collector_words())
    wait_for(lambda: finding(broker, "collector's broker")["ok"], 20, "it has said that it is connected")
    for n in range(3):
        found = finding(broker, "collector's broker")
        assert found["ok"] and "hands back what the collector publishes" in found["found"]
        with broker.client("heron-point/main") as logger:
            send(logger, LOG, senml(datetime.now(UTC) - timedelta(minutes=5 - n), battery=12.0))
    wait_for(lambda: count(collector.client(), "reading") == 3, 20, "readings come in")
    assert collector.log.read_text().count("connected to the broker") == 1
    assert count(collector.client(), "quarantine") == 0  # the echo is no logger's message


def test_with_a_logger_s_user_it_is_told_that_it_may_not_read(issue):  # noqa: F811
    broker: Issued = issue()
    broker.start()
    secret = broker.store.with_name("a-password")
    secret.write_text(broker.passwords["otter-cove/main"])
    answer = log_in(Settings(
        store=broker.store, broker=broker.url, broker_user="otter-cove/main", broker_password_file=str(secret)))
    assert not answer.ok
    assert "tarnlight/doctor/echo" in answer.words or "does not let" in answer.words
