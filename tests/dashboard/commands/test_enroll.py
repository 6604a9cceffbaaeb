"""`enroll` as a person meets it: what an edit would change in the past is shown first, and asked for."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from dashboard.commands import registry
from ingest import queries
from ingest.registry.tables import load_fleet, load_history
from ingest.settings import Settings
from ingest.store import Store, open_store
from tests.conftest import FLEET_TOML, Running, environment, tarnlight, tarnlight_here

STORED = ("segment", "hourly", "resume_state", "present", "pending", "advisory", "advisory_event", "unit",
          "unit_version", "reactor", "reactor_version", "judging_version", "registry_revision", "daily_owed",
          "unit_fault")
STRICT = "dose_target_mj_cm2 = 200.0"  # far more than the unit gives


@pytest.fixture
def good(held: Store) -> Path:
    """A store with a unit that has been lit and well for five hours with water flowing; held by nobody."""
    now = datetime.now(UTC).replace(second=0, microsecond=0)
    held.con.execute(
        """INSERT INTO reading BY NAME SELECT 'heron-point' AS cabin, 'main' AS unit,
        $start + n * INTERVAL 1 MINUTE AS "at", TRUE AS lamp_on, TRUE AS power_on, 60.0 AS intensity_w_m2,
        6.0 AS flow_l_min FROM range(301) AS t(n)""", {"start": now - timedelta(minutes=300)})
    held.con.execute("INSERT INTO pending SELECT 'heron-point', 'main', min(\"at\"), max(\"at\") FROM reading")
    held.act("evaluate", {})
    held.close()
    return held.path


@pytest.fixture
def strict(tmp_path: Path) -> Path:
    file = tmp_path / "strict.toml"
    file.write_text(FLEET_TOML.replace("dose_target_mj_cm2 = 40.0", STRICT, 1))
    return file


def since(hours: float) -> str:
    return (datetime.now(UTC) - timedelta(hours=hours)).isoformat()


def content(path: Path) -> dict[str, list[tuple]]:
    """Everything that an edit could touch."""
    store = Store(path)
    out = {table: store.con.execute(f"SELECT * FROM {table} ORDER BY ALL").fetchall() for table in STORED}  # noqa: S608
    out["sequence"] = store.con.execute("SELECT last_value FROM duckdb_sequences()").fetchall()
    store.close()
    return out


def litres(line: str) -> float:
    """The most of a line like "1 advisory would be raised, for 1,070 to 1,080 L of under-dosed water"."""
    return float(line.split(" L of ")[0].split()[-1].replace(",", ""))


def target(path: Path) -> float:
    store = open_store(Settings(store=path))
    found = load_fleet(store).unit("heron-point", "main").dose_target_mj_cm2
    store.close()
    return found


def test_without_a_terminal_an_edit_of_the_past_is_shown_and_refused_and_nothing_is_kept(good, strict):
    before = content(good)
    told = tarnlight(good, "enroll", str(strict), "--since", since(3))
    assert told.returncode == 2
    assert told.stdout == ""
    lines = told.stderr.splitlines()
    assert ["unit", "what"] in [line.split()[:2] for line in lines]  # below a bar, where it took its time
    (verdict,) = [line for line in lines if "verdict now" in line]
    assert verdict.split()[-2:] == ["clear", "boil"]
    months = [line for line in lines if f"  {datetime.now(UTC):%Y}-" in line]
    assert months
    assert all("heron-point/main" in line and "in specification" in line for line in months)
    (raised,) = [line for line in lines if line.startswith("1 advisory would be raised, for ")]
    assert litres(raised) >= 1070  # 3 h at 6 L/min, from the first reading after
    assert "nothing was enrolled" in lines[-1]
    assert "--yes" in lines[-1]
    assert content(good) == before


def test_yes_makes_it_and_it_comes_as_it_was_shown(good, strict):
    told = tarnlight(good, "enroll", str(strict), "--since", since(3), "--yes")
    assert told.returncode == 0, told.stderr
    assert "changed: heron-point/main" in told.stdout
    (raised,) = [line for line in told.stdout.splitlines() if line.startswith("1 advisory would be raised")]
    store = Store(good)
    (kept,) = queries.advisories(store)
    # between the look and the deed water goes on flowing, at 6 L/min; what may have passed since the latest reading
    # is recorded with the next
    assert litres(raised) - 12 <= kept.advisory.exposure.underdosed_l_upper <= litres(raised) + 12
    assert len(load_history(store).versions("heron-point", "main")) == 2
    store.close()
    status = tarnlight_here(good, "status", "--cabin", "heron-point")
    assert status.stdout.startswith("BOIL")


def test_an_edit_from_now_asks_nothing_and_says_what_the_verdict_becomes(good, strict):
    told = tarnlight(good, "enroll", str(strict))
    assert told.returncode == 0, told.stderr
    (verdict,) = [line for line in told.stdout.splitlines() if "verdict now" in line]
    assert verdict.split()[-2:] == ["clear", "boil"]
    assert "in specification" not in told.stdout  # no month
    assert target(good) == 200.0


def test_no_litre_of_before_is_judged_anew(good, strict):
    told = tarnlight(good, "enroll", str(strict), "--since", since(3))
    (raised,) = [line for line in told.stderr.splitlines() if line.startswith("1 advisory would be raised")]
    assert litres(raised) <= 1092  # 3 h and at most 2 min at 6 L/min


def test_an_edit_that_changes_nothing_past_asks_nothing(good, tmp_path):
    same = tmp_path / "same.toml"
    same.write_text(FLEET_TOML.replace("cold_plumbing_l = 18.0", "cold_plumbing_l = 20.0", 1))
    told = tarnlight(good, "enroll", str(same), "--since", since(3))
    assert told.returncode == 0 and "would change:" not in told.stderr  # a busy machine draws a bar there
    assert "0 new, 1 changed" in told.stdout


@pytest.mark.parametrize(("typed", "code", "target_then"), [
    ("y\n", 0, 200.0), ("\n", 1, 40.0), *(
        pytest.param(typed, 1, 40.0, marks=pytest.mark.slow) for typed in ("n\n", "\x04"))])
def test_at_a_terminal_it_asks_and_no_answer_is_no(good, strict, typed, code, target_then):
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "dashboard.cli", "enroll", str(strict), "--since", since(3)], stdin=theirs,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment(good), text=True)
    os.close(theirs)
    os.write(ours, typed.encode())
    out, err = process.communicate(timeout=120)
    os.close(ours)
    assert "1 advisory would be raised" in out, err
    assert "(y/N)" in out
    assert process.returncode == code, err
    assert target(good) == target_then


@pytest.fixture
def collecting(good: Path, collector: Running) -> Iterator[Path]:
    """The same store, held by a collector."""
    yield good


def test_a_running_collector_shows_and_refuses_the_same_and_goes_on(collecting, collector, strict):
    told = tarnlight(collecting, "enroll", str(strict), "--since", since(3))
    assert told.returncode == 2, told.stderr
    assert "1 advisory would be raised" in told.stderr
    assert target(collecting) == 40.0
    client = collector.client()
    assert client.ask("SELECT count(*) AS n FROM advisory")["n"].iloc[0] == 0
    assert client.ask("SELECT count(*) AS n FROM unit_version")["n"].iloc[0] == 3
    told = tarnlight(collecting, "enroll", str(strict), "--since", since(3), "--yes")
    assert told.returncode == 0, told.stderr
    assert target(collecting) == 200.0
    assert client.ask("SELECT count(*) AS n FROM advisory")["n"].iloc[0] == 1
    client.close()


@pytest.mark.parametrize(("words", "match"), [
    (("--since", "2026-07-01"), "must have Z or an offset"), (("--since", "2199-01-01T00:00:00Z"), "in the future"),
    (("--since", "soon"), "must be ISO 8601")])
def test_a_since_that_cannot_be_is_refused(good, strict, words, match):
    told = tarnlight_here(good, "enroll", str(strict), *words)
    assert told.returncode == 2
    assert match in told.stderr
    assert target(good) == 40.0


def test_export_takes_no_since(good):
    told = tarnlight_here(good, "enroll", "--export", "--yes")
    assert told.returncode == 2
    assert "--since and --yes are for a fleet.toml that is read" in told.stderr


def test_what_takes_long_shows_how_far_it_is(good, tmp_path, monkeypatch):
    monkeypatch.setattr(registry, "BAR_AFTER_S", 0.0)
    every = tmp_path / "every.toml"
    every.write_text(FLEET_TOML.replace("dose_target_mj_cm2 = 40.0", STRICT))
    told = tarnlight_here(good, "enroll", str(every), "--since", since(3), "--yes")
    assert told.returncode == 0, told.stderr
    assert "what this would change" in told.stderr
    assert "100 %" in told.stderr
    assert "3 changed" in told.stdout
