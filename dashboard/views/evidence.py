"""What a margin is made of: readings over time, and the stretches that were not lit."""

from __future__ import annotations

import time
from collections.abc import Hashable
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

import pandas as pd
import plotly.graph_objects as go
import streamlit as st

from dashboard.access import get_fleet, present, reader_units
from dashboard.charts.readings import Span, evidence_figure
from dashboard.sheets.lists import Listed, outages_list
from dashboard.text import markup, measures
from dashboard.text import verdicts as words
from dashboard.text.measures import Units
from dashboard.views.chart import show_chart
from dashboard.views.frame import live
from dashboard.views.taking import to_take
from ingest import queries
from ingest.store import Client
from models.fleet import Fleet

RANGES: dict[str, timedelta | None] = {
    "6 h": timedelta(hours=6), "24 h": timedelta(days=1), "7 d": timedelta(days=7), "30 d": timedelta(days=30),
    "All": None,
}
REDRAWN_AFTER_S = 60.0  # a unit that is silent is drawn anew so often
DRAWN = "drawn"  # key in the session
ROWS_AT_FIRST, MOST_ROWS = 10, 500
CONFIG = {"displaylogo": False, "responsive": True, "scrollZoom": False,
          "modeBarButtonsToRemove": ["select2d", "lasso2d", "toImage"]}


@dataclass(frozen=True, slots=True)
class Drawn:
    """A drawing, what it was made from, and when."""

    of: tuple[tuple[str, str, str, Units], Hashable]  # what is drawn, and the news that it was drawn on
    figure: go.Figure | None  # None: nothing was heard
    outages: pd.DataFrame
    at: datetime


def evidence(store: Client, cabin: str, unit: str) -> None:
    """The reader picks the time; drawing and table follow."""
    st.header("Readings over time")
    with st.container(horizontal=True, vertical_alignment="center"):
        picked = st.segmented_control(
            "Time of the readings", list(RANGES), default="24 h", required=True, key="readings-range",
            label_visibility="collapsed")
        hold = st.toggle("Hold the readings still, to zoom", key="hold-readings")
    drawing(store, cabin, unit, picked or "24 h", hold)
    take_outages(store, cabin, unit, picked or "24 h")


def take_outages(store: Client, cabin: str, unit: str, picked: str) -> None:
    """The outages of the time picked, as files."""
    length, until = RANGES[picked], store.now()
    since = None if length is None else until - length
    zone = get_fleet(store).cabin(cabin).zone


    def found() -> Listed:
        return outages_list(queries.outages(store, store.now(), cabin=cabin, unit=unit, since=since))

    with st.container(horizontal=True):
        to_take(
            "outages", found, of=(cabin, unit), since=None if since is None else since.astimezone(zone).date(),
            until=until.astimezone(zone).date())


@live("2s")
def drawing(store: Client, cabin: str, unit: str, picked: str, hold: bool) -> None:
    """Readings and intervals of the time picked; drawn anew when there is something new, and each minute.

    A figure that differs is put in place of the old one, which loses what the reader zoomed to; so it stays the
    same as long as it can, or as the reader wants.
    """
    fleet = get_fleet(store)
    place = fleet.cabin(cabin)
    what = (cabin, unit, picked, reader_units())
    news = (heard_at(store, cabin, unit), int(time.monotonic() // REDRAWN_AFTER_S))
    drawn: Drawn | None = st.session_state.get(DRAWN)
    if drawn is None or drawn.of[0] != what or (drawn.of != (what, news) and not hold):
        drawn = draw(store, fleet, (what, news))
        st.session_state[DRAWN] = drawn
    if drawn.figure is None:
        st.html(markup.box("Nothing heard yet", [
            "This unit has sent no reading that could be used, so there is nothing to draw. What was refused, if "
            "anything, is listed below with the reason."]))
        return
    if hold:
        st.html(markup.small(f"Held as it was {measures.local(drawn.at, place.zone)}."))
    show_chart(
        drawn.figure, key="evidence", config=CONFIG,
        name=f"Dose, UV intensity, flow and intervals of {place.name}; the table below says the same in words.")
    st.html(markup.small(words.DOSE_NOTE))
    outages(drawn.outages, drawn.at, place.zone)


def heard_at(store: Client, cabin: str, unit: str) -> datetime | None:
    """When the unit's latest reading was taken."""
    return next((
        one.state.at for one in present(store).statuses
        if one.state and (one.cabin.slug, one.unit.slug) == (cabin, unit)), None)


def draw(store: Client, fleet: Fleet, of: tuple[tuple[str, str, str, Units], Hashable]) -> Drawn:
    """The drawing of a unit, a range and the reader's units, as of now."""
    (cabin, unit, picked, units), now = of[0], store.now()
    found = queries.outages(store, now, cabin=cabin, unit=unit, with_lit=True)
    if found.empty:
        return Drawn(of, None, found, now)
    one = fleet.unit(cabin, unit)
    first, length = found["start"].min().to_pydatetime(), RANGES[picked]
    since = first if length is None else max(first, now - length)
    figure = evidence_figure(
        queries.readings(store, cabin, unit, since, now), found, unit=one, reactor=fleet.reactor(one.reactor),
        span=Span(since=since, until=now, zone=fleet.cabin(cabin).zone), units=units)
    return Drawn(of, figure, found[(found["kind"] != "lit") & (found["end"] > pd.Timestamp(since))], now)


def outages(found: pd.DataFrame, now: datetime, zone: tzinfo) -> None:
    """The stretches that were not lit, newest first, with the water drawn in each."""
    units = reader_units()
    st.header("Outages: dark, warming up, too weak, or not heard")
    st.html(markup.small(words.outages_summary(found, units)))
    if found.empty:
        return
    newest = found.sort_values("start", ascending=False, kind="stable").head(MOST_ROWS)
    rows = words.outage_rows(newest, now, zone, units)
    st.html(markup.table(words.OUTAGE_HEADERS, rows[:ROWS_AT_FIRST]))
    if len(rows) > ROWS_AT_FIRST:
        with st.expander(f"{len(found) - ROWS_AT_FIRST} older ones in this time"):
            st.html(markup.table(words.OUTAGE_HEADERS, rows[ROWS_AT_FIRST:]))
            if len(found) > MOST_ROWS:
                st.html(markup.small(f"Only the newest {MOST_ROWS}; the files below hold all {len(found)}."))
