"""What a trip takes along: cleanings that can wait, and never a trip for them alone."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from ingest.bookings.kept import Occupancy
from ingest.outlook.lamp_states import some, states
from ingest.outlook.lamps import LampOutlook, lamp_outlook
from ingest.outlook.trip_settings import Terms, middle_of, travel_of
from ingest.outlook.visit_tasks import stay_readings, stops_of
from ingest.outlook.visits import Visits, visits
from ingest.registry.tables import load_fleet
from ingest.store import Store
from models.fleet import Fleet
from models.visits.policy_comparison import lamp_goes, own_trip_km
from tests import lamp_fleet

pytest.importorskip("ortools", reason="visits are planned by a constraint solver")
FREE = Occupancy(
    bookings=pd.DataFrame({"cabin": [], "start": pd.to_datetime([]), "end": pd.to_datetime([])}), unread={},
    without=())
FIRST = lamp_fleet.NOW.date() + timedelta(days=1)


@pytest.fixture(scope="module")
def plans(tmp_path_factory: pytest.TempPathFactory) -> list[tuple[LampOutlook, Fleet, Visits]]:
    made = []
    for seed in (11, 31, 32, 36):
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
        assert stop.tasks[0] == "clean sleeve" and stop.parts["sleeve seal annular-40"] == 1
        # a lamp comes along where it would be worth a trip of its own soon, and goes by what is read on the spot
        rest = [task for task in stop.tasks[1:] if task.startswith("swap lamp unless it then reads ")]
        assert len(stop.tasks) == 1 + len(rest) == 1 + stop.parts.get("lamp annular-40", 0)
        assert stop.cabin.trip == trip.trip


def test_a_lamp_stays_at_the_reading_at_which_the_compared_year_keeps_it(plans) -> None:
    met = 0
    for found, fleet, _ in plans:
        stays = stay_readings(found, fleet, Terms())
        _, believed = states(found, found.fitted)
        row = {key: at for at, key in enumerate(found.fitted.days.units)}
        for lamp in found.lamps:
            key = (lamp.cabin.slug, lamp.unit.slug)
            if key not in stays:
                continue
            met += 1
            base = middle_of(fleet, lamp.cabin.trip)
            own_km = own_trip_km((lamp.cabin.slug,), travel_of(fleet, base, Terms()))
            here = some(believed, [row[key]])
            new = here.margin + here.sleeve_loss + here.lamp_loss  # of a new lamp behind a clean sleeve
            for more, goes in ((-1e-6, True), (1e-6, False)):
                read = np.log([stays[key] / lamp.threshold_w_m2]) + more
                then = replace(here, margin=read, sleeve_loss=np.zeros(1), lamp_loss=new - read)
                assert lamp_goes(then, own_km)[0] == goes
    assert met


def test_what_can_wait_is_not_told_as_left_out(plans) -> None:
    for found, _, plan in plans:
        due = {stop.cabin for stop in stops_of(found, FIRST)}
        assert {one.cabin.slug for one in plan.left_out} <= due
