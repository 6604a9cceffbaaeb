"""The map of a trip: stops by number, one mark for those that lie on each other, no name over any of them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime

from dashboard.charts.routes import route_figure
from dashboard.text.measures import Units
from ingest.outlook.trip_settings import Base
from ingest.outlook.visits import PlannedTrip
from tests.dashboard.text.test_visit_rows import cabin, stop

DAY = date(2026, 11, 30)


def trip(*places: tuple[str, float, float]) -> PlannedTrip:
    stops = tuple(
        replace(one := stop(name, DAY), cabin=replace(one.cabin, latitude=latitude, longitude=longitude))
        for name, latitude, longitude in places)
    at = datetime(2026, 11, 30, 7, tzinfo=stops[0].cabin.zone)
    return PlannedTrip(day=DAY, trip="x", leave=at, back=at, distance_km=10.0, parts={}, stops=stops,
                       base=Base(name="the yard", latitude=45.0, longitude=-79.0))


def marks(found: PlannedTrip) -> dict[str, tuple[float, float]]:
    figure = route_figure(found, [], Units.METRIC)
    (trace,) = [one for one in figure.data if one.mode == "markers+text"]
    return dict(zip(trace.text, zip(trace.x, trace.y, strict=True), strict=True))


def test_stops_have_the_numbers_of_their_list_with_north_up_and_east_right() -> None:
    found = marks(trip(("Otter", 45.2, -79.0), ("Pike", 45.1, -78.8), ("Crow", 44.9, -79.2)))
    assert list(found) == ["S", "1", "2", "3"]
    assert found["1"][1] > found["S"][1] > found["3"][1] and found["2"][0] > found["1"][0] > found["3"][0]


def test_stops_that_lie_on_each_other_share_a_mark() -> None:
    found = marks(trip(("Otter", 45.2, -79.0), ("Pike", 45.1, -78.8), ("Crow", 45.2001, -79.0001)))
    assert list(found) == ["S", "1·3", "2"]


def test_no_name_is_written_on_the_map_and_a_hostile_one_is_text_on_hover() -> None:
    figure = route_figure(trip(("<b>Otter</b>", 45.2, -79.0)), [cabin("Left Out")], Units.US)
    written = [one.text for one in figure.layout.annotations]
    assert not any("Otter" in word or "Left" in word for word in written) and any("mi" in word for word in written)
    assert any("&lt;b&gt;" in str(one.hovertext) for one in figure.data)
