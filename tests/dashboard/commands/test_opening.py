"""Which store a command opens: a wrong path, or one with nothing in it, never looks like nothing to warn of."""

from __future__ import annotations

import contextlib
import io
from collections.abc import Callable
from pathlib import Path

import pytest

from dashboard.cli import main
from ingest.store import Store
from tests.conftest import FLEET_TOML, Running, tarnlight_here

READERS = (
    "status", "outages", "lamps", "visits", "advisory list", "advisory show a1",
    "report --cabin heron-point --month 2026-10",
    "bleach --cabin heron-point --strength 6", "dose --reactor annular-40 --intensity 45 --uvt 82 --flow 28",
    "enroll --export", "notice --cabin heron-point --out n.pdf", "backup copy.duckdb",
    "service record flushed --cabin heron-point --unit main --at 2026-11-20T14:00:00Z --who Ann",
)
Here = Callable[..., tuple[int, str, str]]


@pytest.fixture
def at_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Here:
    """Run a command with no store named; the data folder is below `tmp_path`, with no store of any kind yet."""
    for name in ("TARNLIGHT_STORE", "TARNLIGHT_BROKER"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    monkeypatch.chdir(tmp_path)

    def run(*words: str) -> tuple[int, str, str]:
        out, err = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            try:
                code = main(list(words))
            except SystemExit as stopped:
                code = int(stopped.code or 0)
        return code, out.getvalue(), err.getvalue()
    return run


@pytest.mark.parametrize("words", READERS)
def test_a_command_on_a_path_without_a_store_says_so_and_makes_none(tmp_path: Path, words: str):
    missing = tmp_path / "typo.duckdb"
    done = tarnlight_here(missing, *words.split())
    assert done.returncode == 1
    assert f"there is no store at {missing}" in done.stderr
    assert not done.stdout
    assert not missing.exists()


@pytest.fixture
def demo_beside(collector: Running, tmp_path: Path) -> Path:
    """The data folder with a running collector's store under the demo's name."""
    home = tmp_path / "tarnlight"
    home.mkdir(exist_ok=True)
    here = collector.settings
    (home / "demo.duckdb").symlink_to(here.store)
    (home / "demo.duckdb.serve.json").symlink_to(here.address_file)
    return home


@pytest.mark.parametrize("words", ["status", "advisory list", "outages", "enroll --export", "doctor"])
def test_without_an_own_store_commands_speak_of_the_running_demo(at_home: Here, demo_beside: Path, words: str):
    _, out, err = at_home(*words.split())
    assert "running demo" in err
    assert "No cabin is enrolled" not in out and "no cabin is enrolled:" not in out
    assert not (demo_beside / "tarnlight.duckdb").exists()


def test_an_own_store_without_a_cabin_does_not_hide_the_running_demo(at_home: Here, demo_beside: Path):
    Store(demo_beside / "tarnlight.duckdb").close()
    code, out, err = at_home("status")
    assert code == 0
    assert "no cabin is enrolled in your own store" in err
    assert "SILENT" in out and "No cabin is enrolled" not in out


def test_an_own_store_with_a_cabin_goes_before_the_running_demo(at_home: Here, demo_beside: Path, tmp_path: Path):
    own = tmp_path / "own.toml"
    own.write_text(FLEET_TOML.replace('name = "Heron-Point"', 'name = "My Own Cabin"'), encoding="utf-8")
    assert at_home("enroll", str(own))[0] == 0
    code, out, err = at_home("status")
    assert code == 0
    assert "My Own Cabin" in out and "demo" not in err


def test_a_list_of_advisories_is_never_empty_for_a_cabin_that_is_not_enrolled(held: Store):
    path = held.path
    held.close()
    done = tarnlight_here(path, "advisory", "list", "--cabin", "heron-pont")
    assert done.returncode == 2
    assert "no cabin 'heron-pont' is enrolled" in done.stderr
    assert not done.stdout


def test_a_unit_that_was_never_heard_is_named_among_the_outages(held: Store):
    path = held.path
    held.close()
    done = tarnlight_here(path, "outages")
    assert "never heard: nothing is known of it" in done.stdout
    assert "Every minute heard was lit" not in done.stdout
