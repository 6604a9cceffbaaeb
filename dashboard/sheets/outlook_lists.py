"""The fleet's lamps and the trips as tables, for commands and pages (see `lists`)."""

from __future__ import annotations

from collections.abc import Sequence

from dashboard.sheets.lists import Listed, picked
from dashboard.text.lamps import parts_words
from ingest.outlook.lamps import Lamp
from ingest.outlook.visits import Visits
from models.advisory.work_cautions import sentences

VISIT_COLUMNS = (
    "day", "trip", "order", "arrive", "cabin", "tasks", "parts", "work_min", "due", "trip_distance_km", "cautions")


def lamps_list(lamps: Sequence[Lamp]) -> Listed:
    """The keys of `tarnlight lamps --json`; sensor faults by name, cautions as one text."""
    rows = [one.to_json() for one in lamps]
    for row in rows:
        row["sensor_faults"] = ", ".join(one["fault"] for one in row["sensor_faults"])
        row["cautions"] = " ".join(row["cautions"])
    return picked("lamps", list(rows[0]) if rows else ["cabin", "unit"], rows)


def visits_list(plan: Visits) -> Listed:
    """A row per stop."""
    return Listed("visits", VISIT_COLUMNS, [
        (trip.day.isoformat(), trip.trip, order, stop.arrive.isoformat(), stop.cabin.slug, "; ".join(stop.tasks),
         parts_words(dict(stop.parts)), stop.work_min, stop.due.isoformat(), round(trip.distance_km, 1),
         " ".join(sentences(stop.works)))
        for trip in plan.trips for order, stop in enumerate(trip.stops, start=1)])
