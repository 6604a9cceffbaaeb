"""What a trip takes along: cleanings that can wait, and never a trip for them alone."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import lamp_fleet
import pandas as pd
import pytest

from ingest.lamps import LampOutlook, lamp_outlook
from ingest.occupancy import Occupancy
from ingest.registry import load_fleet
from ingest.store import Store
from ingest.visits import Visits, stops_of, visits
from models.fleet import Fleet

pytest.importorskip("ortools", reason="visits are planned by a constraint solver")
FREE = Occupancy(
    bookings=pd.DataFrame({"cabin": [], "start": pd.to_datetime([]), "end": pd.to_datetime([])}), unread={},
    without=())
FIRST = lamp_fleet.NOW.date() + timedelta(days=1)


@pytest.fixture(scope="module")
def plans(tmp_path_factory: pytest.TempPathFactory) -> list[tuple[LampOutlook, Fleet, Visits]]:
    made = []
    for seed in (11, 31, 32, 33):
        path = tmp_path_factory.mktemp("fleet") / "tarnlight.duckdb"
        made.append(_plan(path, seed))
    return made


def _plan(path: Path, seed: int) -> tuple[LampOutlook, Fleet, Visits]:
    lamp_fleet.lamp_store(path, seed=seed)
    store = Store(path)
    found, fleet = lamp_outlook(store, lamp_fleet.NOW), load_fleet(store)
    store.close()
    return found, fleet, visits(found, fleet, FREE)


def test_every_trip_is_made_for_something_that_is_due(plans) -> None:
    for found, _, plan in plans:
        due = {stop.cabin for stop in stops_of(found, FIRST)}
        assert plan.trips and all(any(stop.cabin.slug in due for stop in trip.stops) for trip in plan.trips)


def test_what_is_taken_along_is_a_cleaning_with_its_seal_on_its_own_shore(plans) -> None:
    along = [
        (stop, trip) for found, _, plan in plans for trip in plan.trips for stop in trip.stops
        if stop.cabin.slug not in {one.cabin for one in stops_of(found, FIRST)}]
    assert along  # it does take some along, so that the rest can fail
    for stop, trip in along:
        assert stop.tasks == ("clean sleeve",) and stop.parts == {"sleeve seal annular-40": 1}
        assert stop.cabin.trip == trip.trip


def test_what_can_wait_is_not_told_as_left_out(plans) -> None:
    for found, _, plan in plans:
        due = {stop.cabin for stop in stops_of(found, FIRST)}
        assert {one.cabin.slug for one in plan.left_out} <= due
