"""Real processes under umask 000: whatever they write, nobody but its owner may read, from its first moment on."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from ingest.settings import Settings
from ingest.store import Store
from tests.conftest import (
    FLEET_TOML,
    Mosquitto,
    Running,
    count,
    environment,
    publish,
    senml,
    tarnlight,
    wait_for,
)

pytestmark = pytest.mark.skipif(os.name != "posix", reason="modes are POSIX's")
PEOPLE = """
[[contact]]
name = "Ann Marsh"
role = "manager"
phone = "+1 555 0100"
"""


class Watch:
    """Looks at every file and folder below one, again and again, and remembers what others ever had a right to."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.seen, self.wide = folder, set[str](), dict[str, str]()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run)

    def look(self) -> None:
        for folder, folders, files in os.walk(self.folder):
            for name in (*folders, *files):
                path = Path(folder, name)
                try:
                    mode = path.lstat().st_mode
                except FileNotFoundError:
                    continue
                self.seen.add(name)
                if mode & 0o077:
                    self.wide[str(path.relative_to(self.folder))] = stat.filemode(mode)

    def _run(self) -> None:
        while not self._stop.wait(0.002):
            self.look()

    def __enter__(self) -> Watch:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        self.look()


def readings(hours: int) -> list[str]:
    start = datetime.now(UTC).replace(microsecond=0) - timedelta(hours=hours)
    return [senml(start + timedelta(minutes=n), lamp=True, intensity=58.0, flow=0.0) for n in range(60 * hours)]


@pytest.fixture
def open_umask():
    """This process's own umask is taken on by what it starts."""
    before = os.umask(0)
    yield
    os.umask(before)


def test_enrolling_collecting_loading_backing_up_and_exporting_leave_nothing_that_others_can_read(
    mosquitto: Mosquitto, tmp_path: Path
):
    """The WAL is made and unlinked again and again while it runs; a backup and a spool are written beside it."""
    store, fleet, csv = tmp_path / "home" / "data" / "t.duckdb", tmp_path / "fleet.toml", tmp_path / "log.csv"
    fleet.write_text(FLEET_TOML + PEOPLE)
    at = (datetime.now(UTC) - timedelta(days=1)).isoformat()
    csv.write_text(f"at,cabin,unit,intensity_w_m2\n{at},otter-cove,main,55\n")

    def run(*words: str) -> str:
        told = subprocess.run(
            [sys.executable, "-m", "dashboard.cli", *words], env=environment(store), cwd=tmp_path, umask=0,
            text=True, capture_output=True, timeout=120, check=False)
        assert told.returncode == 0, told.stderr
        return told.stdout

    (tmp_path / "home").mkdir(mode=0o755)
    with Watch(tmp_path / "home") as watch:
        run("enroll", str(fleet))
        log = tmp_path / "collector.log"
        collector = Running(Settings(store=store, broker=mosquitto.url), log, umask=0)
        collector.start()
        try:
            asks = collector.client()
            for turn in range(1, 4):
                publish(mosquitto.port, "tarnlight/heron-point/main/log", *readings(turn)[:60])
                wait_for(lambda n=60 * turn: count(asks, "reading") >= n, 20, f"the rows of turn {turn}")
                asks.ask("CHECKPOINT")
            run("load", str(csv))
            run("advisory", "raise", "--cabin", "heron-point", "--unit", "main", "--by", "Ann Marsh")
            out = store.parent
            run("backup", str(out / "copy.duckdb"))
            run("enroll", "--export", "--out", str(out / "fleet.toml"))
            run("notice", "--cabin", "heron-point", "--unit", "main", "--out", str(out / "notice.pdf"))
        finally:
            assert collector.terminate() == 0
    assert watch.wide == {}
    assert {"t.duckdb", "t.duckdb.wal", "t.duckdb.spool", "t.duckdb.serve.json", "data", "copy.duckdb",
            "fleet.toml", "notice.pdf"} <= watch.seen
    assert any(name.endswith(".parquet") for name in watch.seen)
    assert "+1 555 0100" in (out / "fleet.toml").read_text()


