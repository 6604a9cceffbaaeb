"""The fault suite: honest loggers under one fault after another, held reading by reading against the store.

`pytest -m faults -s`. FAULTS_KILLS, FAULTS_AWAY and FAULTS_SECONDS make it smaller, FAULTS_SEED draws other
moments, FAULTS_TABLE names a file for its table. What the short tests beside it hold in CI, it holds at full size.
"""

from __future__ import annotations

import contextlib
import os
import random
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import duckdb
import pytest

from ingest.settings import Settings, StoreUnavailable
from ingest.store import Store
from tests.conftest import MOSQUITTO, Mosquitto, Running, count, wait_for
from tests.faults.fire import FLEET, HONEST, HOSTILE, Key, Load, Row, honest, reckon
from tests.faults.hostile_logger import MARK_V, Hostile
from tests.faults.test_broker import Issued
from tests.faults.test_clocks import FAKETIME, HOUR, THREE_DAYS, Faked
from tests.faults.test_disk import fill, small_disk  # noqa: F401  (a fixture)

pytestmark = [pytest.mark.faults, pytest.mark.timeout(5400)]

KILLS = int(os.environ.get("FAULTS_KILLS", "200"))
AWAY = int(os.environ.get("FAULTS_AWAY", "50000"))
SECONDS = float(os.environ.get("FAULTS_SECONDS", "20"))  # of a wrong clock, a full disk; the hostile one, thrice
SEED = int(os.environ.get("FAULTS_SEED", "1"))
A_SECOND = 60.0  # readings, of all ten loggers
Enter = Callable[[Row], None]


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    """A store with ten honest cabins and a hostile one; whoever uses it names the broker."""
    path = tmp_path / "data" / "tarnlight.duckdb"
    store = Store(path)
    store.act("enroll", {"text": FLEET})
    store.close()
    return Settings(store=path)


@pytest.fixture
def started(settings: Settings) -> Iterator[Callable[..., Running]]:
    """Starts a collector at a broker; none is left when the test ends."""
    made: list[Running] = []

    def start(url: str, *words: str, kind: type[Running] = Running, store: Path | None = None) -> Running:
        log = settings.store.with_name("collector.log")
        one = kind(Settings(store=store or settings.store, broker=url), log, words)
        made.append(one)
        one.start()
        return one

    yield start
    for one in made:
        if one.process is not None and one.process.poll() is None:
            one.kill()


def rows(collector: Running) -> int:
    """Readings that are stored; -1 while the collector is on its way back."""
    with contextlib.suppress(StoreUnavailable):
        return count(collector.client(), "reading", f"cabin <> '{HOSTILE}'")
    return -1


def finish(collector: Running, load: Load, *, forgotten: bool = False, within_s: float = 300) -> None:
    """Wait until all is stored and worked out, and end the collector.

    Where a broker forgot some, all there is: until nothing was added for ten seconds.
    """
    load.settle()
    if forgotten:
        before = -1
        while (now := rows(collector)) != before:
            before = now
            time.sleep(10)
    else:
        wait_for(lambda: rows(collector) >= len(load.acknowledged), within_s,
                 f"all is stored: {rows(collector)} of {len(load.acknowledged)}; {collector.told()}")
    wait_for(lambda: count(collector.client(), "pending") == 0, 60, "all is worked out")
    time.sleep(1)  # for what might come twice
    assert collector.terminate(60) == 0


def kill_at_random(collector: Running, load: Load, kills: int, dice: random.Random) -> int:
    """So many kills -9, half of them while it starts up or catches up; how many came before it was connected."""
    early = 0
    home = collector.log
    for number in range(kills):
        if number % 2:
            time.sleep(dice.uniform(0.0, 4.0))
        else:
            wait_for(collector.connected, 60, f"the collector is connected; {collector.told()}")
            time.sleep(dice.uniform(0.0, 1.5))
        early += not collector.connected()
        collector.kill()
        collector.log = home.with_name(f"collector-{number}.log")  # what it says is of this start alone
        collector.begin()
    wait_for(collector.connected, 60, f"the collector is connected; {collector.told()}")
    return early


def killed(enter: Enter, collector: Running, port: int, kills: int, seed: int, through: str) -> None:
    with honest(port) as load:
        begun = time.monotonic()
        with load.running(A_SECOND):
            early = kill_at_random(collector, load, kills, random.Random(seed))
        took_s = time.monotonic() - begun
        finish(collector, load)
        enter(reckon(f"{kills} kills -9, through {through}", load, collector.settings.store,
                     f"in {took_s:.0f} s; {early} of them before the collector was connected"))


