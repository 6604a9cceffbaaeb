"""No command, sheet, calendar or page asks for a work without its cautions: all that can be read is walked."""

from __future__ import annotations

import csv
import io
import json
import re
import subprocess
import sys
import unicodedata
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from html import unescape
from pathlib import Path

import icalendar
import pytest
import streamlit as st
from pypdf import PdfReader
from streamlit.testing.v1 import AppTest

import dashboard
from dashboard.sheets.visit_sheet import visit_sheet
from dashboard.text.measures import Units
from ingest.bookings.kept import occupancy
from ingest.outlook.lamps import lamp_outlook
from ingest.outlook.visits import Visits, visits
from ingest.registry.tables import load_fleet, read_fleet
from ingest.settings import Settings
from ingest.store import Store
from models.advisory.chlorination import WORKS
from models.advisory.work_cautions import sentences
from tests.conftest import FLEET_TOML, Running, environment, free_port, tarnlight_here
from tests.lamp_fleet import NAMES, fleet_toml, lamp_store, slug
from tests.work_mentions import bare

CHROMIUM = Path("/usr/bin/chromium")
POWER = "Before anything is opened: power off and unplugged."
CABIN = slug(NAMES[0])
AT = ("--cabin", CABIN, "--unit", "main", "--at", "2026-11-20T14:00:00Z", "--who", "Ann Lund")


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Lamps that are due, and one advisory that a person raised."""
    path = tmp_path_factory.mktemp("cautions") / "tarnlight.duckdb"
    lamp_store(path, now=datetime.now(UTC))
    store = Store(path)
    store.act("enroll", {"text": fleet_toml().replace(
        "peak_flow_l_min", "cold_plumbing_l = 18.0\nhot_tank_l = 150.0\npeak_flow_l_min")})
    store.act("advisory-raise", {"cabin": CABIN, "unit": "main", "by": "Ann Lund"})
    store.close()
    return path


@pytest.fixture(scope="module")
def plan(fleet: Path) -> Visits:
    store = Store(fleet)
    now = store.now()
    registry = load_fleet(store)
    taken = occupancy(store, registry, now.date(), now.date() + timedelta(days=57), now)
    found = visits(lamp_outlook(store, now), registry, taken)
    store.close()
    assert found.trips and any("clean sleeve" in task for trip in found.trips for one in trip.stops
                               for task in one.tasks)
    return found


def run(path: Path, *words: str) -> str:
    found = tarnlight_here(path, *words)
    assert found.returncode == 0, found.stderr
    return found.stdout


@pytest.mark.parametrize("words", [
    ("lamps",), ("visits",), ("status",), ("advisory", "list"), ("advisory", "show", "a1"),
    ("bleach", "--strength", "6", "--cold", "18", "--hot", "150"), ("outages",),
    ("commission", "--cabin", CABIN), ("commission", "--cabin", CABIN, "--season", "shut-down"),
    ("commission", "--cabin", CABIN, "--season", "start-up"),
], ids=" ".join)
def test_what_a_command_prints_carries_the_cautions_once(fleet: Path, words: tuple[str, ...]) -> None:
    told = run(fleet, *words)
    assert bare(told) == []
    listed = [line for line in told.splitlines() if line.startswith("- ")]
    assert len(set(listed)) == len(listed) and (told.count("Take care:") == 1 if words != ("outages",) else True)


def test_lamps_and_visits_say_power_off_first(fleet: Path) -> None:
    for name in ("lamps", "visits"):
        told = run(fleet, name)
        assert told.split("Take care:\n")[1].splitlines()[0] == f"- {POWER}"


@pytest.mark.parametrize("words", [("lamps",), ("visits",), ("status",), ("advisory", "list")], ids=" ".join)
def test_each_entry_of_json_carries_the_cautions_of_its_own(fleet: Path, words: tuple[str, ...]) -> None:
    rows = json.loads(run(fleet, *words, "--json"))
    assert rows and any(row["cautions"] for row in rows)
    for row in rows:
        assert all(isinstance(one, str) for one in row["cautions"])
        # names of columns are no text to work by
        told = {key: value for key, value in row.items() if key != "advisory"}
        assert bare(json.dumps(list(told.values()), ensure_ascii=False)) == [], row
        if "advisory" in row:
            assert bare(json.dumps([row["advisory"], *row["cautions"]])) == []


@pytest.mark.parametrize("name", ["lamps", "visits"])
def test_each_row_of_csv_carries_the_cautions_of_its_own(fleet: Path, name: str) -> None:
    rows = list(csv.DictReader(io.StringIO(run(fleet, name, "--csv"))))
    assert any(POWER in row["cautions"] for row in rows)
    assert [bad for row in rows for bad in bare(" ".join(row.values()))] == []


@pytest.mark.parametrize("name", ["lamps", "visits"])
def test_each_calendar_entry_carries_the_cautions_of_its_own(fleet: Path, name: str) -> None:
    out = subprocess.run(
        [sys.executable, "-m", "dashboard.cli", name, "--ics"], capture_output=True, check=True, timeout=120,
        cwd=fleet.parent, env=environment(fleet))
    events = icalendar.Calendar.from_ical(out.stdout).walk("VEVENT")
    assert events and any(POWER in event["DESCRIPTION"] for event in events)
    for event in events:
        assert bare(f"{event['SUMMARY']} {event['DESCRIPTION']}") == []


def test_the_trips_know_the_work_of_an_advisory_and_when_it_can_be_over(fleet: Path) -> None:
    rows = json.loads(run(fleet, "visits", "--json"))
    stops = [stop for row in rows if row["day"] for stop in row["stops"] if stop["cabin"] == CABIN]
    # what fills the plumbing, since a person raised it: chlorine, its rinse with a sample, a second sample
    tasks = [" ".join(stop["tasks"]) for stop in stops]
    assert len(stops) == 3 and "disinfect with chlorine" in tasks[0] and "swap lamp" not in tasks[1]
    assert "take the first sample" in tasks[1] and "take the second sample" in tasks[2]
    (told,) = stops[0]["advisories"]
    assert (told["id"], told["unit"], told["event"]) == ("a1", "main", None)
    assert datetime.fromisoformat(told["can_be_clear_from"]) > datetime.fromisoformat(stops[2]["arrive"])
    assert told["words"] in run(fleet, "visits") and "a named person then lifts it" in told["words"]
    out = subprocess.run(
        [sys.executable, "-m", "dashboard.cli", "visits", "--ics"], capture_output=True, check=True, timeout=120,
        cwd=fleet.parent, env=environment(fleet))
    events = icalendar.Calendar.from_ical(out.stdout).walk("VEVENT")
    assert sum(told["words"] in event["DESCRIPTION"] for event in events) == 3


@pytest.mark.parametrize(("kind", "words"), [
    ("lamp-swapped", ("mercury", "dosed again")), ("sleeve-cleaned", ("dosed again",)),
    ("filter-changed", ("dosed again",)), ("chlorinated", ("Nobody drinks", "below 4 mg/L")), ("note", ()),
])
def test_a_record_of_work_says_what_still_holds(fleet: Path, kind: str, words: tuple[str, ...]) -> None:
    told = run(fleet, "service", "record", kind, *AT)
    assert all(one in told for one in words) and ("Take care:" in told) is bool(words)
    assert POWER not in told  # the work is done


def test_a_sensor_that_reads_too_high_is_work_still_ahead(fleet: Path) -> None:
    assert POWER in run(fleet, "service", "record", "sensor-checked", *AT, "--value", "1.30")
    assert POWER not in run(fleet, "service", "record", "sensor-checked", *AT, "--value", "1.00")


def sections(html: str) -> list[str]:
    return re.findall(r"<section>(.*?)</section>", html, re.S)


def test_every_page_of_the_sheet_has_its_cautions_above_its_work(plan: Visits) -> None:
    pages = sections(visit_sheet(plan, Units.METRIC, datetime.now(UTC)))
    assert len(pages) == len(plan.trips)
    for page, trip in zip(pages, plan.trips, strict=True):
        for one in sentences(trip.works):
            assert unescape(page).count(one) == 1 and unescape(page).index(one) < page.index("<table")
        assert "<details" not in page


@pytest.mark.skipif(not CHROMIUM.exists(), reason=f"needs {CHROMIUM} (Debian: apt-get install chromium)")
def test_the_printed_sheet_read_back_has_the_cautions_above_each_trips_work(plan: Visits, tmp_path: Path) -> None:
    sheet, paper = tmp_path / "visits.html", tmp_path / "visits.pdf"
    sheet.write_text(visit_sheet(plan, Units.METRIC, datetime.now(UTC)), encoding="utf-8")
    subprocess.run(
        [str(CHROMIUM), "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer",
         f"--user-data-dir={tmp_path}/profile", f"--print-to-pdf={paper}", sheet.as_uri()],
        check=True, capture_output=True, timeout=120)
    # the printer's fonts join f and l, f and f, into one letter
    pages = [
        unicodedata.normalize("NFKC", " ".join(page.extract_text().split())) for page in PdfReader(paper).pages]
    starts = [page for page in pages if "Arrive" in page]
    assert len(starts) == len(plan.trips)
    for page, trip in zip(starts, plan.trips, strict=True):
        assert bare(page) == []
        assert all(page.index(one) < page.index("Arrive") for one in sentences(trip.works))


def test_disinfecting_is_never_shown_without_its_cautions_though_no_plan_can_be_made() -> None:
    def page(unit):
        from dashboard.views.after_cut import bleach

        bleach(unit, told=())

    text = FLEET_TOML.replace("cold_plumbing_l = 18.0\n", "").replace("hot_tank_l = 150.0\n", "")
    unit = read_fleet(text, "fleet.toml").unit("heron-point", "main")
    assert unit.cold_plumbing_l is None
    app = AppTest.from_function(page, args=(unit,), default_timeout=60).run()
    assert not app.exception, app.exception
    told = unescape(" ".join(one.proto.body for one in app.get("html")))
    assert "No plan can be made" in told
    assert all(one in told for one in sentences(WORKS))


@pytest.fixture(scope="module")
def collected(fleet: Path) -> Iterator[Path]:
    """The same store, held by a collector."""
    one = Running(Settings(store=fleet, broker=f"mqtt://127.0.0.1:{free_port()}"), fleet.with_name("collector.log"))
    one.start(connected=False)
    st.cache_resource.clear()
    yield fleet
    one.kill()
    st.cache_resource.clear()


# Last in this file: from here on a collector holds the store.
@pytest.mark.parametrize("name", [
    "now", "cabin", "after-cut", "advisories", "shared-event", "lamps", "visits", "commission", "cabins",
    "system"])
def test_no_page_asks_for_a_work_without_its_cautions(
    collected: Path, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TARNLIGHT_STORE", str(collected))
    app = AppTest.from_file(str(Path(dashboard.__file__).with_name("app.py")), default_timeout=120).run()
    if name != "now":
        app._page_hash = app.session_state["pages"][name]._script_hash
        if name in ("cabin", "after-cut", "commission"):
            app.query_params.update({"cabin": CABIN, "unit": "main"})
        app.run()
    assert not app.exception, app.exception
    parts = [one.proto.body for one in app.get("html") if "<style>" not in one.proto.body]
    told = unescape(re.sub(r"<[^>]+>", " ", "\n".join(parts)))
    assert bare(told) == []
    if name in ("lamps", "visits"):
        assert told.count(POWER) == 1  # once a page, not beside each row
    if name == "after-cut":
        assert told.count("Never mix bleach") == told.count("scalds in seconds") == 1
    # the first caution is in sight before anything is touched
    assert all("<li>" in part.split("<details>")[0] for part in parts if "tl-care" in part)
