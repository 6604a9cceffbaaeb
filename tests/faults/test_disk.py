"""A disk that fills: nothing is lost, it is said, and all goes on by itself once there is room."""

from __future__ import annotations

import contextlib
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from ingest.settings import Settings, StoreUnavailable
from tests.conftest import Mosquitto, Running, count, environment, publish, senml, tarnlight, wait_for

T = datetime(2026, 10, 1, tzinfo=UTC)
TOPIC = "tarnlight/heron-point/main/log"


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 64 MB of its own, in memory."""
    folder = tmp_path / "disk"
    folder.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", "size=64m", "tmpfs", str(folder)]
    made = subprocess.run(words, capture_output=True, text=True, check=False)
    if made.returncode:
        pytest.skip(f"no small disk can be made here: {made.stderr.strip()}")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


@pytest.fixture
def on_it(
    request: pytest.FixtureRequest, small_disk: Path, enrolled_once: Path, mosquitto: Mosquitto
) -> Iterator[Running]:
    """A collector whose store lies on that disk; not started yet."""
    store = small_disk / "data" / "tarnlight.duckdb"
    store.parent.mkdir(mode=0o700)
    shutil.copy(enrolled_once, store)
    config = small_disk.parent / "floor.toml"
    config.write_text(f"disk_floor_mb = {request.param}\n")
    log = small_disk.parent / "collector.log"
    one = Running(Settings(store=store, broker=mosquitto.url), log, ("--config", str(config)))
    yield one
    one.kill()


def packs(first: int, n: int) -> list[str]:
    return [senml(T + timedelta(minutes=first + k), lamp=True, intensity=60.0, battery=12.0) for k in range(n)]


def fill(folder: Path, leave_mb: float) -> Path:
    """A file that leaves so much room."""
    filler = folder / "filler"
    room = shutil.disk_usage(folder).free - int(leave_mb * 2**20)
    with filler.open("wb") as out:
        left = room
        while left > 0:
            try:
                left -= out.write(b"\0" * min(left, 2**20))
            except OSError:
                break
    return filler


def stored(collector: Running) -> tuple[int, int]:
    found = collector.client().ask('SELECT count(*) AS n, count(DISTINCT "at") AS instants FROM reading').iloc[0]
    return int(found["n"]), int(found["instants"])


@pytest.mark.parametrize("on_it", [20], indirect=True)
def test_under_the_floor_nothing_is_taken_in_and_with_room_all_goes_on(
    on_it: Running, small_disk: Path, mosquitto: Mosquitto
):
    on_it.start()
    store = on_it.settings.store
    publish(mosquitto.port, TOPIC, *packs(0, 50))
    wait_for(lambda: stored(on_it) == (50, 50), 20, "rows come in")
    filler = fill(small_disk, 10)
    wait_for(lambda: "nothing is taken in" in tarnlight(store, "status").stderr, 30, "it is said")
    publish(mosquitto.port, TOPIC, *packs(50, 200))
    told = tarnlight(store, "doctor")
    assert "WRONG intake" in told.stdout and "make room" in told.stdout
    assert stored(on_it) == (50, 50)  # it was acknowledged by nobody: the broker has it
    filler.unlink()
    wait_for(lambda: stored(on_it) == (250, 250), 30, "all of it, once")
    wait_for(lambda: "WRONG intake" not in tarnlight(store, "doctor").stdout, 30, "and that is said")
    assert on_it.process is not None and on_it.process.poll() is None  # the same process all along


@pytest.mark.parametrize("on_it", [20], indirect=True)
def test_a_load_waits_while_there_is_no_room_and_goes_on_by_itself(on_it: Running, small_disk: Path):
    on_it.start()
    store = on_it.settings.store
    log = small_disk.parent / "log.csv"
    log.write_text("at,cabin,unit,intensity_w_m2\n" + "".join(
        f"{T + timedelta(minutes=n):%Y-%m-%dT%H:%M:%SZ},heron-point,main,60.0\n" for n in range(5000)))
    filler = fill(small_disk, 10)
    config = small_disk.parent / "no-floor.toml"  # of who loads: the collector has its own
    config.write_text("disk_floor_mb = 0\n")
    for words in (("--config", str(on_it.words[1])), ("--config", str(config))):
        loading = subprocess.Popen(
            [sys.executable, "-m", "dashboard.cli", "load", str(log), *words], env=environment(store),
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=store.parent)
        assert loading.stderr is not None
        said = ""
        while "waiting until there is room" not in said:
            line = loading.stderr.readline()
            assert line, said
            said += line
        assert "nothing is taken in" in said
        assert stored(on_it) == (0, 0)
        if "no-floor" in words[1]:
            filler.unlink()
            out, _ = loading.communicate(timeout=60)
            assert loading.returncode == 0 and "5000 rows read, 5000 kept, 0 already there, 0 refused" in out
        else:
            loading.send_signal(signal.SIGINT)
            loading.communicate(timeout=30)
            assert loading.returncode == 130
            assert list(store.with_name(store.name + ".spool").iterdir()) == []
    assert stored(on_it) == (5000, 5000)
    assert count(on_it.client(), "pending") == 0


@pytest.mark.slow
@pytest.mark.parametrize("on_it", [0], indirect=True)
def test_a_disk_that_is_full_in_the_middle_of_a_write_loses_nothing_and_needs_nobody(
    on_it: Running, small_disk: Path, mosquitto: Mosquitto
):
    on_it.start()
    publish(mosquitto.port, TOPIC, *packs(0, 50))
    wait_for(lambda: stored(on_it) == (50, 50), 20, "rows come in")
    filler = fill(small_disk, 0.01)
    publish(mosquitto.port, TOPIC, *packs(50, 4000))
    wait_for(lambda: "could not be written" in on_it.log.read_text(), 60, "it fails")
    filler.unlink()

    def all_there() -> bool:
        with contextlib.suppress(StoreUnavailable):  # it is on its way back
            return stored(on_it) == (4050, 4050)
        return False

    wait_for(all_there, 120, f"all of it, once; {on_it.log.read_text()[-500:]}")