def test_kills_through_mosquitto(mosquitto: Mosquitto, started, enter: Enter):
    killed(enter, started(mosquitto.url), mosquitto.port, KILLS - KILLS // 4, SEED, "mosquitto")


def test_kills_through_the_embedded_broker(iotcore_port: int, started, enter: Enter):
    killed(enter, started(f"mqtt://127.0.0.1:{iotcore_port}"), iotcore_port, KILLS // 4, SEED + 1,
           "the embedded broker")


def restarted(collector: Running, mosquitto: Mosquitto, load: Load, times: int, *, forget: bool) -> None:
    dice = random.Random(SEED)
    with load.running(A_SECOND):
        for number in range(times):
            time.sleep(dice.uniform(0.5, 3.0))
            mosquitto.stop()
            if forget:
                (mosquitto.folder / "mosquitto.db").unlink()
            time.sleep(dice.uniform(0.0, 1.0))
            mosquitto.start()
            wait_for(lambda: collector.log.read_text().count("connected to the broker at") > number + 1, 60,  # noqa: B023
                     "the collector is connected again")
        time.sleep(3)


def test_the_broker_restarts_with_its_state(mosquitto: Mosquitto, started, enter: Enter):
    collector, times = started(mosquitto.url), max(2, KILLS // 10)
    with honest(mosquitto.port) as load:
        restarted(collector, mosquitto, load, times, forget=False)
        finish(collector, load)
        enter(reckon(f"{times} broker restarts with its state", load, collector.settings.store))


def test_the_broker_restarts_without_its_state(mosquitto: Mosquitto, started, enter: Enter):
    """What only the broker had, nobody can bring back: counted, and within the time that people are told of."""
    collector, times = started(mosquitto.url), max(2, KILLS // 20)
    with honest(mosquitto.port) as load:
        restarted(collector, mosquitto, load, times, forget=True)
        finish(collector, load, forgotten=True)
        with duckdb.connect(str(collector.settings.store), read_only=True) as con:
            told = con.execute("SELECT epoch_ms(since), epoch_ms(until) FROM lost_session").fetchall()

        def is_told(key: Key) -> bool:
            return any(since <= key[1] <= until for since, until in told)

        enter(reckon(f"{times} broker restarts without its state", load, collector.settings.store,
                     f"{len(told)} stretches in which messages may be lost are told; all of it lies in them",
                     broker_lost=is_told))
        assert told


@pytest.mark.parametrize(("floor_mb", "leave_mb"), [(20, 10.0), (0, 0.01)])
def test_the_disk_is_full_and_freed(
    small_disk: Path, settings: Settings, mosquitto: Mosquitto, started, enter: Enter, floor_mb, leave_mb  # noqa: F811
):
    store = small_disk / "data" / "tarnlight.duckdb"
    store.parent.mkdir(mode=0o700)
    store.write_bytes(settings.store.read_bytes())
    config = settings.store.with_name("floor.toml")
    config.write_text(f"disk_floor_mb = {floor_mb}\n")
    collector = started(mosquitto.url, "--config", str(config), store=store)
    with honest(mosquitto.port) as load:
        with load.running(A_SECOND):
            time.sleep(5)
            filler = fill(small_disk, leave_mb)
            time.sleep(SECONDS)
            filler.unlink()
            time.sleep(5)
        words = collector.log.read_text()
        assert "nothing is taken in" in words if floor_mb else "could not be written" in words
        finish(collector, load)
        enter(reckon(f"disk full {SECONDS:g} s, floor {floor_mb} MB", load, store))


@pytest.mark.skipif(FAKETIME is None, reason="libfaketime is not installed (Debian package)")
@pytest.mark.parametrize(("off_s", "fault"), [(-HOUR, "an hour back"), (THREE_DAYS, "three days forward")])
def test_the_clock_is_wrong_and_right_again(mosquitto: Mosquitto, started, enter: Enter, settings, off_s, fault):
    settings.store.with_name("faketime").write_text("+0\n")
    collector = started(mosquitto.url, kind=Faked)
    with honest(mosquitto.port) as load:
        with load.running(A_SECOND):
            for off in (0.0, off_s, 0.0):
                collector.set(off)
                time.sleep(SECONDS)
        finish(collector, load)
        enter(reckon(f"clock {fault} for {SECONDS:g} s", load, collector.settings.store))


def test_the_collector_is_away(mosquitto: Mosquitto, started, enter: Enter):
    collector = started(mosquitto.url)
    assert collector.terminate() == 0
    with honest(mosquitto.port) as load:
        begun = time.monotonic()
        load.send(AWAY, 5_000)
        load.settle()
        away_s, begun = time.monotonic() - begun, time.monotonic()
        collector.start()
        wait_for(lambda: rows(collector) >= AWAY, 600, "the backlog is stored")
        took_s = time.monotonic() - begun
        finish(collector, load)
        enter(reckon(f"collector away for {AWAY} messages", load, collector.settings.store,
                     f"away for {away_s:.0f} s; all stored {took_s:.0f} s after it was started"))


@pytest.mark.skipif(MOSQUITTO is None, reason="mosquitto is not installed (Debian: apt-get install mosquitto)")
def test_a_hostile_logger_with_its_own_password(settings: Settings, tmp_path: Path, started, enter: Enter):
    broker = Issued(settings.store, tmp_path / "the broker", ("--plain",))
    broker.write()
    broker.start()
    try:
        collector = started(broker.url, *broker.collector_words())
        with honest(broker.port, passwords=broker.passwords) as load, load.running(A_SECOND):
            time.sleep(3)
            hostile = Hostile(broker.port, HOSTILE, broker.passwords[f"{HOSTILE}/main"], HONEST, SEED)
            with hostile:
                time.sleep(3 * SECONDS)
            time.sleep(3)
        assert hostile.rounds
        assert hostile.cut_off
        assert not hostile.seen, hostile.seen  # it heard of nobody else
        finish(collector, load)
        with duckdb.connect(str(settings.store), read_only=True) as con:
            forged = con.execute(
                "SELECT count(*) FROM reading WHERE battery_v = $mark AND cabin <> $cabin",
                {"mark": MARK_V, "cabin": HOSTILE}).fetchone()
            links = con.execute(
                "SELECT count(*) FROM link_event WHERE cabin <> $cabin", {"cabin": HOSTILE}).fetchone()
            refused = con.execute("SELECT sum(times) FROM quarantine WHERE cabin = $cabin OR cabin IS NULL",
                                  {"cabin": HOSTILE}).fetchone()
        assert forged == links == (0,)
        enter(reckon("a hostile logger beside ten honest ones", load, settings.store,
                     f"it sent {hostile.sent} messages in {hostile.rounds} rounds and {3 * SECONDS:g} s, was cut "
                     f"off {hostile.cut_off} times; {refused[0]} of its records refused"))
    finally:
        broker.stop()
