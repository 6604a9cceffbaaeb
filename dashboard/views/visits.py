"""The next trips: which cabins on which day, in which order, with which parts; against the anniversary rule."""

from __future__ import annotations

from datetime import UTC

import streamlit as st

from dashboard.access import get_fleet, reader_units
from dashboard.charts.routes import route_figure
from dashboard.lamp_access import get_compared, get_taken, get_visits
from dashboard.sheets.ics import visits_calendar
from dashboard.sheets.outlook_lists import visits_list
from dashboard.sheets.visit_sheet import visit_sheet
from dashboard.text import lamps as said
from dashboard.text import markup, visit_rows
from dashboard.text.day_axis import DayAxis
from dashboard.text.lamps import KM_PER_MILE
from dashboard.text.measures import Units
from dashboard.views.chart import show_chart
from dashboard.views.frame import care, caution, empty, guarded, link
from dashboard.views.taking import to_take
from ingest.outlook.trip_settings import DAY_HOURS, Base, Terms
from ingest.outlook.visit_tasks import PLANNED_DAYS
from ingest.outlook.visits import PlannedTrip, Visits
from ingest.settings import BadInput
from ingest.store import Client
from models.visits.travel import SPEED_KM_H


@guarded
def visits(store: Client) -> None:
    """The plan."""
    fleet = get_fleet(store)
    if not any(one.units for one in fleet.cabins):
        empty()
        return
    top = st.container()
    terms = asked()
    plan = get_visits(store, terms)
    units = reader_units()
    with top:
        st.html(markup.headline(said.visits_headline(plan, units), "Made from the lamps' dates, the cabins' places "
                                "and their bookings; lamps are seen to a week before their date."))
    if plan.parts:
        st.html(markup.told("Load for all trips", []) + visit_rows.load(plan.parts))
    axis = DayAxis(store.now().date(), PLANNED_DAYS + 1)  # the first day planned is tomorrow
    st.html(visit_rows.strip(plan, get_taken(store), fleet.crew, axis))
    if plan.clear:
        st.subheader(said.CLEAR_TITLE)
        st.html(markup.told("", said.clear_lines(plan)))
    care(plan.works)
    downloads(store, plan, units)
    for number, trip in enumerate(plan.trips):
        round_of(store, trip, number, units)
    if plan.left_out:
        st.subheader("In no trip")
        st.html(markup.table(("Cabin", "To do", "Due", "Why it fits none"), [
            (one.cabin.name, "; ".join(one.tasks), said.date_words(one.due), one.reason) for one in plan.left_out]))
    for remark in plan.remarks:
        st.html(markup.small(remark))
    caution()
    link("lamps", "Why: the lamps →")
    year(store, terms, units)


def asked() -> Terms:
    """Where the van starts, how long a day is, how fast one gets on."""
    units = reader_units()
    per_unit, name = (KM_PER_MILE, "mi/h") if units is Units.US else (1.0, "km/h")
    with st.expander("Where the van starts, the day's length, the speed"), st.container(horizontal=True):
        place = st.text_input("Start (a name)", key="visits-place", width=200)
        latitude = st.number_input("Latitude", -90.0, 90.0, None, format="%.4f", key="visits-lat", width=150)
        longitude = st.number_input("Longitude", -180.0, 180.0, None, format="%.4f", key="visits-lon", width=150)
        hours = st.number_input("Longest day, h", 1.0, 16.0, DAY_HOURS, step=0.5, key="visits-hours", width=150)
        speed = st.number_input(
            f"Speed, {name}", 1.0, 120.0, round(SPEED_KM_H / per_unit, 0), step=5.0, key=f"visits-speed-{units}",
            width=150)
    base = None
    if latitude is not None and longitude is not None:
        base = Base(name=place or "the van's start", latitude=latitude, longitude=longitude)
    return Terms(base=base, day_hours=hours, speed_km_h=speed * per_unit)


def downloads(store: Client, plan: Visits, units: Units) -> None:
    """The plan to take along."""
    if not plan.trips:
        return
    now = store.now().astimezone(UTC)
    with st.container(horizontal=True):
        st.download_button(
            "Sheet to print (.html)", visit_sheet(plan, units, now), "visits.html", "text/html", type="primary")
        st.download_button("Trips for a calendar (.ics)", visits_calendar(plan, now), "visits.ics",
                           "text/calendar")
        to_take("visits", lambda: visits_list(plan), since=plan.trips[0].day, until=plan.trips[-1].day)


def round_of(store: Client, trip: PlannedTrip, number: int, units: Units) -> None:
    """One day's round: what to load, its map, its stops by number."""
    cabins = [one for one in get_fleet(store).cabins if one.trip == trip.trip]
    with st.container(border=True, key=f"trip-{number}"):
        st.subheader(markup.plain_label(said.trip_title(trip, units)))
        st.html(markup.told("Load", []) + visit_rows.load(trip.parts))
        left, right = st.columns([2, 3], gap="medium")
        with left:
            show_chart(
                route_figure(trip, cabins, units), key=f"trip-map-{number}", config={"displayModeBar": False},
                name=f"Map of the trip, north up: start, then {', '.join(one.cabin.name for one in trip.stops)}.")
            st.html(markup.small("S is the start, numbers are the stops; rings: cabins that this trip leaves out."))
        with right:
            st.html(visit_rows.stops(trip))


def year(store: Client, terms: Terms, units: Units) -> None:
    """Against every lamp on its anniversary; played only when asked, for it takes some seconds."""
    st.subheader("Against every lamp on its anniversary")
    if not st.toggle("Play a year of both", key="visits-compare"):
        return
    try:
        found = get_compared(store, terms)
    except BadInput as error:
        st.html(markup.small(str(error)))
        return
    st.html(markup.table(said.YEAR_HEADERS, said.year_rows(found, units)))
    st.html(markup.small(said.year_words(found)))
