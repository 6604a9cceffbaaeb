"""`tarnlight broker`: a real mosquitto runs with exactly what it wrote."""

from __future__ import annotations

import json
import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from ingest.broker.files import BYTES_A_MESSAGE
from ingest.settings import BadInput, Settings
from ingest.store import Store
from ingest.wire.broker_look import log_in
from tests.conftest import (
    FLEET_TOML,
    MOSQUITTO,
    REACTOR,
    cabin_toml,
    count,
    free_port,
    listens,
    senml,
    tarnlight_here,
    wait_for,
)

pytestmark = [
    pytest.mark.broker,
    pytest.mark.skipif(MOSQUITTO is None, reason="mosquitto is not installed (Debian: apt-get install mosquitto)"),
]
LOG = "tarnlight/heron-point/main/log"
MESSAGES = 3000
# Every quantity that there is, as a logger would send one reading of them.
FULL_PACK = json.dumps([
    {"bn": "urn:dev:mac:0024befffe804ff1:", "bt": 1764000000, "n": "intensity", "u": "W/m2", "v": 45.2},
    {"n": "flow", "u": "m3/s", "v": 0.000123}, {"n": "total", "u": "m3", "v": 123.4567}, {"n": "lamp", "vb": True},
    {"n": "power", "vb": True}, {"n": "temp", "u": "Cel", "v": 8.25}, {"n": "uvt", "u": "/", "v": 0.86},
    {"n": "battery", "u": "V", "v": 12.61}, {"n": "lit", "u": "s", "v": 12345678}])


@dataclass
class Issued:
    """A mosquitto that runs with the files of the command."""

    store: Path
    folder: Path
    options: tuple[str, ...] = ()
    port: int = field(default_factory=free_port)
    ca: Path | None = None
    passwords: dict[str, str] = field(default_factory=dict)
    process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"{'mqtts' if self.ca else 'mqtt'}://localhost:{self.port}"

    def write(self, *more: str) -> list[dict[str, str]]:
        """Run the command; the users that it made."""
        done = tarnlight_here(
            self.store, "broker", str(self.folder), "--port", str(self.port), *self.options, *more, "--json")
        assert done.returncode == 0, done.stderr
        new = json.loads(done.stdout)
        self.passwords |= {one["user"]: one["password"] for one in new}
        return new

    def start(self) -> None:
        with (self.folder.parent / "broker.log").open("ab") as log:
            self.process = subprocess.Popen(
                [str(MOSQUITTO), "-c", str(self.folder / "mosquitto.conf")], stdout=log, stderr=log)
        wait_for(lambda: listens(self.port), 10, f"mosquitto answers; {self.told()}")

    def stop(self) -> None:
        if self.process is not None:
            self.process.terminate()
            self.process.wait(20)
            self.process = None

    def told(self) -> str:
        return (self.folder.parent / "broker.log").read_text()[-3000:]

    def collector_words(self) -> list[str]:
        secret = self.store.with_name("collector-password")
        secret.write_text(self.passwords["collector"])
        secret.chmod(0o600)
        ca = ["--broker-ca-file", str(self.ca)] if self.ca else []
        return ["--broker-user", "collector", "--broker-password-file", str(secret), *ca]

    @contextmanager
    def client(self, user: str, password: str | None = None, **options: Any) -> Iterator[paho.Client]:
        """A client of that user, connected."""
        one = paho.Client(CallbackAPIVersion.VERSION2, **options)
        one.username_pw_set(user, password or self.passwords[user])
        if self.ca:
            one.tls_set(str(self.ca))
        one.max_inflight_messages_set(500)
        one.connect("localhost", self.port)
        one.loop_start()
        wait_for(one.is_connected, 10, f"{user} is connected; {self.told()}")
        try:
            yield one
        finally:
            one.disconnect()
            one.loop_stop()

    def refuses(self, user: str | None, password: str | None) -> bool:
        """Whether the broker turns such a client away."""
        answers: list[Any] = []
        one = paho.Client(CallbackAPIVersion.VERSION2, reconnect_on_failure=False)
        if user is not None:
            one.username_pw_set(user, password)
        if self.ca:
            one.tls_set(str(self.ca))
        one.on_connect = lambda _c, _u, _f, reason, _p: answers.append(reason)
        one.connect("localhost", self.port)
        one.loop_start()
        try:
            return bool(wait_for(lambda: answers, 10, "the broker answers")[0].is_failure)
        finally:
            one.loop_stop()


