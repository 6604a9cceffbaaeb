"""`tarnlight visits`: who is visited when, with what, and what is said where it cannot be."""

from __future__ import annotations

import csv
import io
import json
from collections import Counter
from datetime import date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import icalendar
import pytest

from dashboard.cli import main
from tests.conftest import tarnlight_here
from tests.lamp_fleet import NAMES, NOW, lamp_store, slug

ZONE = ZoneInfo("America/Toronto")
YARD = ("--from", "the yard", "45.30,-79.30")
FULL, CHANGING = slug(NAMES[0]), slug(NAMES[1])  # taken for months; guests change on every Saturday


def booked(*stays: tuple[date, date]) -> str:
    """A feed of stays, the end being the day of departure."""
    events = "".join(
        f"BEGIN:VEVENT\nUID:{start}@test\nDTSTART;VALUE=DATE:{start:%Y%m%d}\nDTEND;VALUE=DATE:{end:%Y%m%d}\nEND:VEVENT\n"
        for start, end in stays
    )
    return f"BEGIN:VCALENDAR\nVERSION:2.0\nPRODID:-//test//EN\n{events}END:VCALENDAR\n".replace("\n", "\r\n")


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("visits")
    first = date(2026, 10, 31)
    (folder / "full.ics").write_text(booked((first, first + timedelta(days=200))), encoding="utf-8", newline="")
    weeks = [first + timedelta(days=7 * number) for number in range(20)]
    (folder / "changing.ics").write_text(
        booked(*((day, day + timedelta(days=7)) for day in weeks)), encoding="utf-8", newline=""
    )
    path = folder / "tarnlight.duckdb"
    (folder / "tarnlight.toml").write_text(f'calendar_files = "{folder}"\n', encoding="utf-8")
    lamp_store(path, calendars={FULL: "full.ics", CHANGING: str(folder / "changing.ics")})
    return path


def visits(path: Path, *words: str) -> str:
    found = tarnlight_here(path, "visits", *words)
    assert found.returncode == 0, found.stderr
    return found.stdout


@pytest.fixture(scope="module")
def plan(fleet: Path) -> list[dict]:
    return json.loads(visits(fleet, *YARD, "--json"))


@pytest.fixture(scope="module")
def due(fleet: Path) -> set[str]:
    """Cabins whose lamps ask for somebody within the eight weeks planned and the week of spare time."""
    rows = json.loads(tarnlight_here(fleet, "lamps", "--json").stdout)
    last = NOW.date() + timedelta(days=56 + 7)
    return {one["cabin"] for one in rows if one["act_by"] and date.fromisoformat(one["act_by"]) <= last}


def test_every_cabin_that_is_due_stands_once_in_a_trip_or_is_left_out_with_a_reason(
    plan: list[dict], due: set[str]
) -> None:
    assert due  # else this seed shows nothing
    told = Counter(stop["cabin"] for trip in plan for stop in trip["stops"])
    assert set(told) == due and set(told.values()) == {1}
    assert all(trip["day"] or trip["reason"] for trip in plan)


def test_nobody_goes_into_a_cabin_that_is_taken(plan: list[dict]) -> None:
    """A full cabin is left out; one that changes on Saturdays is entered between leaving and arriving."""
    went = {stop["cabin"]: (trip, stop) for trip in plan if trip["day"] for stop in trip["stops"]}
    assert FULL not in went
    if CHANGING in went:
        trip, stop = went[CHANGING]
        arrive = datetime.fromisoformat(stop["arrive"]).astimezone(ZONE)
        assert date.fromisoformat(trip["day"]).weekday() == 5
        assert arrive.time() >= time(11) and (arrive + timedelta(minutes=stop["work_min"])).time() <= time(16)


def test_a_round_stays_within_the_day_and_its_trips_cabins(plan: list[dict]) -> None:
    days = [trip["day"] for trip in plan if trip["day"]]
    assert len(days) == len(set(days))  # one van
    for trip in plan:
        if trip["day"] is None:
            continue
        leave, back = (datetime.fromisoformat(trip[name]) for name in ("leave", "back"))
        arrivals = [datetime.fromisoformat(stop["arrive"]) for stop in trip["stops"]]
        assert leave < arrivals[0] and arrivals == sorted(arrivals) and arrivals[-1] < back
        assert back - leave <= timedelta(hours=11)
        names = {stop["cabin"] for stop in trip["stops"]}
        assert len({NAMES.index(name) % 2 for name in NAMES if slug(name) in names}) == 1  # the registry's trips


def test_a_trips_parts_are_those_of_its_stops(plan: list[dict]) -> None:
    for trip in plan:
        if trip["day"]:
            total = sum((Counter(stop["parts"]) for stop in trip["stops"]), Counter())
            assert dict(total) == trip["parts"]
            for stop in trip["stops"]:
                assert any("swap lamp" in task for task in stop["tasks"]) == ("lamp annular-40" in stop["parts"])


