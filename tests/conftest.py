"""Real surroundings for tests: a mosquitto of one's own, a store's file, a collector as a process."""

from __future__ import annotations

import contextlib
import gc
import io
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import hypothesis
import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from dashboard.cli import main
from ingest import private_files
from ingest.db import engine
from ingest.settings import Settings
from ingest.store import Client, Store, client

# How long an example takes says more of the machine's other work than of ours; benchmarks measure time.
# Without the phase that explains a failure: it traces every line of every example, and takes longer than they do.
hypothesis.settings.register_profile("tarnlight", deadline=None, phases=[
    phase for phase in hypothesis.Phase if phase is not hypothesis.Phase.explain])
hypothesis.settings.load_profile("tarnlight")

# As `tarnlight show` has it; else all of the test run's memory is searched for garbage after each run of a page.
os.environ["STREAMLIT_RUNNER_POST_SCRIPT_GC"] = "false"

MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
REACTOR = """
[[reactor]]
name = "annular-40"
chamber_inner_radius_cm = 4.4
sleeve_outer_radius_cm = 1.2
arc_length_cm = 42.0
lamp_uvc_w = 13.0
sleeve_transmittance = 0.92
mixing_tanks = 4
test_flow_l_min = 30.0
test_uvt_pct = 75.0
test_intensity_w_m2 = 41.0
test_red_mj_cm2 = 40.0
challenge_k_cm2_mj = 0.115
validation_factor = 1.0
alarm_intensity_w_m2 = 29.0
warm_up_s = 120
lamp_life_h = 9000
"""


def cabin_toml(slug: str, *units: str, extra: str = "") -> str:
    """A cabin with these units, all alike."""
    out = f"""
[[cabin]]
slug = "{slug}"
name = "{slug.title()}"
time_zone = "America/Toronto"
latitude = 45.4
longitude = -79.2
altitude_m = 320
trip = "north-shore"
{extra}
"""
    for unit in units:
        out += f"""
[[cabin.unit]]
slug = "{unit}"
reactor = "annular-40"
dose_target_mj_cm2 = 40.0
uvt_pct = 82.0
lamp_installed = 2026-04-18
cold_plumbing_l = 18.0
hot_tank_l = 150.0
peak_flow_l_min = 19.0
cadence_s = 60
drawdown_l = 25.0
"""
    return out


FLEET_TOML = REACTOR + cabin_toml("heron-point", "main") + cabin_toml("otter-cove", "main", "annex")


# Files that take longest: begun first, so that at the end no worker is alone with one of them; those with a browser
# between those that wait, or four browsers would share two cores.
LONGEST = (
    "ingest/evaluation/test_sensor_trust", "hostile/test_found_by_hand", "dashboard/views/test_app",
    "faults/test_clocks", "ingest/db/test_archive", "ingest/registry/test_succession",
    "ingest/evaluation/test_play", "dashboard/views/test_states", "ingest/record/test_service_corrections",
    "browser/test_right_cabin", "faults/test_processes", "faults/test_bridge",
    "dashboard/views/test_sample_forms", "browser/test_accessible", "faults/test_archive_kills",
    "browser/test_after_cut", "dashboard/test_cautions_shown", "ingest/evaluation/test_watch",
    "dashboard/commands/test_enroll", "browser/test_fleet_pages", "dashboard/views/test_shared_event",
    "dashboard/commands/test_cli", "ingest/evaluation/test_severity", "ingest/notification/test_power",
    "faults/test_backup", "faults/test_messages", "ingest/wire/test_logger_exports",
    "models/exposure/test_exposure_properties", "ingest/record/test_answered", "faults/test_doctor_login",
    "faults/test_other_doors", "ingest/test_load", "ingest/evaluation/test_truth", "ingest/wire/test_limits",
    "browser/test_pages", "faults/test_one_message", "faults/test_broker_session",
    "dashboard/commands/test_hostile_names", "faults/test_kills", "ingest/evaluation/test_daily")
_HERE = Path(__file__).parent
_TURN = {_HERE / f"{name}.py": turn for turn, name in enumerate(LONGEST)}


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What needs mosquitto carries the marker `broker`; the longest files come first."""
    for item in items:
        if "mosquitto" in getattr(item, "fixturenames", ()):
            item.add_marker("broker")
    items.sort(key=lambda item: _TURN.get(item.path, len(_TURN)))


def pytest_collection_finish() -> None:
    """Leave what collection made out of every later search for garbage.

    It stays to the end: modules, and objects for each of some 5,000 tests. The interpreter would look through it
    again and again.
    """
    gc.collect()
    gc.freeze()


def free_port() -> int:
    """A port of loopback that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def wait_for(what: Callable[[], Any], within_s: float, told: str) -> Any:
    """The first true answer; fails the test if there is none in time."""
    until, pause_s = time.monotonic() + within_s, 0.03
    while time.monotonic() < until:
        if answer := what():
            return answer
        time.sleep(pause_s)
        pause_s = min(0.1, 1.1 * pause_s)  # what takes seconds is not asked for thirty times a second
    pytest.fail(f"not within {within_s:g} s: {told}")


