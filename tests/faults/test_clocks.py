"""Clocks that are wrong, through a real broker to a real collector under libfaketime: nothing lost or doubled.

The collector's computer is an hour slow, jumps three days ahead, or is right while one logger is an hour ahead. The
clock that nobody sets stays real: libfaketime leaves it alone.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from ingest.settings import Settings
from ingest.store import Store
from tests.conftest import (
    REACTOR,
    Mosquitto,
    Running,
    cabin_toml,
    count,
    environment,
    publisher,
    senml,
    tarnlight,
    wait_for,
)

FAKETIME = next(
    (one for one in Path("/usr/lib").glob("*/faketime/libfaketimeMT.so.1")),
    None) if sys.platform == "linux" else None
CABINS = ("alder", "birch", "cedar", "dogwood", "elder")
FLEET = REACTOR + "".join(cabin_toml(slug, "main") for slug in CABINS)
HOUR, THREE_DAYS = 3600.0, 3 * 86_400.0

pytestmark = pytest.mark.skipif(FAKETIME is None, reason="libfaketime is not installed (Debian package)")


@dataclass
class Faked(Running):
    """A collector whose system clock is off by what a file says."""

    off_s: float = 0.0

    @property
    def rate(self) -> Path:
        return self.log.with_name("faketime")

    def set(self, off_s: float) -> None:
        """Set its system's clock; at once, for a file is replaced whole."""
        self.off_s = off_s
        spare = self.rate.with_suffix(".new")
        spare.write_text(f"{off_s:+.0f}\n")
        spare.rename(self.rate)

    def start(self, *, connected: bool = True) -> None:
        command = [sys.executable, "-m", "dashboard.cli", "collect", "--verbose", "--broker", self.settings.broker]
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(command, stdout=log, stderr=log, cwd=self.log.parent, env={
                **environment(self.settings.store), **self.faked})
        pid = self.process.pid
        wait_for(lambda: self.answers(pid), 30, f"the collector answers; {self.told()}")
        wait_for(self.connected, 30, f"the collector is connected; {self.told()}")

    @property
    def faked(self) -> dict[str, str]:
        return {
            "LD_PRELOAD": str(FAKETIME), "FAKETIME_TIMESTAMP_FILE": str(self.rate), "FAKETIME_NO_CACHE": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1", "DONT_FAKE_MONOTONIC": "1"}

    def command(self, *words: str) -> subprocess.CompletedProcess[str]:
        """A command on the same computer, with the same clock.

        Its monotonic time is shifted too, which it only takes differences of: by libfaketime Python's `time.sleep`
        fails once that is real, and a command may wait for an answer.
        """
        faked = {name: value for name, value in self.faked.items() if "MONOTONIC" not in name}
        return subprocess.run(
            [sys.executable, "-m", "dashboard.cli", *words], text=True, capture_output=True, check=False,
            timeout=120, env={**environment(self.settings.store), **faked}, cwd=self.log.parent)

    def verdicts(self) -> dict[str, dict]:
        done = self.command("status", "--json")
        assert done.returncode == 0, done.stderr
        return {one["cabin"]: one for one in json.loads(done.stdout)}

    def doctor(self) -> dict[str, dict]:
        told = self.command("doctor", "--json")
        assert told.stdout, told.stderr
        return {one["check"]: one for one in json.loads(told.stdout)}


@dataclass
class Loggers:
    """Loggers that send a reading each at a time, of the second that it is by their own clocks."""

    port: int
    off_s: dict[str, float] = field(default_factory=dict)
    sent: dict[tuple[str, datetime], int] = field(default_factory=dict)
    n: int = 0

    def round(self, *cabins: str, at: datetime | None = None) -> None:
        """One message of each cabin, each of another second."""
        with publisher(self.port) as sender:
            told = []
            for slug in cabins or CABINS:
                self.n += 1
                when = (at or datetime.now(UTC)) + timedelta(seconds=self.off_s.get(slug, 0.0))
                when = when.replace(microsecond=1000 * (self.n % 1000))
                self.sent[slug, when] = self.n
                told.append(sender.publish(f"tarnlight/{slug}/main/log", senml(
                    when, lamp=True, power=True, intensity=52.5, flow=0.0, lit=4321.0, battery=12.0,
                    total=5.0), qos=1))
            for one in told:
                one.wait_for_publish(30)


@pytest.fixture
def faked(mosquitto: Mosquitto, tmp_path: Path) -> Iterator[Callable[[float], Faked]]:
    """Starts the collector of a fleet of five with its system's clock off by so much; gone when the test ends."""
    path = tmp_path / "data" / "tarnlight.duckdb"
    store = Store(path)
    store.act("enroll", {"text": FLEET})
    store.close()
    one = Faked(Settings(store=path, broker=mosquitto.url), path.with_name("collector.log"))

    def start(off_s: float) -> Faked:
        one.set(off_s)
        one.start()
        return one

    yield start
    if one.process is not None and one.process.poll() is None:
        one.kill()


def stored(collector: Faked) -> set[tuple[str, datetime]]:
    found = collector.client().ask('SELECT cabin, "at" FROM reading')
    rows = list(zip(found["cabin"], (at.to_pydatetime() for at in found["at"]), strict=True))
    assert len(rows) == len(set(rows)), "a reading is stored twice"
    return set(rows)


def is_whole(collector: Faked, loggers: Loggers) -> None:
    """All that was sent is stored once, nothing else is, and nothing was refused or waits."""
    store = collector.client()
    wait_for(lambda: count(store, "reading") >= len(loggers.sent), 20, f"all is taken in; {collector.told()}")
    assert stored(collector) == set(loggers.sent)
    assert count(store, "quarantine") == count(store, "held_reading") == count(store, "held_link") == 0
    wait_for(lambda: count(store, "pending") == 0, 20, "all is worked out")


def is_clear(collector: Faked) -> bool:
    return {one["verdict"] for one in collector.verdicts().values()} == {"clear"}


def test_an_hour_slow_holds_and_says_so_and_an_hour_later_all_is_judged(mosquitto: Mosquitto, faked):
    collector = faked(-HOUR)
    loggers = Loggers(mosquitto.port)
    store = collector.client()
    loggers.round()
    wait_for(lambda: count(store, "held_reading") == 5, 10, "the readings are held")
    loggers.round()
    wait_for(lambda: count(store, "held_reading") == 10, 10, "the readings are held")
    assert count(store, "reading") == count(store, "quarantine") == 0
    for one in collector.verdicts().values():
        assert one["verdict"] == "silent"
        assert any("The collector's own clock cannot be right: 5 of 5 units" in why for why in one["reasons"])
        assert "local health authority" in one["next_action"]
    found = collector.doctor()["clock"]
    assert found["ok"] is False
    assert "NTP" in found["found"]
    assert "own clock cannot be right" in collector.command("status").stderr
    refused = tarnlight(collector.settings.store, "quarantine", "release", "--cabin", "alder", "--unit", "main",
                        "--by", "Ann Lund", "--shift", "-3600")
    assert refused.returncode == 2
    assert "Set it first" in refused.stderr
    collector.set(0)
    is_whole(collector, loggers)
    loggers.round()
    is_whole(collector, loggers)
    wait_for(lambda: is_clear(collector), 20, "every tap is judged anew")
    assert collector.doctor()["clock"]["ok"] is True


@pytest.mark.slow
def test_three_days_forward_and_right_again(mosquitto: Mosquitto, faked):
    collector = faked(0)
    loggers = Loggers(mosquitto.port)
    loggers.round()
    is_whole(collector, loggers)
    wait_for(lambda: is_clear(collector), 20, "every tap is clear")
    collector.set(THREE_DAYS)
    store = collector.client()
    wait_for(lambda: count(store, "own_clock", "reason <> ''") == 1, 10, "the jump is seen")
    for one in collector.verdicts().values():
        assert one["verdict"] == "silent"
        assert "it jumped forward by 3 days" in one["reasons"][0]
    loggers.round()
    wait_for(lambda: count(store, "held_reading") == 5, 10, "what comes meanwhile is held")
    told = collector.doctor()
    assert told["clock"]["ok"] is False
    assert "last sign of life -" not in told["collector"]["found"]
    assert told["collector"]["ok"] is True
    # nothing was stamped with a time that never was
    latest = store.ask("""
        SELECT max(at_) AS at FROM (SELECT max("at") AS at_ FROM reading UNION ALL SELECT good_until FROM own_clock
        UNION ALL SELECT max(arrived_at) FROM held_reading)""")["at"].iloc[0]
    assert latest < datetime.now(UTC) + timedelta(minutes=1)
    collector.set(0)
    is_whole(collector, loggers)
    assert count(store, "advisory") == 0
    loggers.round()
    is_whole(collector, loggers)
    wait_for(lambda: is_clear(collector), 20, "every tap is clear again")
    told = collector.doctor()
    assert told["clock"]["ok"] is told["collector"]["ok"] is True


def test_an_hour_back_is_seen_at_once_and_what_counts_from_its_arrival_is_placed_right(mosquitto: Mosquitto, faked):
    collector = faked(0)
    loggers = Loggers(mosquitto.port)
    loggers.round()
    is_whole(collector, loggers)
    collector.set(-HOUR)
    store = collector.client()
    wait_for(lambda: count(store, "own_clock", "reason <> ''") == 1, 10, "the jump is seen")
    with publisher(mosquitto.port) as sender:  # times below 2**28 count from the arrival (RFC 8428, 4.5.3)
        before = datetime.now(UTC)
        sender.publish(
            "tarnlight/alder/main/log", '[{"n":"battery","v":11.5,"t":-5}]', qos=1).wait_for_publish(10)
    loggers.round()
    wait_for(lambda: count(store, "held_reading") == 6, 10, "what comes meanwhile is held")
    collector.kill()  # and what it knows outlives it, for the computer was not started again
    collector.start()
    store = collector.client()
    assert {one["verdict"] for one in collector.verdicts().values()} == {"silent"}
    collector.set(0)
    wait_for(lambda: count(store, "held_reading") == 0, 20, f"all is taken in; {collector.told()}")
    at = store.ask('SELECT "at" FROM reading WHERE battery_v = 11.5')["at"]
    assert len(at) == 1
    assert abs((at.iloc[0].to_pydatetime() + timedelta(seconds=5) - before).total_seconds()) < 5
    assert stored(collector) == {*loggers.sent, ("alder", at.iloc[0].to_pydatetime())}
    assert count(store, "quarantine") == 0


@pytest.mark.slow
def test_one_logger_an_hour_ahead_among_five_waits_alone_and_is_released_with_a_correction(
    mosquitto: Mosquitto, faked
):
    collector = faked(0)
    loggers = Loggers(mosquitto.port, {"cedar": HOUR})
    loggers.round()
    store = collector.client()
    wait_for(lambda: count(store, "held_reading") == 1 and count(store, "reading") == 4, 10, "one waits")
    found = collector.verdicts()
    assert {slug for slug, one in found.items() if one["verdict"] == "clear"} == set(CABINS) - {"cedar"}
    assert found["cedar"]["verdict"] == "silent"
    assert any("1 h ahead" in why for why in found["cedar"]["reasons"])
    told = collector.doctor()
    assert told["clock"]["ok"] is True
    assert told["loggers' clocks"]["units"] == ["cedar/main"]
    words = ("--cabin", "cedar", "--unit", "main", "--by", "Ann Lund", "--shift")
    assert "1 readings held" in collector.command("quarantine", "list").stdout
    early = tarnlight(collector.settings.store, "quarantine", "release", *words, "-60")
    assert early.returncode == 2
    assert "nothing was released" in early.stderr
    done = tarnlight(collector.settings.store, "quarantine", "release", *words, "-3600")
    assert done.returncode == 0, done.stderr
    loggers.sent = {(slug, at - timedelta(hours=slug == "cedar")): n for (slug, at), n in loggers.sent.items()}
    loggers.off_s = {}
    is_whole(collector, loggers)
    wait_for(lambda: is_clear(collector), 20, "every tap is clear")
    listed = tarnlight(collector.settings.store, "service", "list", "--cabin", "cedar")
    assert "Ann Lund" in listed.stdout
    assert "moved by -3,600 s" in listed.stdout


@pytest.mark.slow
def test_what_lies_a_little_ahead_goes_in_when_its_time_has_come(mosquitto: Mosquitto, faked):
    collector = faked(0)
    loggers = Loggers(mosquitto.port, {"cedar": 310.0})
    loggers.round()
    store = collector.client()
    wait_for(lambda: count(store, "held_reading") == 1, 10, "one waits")
    is_whole(collector, loggers)  # ten seconds later, by nobody's hand
