"""Telling people end to end: a collector's process, a broker, a mail server, and kills in between."""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import threading
import time
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from dashboard.cli import main
from ingest import queries
from ingest.store import Store
from tests.conftest import FLEET_TOML, Mosquitto, count, publish, senml, wait_for
from tests.ingest.notification.test_message_log import CONTACTS, Mailbox, secrets_file

SUBSCRIBE = shutil.which("mosquitto_sub")
READER = "unlisted-reader@example.org"


@pytest.fixture
def enrolled(store_path: Path) -> Path:
    """A store whose fleet has people to tell."""
    store = Store(store_path)
    store.act("enroll", {"text": FLEET_TOML + CONTACTS})
    store.close()
    return store_path


def config(folder: Path, box: Mailbox) -> tuple[str, str]:
    path = folder / "settings.toml"
    path.write_text(f'channels_file = "{secrets_file(folder, FIRST=box.url(READER))}"\n', encoding="utf-8")
    return "--config", str(path)


def raise_one(collector, cabin: str = "heron-point") -> str:
    one = collector.client()
    try:
        return one.act("advisory-raise", {"cabin": cabin, "unit": "main", "by": "Ann Lund"})["advisory"]
    finally:
        one.close()


def states(collector) -> list[str]:
    one = collector.client()
    try:
        return list(queries.notifications(one, one.now())["state"])
    finally:
        one.close()


def test_a_mail_server_that_is_down_loses_nothing_is_shown_and_its_address_never(
    mosquitto, make_collector, enrolled, tmp_path, capsys
):
    def command(*words: str) -> tuple[int, str]:
        code = main([*words, "--store", str(enrolled)])
        return code, capsys.readouterr().out

    box = Mailbox()
    collector = make_collector(mosquitto.url, *config(tmp_path, box))
    number = raise_one(collector)
    wait_for(lambda: states(collector) == ["failing"], 15, "the first try failed")
    code, found = command("doctor", "--json")
    assert code == 1
    (wrong,) = [one for one in json.loads(found) if one["check"] == "messages"]
    assert not wrong["ok"]
    assert "to Maren Osk over FIRST not delivered" in wrong["found"]
    box.start()
    try:
        wait_for(lambda: states(collector) == ["delivered"], 40, "delivered after the server came up")
    finally:
        box.stop()
    assert [to for to, _, _ in box.got] == [READER]
    code, said = command("advisory", "confirm", number, "--by", "Ann Lund")
    assert (code, said.split(";")[0]) == (0, f"{number}: confirmed by Ann Lund")
    _, shown = command("advisory", "show", number)
    assert "message raised to Maren Osk over FIRST: delivered" in shown
    assert "read by Ann Lund" in shown
    assert collector.terminate() == 0
    for path in (collector.log, *enrolled.parent.glob("*")):
        if path.is_file():
            assert READER.encode() not in path.read_bytes(), path
            assert b"mailto" not in path.read_bytes(), path


def test_killed_before_and_while_sending_each_message_still_arrives_and_once(
    mosquitto, make_collector, enrolled, tmp_path
):
    # Committed and never told: as if killed between the two.
    store = Store(enrolled)
    store.act("advisory-raise", {"cabin": "otter-cove", "unit": "main", "by": "Ann Lund"})
    store.close()
    box = Mailbox()
    hole = socket.create_server(("127.0.0.1", box.port))  # takes the connection and never says a word
    taken = threading.Event()

    def swallow() -> None:
        with suppress(OSError):
            kept = []
            while True:
                kept.append(hole.accept())
                taken.set()

    threading.Thread(target=swallow, daemon=True).start()
    collector = make_collector(mosquitto.url, *config(tmp_path, box))
    assert taken.wait(20)  # in the middle of sending
    raise_one(collector)
    collector.kill()
    hole.shutdown(socket.SHUT_RDWR)
    hole.close()
    box.start()
    try:
        collector.start()
        wait_for(lambda: len(box.got) >= 2, 30, "both arrived")
        wait_for(lambda: states(collector).count("delivered") == 2, 10, "and are noted")
        collector.kill()
        collector.start()
        wait_for(lambda: states(collector).count("delivered") == 2, 10, "it is known after a kill, too")
        time.sleep(2.5)  # more than a beat, in which it would send again
    finally:
        box.stop()
    assert [subject for _, subject, _ in box.got] == [
        "Boil water: Otter-Cove, unit main", "Boil water: Heron-Point"]
    one = collector.client()
    assert count(one, "notification", "channel <> ''") == 2
    one.close()


def on_sign(broker: Mosquitto, cabin: str = "heron-point") -> dict[str, object] | None:
    """What a sign that has just been plugged in shows."""
    said = subprocess.run(
        [str(SUBSCRIBE), "-h", "127.0.0.1", "-p", str(broker.port), "-t", f"tarnlight/{cabin}/advisory", "-q", "1",
         "-C", "1", "-W", "1", "--retained-only", "-F", "%r %q %p"],
        capture_output=True, text=True, check=False, timeout=10)
    if not said.stdout:
        return None
    retained, qos, payload = said.stdout.split(" ", 2)
    assert (retained, qos) == ("1", "1")
    return json.loads(payload)


def shows(broker: Mosquitto, state: str, within_s: float = 20) -> dict[str, object]:
    return wait_for(
        lambda: (one := on_sign(broker)) and one["state"] == state and one, within_s, f"the sign shows {state}")


@pytest.mark.skipif(SUBSCRIBE is None, reason="mosquitto_sub is not installed (Debian: mosquitto-clients)")
def test_the_sign_in_the_cabin_never_says_none_while_anything_is_unknown(mosquitto, make_collector, enrolled):
    collector = make_collector(mosquitto.url)
    never_heard = shows(mosquitto, "silent")
    assert "Not known" in never_heard["text"]
    start = datetime.now(UTC) - timedelta(minutes=10)
    publish(mosquitto.port, "tarnlight/heron-point/main/log", *(
        senml(start + timedelta(minutes=n), lamp=True, power=True, intensity=60.0, flow=0.0, uvt=0.85)
        for n in range(11)))
    fine = shows(mosquitto, "none")
    assert fine["advisory"] is None
    ends = datetime.fromisoformat(str(fine["valid_until"]))
    assert timedelta(minutes=5) < ends - datetime.now(UTC) <= timedelta(minutes=10)
    number = raise_one(collector)
    boil = shows(mosquitto, "boil")
    assert boil["advisory"] == number
    assert boil["text"].startswith("Boil tap water before drinking")
    one = collector.client()
    one.act("advisory-lift", {"advisory": number, "by": "Ann Lund", "reason": "an exercise"})
    one.close()
    shows(mosquitto, "none")
    assert on_sign(mosquitto, "otter-cove")["state"] == "silent"  # its units were never heard
    collector.terminate()
    stopped = shows(mosquitto, "silent")
    assert "Nobody watches" in stopped["text"]
