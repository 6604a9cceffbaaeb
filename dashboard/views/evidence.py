"""What a verdict rests on: readings over time, and the stretches that were not lit."""

from __future__ import annotations

from datetime import datetime, timedelta, tzinfo

import pandas as pd
import streamlit as st

from dashboard import markup, words
from dashboard.access import get_fleet, reader_units
from dashboard.charts import Span, evidence_figure
from dashboard.views.frame import live
from ingest import queries
from ingest.store import Client

RANGES: dict[str, timedelta | None] = {
    "6 h": timedelta(hours=6), "24 h": timedelta(days=1), "7 d": timedelta(days=7), "30 d": timedelta(days=30),
    "All": None,
}
ROWS_AT_FIRST, MOST_ROWS = 10, 500
CONFIG = {"displaylogo": False, "responsive": True, "scrollZoom": False,
          "modeBarButtonsToRemove": ["select2d", "lasso2d", "toImage"]}


def evidence(store: Client, cabin: str, unit: str) -> None:
    """The reader picks the time; drawing and table follow."""
    st.subheader("Evidence")
    picked = st.segmented_control(
        "Time to show", list(RANGES), default="24 h", required=True, key="range", label_visibility="collapsed")
    drawing(store, cabin, unit, picked or "24 h")


@live("5s")
def drawing(store: Client, cabin: str, unit: str, picked: str) -> None:
    """Readings and intervals of the time picked."""
    fleet, now = get_fleet(store), store.now()
    place, one = fleet.cabin(cabin), fleet.unit(cabin, unit)
    found = queries.outages(store, now, cabin=cabin, unit=unit, with_lit=True)
    if found.empty:
        st.html(markup.box("Nothing heard yet", [
            "This unit has sent no reading that could be used, so there is nothing to draw. What was refused, if "
            "anything, is listed below with the reason."]))
        return
    first = found["start"].min().to_pydatetime()
    length = RANGES[picked]
    since = first if length is None else max(first, now - length)
    reactor = fleet.reactor(one.reactor)
    rows = queries.readings(store, cabin, unit, since, now)
    span = Span(since=since, until=now, zone=place.zone)
    st.plotly_chart(
        evidence_figure(rows, found, unit=one, reactor=reactor, span=span, units=reader_units(),
                        keep=f"{cabin}/{unit}/{picked}"),
        key=f"evidence-{cabin}-{unit}-{picked}", theme=None, config=CONFIG,
        alt=f"Dose, UV intensity, flow and intervals of {place.name}; the table below says the same in words.")
    outages(found[(found["kind"] != "lit") & (found["end"] > pd.Timestamp(since))], now, place.zone)


def outages(found: pd.DataFrame, now: datetime, zone: tzinfo) -> None:
    """The stretches that were not lit, newest first, with the water drawn in each."""
    units = reader_units()
    st.subheader("Time that was not lit")
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
                st.html(markup.small(f"Only the newest {MOST_ROWS}; `tarnlight outages` lists all {len(found)}."))
