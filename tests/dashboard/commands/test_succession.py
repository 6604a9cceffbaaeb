"""`retire`, `rename`, `move` as a person meets them: shown first, asked, and every command goes on afterwards."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from dashboard.commands.load import by_present_name
from ingest.counterpart.words import keep_words
from ingest.db.intake import keep
from ingest.evaluation.evaluate import evaluate, owe
from ingest.registry.tables import load_fleet, load_names
from ingest.store import Store
from models.counterpart import Place
from tests.conftest import FLEET_TOML, environment, tarnlight_here
from tests.ingest.ingest_streams import steady

BY = ("--by", "Ann Lund")
EARLIER = (datetime.now(UTC) - timedelta(minutes=1)).isoformat()


@pytest.fixture
def heard(held: Store) -> Path:
    """A store in which heron-point was heard until just now, and sends under its name; held by nobody."""
    now = datetime.now(UTC).replace(second=0, microsecond=0)
    rows = steady(now - timedelta(hours=5), 290, "heron-point", "main")
    owe(held.con, keep(held.con, rows=rows, arrived=now).touched)
    evaluate(held.con, now)
    held.close()
    return held.path


def cabins(path: Path) -> list[str]:
    store = Store(path)
    found = [one.slug for one in load_fleet(store).cabins]
    store.close()
    return found


def test_without_a_terminal_it_is_shown_and_not_done_and_yes_does_it(heard):
    told = tarnlight_here(heard, "retire", "--cabin", "heron-point", *BY)
    assert told.returncode == 2 and told.stdout == ""
    assert "heron-point/main: 290 readings" in told.stderr
    assert "nothing was done; give --yes" in told.stderr
    assert cabins(heard) == ["heron-point", "otter-cove"]
    told = tarnlight_here(heard, "retire", "--cabin", "heron-point", *BY, "--yes", "--reason", "sold")
    assert told.returncode == 0, told.stderr
    assert cabins(heard) == ["otter-cove"]
    told = tarnlight_here(heard, "enroll", "--history")
    assert "retired     heron-point/main  by Ann Lund: sold" in told.stdout


@pytest.mark.parametrize(("typed", "code", "then"), [("y\n", 0, "north-point"), ("n\n", 1, "heron-point")])
def test_at_a_terminal_it_asks(heard, typed, code, then):
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "dashboard.cli", "rename", "--cabin", "heron-point", "--to", "north-point", *BY],
        stdin=theirs, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment(heard), text=True)
    os.close(theirs)
    os.write(ours, typed.encode())
    out, err = process.communicate(timeout=120)
    os.close(ours)
    assert "heron-point/main becomes north-point/main" in out, err
    assert "(y/N)" in out
    assert (process.returncode, cabins(heard)[0 if then < "otter" else -1]) == (code, then)


@pytest.mark.parametrize("words", [
    ("status",), ("status", "--json"), ("status", "--at", EARLIER),
    ("status", "--at", EARLIER, "--as-known"), ("outages",), ("outages", "--cabin", "heron-point"), ("events",),
    ("advisory", "list", "--all"), ("service", "list", "--cabin", "heron-point"), ("doctor",), ("lamps",),
    ("visits",),
    ("report", "--cabin", "heron-point", "--month", f"{datetime.now(UTC):%Y-%m}"),
    ("report", "--fleet", "--month", f"{datetime.now(UTC):%Y-%m}", "--out", "fleet.csv"),
])
def test_every_command_goes_on_after_a_cabin_was_retired(retired_once, words):
    told = tarnlight_here(retired_once, *words)
    assert told.returncode in ((0, 1) if words == ("doctor",) else (0,)), told.stderr
    assert "Traceback" not in told.stderr
    assert words[0] in ("outages", "service", "report") or "heron-point" not in told.stdout
    assert "could not be" not in told.stdout + told.stderr  # no unit at fault


@pytest.fixture(scope="module")
def retired_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store whose first cabin was heard, served, and retired."""
    store = Store(tmp_path_factory.mktemp("retired") / "tarnlight.duckdb")
    store.act("enroll", {"text": FLEET_TOML})
    now = datetime.now(UTC).replace(second=0, microsecond=0)
    for key in (("heron-point", "main"), ("otter-cove", "main")):
        owe(store.con, keep(store.con, rows=steady(now - timedelta(hours=5), 295, *key), arrived=now).touched)
    evaluate(store.con, now)
    for kind, value in (("filter-changed", None), ("sensor-checked", 1.05), ("water-tested", 84.0)):
        store.act("record-service", {
            "kind": kind, "cabin": "heron-point", "unit": "main", "who": "Kim", "value": value, "note": "",
            "at": (now - timedelta(hours=1)).isoformat()})
    store.act("registry-deed", {"kind": "retired", "cabin": "heron-point", "by": "Ann Lund"})
    store.close()
    return store.path


