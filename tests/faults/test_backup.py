"""A copy while the collector takes in; a copy in the store's place; and what becomes of one that is torn."""

from __future__ import annotations

import subprocess
import sys
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from dashboard.commands import backup
from dashboard.commands.backup import make_copy
from ingest.db import snapshot
from ingest.settings import BadInput
from ingest.store import Store
from tests.conftest import Mosquitto, count, environment, publisher, senml, tarnlight, tarnlight_here, wait_for

T = datetime(2026, 10, 1, tzinfo=UTC)
TOPIC = "tarnlight/heron-point/main/log"


def test_copies_made_while_messages_come_are_whole_and_hold_nothing_up(
    mosquitto: Mosquitto, make_collector, tmp_path: Path
):
    collector = make_collector(mosquitto.url)
    messages, sent = 3000, threading.Event()

    def send() -> None:
        with publisher(mosquitto.port) as sender:
            for n in range(messages):
                pack = senml(T + timedelta(minutes=n), lamp=True, intensity=60.0, battery=12.0)
                info = sender.publish(TOPIC, pack, 1)
            info.wait_for_publish(60)
        sent.set()

    thread = threading.Thread(target=send)
    thread.start()
    store = collector.settings.store
    wait_for(lambda: count(collector.client(), "reading") > 100, 20, "rows come in")
    held = []
    for number in range(3):
        copy = tmp_path / f"copy{number}.duckdb"
        before = count(collector.client(), "reading")
        done = tarnlight(store, "backup", str(copy))
        assert done.returncode == 0, done.stderr
        assert copy.stat().st_mode & 0o077 == 0
        held.append(snapshot.require_whole(copy, before))  # what was in when it was asked for is there
    assert held == sorted(held)
    thread.join(60)
    wait_for(lambda: count(collector.client(), "reading") == messages, 60, "all that was sent is stored")
    assert not list(tmp_path.glob("*.part"))
    assert "ok    backup: the last was made 0 days ago" in tarnlight(store, "doctor").stdout
    # the file changes again: at its end the collector leaves no log beside it
    assert collector.terminate() == 0
    assert not store.with_name(store.name + ".wal").exists()


def test_a_copy_is_put_in_the_stores_place_and_what_stood_there_is_kept(enrolled: Path, tmp_path: Path):
    store = Store(enrolled)
    number = store.act("advisory-raise", {"cabin": "heron-point", "unit": "main", "by": "Kim"})["advisory"]
    make_copy(store, tmp_path / "copy.duckdb")
    store.act("advisory-lift", {"advisory": number, "by": "Kim", "reason": "by mistake"})
    store.close()
    done = tarnlight_here(enrolled, "restore", str(tmp_path / "copy.duckdb"))
    assert done.returncode == 0, done.stderr
    assert "before anybody drinks" in done.stdout
    assert enrolled.stat().st_mode & 0o077 == 0
    assert "waits for:" in tarnlight_here(enrolled, "advisory", "list").stdout  # it stands again
    (kept,) = enrolled.parent.glob("*.before-*")
    assert "No open advisory" in tarnlight_here(kept, "advisory", "list").stdout