def test_the_distance_is_at_least_the_great_circle_to_the_farthest_stop_and_back(
    plan: list[dict], fleet: Path
) -> None:
    """One degree of latitude is 111.2 km on the sphere of 6371 km (arithmetic), roads at least as long."""
    found = json.loads(visits(fleet, "--from", "far", "43.00,-79.30", "--json"))
    for trip in found:
        if trip["day"]:
            assert trip["distance_km"] >= 2 * (45.15 - 43.00) * 111.1


def test_a_van_without_a_lamp_leaves_out_what_needs_one(fleet: Path, plan: list[dict], tmp_path: Path) -> None:
    needs = {
        stop["cabin"]
        for trip in plan
        if trip["day"]
        for stop in trip["stops"]
        if "lamp annular-40" in stop["parts"]
    }
    stock = tmp_path / "van.toml"
    stock.write_text(
        '[stock]\n"lamp annular-40" = 0\n"sleeve seal annular-40" = 9\n"sample bottle" = 9\n', encoding="utf-8"
    )
    found = json.loads(visits(fleet, *YARD, "--json", "--stock", str(stock)))
    why = {stop["cabin"]: trip["reason"] for trip in found if trip["day"] is None for stop in trip["stops"]}
    assert needs <= set(why)
    assert all("lamp annular-40" in why[cabin] for cabin in needs)


def test_ways_can_be_given_as_a_table(fleet: Path, plan: list[dict], tmp_path: Path) -> None:
    places = ["start", *(slug(name) for name in NAMES)]
    table = tmp_path / "ways.csv"
    lines = [f"{one},{other},10,12" for at, one in enumerate(places) for other in places[at + 1 :]]
    table.write_text("\n".join(["from,to,km,minutes", *lines]), encoding="utf-8")
    found = json.loads(visits(fleet, "--json", "--matrix", str(table)))
    for trip in found:
        if trip["day"]:
            assert trip["distance_km"] == 10 * (len(trip["stops"]) + 1)
    table.write_text("\n".join(["from,to,km,minutes", *lines[1:]]), encoding="utf-8")
    refused = tarnlight_here(fleet, "visits", "--matrix", str(table))
    assert refused.returncode == 2 and "no way from" in refused.stderr


def test_ics_and_csv_say_the_same_trips(fleet: Path, plan: list[dict]) -> None:
    trips = [trip for trip in plan if trip["day"]]
    events = icalendar.Calendar.from_ical(visits(fleet, *YARD, "--ics")).walk("VEVENT")
    assert sorted(event["DTSTART"].dt for event in events) == [
        datetime.fromisoformat(trip["leave"]) for trip in trips
    ]
    rows = list(csv.DictReader(io.StringIO(visits(fleet, *YARD, "--csv"))))
    assert [(row["day"], row["cabin"]) for row in rows] == [
        (trip["day"], stop["cabin"]) for trip in trips for stop in trip["stops"]
    ]


def test_text_says_what_to_load_and_what_was_assumed(fleet: Path) -> None:
    text = visits(fleet)
    assert "Load: " in text and "ask before you go" in text and "middle of its own trip's cabins" in text
    assert "local health authority" in text


def test_a_year_of_both_rules_gives_four_figures_each(fleet: Path) -> None:
    found = {one["rule"]: one for one in json.loads(visits(fleet, "--compare", "--json"))}
    assert set(found) == {"planned", "anniversary"}
    for one in found.values():
        assert {"trips", "distance_km", "lamp_hours_thrown_away", "days_under_threshold"} <= one.keys()
    assert found["anniversary"]["lamps"] <= len(NAMES) + 1  # each lamp once in a year
    assert found["planned"]["days_under_threshold"] <= found["anniversary"]["days_under_threshold"]
    text = visits(fleet, "--compare")
    assert "The plan does better in" in text and "age as the fit's middle has it" in text


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("--from", "yard", "north"), "LAT,LON"),
        (("--from", "yard", "91,0"), "latitude must be -90 to 90"),
        (("--day-hours", "0"), "day's length must be 1 to 16"),
        (("--speed", "nan"), "speed must be 1 to 200"),
        (("--stock", "nowhere.toml"), "nowhere.toml cannot be read"),
        (("--matrix", "nowhere.csv"), "nowhere.csv cannot be read"),
    ],
)
def test_bad_terms_are_refused_and_say_what_is_allowed(
    capsys: pytest.CaptureFixture[str], words: tuple[str, ...], why: str
) -> None:
    assert main(["visits", *words]) == 2
    assert why in capsys.readouterr().err


@pytest.mark.parametrize(
    ("text", "why"),
    [('"lamp" = 1', "one table, [stock]"), ('[stock]\n"lamp" = -1', "at least 0"), ("[stock", "cannot be read")],
)
def test_a_bad_stock_file_is_refused(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, text: str, why: str
) -> None:
    stock = tmp_path / "van.toml"
    stock.write_text(text, encoding="utf-8")
    assert main(["visits", "--stock", str(stock)]) == 2
    assert why in capsys.readouterr().err
