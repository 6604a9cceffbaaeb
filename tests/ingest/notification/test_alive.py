"""A collector that is dead tells nobody: another process does, through the managers' own channels."""

from __future__ import annotations

import configparser
import re
import shlex
import shutil
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from ingest.notification import alive
from ingest.settings import Settings
from ingest.store import Store
from tests.conftest import FLEET_TOML, Mosquitto, tarnlight, tarnlight_here, wait_for
from tests.ingest.notification.test_message_log import Mailbox, mailbox, secrets_file  # noqa: F401

MANAGER = """
[[contact]]
name = "Ann Lund"
role = "manager"
channels = ["ANN"]
order = 1
"""


@pytest.fixture
def given(enrolled: Path, tmp_path: Path, mailbox: Mailbox, mosquitto: Mosquitto) -> Settings:  # noqa: F811
    store = Store(enrolled)
    store.act("enroll", {"text": FLEET_TOML + MANAGER})
    store.close()
    return Settings(
        store=enrolled, broker=mosquitto.url,
        channels_file=str(secrets_file(tmp_path, ANN=mailbox.url("ann@example.org"))))


def test_the_managers_are_told_once_when_it_is_silent_and_when_it_is_back(
    given: Settings, mailbox: Mailbox, make_collector  # noqa: F811
):
    now = datetime.now(UTC)
    collector = make_collector(given.broker)
    wait_for(lambda: alive.look(given, datetime.now(UTC)).lives, 20, "it lives")
    collector.kill()
    assert alive.look(given, now).lives is False
    assert mailbox.got == []  # it may be starting again
    found = alive.look(given, now + timedelta(minutes=6))
    assert found.told == ("ANN: told",)
    alive.look(given, now + timedelta(minutes=8))
    ((to, subject, body),) = mailbox.got
    assert to == "ann@example.org" and "collector is silent" in subject
    assert "boil tap water" in body and "health authority" in body
    alive.look(given, now + timedelta(hours=7))
    assert len(mailbox.got) == 2  # again, while nobody has mended it
    collector.start()
    wait_for(lambda: alive.look(given, datetime.now(UTC)).lives, 20, "it lives")
    assert "is back" in mailbox.got[-1][1] and len(mailbox.got) == 3
    alive.look(given, datetime.now(UTC))
    assert len(mailbox.got) == 3


def test_one_that_hangs_with_the_store_in_hand_is_told_of_too(
    given: Settings, mailbox: Mailbox, make_collector  # noqa: F811
):
    collector = make_collector(given.broker)
    wait_for(lambda: alive.look(given, datetime.now(UTC)).lives, 20, "it lives")
    assert collector.process is not None
    collector.process.send_signal(19)  # SIGSTOP: it holds the store and answers nothing
    try:
        now = datetime.now(UTC)
        assert alive.look(given, now).lives is False
        assert alive.look(given, now + timedelta(minutes=6)).told == ("ANN: told",)
    finally:
        collector.process.send_signal(18)
    assert len(mailbox.got) == 1


def test_what_is_kept_between_looks_is_for_its_owner_alone_and_holds_no_address(given: Settings):
    alive.look(given, datetime.now(UTC))
    path = given.alive_file
    assert path.stat().st_mode & 0o077 == 0
    assert "mailto" not in path.read_text() and "ANN" in path.read_text()
    path.write_text("{")
    assert alive.look(given, datetime.now(UTC)).lives is False


def test_the_command_says_it_by_its_exit_code(enrolled: Path):
    done = tarnlight_here(enrolled, "alive")
    assert done.returncode == 1 and "no collector holds" in done.stdout


def test_the_service_files_start_what_they_say(enrolled: Path, tmp_path: Path):
    folder = tmp_path / "units"
    assert tarnlight_here(enrolled, "autostart", str(folder)).returncode == 2
    folder.mkdir()
    done = tarnlight_here(enrolled, "autostart", str(folder), "--backup-to", str(tmp_path))
    assert done.returncode == 0, done.stderr
    assert {one.name for one in folder.iterdir()} == {
        "tarnlight-collector.service", "tarnlight-page.service", "tarnlight-alive.service", "tarnlight-alive.timer",
        "tarnlight-backup.service", "tarnlight-backup.timer"}
    text = (folder / "tarnlight-collector.service").read_text()
    assert "Restart=always" in text and f"--store {enrolled}" in text
    for path in folder.iterdir():
        read = configparser.RawConfigParser(strict=False)
        read.optionxform = str
        read.read(path)
        assert {"Unit"} < set(read.sections())
        for line in path.read_text().splitlines():  # a line is a setting: what runs on to the next is lost
            assert not line or line.startswith("[") or re.match(r"[A-Z][A-Za-z]+=", line), line
    if shutil.which("systemd-analyze"):
        names = sorted(str(path) for path in folder.iterdir())
        judged = subprocess.run(
            ["systemd-analyze", "verify", *names], capture_output=True, text=True, check=False)
        assert str(folder) not in judged.stderr and "tarnlight" not in judged.stderr, judged.stderr
    start = next(line for line in text.splitlines() if line.startswith("ExecStart=")).split("=", 1)[1]
    done = subprocess.run(  # what its manager would run, but for the help alone
        [*shlex.split(start), "--help"], capture_output=True, text=True, check=True, cwd=tmp_path)
    assert "usage: tarnlight collect" in done.stdout
    copy = tarnlight(enrolled, "backup", str(tmp_path))  # as its unit does
    assert copy.returncode == 0, copy.stderr