def send(client: paho.Client, topic: str, *payloads: str | bytes) -> None:
    """Publish at QoS 1; returns when the broker has acknowledged all of it."""
    for one in [client.publish(topic, payload, qos=1) for payload in payloads]:
        one.wait_for_publish(60)


@pytest.fixture
def issue(enrolled: Path, tmp_path: Path) -> Iterator[Callable[..., Issued]]:
    """Writes files for the small fleet; no mosquitto is left when the test ends."""
    made: list[Issued] = []

    def make(*options: str, ca: Path | None = None, folder: Path | None = None) -> Issued:
        one = Issued(enrolled, folder or tmp_path / "the broker", options or ("--plain",), ca=ca)
        made.append(one)
        one.write()
        return one

    yield make
    for one in made:
        one.stop()


def openssl(folder: Path, *words: str) -> None:
    subprocess.run(["openssl", *words], cwd=folder, check=True, capture_output=True)


@pytest.fixture
def pki(tmp_path: Path) -> Path:
    """An authority, a certificate of it for localhost, a stranger's certificate, and a key with a password."""
    if shutil.which("openssl") is None:
        pytest.skip("openssl is not installed")
    folder = tmp_path / "pki"
    folder.mkdir()
    new = ("req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2")
    openssl(folder, *new, "-subj", "/CN=Test authority", "-keyout", "ca.key", "-out", "ca.pem")
    openssl(folder, *new, "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost",
            "-addext", "basicConstraints=critical,CA:FALSE", "-CA", "ca.pem", "-CAkey", "ca.key",
            "-keyout", "key.pem", "-out", "cert.pem")
    openssl(folder, *new, "-subj", "/CN=localhost", "-keyout", "other.key", "-out", "other.pem")
    openssl(folder, "pkcs8", "-topk8", "-in", "key.pem", "-passout", "pass:hunter2", "-out", "locked.key")
    return folder


def tls(folder: Path, ca: str = "ca.pem", cert: str = "cert.pem", key: str = "key.pem") -> tuple[str, ...]:
    return ("--host", "localhost", "--tls-ca", str(folder / ca), "--tls-cert", str(folder / cert),
            "--tls-key", str(folder / key))


# What is kept ------------------------------------------------------------------------------------


def test_all_that_came_while_the_collector_was_away_is_kept_whoever_takes_its_id(issue, make_collector):
    broker = issue()
    broker.start()
    collector = make_collector(broker.url, *broker.collector_words())
    secret = collector.settings.client_id_file.read_text().strip()
    assert collector.terminate() == 0
    start = datetime.now(UTC).replace(microsecond=0) - timedelta(days=3)
    packs = [senml(start + timedelta(seconds=30 * n), battery=12.0) for n in range(MESSAGES)]
    with broker.client("heron-point/main") as logger:
        send(logger, LOG, *packs[:2000])
    seen: list[str] = []
    for taken in ("collector", "tarnlight-collector", secret) * 2:  # each as a new session, which deletes the old
        for topic in (LOG, "tarnlight/otter-cove/annex/log", "tarnlight/heron-point/advisory"):
            with broker.client("otter-cove/main", client_id=taken, clean_session=True) as thief:
                thief.on_message = lambda _c, _u, message: seen.append(message.topic)
                thief.subscribe("#", 1)
                foreign = thief.publish(topic, senml(start - timedelta(days=1), battery=1.0), qos=1)
                # by version mosquitto acknowledges it and throws it away, or cuts the client off
                wait_for(lambda: foreign.is_published() or not thief.is_connected(), 10, "it is judged")  # noqa: B023
    with broker.client("heron-point/main") as logger:
        send(logger, LOG, *packs[2000:])
    broker.stop()  # its machine restarts
    broker.start()
    collector.start()
    store = collector.client()
    wait_for(lambda: count(store, "reading") >= MESSAGES, 60, f"all is kept; {count(store, 'reading')} are")
    found = store.ask(
        'SELECT cabin, unit, count(*) AS n, count(DISTINCT "at") AS instants FROM reading GROUP BY ALL')
    assert found.to_dict("records") == [
        {"cabin": "heron-point", "unit": "main", "n": MESSAGES, "instants": MESSAGES}]
    assert count(store, "quarantine") == 0
    assert set(seen) <= {"tarnlight/otter-cove/advisory"}  # the sign of its own cabin
    assert count(store, "lost_session") == 0
    done = tarnlight_here(collector.settings.store, "doctor", "--json")
    kept = next(one for one in json.loads(done.stdout) if one["check"] == "kept while away")
    assert kept["ok"], kept


