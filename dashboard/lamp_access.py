"""The lamps' outlook and the trips as the pages hold them: worked out once for what they rest on."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta

import streamlit as st

from dashboard.access import get_fleet
from ingest.bookings.kept import Occupancy, occupancy
from ingest.outlook.advisory_visits import OpenBoil, open_boils
from ingest.outlook.lamp_history import LampHistory, lamp_histories
from ingest.outlook.lamps import LampOutlook, lamp_outlook, lamp_stamp
from ingest.outlook.trip_settings import Terms
from ingest.outlook.visit_compare import Compared, compared
from ingest.outlook.visit_tasks import PLANNED_DAYS
from ingest.outlook.visits import Visits, visits
from ingest.record.advisory_log import KeptAdvisory
from ingest.record.guests import TouchedStays, touched_stays
from ingest.store import Client


def get_outlook(store: Client) -> LampOutlook:
    """Every lamp, as of the store's present day."""
    return _outlook(store, store.now().date(), lamp_stamp(store))


# A fit takes a second a dozen units; a day's answer holds until the day, or what it rests on, changes.
@st.cache_resource(show_spinner="Fitting the lamps ...", max_entries=2)
def _outlook(_store: Client, day: date, stamp: str) -> LampOutlook:
    return lamp_outlook(_store, _store.now())


def get_histories(store: Client) -> Mapping[tuple[str, str], LampHistory]:
    """What each lamp read of its need, as of the same day."""
    return _histories(store, store.now().date(), lamp_stamp(store))


@st.cache_resource(show_spinner=False, max_entries=2)
def _histories(_store: Client, day: date, stamp: str) -> Mapping[tuple[str, str], LampHistory]:
    return lamp_histories(_outlook(_store, day, stamp))


def get_touched(store: Client, kept: KeptAdvisory) -> TouchedStays:
    """The stays that an advisory touches, by the bookings that the collector has read."""
    return touched_stays(store, get_fleet(store), kept, store.now())


def get_taken(store: Client) -> Occupancy:
    """When cabins are taken in the days that trips are planned for."""
    day = store.now().date()
    return occupancy(store, get_fleet(store), day, day + timedelta(days=PLANNED_DAYS + 1), store.now())


def get_visits(store: Client, terms: Terms) -> Visits:
    """The plan from today on, under these terms."""
    day, fleet, taken = store.now().date(), get_fleet(store), get_taken(store)
    boils = open_boils(store, fleet, store.now())
    told = repr((
        boils, fleet.crew, fleet.laboratory, taken.unread, taken.without, taken.bookings.to_numpy().tolist()))
    return _visits(store, day, lamp_stamp(store), told, repr(terms), terms, taken, boils)


@st.cache_resource(show_spinner="Planning the trips ...", ttl=900, max_entries=8)
def _visits(
    _store: Client, day: date, stamp: str, bookings: str, told: str, _terms: Terms, _taken: Occupancy,
    _boils: tuple[OpenBoil, ...],
) -> Visits:
    return visits(_outlook(_store, day, stamp), get_fleet(_store), _taken, _terms, _boils)


def get_compared(store: Client, terms: Terms) -> Compared:
    """A year under both rules."""
    return _compared(store, store.now().date(), lamp_stamp(store), repr(terms), terms)


@st.cache_resource(show_spinner="Playing a year of both ...", max_entries=4)
def _compared(_store: Client, day: date, stamp: str, told: str, _terms: Terms) -> Compared:
    return compared(_outlook(_store, day, stamp), get_fleet(_store), _terms)