def test_what_a_shell_redirects_people_into_is_narrowed_and_what_it_adds_to_is_not(enrolled: Path, tmp_path: Path):
    new, log = tmp_path / "out.toml", tmp_path / "cron.log"
    log.write_text("what stood there\n")
    log.chmod(0o644)
    for path, sign in ((new, ">"), (log, ">>")):
        told = subprocess.run(
            f"{sys.executable} -m dashboard.cli enroll --export {sign} {path}", shell=True, umask=0,
            env=environment(enrolled), capture_output=True, text=True, check=False)
        assert told.returncode == 0, told.stderr
        assert "heron-point" in path.read_text()
    assert stat.S_IMODE(new.stat().st_mode) == 0o600
    assert stat.S_IMODE(log.stat().st_mode) == 0o644


def test_an_older_store_is_narrowed_at_opening_with_all_that_is_named_after_it(tmp_path: Path):
    folder = tmp_path / "data"
    folder.mkdir()
    path = folder / "t.duckdb"
    Store(path).close()
    spool = folder / "t.duckdb.spool"
    spool.mkdir(exist_ok=True)
    for name in ("t.duckdb.log", "t.duckdb.fleet.toml", "t.duckdb.spool/x.parquet"):
        (folder / name).write_text("what an older version wrote")
    others = folder / "holiday.jpg"
    others.write_text("not ours")
    for one in folder.rglob("*"):
        one.chmod(0o755 if one.is_dir() else 0o644)
    folder.chmod(0o755)
    store = Store(path)
    wide = {one.name for one in folder.rglob("*") if one.stat().st_mode & 0o077}
    store.close()
    assert wide == {"holiday.jpg"}
    assert stat.S_IMODE(folder.stat().st_mode) == 0o755  # it may be anybody's


def test_the_default_folder_of_an_older_version_is_narrowed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    folder = tmp_path / "tarnlight"
    folder.mkdir()
    folder.chmod(0o755)
    Store(folder / "tarnlight.duckdb").close()
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700


@pytest.mark.slow
def test_doctor_names_what_others_can_read_while_a_collector_holds_the_store(
    mosquitto: Mosquitto, make_collector: Callable[..., Running]
):
    collector = make_collector(mosquitto.url)
    store = collector.settings.store
    assert "ok    private files: only their owner" in tarnlight(store, "doctor").stdout
    copy = store.with_name("copy of it.duckdb")
    assert tarnlight(store, "backup", str(copy)).returncode == 0
    store.chmod(0o640)
    copy.chmod(0o604)
    told = tarnlight(store, "doctor")
    assert told.returncode == 1
    may = "may be read or changed by others"
    assert f"WRONG private files: {store} {may} (mode 640): chmod 600 {store}" in told.stdout
    assert f"(mode 604): chmod 600 '{copy}'" in told.stdout
    store.parent.chmod(0o777)
    assert f"{store.parent} {may} (mode 777): chmod 700" in tarnlight(store, "doctor").stdout


def test_a_file_that_was_open_to_others_is_replaced_and_not_filled(tmp_path: Path, open_umask: None):
    """Who held it open reads the old one."""
    from ingest import private_files

    path, link = tmp_path / "fleet.toml", tmp_path / "link"
    path.write_text("old")
    path.chmod(0o644)
    link.symlink_to(path)
    with path.open() as held:
        private_files.write(link, b"new")
        assert held.read() == "old"
    assert (path.read_text(), stat.S_IMODE(path.stat().st_mode), link.is_symlink()) == ("new", 0o600, True)
    assert sorted(one.name for one in tmp_path.iterdir()) == ["fleet.toml", "link"]
    private_files.write(Path(os.devnull), b"gone")
    assert Path(os.devnull).is_char_device()
    with pytest.raises(OSError, match="No such file"):
        private_files.write(tmp_path / "nowhere" / "x", b"")