def test_the_signs_of_the_collector_reach_their_own_cabin_and_no_other(issue, make_collector):
    broker = issue()
    broker.start()
    make_collector(broker.url, *broker.collector_words())
    seen: list[str] = []
    with broker.client("otter-cove/main") as logger:
        logger.on_message = lambda _c, _u, message: seen.append(message.topic)
        logger.subscribe([("tarnlight/otter-cove/advisory", 1), ("tarnlight/heron-point/advisory", 1), ("#", 1)])
        wait_for(lambda: seen, 20, "the sign of its cabin comes")
        with broker.client("heron-point/main") as other:
            send(other, LOG, senml(datetime.now(UTC), battery=12.0))
    assert set(seen) == {"tarnlight/otter-cove/advisory"}


def test_a_payload_of_2_mb_is_taken_and_a_packet_past_the_limit_is_not(issue):
    broker = issue()
    broker.start()
    seen: list[int] = []
    with broker.client("collector") as reader:
        reader.on_message = lambda _c, _u, message: seen.append(len(message.payload))
        reader.subscribe(LOG, 1)
        with broker.client("heron-point/main") as logger:
            send(logger, LOG, b"x" * 2_000_000)
        wait_for(lambda: seen, 10, "2 MB arrive")
        with broker.client("heron-point/main", reconnect_on_failure=False) as logger:
            logger.publish(LOG, b"x" * 2_001_000, qos=1)
            wait_for(lambda: not logger.is_connected(), 10, "it is cut off")
        with broker.client("heron-point/main") as logger:
            send(logger, LOG, b"last")
        wait_for(lambda: len(seen) > 1, 10, "the next arrives")
    assert seen == [2_000_000, 4]


def test_the_room_stated_for_a_message_is_no_less_than_mosquitto_takes(issue):
    broker = issue()
    broker.start()
    with broker.client("collector", client_id="any", clean_session=False) as reader:
        reader.subscribe("tarnlight/+/+/log", 1)
    assert broker.process is not None
    status = Path(f"/proc/{broker.process.pid}/status")
    if not status.exists():
        pytest.skip("no /proc on this machine")

    def memory() -> int:
        return next(int(line.split()[1]) * 1024 for line in status.read_text().splitlines() if "VmRSS" in line)

    before, messages = memory(), 10_000
    with broker.client("heron-point/main") as logger:
        send(logger, LOG, *[FULL_PACK] * messages)
    took = memory() - before
    broker.stop()
    assert 0.2 * BYTES_A_MESSAGE < took / messages <= BYTES_A_MESSAGE
    assert (broker.folder / "data" / "mosquitto.db").stat().st_size / messages <= BYTES_A_MESSAGE


# Who may connect ---------------------------------------------------------------------------------


def test_over_tls_a_logger_and_the_collector_come_in_and_nobody_else(issue, pki, make_collector):
    broker = issue(*tls(pki), ca=pki / "ca.pem")
    broker.start()
    collector = make_collector(broker.url, *broker.collector_words())
    with broker.client("heron-point/main") as logger:
        send(logger, LOG, senml(datetime.now(UTC), battery=12.0))
    store = collector.client()
    wait_for(lambda: count(store, "reading") == 1, 10, "the reading is kept")
    assert broker.refuses(None, None)
    assert broker.refuses("heron-point/main", "wrong")
    assert broker.refuses("heron-point/main", broker.passwords["otter-cove/main"])
    assert broker.refuses("nobody/main", broker.passwords["otter-cove/main"])
    told = collector.told() + broker.told()
    assert not [one for one in broker.passwords.values() if one in told]


def test_every_password_is_strong_and_stands_in_no_file(issue):
    broker = issue()
    assert set(broker.passwords) == {"heron-point/main", "otter-cove/main", "otter-cove/annex", "collector"}
    assert len(set(broker.passwords.values())) == 4
    assert all(len(one) >= 24 and one.isalnum() for one in broker.passwords.values())
    written = "".join(path.read_text() for path in broker.folder.rglob("*") if path.is_file())
    assert not [one for one in broker.passwords.values() if one in written]


