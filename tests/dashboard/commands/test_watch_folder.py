"""A folder that is watched: each file is loaded once it is whole, and one that is refused stops no other."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest

from ingest.store import Store
from tests.conftest import count, environment, tarnlight_here, wait_for

HEADER = "Time;UV intensity (mW/cm2);Flow (gpm)\n"
TELL = ("--cabin", "heron-point", "--unit", "main", "--zone", "America/Toronto")


def log(minute: int, rows: int = 3) -> str:
    return HEADER + "".join(
        f"2026-09-01 06:{minute + row:02d}:00;4,52;{row},5\n" for row in range(rows))


@pytest.fixture
def profiled(enrolled: Path, tmp_path: Path) -> tuple[Path, Path]:
    """A store with a profile of such logs, and an empty folder."""
    sample = tmp_path / "sample.csv"
    sample.write_text(log(0))
    told = tarnlight_here(enrolled, "load", str(sample), "--look", "--save-profile", "hill-logger", *TELL)
    assert told.returncode == 0, told.stdout + told.stderr
    folder = tmp_path / "watched"
    folder.mkdir()
    return enrolled, folder


def stored(path: Path) -> int:
    store = Store(path)
    found = count(store, "reading")
    store.close()
    return found


def names(folder: Path) -> dict[str, list[str]]:
    return {one.name: sorted(path.name for path in one.iterdir()) for one in folder.iterdir() if one.is_dir()}


def test_what_is_there_is_loaded_once_and_put_aside_and_what_is_refused_too(profiled):
    store, folder = profiled
    (folder / "a.csv").write_text(log(0))
    (folder / "b.csv").write_text("Time;Other\n2026-09-01 06:00:00;1\n")  # without the columns of the profile
    (folder / "c.csv").write_text(log(10))
    (folder / ".d.csv").write_text(log(20))  # still being written
    (folder / "notes.pdf").write_text("none of ours")
    told = tarnlight_here(
        store, "watch-folder", str(folder), "--profile", "hill-logger", "--once", *TELL[:4])
    assert told.returncode == 2, told.stderr
    assert "b.csv" in told.stderr
    assert names(folder) == {"loaded": ["a.csv", "c.csv"], "refused": ["b.csv"]}
    assert sorted(path.name for path in folder.iterdir() if path.is_file()) == [".d.csv", "notes.pdf"]
    assert stored(store) == 6
    (folder / "a.csv").write_text(log(0, rows=5))  # the same log, longer by now
    told = tarnlight_here(
        store, "watch-folder", str(folder), "--profile", "hill-logger", "--once", *TELL[:4])
    assert told.returncode == 0, told.stderr
    assert stored(store) == 8
    assert len(names(folder)["loaded"]) == 3  # the first of that name is still there


def test_a_file_is_taken_once_it_grows_no_more_and_it_ends_when_told(profiled, tmp_path):
    store, folder = profiled
    out = tmp_path / "out"
    with out.open("wb") as told:
        watching = subprocess.Popen(
            [sys.executable, "-m", "dashboard.cli", "watch-folder", str(folder), "--profile", "hill-logger",
             "--every", "0.3", *TELL[:4]], env=environment(store), stdout=told, stderr=told, cwd=tmp_path)
    try:
        file = folder / "grows.csv"
        file.write_text(log(0))
        wait_for(lambda: (folder / "loaded" / "grows.csv").exists(), 40, f"it is loaded; {out.read_text()}")
    finally:
        watching.send_signal(signal.SIGTERM)
        assert watching.wait(20) == 0
    assert "3 rows read, 3 kept" in out.read_text()
    assert stored(store) == 3


@pytest.mark.parametrize(("words", "says"), [
    (("nowhere", "--profile", "hill-logger"), "no such folder"),
    ((".", "--profile", "other"), "no profile 'other' was saved; saved are: hill-logger"),
    ((".", "--profile", "hill-logger", "--every", "0"), "--every must be above 0"),
])
def test_what_cannot_be_is_refused_before_anything_is_waited_for(profiled, words, says):
    told = tarnlight_here(profiled[0], "watch-folder", *words)
    assert told.returncode == 2 and says in told.stderr
