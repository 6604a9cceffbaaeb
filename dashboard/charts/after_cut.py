"""The drawing of the power-cut page: what the last days were for the water, and what people did, on a phone."""

from __future__ import annotations

import pandas as pd
import plotly.graph_objects as go

from dashboard.charts.readings import LOOKS, Span, clipped, hatched, milliseconds, water
from dashboard.colours import LIGHT
from dashboard.text.measures import Units, duration
from dashboard.text.verdicts import KIND_WORDS
from models.advisory import STEP_WORDS, Advisory
from models.exposure import IntervalKind

PEOPLE = "People"
HEIGHT_PX = 320
HOUR_PX = 3  # an hour of a month is drawn at least so wide


def cut_figure(intervals: pd.DataFrame, advisory: Advisory | None, *, span: Span, units: Units) -> go.Figure:
    """Intervals in lanes with names, the worst on top, and what people recorded.

    Parameters
    ----------
    intervals : DataFrame
        Of `ingest.queries.outages` with the lit ones.
    advisory : Advisory or None
        Its records are marked.
    """
    shown = clipped(intervals, span)
    worst_last = [PEOPLE, *(KIND_WORDS[kind] for kind in IntervalKind)]
    figure = go.Figure()
    for kind in IntervalKind:
        found = shown[shown["kind"] == kind]
        color, shape = LOOKS[kind]
        start, end = span.wall(found["start"]), span.wall(found["end"])
        litres = water(found, units)
        figure.add_trace(go.Bar(
            orientation="h", y=[KIND_WORDS[kind]] * len(found), base=start,
            x=milliseconds(found), width=0.72, showlegend=False,
            name=KIND_WORDS[kind], hovertemplate="%{customdata}<extra></extra>",
            customdata=[
                f"{KIND_WORDS[kind]}, {since:%a %d %b %H:%M} to {until:%a %d %b %H:%M}, {duration(until - since)}"
                f"<br>under-dosed: {litre}" for since, until, litre in zip(start, end, litres, strict=True)],
            marker={"color": color, "line": {"color": color, "width": HOUR_PX},
                    "pattern": hatched(shape, color)}))
    records = advisory.records if advisory is not None else ()
    figure.add_trace(go.Scatter(
        x=[span.edge(one.when) for one in records], y=[PEOPLE] * len(records), mode="markers", showlegend=False,
        marker={"symbol": "diamond", "size": 11, "color": LIGHT.ink}, name=PEOPLE,
        customdata=[f"{STEP_WORDS[one.step]}, {span.edge(one.when):%a %d %b %H:%M}" for one in records],
        hovertemplate="%{customdata}<extra></extra>"))
    figure.update_layout(
        height=HEIGHT_PX, margin={"l": 4, "r": 8, "t": 6, "b": 62}, paper_bgcolor=LIGHT.paper,
        plot_bgcolor=LIGHT.paper,
        font={"color": LIGHT.ink, "size": 13}, barmode="overlay", dragmode=False, hovermode="closest")
    figure.update_xaxes(
        type="date", range=[span.edge(span.since), span.edge(span.until)], gridcolor=LIGHT.hair, showline=True,
        linecolor=LIGHT.soft, nticks=4, fixedrange=True, tickformat="%a %-d\n%H:%M",
        title={"text": span.title, "font": {"size": 12}, "standoff": 12})
    figure.update_yaxes(
        categoryorder="array", categoryarray=worst_last, range=[-0.6, len(worst_last) - 0.4], fixedrange=True,
        showgrid=False, automargin=True)
    figure.add_trace(go.Bar(  # every lane is there, also where nothing of its kind happened
        orientation="h", y=worst_last, x=[None] * len(worst_last), showlegend=False, hoverinfo="skip"))
    return figure