def listens(port: int) -> bool:
    """Whether somebody answers on that port of loopback."""
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=1):
        return True
    return False


@dataclass
class Mosquitto:
    """A mosquitto process on a port of loopback, with persistence in a folder of its own."""

    folder: Path
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"mqtt://127.0.0.1:{self.port}"

    def start(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        config = self.folder / "mosquitto.conf"
        user = f"user {os.environ.get('USER', 'root')}\n" if os.getuid() == 0 else ""
        config.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence true\n{user}"
            f"persistence_location {self.folder}/\nset_tcp_nodelay true\nmax_queued_messages 0\n"
            "max_inflight_messages 1000\n",
            encoding="utf-8",
        )
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen([str(MOSQUITTO), "-c", str(config)], stdout=log, stderr=log)
        wait_for(lambda: listens(self.port), 10, "mosquitto answers")

    def stop(self) -> None:
        if self.process is not None:
            self.process.terminate()
            self.process.wait(10)
            self.process = None


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """A broker of this test's own."""
    if MOSQUITTO is None:
        pytest.skip("mosquitto is not installed (Debian: apt-get install mosquitto mosquitto-clients)")
    broker = Mosquitto(tmp_path / "mosquitto")
    broker.start()
    yield broker
    broker.stop()


@pytest.fixture
def iotcore_port(tmp_path: Path) -> Iterator[int]:
    """The embedded broker of the demo."""
    from iotcore import Broker

    port = free_port()
    with Broker(port=port, listen="127.0.0.1", max_payload_size=16 * 2**20):
        wait_for(lambda: listens(port), 10, "the embedded broker answers")
        yield port


@contextlib.contextmanager
def publisher(port: int, **options: Any) -> Iterator[paho.Client]:
    """A connected client; leaves when all that it published at QoS 1 is acknowledged."""
    sender = paho.Client(CallbackAPIVersion.VERSION2, **options)
    sender.max_inflight_messages_set(100)
    sender.connect("127.0.0.1", port)
    sender.loop_start()
    wait_for(sender.is_connected, 10, "the publisher is connected")
    try:
        yield sender
    finally:
        sender.disconnect()
        sender.loop_stop()


def publish(port: int, topic: str, *payloads: bytes | str, qos: int = 1) -> None:
    """Publish and wait until the broker has accepted all of it."""
    with publisher(port) as sender:
        sent = [sender.publish(topic, payload, qos=qos) for payload in payloads]
        for one in sent:
            one.wait_for_publish(30)


def senml(at: datetime, **values: float | bool) -> str:
    """A pack of one instant, written as RFC 8428 has it; units are those of the wire."""
    return json.dumps(
        [
            {"bt": at.timestamp(), "n": name, **({"vb": value} if isinstance(value, bool) else {"v": value})}
            for name, value in values.items()
        ]
    )


def environment(store: Path) -> dict[str, str]:
    """This environment with nothing of tarnlight in it but the store."""
    clean = {key: value for key, value in os.environ.items() if not key.startswith("TARNLIGHT_")}
    return {**clean, "TARNLIGHT_STORE": str(store), "PYTHONUNBUFFERED": "1"}


def hostile_folder(folder: Path) -> Path:
    """A working folder whose modules bear the names of ours and of those that we use; importing one ends it all."""
    for name in ("models", "dashboard", "ingest", "simulated_feeds", "iotcore"):
        (folder / name).mkdir(parents=True)
        (folder / name / "__init__.py").write_text(f"raise SystemExit('the working folder gave {name}')")
    for name in ("streamlit", "pandas", "duckdb", "numpy", "plotly", "paho", "runpy", "json", "apprise"):
        (folder / f"{name}.py").write_text(f"raise SystemExit('the working folder gave {name}')")
    return folder


def console_script() -> str:
    """The command as it is installed; unlike `python -m` it does not look in the working folder."""
    return str(Path(sys.executable).with_name("tarnlight"))


def tarnlight(store: Path, *words: str, within_s: float = 120, **options: Any) -> subprocess.CompletedProcess[str]:
    """Run the command as a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "dashboard.cli", *words],
        env=environment(store),
        text=True,
        capture_output=True,
        timeout=within_s,
        cwd=store.parent,
        check=False,
        **options,
    )


def tarnlight_here(store: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Run the command in this process, a second faster, where the process itself is not in question."""
    out, err = io.TextIOWrapper(io.BytesIO(), "utf-8", newline="", write_through=True), io.StringIO()
    with pytest.MonkeyPatch.context() as patch, contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        for name in [name for name in os.environ if name.startswith("TARNLIGHT_")]:
            patch.delenv(name)
        patch.setenv("TARNLIGHT_STORE", str(store))
        patch.chdir(store.parent)
        try:
            code = main(list(words))
        except SystemExit as stopped:
            code = int(stopped.code or 0)
    written = out.buffer
    assert isinstance(written, io.BytesIO)
    return subprocess.CompletedProcess(words, code, written.getvalue().decode(), err.getvalue())