def test_files_are_the_owners_alone_whatever_the_umask(issue):
    before = os.umask(0)
    try:
        broker = issue()
    finally:
        os.umask(before)
    modes = {path.name: path.stat().st_mode & 0o777 for path in (broker.folder, *broker.folder.rglob("*"))}
    assert modes == {"the broker": 0o700, "data": 0o700, "mosquitto.conf": 0o600, "passwords": 0o600,
                     "access": 0o600}


@pytest.mark.skipif(os.getuid() != 0, reason="only root gives files away")
def test_run_by_root_the_files_are_the_brokers_users_and_that_is_said(issue):
    try:
        user = pwd.getpwnam("mosquitto")
    except KeyError:
        pytest.skip("this machine has no user mosquitto")
    home = Path(tempfile.mkdtemp(dir="/var/tmp"))
    try:
        home.chmod(0o755)
        broker = issue(folder=home / "broker")
        assert {path.stat().st_uid for path in (broker.folder, *broker.folder.rglob("*"))} == {user.pw_uid}
        broker.start()
        assert broker.process is not None
        assert Path(f"/proc/{broker.process.pid}").stat().st_uid == user.pw_uid  # it let go of being root
        with broker.client("heron-point/main") as logger:
            send(logger, LOG, "x")
        broker.stop()
        assert (broker.folder / "data" / "mosquitto.db").exists()
        other = tarnlight_here(broker.store, "broker", str(home / "second"), "--plain")
        assert "belong to user mosquitto" in other.stdout
        home.chmod(0o700)  # a folder that the user may not enter
        third = tarnlight_here(broker.store, "broker", str(home / "third"), "--plain")
        assert third.returncode == 0
        assert f"user mosquitto may not enter {home}, so the files belong to root" in third.stderr
    finally:
        shutil.rmtree(home)


# Once more ---------------------------------------------------------------------------------------


def enroll_more(store: Path) -> None:
    opened = Store(store)
    opened.act("enroll", {"text": FLEET_TOML + cabin_toml("loon-rock", "main")})
    opened.close()


def test_run_again_it_adds_the_new_units_and_changes_nothing_else(issue):
    broker = issue()
    conf = broker.folder / "mosquitto.conf"
    edited = conf.read_text().replace("autosave_interval 60", "autosave_interval 5") + "log_type error\n"
    conf.write_text(edited)
    broker.start()
    before = {path: path.read_text() for path in broker.folder.glob("*") if path.is_file()}
    assert broker.write() == []
    assert {path: path.read_text() for path in before} == before
    first = dict(broker.passwords)
    enroll_more(broker.store)
    done = tarnlight_here(broker.store, "broker", str(broker.folder), "--json")  # no option needed any more
    assert [one["user"] for one in json.loads(done.stdout)] == ["loon-rock/main"]
    broker.passwords |= {one["user"]: one["password"] for one in json.loads(done.stdout)}
    assert conf.read_text() == edited
    for name in ("passwords", "access"):
        assert (broker.folder / name).read_text().startswith(before[broker.folder / name])
    assert broker.process is not None
    broker.process.send_signal(signal.SIGHUP)
    seen: list[str] = []
    with broker.client("collector") as reader:
        reader.on_message = lambda _c, _u, message: seen.append(message.topic)
        reader.subscribe("tarnlight/+/+/log", 1)
        wait_for(lambda: not broker.refuses("loon-rock/main", broker.passwords["loon-rock/main"]), 10, "reloaded")
        for user in ("loon-rock/main", *first):
            with broker.client(user) as one:
                one.publish(f"tarnlight/{user}/log", "x", qos=1).wait_for_publish(10)
        wait_for(lambda: len(seen) >= 4, 10, "all loggers come through")
    assert sorted(seen) == sorted(f"tarnlight/{user}/log" for user in broker.passwords if user != "collector")


def test_a_password_is_made_anew_where_its_line_was_taken_out(issue):
    broker = issue()
    first, path = dict(broker.passwords), broker.folder / "passwords"
    path.write_text("".join(line for line in path.read_text().splitlines(keepends=True) if "annex" not in line))
    access = (broker.folder / "access").read_text()
    assert [one["user"] for one in broker.write()] == ["otter-cove/annex"]
    assert (broker.folder / "access").read_text() == access
    broker.start()
    with broker.client("otter-cove/annex"), broker.client("heron-point/main"):
        assert broker.refuses("otter-cove/annex", first["otter-cove/annex"])


