"""The map of one trip, as a pure function: a plan in, a plotly figure out; nothing is fetched for it."""

from __future__ import annotations

import html
import math
from collections.abc import Sequence

import numpy as np
import plotly.graph_objects as go

from dashboard.charts.lamps import FIT
from dashboard.colours import LIGHT
from dashboard.text.lamps import KM_PER_MILE
from dashboard.text.measures import Units
from ingest.outlook.visits import PlannedTrip
from models.fleet import Cabin
from models.visits.travel import EARTH_RADIUS_KM

SCALE_SHARE = 0.35  # the bar is at most so much of the map's width
TOGETHER_SHARE = 0.06  # of its width: stops that lie nearer than that share a mark
MARK_PX = 20


def route_figure(trip: PlannedTrip, cabins: Sequence[Cabin], units: Units) -> go.Figure:
    """One round, drawn from coordinates: north up, one scale both ways, a bar that says which.

    Parameters
    ----------
    trip : PlannedTrip
    cabins : sequence of Cabin
        Those of the same trip; what this round leaves out is drawn pale.
    units : Units
        Of the scale bar.
    """
    places = [(trip.base.longitude, trip.base.latitude), *(
        (one.cabin.longitude, one.cabin.latitude) for one in trip.stops)]
    others = [one for one in cabins if one.slug not in {stop.cabin.slug for stop in trip.stops}]
    centre = np.mean([*places, *((one.longitude, one.latitude) for one in others)], axis=0)
    x, y = _km(places, centre)
    figure = go.Figure()
    figure.add_trace(go.Scatter(
        x=[*x, x[0]], y=[*y, y[0]], mode="lines", line={"color": FIT, "width": 2}, hoverinfo="skip",
        showlegend=False))
    if others:
        far_x, far_y = _km([(one.longitude, one.latitude) for one in others], centre)
        figure.add_trace(go.Scatter(
            x=far_x, y=far_y, mode="markers", hovertext=[html.escape(one.name) for one in others], hoverinfo="text",
            marker={"size": 9, "color": LIGHT.paper, "line": {"color": LIGHT.soft, "width": 1.5}},
            showlegend=False))
    every_x = [*x, *(far_x if others else [])]
    every_y = [*y, *(far_y if others else [])]
    together = TOGETHER_SHARE * max(max(every_x) - min(every_x), max(every_y) - min(every_y), 1.0)
    _numbers(figure, trip, x, y, together)
    _scale_and_north(figure, every_x, every_y, units)
    return figure


def _numbers(figure: go.Figure, trip: PlannedTrip, x: list[float], y: list[float], together_km: float) -> None:
    """The start as S, stops by number; those that lie on each other share a mark."""
    marks: list[tuple[float, float, list[str], list[str]]] = [(x[0], y[0], ["S"], [f"start: {trip.base.name}"])]
    for number, one in enumerate(trip.stops, start=1):
        words = f"{number}. {one.cabin.name}: {'; '.join(one.tasks)}"
        there = next((mark for mark in marks if math.hypot(
            mark[0] - x[number], mark[1] - y[number]) <= together_km), None)
        if there is None:
            marks.append((x[number], y[number], [str(number)], [words]))
        else:
            there[2].append(str(number))
            there[3].append(words)
    figure.add_trace(go.Scatter(
        x=[one[0] for one in marks], y=[one[1] for one in marks], mode="markers+text",
        text=["·".join(one[2]) for one in marks], textfont={"color": LIGHT.on_accent, "size": 12},
        marker={"size": [MARK_PX + 7 * (len("·".join(one[2])) - 1) for one in marks], "opacity": 1,
                "color": [LIGHT.ink if one[2][0] == "S" else FIT for one in marks],
                "symbol": ["square" if one[2][0] == "S" else "circle" for one in marks]},
        hovertext=["<br>".join(html.escape(word) for word in one[3]) for one in marks], hoverinfo="text",
        showlegend=False))


def _km(places: Sequence[tuple[float, float]], centre: np.ndarray) -> tuple[list[float], list[float]]:
    """Longitude and latitude as km east and north of the centre; flat, good to some hundred km."""
    degree_km = EARTH_RADIUS_KM * math.pi / 180.0
    found = np.asarray(places, dtype=float)
    # the short way round where a trip lies across the date line
    east = (found[:, 0] - centre[0] + 180.0) % 360.0 - 180.0
    return (
        (east * degree_km * math.cos(math.radians(float(centre[1])))).tolist(),
        ((found[:, 1] - centre[1]) * degree_km).tolist())


def round_length(most: float) -> float:
    """The longest of 1, 2, 5 times a power of ten that is not above `most`."""
    power = 10.0 ** math.floor(math.log10(most))
    return next(step * power for step in (5.0, 2.0, 1.0) if step * power <= most * (1 + 1e-9))


def _scale_and_north(figure: go.Figure, x: list[float], y: list[float], units: Units) -> None:
    """Equal scales, a bar, an arrow, and no axes."""
    wide = max(max(x) - min(x), max(y) - min(y), 1.0)
    per_unit, name = (KM_PER_MILE, "mi") if units is Units.US else (1.0, "km")
    length = round_length(SCALE_SHARE * wide / per_unit)
    left, bottom = min(x) - 0.12 * wide, min(y) - 0.22 * wide
    right, tick = left + length * per_unit, 0.015 * wide
    figure.add_trace(go.Scatter(
        x=[left, left, left, right, right, right],
        y=[bottom + tick, bottom - tick, bottom, bottom, bottom + tick, bottom - tick],
        mode="lines", line={"color": LIGHT.ink, "width": 2}, hoverinfo="skip", showlegend=False))
    figure.add_annotation(
        x=(left + right) / 2, y=bottom, yanchor="bottom", showarrow=False, text=f"{length:g} {name}",
        font={"size": 12, "color": LIGHT.ink})
    figure.add_annotation(
        xref="paper", yref="paper", x=0.98, y=0.98, ax=0, ay=34, text="N", showarrow=True, arrowhead=2,
        arrowwidth=2, arrowcolor=LIGHT.ink, font={"size": 13, "color": LIGHT.ink})
    figure.update_xaxes(visible=False, range=[min(x) - 0.22 * wide, max(x) + 0.22 * wide], fixedrange=True)
    figure.update_yaxes(
        visible=False, range=[bottom - 0.06 * wide, max(y) + 0.16 * wide], scaleanchor="x", scaleratio=1,
        fixedrange=True)
    figure.update_layout(
        height=340, margin={"l": 4, "r": 4, "t": 4, "b": 4}, paper_bgcolor=LIGHT.paper, plot_bgcolor=LIGHT.panel,
        font={"color": LIGHT.ink}, dragmode=False, hovermode="closest")