@dataclass
class Running:
    """A collector's process."""

    settings: Settings
    log: Path
    words: tuple[str, ...] = ()
    umask: int = -1
    process: subprocess.Popen[bytes] | None = None
    _client: tuple[str, Client] | None = None

    def begin(self) -> int:
        """Start it and wait for nothing; its process id."""
        command = [
            sys.executable,
            "-m",
            "dashboard.cli",
            "collect",
            "--verbose",
            "--broker",
            self.settings.broker,
            *self.words,
        ]
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                command, env=environment(self.settings.store), stdout=log, stderr=log, cwd=self.log.parent,
                umask=self.umask,
            )
        return self.process.pid

    def start(self, *, connected: bool = True) -> None:
        pid = self.begin()
        wait_for(lambda: self.answers(pid), 30, f"the collector answers; {self.told()}")
        if connected:
            wait_for(self.connected, 30, f"the collector is connected; {self.told()}")

    def answers(self, pid: int) -> bool:
        if self.process is not None and self.process.poll() is not None:
            pytest.fail(f"the collector ended with {self.process.returncode}: {self.told()}")
        with contextlib.suppress(OSError, ValueError):
            return json.loads(self.settings.address_file.read_text())["pid"] == pid
        return False

    def connected(self) -> bool:
        return "connected to the broker" in self.log.read_text().rsplit("serving ", 1)[-1]

    def told(self) -> str:
        return self.log.read_text()[-3000:]

    def client(self) -> Client:
        """The same one for as long as it serves at one address: to make one takes a fifth of a second.

        It stays open when one of those that share it is done with it.
        """
        served = self.settings.address_file.read_text() if self.settings.address_file.exists() else ""
        if self._client is None or self._client[0] != served:
            made = client(self.settings)
            made.close = lambda: None  # type: ignore[method-assign]
            self._client = (served, made)
        return self._client[1]

    def kill(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(10)

    def terminate(self, within_s: float = 20) -> int:
        assert self.process is not None
        self.process.terminate()
        return self.process.wait(within_s)


@pytest.fixture(autouse=True)
def own_main() -> Iterator[None]:
    """Give `__main__` back where a page was run here: Streamlit puts the page in its place, and a process that is
    started by `spawn` would run that page again, and end."""
    was = sys.modules["__main__"]
    yield
    sys.modules["__main__"] = was


@pytest.fixture
def store_path(tmp_path: Path) -> Path:
    """Where this test's store is to be."""
    return tmp_path / "data" / "tarnlight.duckdb"


@pytest.fixture(scope="session")
def enrolled_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store's file with the small fleet, which no test opens: it is copied in a fiftieth of the time it takes."""
    path = tmp_path_factory.mktemp("enrolled") / "tarnlight.duckdb"
    store = Store(path)
    store.act("enroll", {"text": FLEET_TOML})
    store.close()
    return path


@pytest.fixture
def enrolled(store_path: Path, enrolled_once: Path) -> Path:
    """A store's file with the small fleet, held by nobody."""
    private_files.make_folder(store_path.parent)
    shutil.copy(enrolled_once, store_path)  # with its mode
    return store_path


@pytest.fixture
def held(enrolled: Path) -> Iterator[Store]:
    """The same, held by this process."""
    store = Store(enrolled)
    yield store
    with contextlib.suppress(Exception):
        store.close()


@pytest.fixture
def make_collector(enrolled: Path) -> Iterator[Callable[..., Running]]:
    """Starts collectors of the enrolled store; none is left when the test ends."""
    made: list[Running] = []

    def make(url: str, *words: str, connected: bool = True) -> Running:
        one = Running(Settings(store=enrolled, broker=url), enrolled.with_name("collector.log"), words)
        made.append(one)
        one.start(connected=connected)
        return one

    yield make
    for one in made:
        if one.process is not None and one.process.poll() is None:
            one.kill()


@pytest.fixture
def collector(mosquitto: Mosquitto, make_collector: Callable[..., Running]) -> Running:
    """A collector connected to this test's mosquitto."""
    return make_collector(mosquitto.url)


def count(asks: engine.Asks, table: str, where: str = "TRUE") -> int:
    """Rows of a table."""
    return int(asks.ask(f"SELECT count(*) AS n FROM {table} WHERE {where}")["n"].iloc[0])  # noqa: S608


def utc(text: str) -> datetime:
    """An instant of UTC."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC)
