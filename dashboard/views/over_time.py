"""The fleet over time: who was short, dark or silent when, how the month goes, how often people are called."""

from __future__ import annotations

from datetime import timedelta

import streamlit as st

from dashboard.access import get_fleet, month_now, present, reader_units, stretch_of_time
from dashboard.charts.margin_line import ROW, data_uri, picture
from dashboard.text import lines, markup, over_time
from dashboard.views.frame import caution, empty, guarded, live
from dashboard.views.narrowed import narrowed
from ingest.months.fleet import raised_since
from ingest.store import Client
from models.alarm_load import alarm_load

RANGES = {"7 days": (7, 2), "30 days": (30, 6), "90 days": (90, 24)}  # days, and hours a slot
MOST_ROWS = 60  # more is found by the search
DAYS = "days"  # name in the address
PICKED = "over-time-days"  # key


@guarded
def fleet_over_time(store: Client) -> None:
    """A row a unit."""
    if not any(one.units for one in get_fleet(store).cabins):
        empty()
        return
    st.html(markup.headline(
        "The fleet over time", "Above the margin to target, below the litres under it, each row to a scale of its "
        "own. A press leads to the unit at that time."))
    if PICKED not in st.session_state:
        asked = f"{st.query_params.get(DAYS, '30')} days"
        st.session_state[PICKED] = asked if asked in RANGES else "30 days"
    st.segmented_control("Time to show", list(RANGES), required=True, key=PICKED, on_change=_tell,
                         label_visibility="collapsed")
    rows(store, st.session_state[PICKED])
    caution()


def _tell() -> None:
    st.query_params[DAYS] = st.session_state[PICKED].split()[0]


@live("30s")
def rows(store: Client, picked: str) -> None:
    """The load of calls, and the rows."""
    days, hours = RANGES[picked]
    span = timedelta(days=days)
    found, units = present(store), reader_units()
    load = alarm_load(
        raised_since(store, found.at - span),
        [one.standing.advisory.raised_at for one in found.statuses if one.standing is not None],
        now=found.at, span=span)
    asked = narrowed(found.statuses)
    shown = [one for one in found.statuses if asked.takes(one)]
    margins, shares = stretch_of_time(store, days, hours), month_now(store)
    told = []
    for one in shown[:MOST_ROWS]:
        key = one.cabin.slug, one.unit.slug
        if key in margins:  # else just enrolled
            told.append(over_time.Row(
                status=one, margins=margins[key], share=shares.get(key, (None, None)),
                picture=data_uri(picture(margins[key], ROW, ""))))
    if not shown:
        st.html(markup.box("No cabin fits this filter", ["Take a verdict, the trip or the search away above."]))
    st.html(over_time.rows(told, units))
    if len(shown) > MOST_ROWS:
        st.html(markup.small(f"{len(shown) - MOST_ROWS} more, none worse than these; search to see them."))
    st.html(lines.legend(f"Last {days} days"))
    st.html(markup.told("How often people are called", over_time.load_lines(load, span)))
