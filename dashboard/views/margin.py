"""The evidence right below a verdict: the margin to target, litres under it, and what it rests on, over time."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Hashable
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import pandas as pd
import plotly.graph_objects as go
import streamlit as st

from dashboard.access import get_fleet, reader_units, status_of
from dashboard.charts.margin import line_of, margin_figure
from dashboard.charts.margin_line import Size, picture
from dashboard.charts.readings import Span
from dashboard.text import markup, measures
from dashboard.text.margins import MARGIN_HEADERS, margin_csv, margin_rows, margin_words
from dashboard.text.measures import Units
from dashboard.text.over_time import AT
from dashboard.views.chart import show_chart
from dashboard.views.frame import live
from ingest import queries
from ingest.margins import margins
from ingest.store import Client
from models.fleet import Fleet
from models.margin import Margins, margin

# How far back, and the slots of the line and of the litres: up to a day the line is of single readings.
RANGES: dict[str, tuple[timedelta, timedelta]] = {
    "6 h": (timedelta(hours=6), timedelta(hours=1)), "24 h": (timedelta(days=1), timedelta(hours=1)),
    "7 d": (timedelta(days=7), timedelta(hours=1)), "30 d": (timedelta(days=30), timedelta(hours=2)),
    "90 d": (timedelta(days=90), timedelta(hours=6)),
}
BY_READINGS_UP_TO = timedelta(days=1)
RANGE = "range"  # key
DRAWN = "margin-drawn"  # key in the session
REDRAWN_AFTER_S = 60.0
DOWNLOADED = Size(width=1200, height=260, litres=70)
WORDS = ("The line is the lower bound of dose less its target: of the water drawn, and of water at the most that "
         "the supply can deliver, whichever is less; it is thick below the target, and no verdict is clear there. "
         "Litres: solid what surely passed under target, outlined the most that it can have been.")


@dataclass(frozen=True, slots=True)
class Drawn:
    """A drawing, what it was made from, and when."""

    of: tuple[tuple[str, str, str, str, Units], Hashable]
    figure: go.Figure
    margins: Margins
    seen: str
    span: Span
    csv: str
    svg: str


def margin_evidence(store: Client, cabin: str, unit: str) -> None:
    """The reader picks the time; an address may name when it ends (`?at=2026-11-20T12:00Z`)."""
    at = _asked_at()
    st.session_state.setdefault(RANGE, "24 h" if at is None else "7 d")
    with st.container(horizontal=True, vertical_alignment="center"):
        picked = st.segmented_control(
            "Time to show", list(RANGES), required=True, key=RANGE, label_visibility="collapsed")
        if at is not None and st.button("Show up to now"):
            del st.query_params[AT]
            st.rerun()
        hold = st.toggle("Hold the drawing still, to zoom", key="hold")
    drawing(store, cabin, unit, picked or "24 h", at, hold)


def _asked_at() -> datetime | None:
    """The instant that the address names; None where it names none that is one."""
    with contextlib.suppress(ValueError, OverflowError):
        at = datetime.fromisoformat(st.query_params.get(AT, ""))
        return at if at.tzinfo is not None and 2000 <= at.year < 2200 else None
    return None


@live("2s")
def drawing(store: Client, cabin: str, unit: str, picked: str, at: datetime | None, hold: bool) -> None:
    """Drawn anew when a reading came, at most once a minute where none does; never while it is held."""
    one = status_of(store, cabin, unit)
    if one is None:
        return
    fleet = get_fleet(store)
    what = (cabin, unit, picked, "" if at is None else at.isoformat(), reader_units())
    news = (one.state.at if one.state and at is None else None, int(time.monotonic() // REDRAWN_AFTER_S))
    drawn: Drawn | None = st.session_state.get(DRAWN)
    if drawn is None or drawn.of[0] != what or (drawn.of != (what, news) and not hold):
        drawn = draw(store, fleet, (what, news), at)
        st.session_state[DRAWN] = drawn
    if not drawn.margins.heard:
        st.html(markup.box("Nothing heard in this time", [
            "No reading of this unit that could be used is of this time, so nothing can be said of it: not known "
            "is never clear. What was refused, if anything, is listed below with the reason."]))
        return
    if hold or at is not None:
        st.html(markup.small(f"Up to {measures.local(drawn.span.until, drawn.span.zone)}."))
    show_chart(
        drawn.figure, key="margin", name=f"{one.cabin.name}, {unit}, margin to target: {drawn.seen}.",
        config={"displaylogo": False, "responsive": True, "scrollZoom": False,
                "modeBarButtonsToRemove": ["select2d", "lasso2d"],
                "toImageButtonOptions": {"format": "png", "filename": f"{cabin}-{unit}-margin", "scale": 2}},
        table=(MARGIN_HEADERS, margin_rows(drawn.margins, drawn.span.zone, reader_units())))
    st.html(markup.small(f"{drawn.seen[0].upper()}{drawn.seen[1:]}. {WORDS}"))
    name = f"{cabin}-{unit}-{drawn.span.until:%Y%m%d}-{picked.replace(' ', '')}"
    with st.container(horizontal=True):
        st.download_button("Figures (CSV)", drawn.csv, f"{name}.csv", "text/csv",
                           on_click="ignore", key="margin-csv")
        st.download_button("Picture (SVG)", drawn.svg, f"{name}.svg", "image/svg+xml", on_click="ignore",
                           key="margin-svg")
        st.html(markup.small("PNG: the camera above the drawing."))


def draw(
    store: Client, fleet: Fleet, of: tuple[tuple[str, str, str, str, Units], Hashable], at: datetime | None
) -> Drawn:
    """The drawing of a unit, a range and the reader's units."""
    (cabin, unit, picked, _, units), now = of[0], store.now()
    length, slot = RANGES[picked]
    until = now if at is None else min(now, at + length / 2)
    found = margins(store, until, span=length, slot=slot, only=[(cabin, unit)])[cabin, unit]
    span = Span(since=until - length, until=until, zone=fleet.cabin(cabin).zone)
    target = fleet.unit(cabin, unit).dose_target_mj_cm2
    line = line_of(found)
    if length <= BY_READINGS_UP_TO:
        rows = queries.readings(store, cabin, unit, span.since, until)
        if len(rows):
            drawn = rows["dose_low_mj_cm2"].where(rows["lamp_on"].fillna(True).astype(bool), 0.0)
            line = pd.DataFrame({"at": rows["at"], "margin_mj_cm2": margin(
                drawn.to_numpy(dtype=float), rows["dose_low_at_peak_mj_cm2"].to_numpy(dtype=float),
                np.full(len(rows), target))})
    intervals = queries.outages(store, now, cabin=cabin, unit=unit, since=span.since, with_lit=True)
    figure = margin_figure(line, found, intervals, target_mj_cm2=target, span=span, units=units)
    seen = margin_words(found, units)
    title = f"{fleet.cabin(cabin).name}, {unit}, margin to target, {found.since:%Y-%m-%d %H:%M} UTC to " \
        f"{found.until:%Y-%m-%d %H:%M} UTC: {seen}"
    return Drawn(of, figure, found, seen, span, margin_csv(found), picture(found, DOWNLOADED, title))