def test_what_is_no_whole_store_is_restored_nowhere(enrolled: Path, tmp_path: Path):
    before = enrolled.read_bytes()
    (tmp_path / "text.duckdb").write_text("no store")
    (tmp_path / "half.duckdb").write_bytes(before[: len(before) // 2])
    for name, why in (("text", "is no store"), ("half", "is no store"), ("none", "no such file")):
        done = tarnlight_here(enrolled, "restore", str(tmp_path / f"{name}.duckdb"))
        assert done.returncode == 2 and why in done.stderr, name
        assert "Traceback" not in done.stderr
    assert enrolled.read_bytes() == before
    assert not list(enrolled.parent.glob("*.before-*"))


def test_a_log_that_was_left_alone_is_not_played_into_what_is_restored(enrolled: Path, tmp_path: Path):
    store = Store(enrolled)
    make_copy(store, tmp_path / "copy.duckdb")
    store.act("advisory-raise", {"cabin": "heron-point", "unit": "main", "by": "Kim"})
    log = enrolled.with_name(enrolled.name + ".wal")
    kept = log.read_bytes()
    store.close()
    enrolled.unlink()
    log.write_bytes(kept)
    assert tarnlight_here(enrolled, "restore", str(tmp_path / "copy.duckdb")).returncode == 0
    assert "No open advisory" in tarnlight_here(enrolled, "advisory", "list").stdout


def test_a_store_that_a_collector_holds_is_not_restored_over(mosquitto: Mosquitto, make_collector, tmp_path: Path):
    collector = make_collector(mosquitto.url)
    store = collector.settings.store
    assert tarnlight(store, "backup", str(tmp_path / "copy.duckdb")).returncode == 0
    done = tarnlight(store, "restore", str(tmp_path / "copy.duckdb"))
    assert done.returncode == 2
    assert "stop it first" in done.stderr


def test_only_copies_named_by_the_time_are_deleted_by_age_and_never_the_last(held: Store, tmp_path: Path):
    held.close()
    old = tmp_path / "tarnlight-20250101T030000Z.duckdb"
    other = tmp_path / "mine-20250101.duckdb"
    for path in (old, other):
        path.write_text("x")
    done = tarnlight_here(held.path, "backup", str(tmp_path), "--keep-days", "30")
    assert done.returncode == 0, done.stderr
    assert not old.exists() and other.exists()
    assert len(list(tmp_path.glob("tarnlight-2*.duckdb"))) == 1
    assert f"{old}: deleted" in done.stdout
    assert tarnlight_here(held.path, "backup", str(tmp_path / "x.duckdb"), "--keep-days", "30").returncode == 2


def test_a_hold_that_was_broken_says_so_and_one_that_was_left_ends(held: Store):
    one = held.act("hold-for-backup", {})
    with pytest.raises(BadInput, match="another backup is being made"):
        held.act("hold-for-backup", {})
    held.con.execute("RESET GLOBAL checkpoint_threshold")  # as after the collector was started anew
    with pytest.raises(BadInput, match="may be torn"):
        held.act("release-backup", {"id": one["id"], "bytes": 1})
    other = held.act("hold-for-backup", {})
    with pytest.raises(BadInput, match="may be torn"):  # the first comes back while another holds
        held.act("release-backup", {"id": one["id"], "bytes": 1})
    assert snapshot.is_held(held.con)
    held.act("release-backup", {"id": other["id"], "bytes": 1})
    held.act("hold-for-backup", {})
    snapshot.release_what_was_left(held.con, held.now() + timedelta(minutes=5))
    assert snapshot.is_held(held.con)
    snapshot.release_what_was_left(held.con, held.now() + snapshot.HELD_AT_MOST + timedelta(minutes=1))
    assert not snapshot.is_held(held.con)


def test_a_store_whose_log_was_cut_says_from_when_to_when_it_lost_what_it_held(
    mosquitto: Mosquitto, make_collector
):
    collector = make_collector(mosquitto.url)
    store = collector.settings.store
    with publisher(mosquitto.port) as sender:
        for n in range(300):
            info = sender.publish(TOPIC, senml(T + timedelta(minutes=n), lamp=True, battery=12.0), 1)
            if n % 30 == 0:
                info.wait_for_publish(20)  # in some ten commits
        info.wait_for_publish(20)
    wait_for(lambda: count(collector.client(), "reading") == 300, 20, "all is stored")
    tally = collector.settings.tally_file
    wait_for(lambda: tally.exists() and '"held": [300' in tally.read_text(), 20, "it is counted")
    collector.kill()
    log = store.with_name(store.name + ".wal")
    log.write_bytes(log.read_bytes()[: 2 * log.stat().st_size // 3])
    collector.start()
    assert count(collector.client(), "reading") < 300  # the engine says nothing of it
    assert "what was stored may be lost" in tarnlight(store, "status").stderr
    assert "the log beside the store's file was cut short" in tarnlight(store, "doctor").stdout
    assert collector.terminate() == 0
    before = collector.log.read_text().count("may be lost")
    collector.start()
    assert collector.log.read_text().count("may be lost") == before  # it is told once


def test_a_hold_lasts_while_its_copier_says_so_and_not_longer_and_is_dated_by_its_begin(held: Store):
    one = held.act("hold-for-backup", {})
    begun = held.ask('SELECT "at" FROM backup_made')["at"].iloc[0]
    for minutes in (20, 40, 300):  # far beyond what one word is worth
        now = held.now() + timedelta(minutes=minutes)
        snapshot.renew(held.con, one["id"], now)
        snapshot.release_what_was_left(held.con, now + timedelta(minutes=29))
        assert snapshot.is_held(held.con)
    assert count(held, "backup_made") == 2
    held.act("release-backup", {"id": one["id"], "bytes": 7})
    kept = held.ask("SELECT * FROM backup_made")
    assert kept["at"].tolist() == [begun] and kept["bytes"].tolist() == [7]
    other = held.act("hold-for-backup", {})
    snapshot.renew(held.con, other["id"], held.now() + timedelta(minutes=20))
    snapshot.release_what_was_left(held.con, held.now() + timedelta(minutes=51))  # nobody said more
    assert not snapshot.is_held(held.con)
    with pytest.raises(BadInput, match="may be torn"):
        held.act("renew-backup", {"id": other["id"]})


def test_whoever_copies_says_so_as_it_goes_on(held: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(backup, "RENEW_S", 0.0)
    monkeypatch.setattr(snapshot, "_PART", 2**16)
    words: list[str] = []
    act = held.act
    monkeypatch.setattr(held, "act", lambda kind, body: (words.append(kind), act(kind, body))[1])
    assert make_copy(held, tmp_path / "copy.duckdb") > 2**17
    assert words[0] == "hold-for-backup" and words[-1] == "release-backup"
    assert len(words) > 3 and set(words[1:-1]) == {"renew-backup"}


COPIER = """
import sys, time
from pathlib import Path
from ingest.db import snapshot

def told(done, total):
    print("begun", flush=True)
    time.sleep(600)

snapshot.copy(Path(sys.argv[1]), Path(sys.argv[2]), told)
"""


def test_what_a_killed_backup_left_goes_with_the_next_and_what_a_living_one_writes_stays(
    enrolled: Path, tmp_path: Path
):
    copiers = []
    for name in ("killed", "living"):
        one = subprocess.Popen(
            [sys.executable, "-c", COPIER, str(enrolled), str(tmp_path / f"{name}.duckdb")],
            stdout=subprocess.PIPE, env=environment(enrolled))
        copiers.append(one)
        assert one.stdout is not None and one.stdout.readline() == b"begun\n"
    killed, living = copiers
    try:
        killed.kill()
        killed.wait(10)
        others = [tmp_path / name for name in (
            "mine.part", "x.duckdb.0123456789abcdef.00000000000000000000000000000000.part")]  # another machine's
        for path in others:
            path.write_text("x")
        assert len(list(tmp_path.glob("*.part"))) == 4
        assert tarnlight_here(enrolled, "backup", str(tmp_path / "next.duckdb")).returncode == 0
        left = sorted(tmp_path.glob("*.part"))
        assert len(left) == 3 and set(others) < set(left)
        assert [path.name.split(".")[0] for path in left if path not in others] == ["living"]
    finally:
        living.kill()
        living.wait(10)
    assert tarnlight_here(enrolled, "backup", str(tmp_path / "last.duckdb")).returncode == 0
    assert sorted(tmp_path.glob("*.part")) == sorted(others)