def test_a_unit_that_left_the_fleet_keeps_its_user_and_is_named(issue, tmp_path):
    broker = issue()
    smaller = Store(tmp_path / "smaller.duckdb")
    smaller.act("enroll", {"text": REACTOR + cabin_toml("heron-point", "main")})
    smaller.close()
    before = (broker.folder / "passwords").read_text()
    done = tarnlight_here(tmp_path / "smaller.duckdb", "broker", str(broker.folder))
    assert done.returncode == 0
    for unit in ("otter-cove/main", "otter-cove/annex"):
        assert f"{unit} has a password, but no such unit is enrolled" in done.stderr
    assert "heron-point/main has" not in done.stderr
    assert (broker.folder / "passwords").read_text() == before


def test_a_renewed_certificate_is_copied_when_it_is_given_again(issue, pki):
    broker = issue(*tls(pki), ca=pki / "ca.pem")
    openssl(pki, "req", "-x509", "-key", "key.pem", "-days", "2", "-subj", "/CN=localhost", "-addext",
            "subjectAltName=DNS:localhost", "-CA", "ca.pem", "-CAkey", "ca.key", "-out", "cert.pem")
    done = tarnlight_here(
        broker.store, "broker", str(broker.folder), "--port", str(broker.port), *broker.options)
    assert f"tls-cert.pem: copied anew from {pki / 'cert.pem'}; restart the broker" in done.stdout
    assert "No new user" in done.stdout
    broker.start()
    with broker.client("heron-point/main"):
        pass


# What is said of it ------------------------------------------------------------------------------


def doctors_word(
    broker: Issued, *, url: str | None = None, password: str | None = None, ca: Path | None = None
) -> str:
    """What `doctor` says of the broker, with another address, password or authority where one is given."""
    secret = broker.store.with_name("a-password")
    secret.write_text(password or broker.passwords["collector"])
    secret.chmod(0o600)
    given = Settings(
        store=broker.store, broker=url or broker.url, broker_user="collector", broker_password_file=str(secret),
        broker_ca_file=str(ca or broker.ca or ""))
    return log_in(given).words


def test_each_way_that_a_broker_cannot_be_used_is_named_with_its_mend(issue, pki, monkeypatch):
    broker = issue(*tls(pki), ca=pki / "ca.pem")
    assert "does not answer" in doctors_word(broker)
    broker.start()
    assert "lets us in and lets us read" in doctors_word(broker)
    assert "refused user 'collector' (Not authorized" in doctors_word(broker, password="wrong")
    assert "not trusted by broker_ca_file" in doctors_word(broker, ca=pki / "other.pem")
    assert "is not of 127.0.0.1" in doctors_word(broker, url=f"mqtts://127.0.0.1:{broker.port}")
    assert "does not speak MQTT" in doctors_word(broker, url=f"mqtt://localhost:{broker.port}")
    assert "can be looked up" in doctors_word(broker, url="mqtts://no-such-name.invalid:8883")
    with pytest.raises(BadInput, match="broker must be mqtt"):
        doctors_word(broker, url="mqtt://a..b:1883")


def test_a_collector_that_does_not_trust_its_broker_says_so_and_logs_it_once(issue, pki, make_collector):
    broker = issue(*tls(pki), ca=pki / "ca.pem")
    broker.start()
    words = broker.collector_words()
    words[words.index("--broker-ca-file") + 1] = str(pki / "other.pem")
    collector = make_collector(broker.url, *words, connected=False)

    def said() -> str:
        return tarnlight_here(collector.settings.store, "doctor").stdout

    wait_for(lambda: "WRONG collector's broker: the broker's certificate is not trusted" in said(), 30, said())
    time.sleep(3)  # it tries again and again
    assert collector.log.read_text().count("is not trusted by") == 1


def test_a_collector_with_a_wrong_password_says_that_it_was_refused(issue, make_collector):
    broker = issue()
    broker.start()
    broker.passwords["collector"] = "wrong"
    collector = make_collector(broker.url, *broker.collector_words(), connected=False)
    wait_for(lambda: "refused the connection: Not authorized" in tarnlight_here(
        collector.settings.store, "doctor").stdout, 30, "the refusal is told")