def test_a_file_under_a_former_name_is_loaded_as_its_unit_and_of_a_retired_one_refused(heard, tmp_path):
    log = tmp_path / "log.csv"
    log.write_text("at,cabin,unit,flow_l_min\n2026-09-01T00:00:00Z,heron-point,main,1.5\n"
                   "2026-09-01T00:00:00Z,otter-cove,annex,2.5\n")
    for words in (("rename", "--cabin", "heron-point", "--to", "north-point"),
                  ("retire", "--cabin", "otter-cove", "--unit", "annex")):
        assert tarnlight_here(heard, *words, *BY, "--yes").returncode == 0
    told = tarnlight_here(heard, "load", str(log))
    assert "2 rows read, 1 kept" in told.stdout, told.stderr
    assert "unit 'annex' of cabin 'otter-cove' was retired on" in told.stdout
    store = Store(heard)
    found = store.ask("SELECT cabin, flow_l_min FROM reading WHERE \"at\" = TIMESTAMPTZ '2026-09-01 00:00:00Z'")
    assert found.to_numpy().tolist() == [["north-point", 1.5]]
    rows = steady(datetime(2026, 9, 1, tzinfo=UTC), 1, "otter-cove", "main")
    assert by_present_name(rows, load_names(store)) is rows
    store.close()


def test_a_section_that_the_file_lacks_is_said_before_it_goes_back_and_can_be_kept(enrolled, tmp_path):
    file = tmp_path / "fleet.toml"
    file.write_text(FLEET_TOML + '[crew]\ndays = ["mon"]\n')
    assert tarnlight_here(enrolled, "enroll", str(file)).returncode == 0
    file.write_text(FLEET_TOML)
    told = tarnlight_here(enrolled, "enroll", str(file))
    assert told.returncode == 2
    assert "[crew] is not in the file: what it said goes back to the default" in told.stderr
    kept = tarnlight_here(enrolled, "enroll", str(file), "--keep-sections")
    assert kept.returncode == 0 and "crew" not in kept.stdout
    assert "[crew]" in tarnlight_here(enrolled, "enroll", "--export").stdout
    told = tarnlight_here(enrolled, "enroll", str(file), "--yes")
    assert told.returncode == 0 and "back to the default: [crew]" in told.stdout
    assert "[crew]" not in tarnlight_here(enrolled, "enroll", "--export").stdout


def test_a_boil_of_a_collector_that_is_no_more_is_ended_by_name_and_stands_in_the_history(heard):
    words = ("retire", "--other-collector", "--cabin", "heron-point", *BY)
    told = tarnlight_here(heard, *words, "--yes")
    assert told.returncode == 2 and "no other collector has told verdicts" in told.stderr
    store, now = Store(heard), datetime.now(UTC)
    keep_words(store.con, "heron-point", Place.CABIN, json.dumps({
        "at": now.isoformat(), "units": {"main": {"verdict": "boil", "reason": "dark for an hour"}}}).encode(), now)
    store.close()
    assert "boil" in tarnlight_here(heard, "status", "--cabin", "heron-point").stdout
    told = tarnlight_here(heard, *words, "--yes")
    assert told.returncode == 2 and "reason must say why" in told.stderr
    told = tarnlight_here(heard, *words, "--reason", "two good samples")
    assert told.returncode == 2 and "said boil on" in told.stderr and "health authority" in told.stderr
    told = tarnlight_here(heard, *words, "--reason", "two good samples", "--yes")
    assert told.returncode == 0 and told.stdout.endswith("Done, by Ann Lund.\n")
    assert "boil" not in tarnlight_here(heard, "status", "--cabin", "heron-point", "--json").stdout
    told = tarnlight_here(heard, "enroll", "--history").stdout
    assert "given-up" in told and "by Ann Lund: two good samples; heron-point/main: the cabin's own" in told


@pytest.mark.parametrize(("words", "told"), [
    (("retire", "--other-collector"), "give --cabin"),
    (("retire", "--other-collector", "--cabin", "heron-point", "--back"), "goes with --cabin alone"),
    (("retire",), "give --cabin"), (("retire", "--contact", "kim", "--back"), "give --cabin"),
    (("rename", "--cabin", "heron-point"), "give --cabin and --to"),
    (("rename", "--free", "x/y", "--to", "z"), "--free stands alone")])
def test_words_that_say_too_little_or_too_much_are_refused(enrolled, words, told):
    found = tarnlight_here(enrolled, *words, *BY)
    assert found.returncode == 2 and told in found.stderr