# What is refused ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "match"),
    [
        ((), "holds no mosquitto.conf yet: say how loggers reach the broker"),
        (("--plain", "--host", "0.0.0.0"), "--plain --host 0.0.0.0 would send passwords over a network in clear"),
        (("--plain", "--host", "broker.example.org"), "would send passwords over a network in clear"),
        (("--plain", "--host", "::"), "would send passwords over a network in clear"),
        (("--plain", "--tls-ca", "ca.pem"), "--plain is without TLS"),
        (("--tls-ca", "ca.pem", "--tls-key", "key.pem"), "--tls-cert is missing"),
        (("--host", "127.0.0.1"), "--host and --port need --tls-ca"),
        (("--plain", "--port", "0"), "--port must be 1 to 65535; got 0"),
        (("--plain", "--port", "65536"), "--port must be 1 to 65535; got 65536"),
    ],
)
def test_what_would_not_do_is_refused_and_nothing_is_written(enrolled, tmp_path, words, match):
    done = tarnlight_here(enrolled, "broker", str(tmp_path / "b"), *words)
    assert done.returncode == 2
    assert match in done.stderr
    assert not (tmp_path / "b").exists()


@pytest.mark.parametrize(
    ("files", "match"),
    [
        ({"cert": "other.pem"}, "do not belong together"),
        ({"cert": "other.pem", "key": "other.key"}, "would be refused by loggers that trust"),
        ({"key": "locked.key"}, "or the key has a password"),
        ({"key": "none.pem"}, "cannot be read"),
        ({"ca": "ca.key"}, "holds no certificate of an authority"),
    ],
)
def test_a_certificate_that_loggers_would_refuse_is_refused_and_nothing_is_written(
    enrolled, tmp_path, pki, files, match
):
    done = tarnlight_here(enrolled, "broker", str(tmp_path / "b"), *tls(pki, **files))
    assert done.returncode == 2
    assert match in done.stderr
    assert not (tmp_path / "b").exists()


def test_a_certificate_for_another_name_is_warned_of(enrolled, tmp_path, pki):
    options = [one if one != "localhost" else "127.0.0.1" for one in tls(pki)]
    done = tarnlight_here(enrolled, "broker", str(tmp_path / "b"), *options)
    assert done.returncode == 0
    assert "the certificate does not name 127.0.0.1" in done.stderr


def test_another_listener_than_the_one_there_is_refused_and_nothing_changes(issue, pki):
    broker = issue()
    enroll_more(broker.store)
    before = {path: path.read_text() for path in broker.folder.glob("*") if path.is_file()}
    for words in (("--plain", "--port", "1"), tls(pki)):
        done = tarnlight_here(broker.store, "broker", str(broker.folder), *words)
        assert done.returncode == 2
        assert "these options ask for something else" in done.stderr
    conf = broker.folder / "mosquitto.conf"
    conf.write_text(conf.read_text().replace("/passwords", "/others"))
    done = tarnlight_here(broker.store, "broker", str(broker.folder))
    assert done.returncode == 2
    assert "its broker would not know the users added here" in done.stderr
    assert {path: path.read_text() for path in before if path != conf} == {
        path: text for path, text in before.items() if path != conf}


@pytest.mark.parametrize(("name", "match"), [
    ("mosquitto.conf", "was not written by this command"), ("letter.txt", "holds other files")])
def test_a_folder_of_other_things_is_left_as_it_is(enrolled, tmp_path, name, match):
    folder = tmp_path / "etc"
    folder.mkdir()
    folder.chmod(0o755)  # whatever the umask
    (folder / name).write_text("listener 1883\n")
    done = tarnlight_here(enrolled, "broker", str(folder), "--plain")
    assert done.returncode == 2
    assert match in done.stderr
    assert folder.stat().st_mode & 0o777 == 0o755
    assert [path.name for path in folder.iterdir()] == [name]


def test_without_a_fleet_there_is_nothing_to_write(tmp_path):
    done = tarnlight_here(tmp_path / "none.duckdb", "broker", str(tmp_path / "b"), "--plain")
    assert done.returncode == 1
    assert "so no logger is known" in done.stderr
    Store(tmp_path / "empty.duckdb").close()
    done = tarnlight_here(tmp_path / "empty.duckdb", "broker", str(tmp_path / "b"), "--plain")
    assert done.returncode == 2
    assert "no unit is enrolled" in done.stderr
    assert not (tmp_path / "b").exists()


def test_it_says_how_much_room_a_week_away_takes(enrolled, tmp_path):
    done = tarnlight_here(enrolled, "broker", str(tmp_path / "b"), "--plain")
    # three units at one message a minute: 3 x 1,440 a day of 1,000 bytes, for 7 days, and on disk twice
    assert "3 units send up to 4,320 messages a day, 5 MB in its queue. For 7 days away it needs 31 MB of memory " \
        "and 61 MB of disk." in done.stdout
