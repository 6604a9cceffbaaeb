"""Drawings of lamps and trips, as pure functions: frames and plans in, a plotly figure out; no map is fetched."""

from __future__ import annotations

import html
import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from dashboard.colours import LIGHT, veil
from dashboard.text.lamps import KM_PER_MILE
from dashboard.text.measures import Units
from ingest.outlook.lamps import Lamp
from ingest.outlook.visits import PlannedTrip
from models.fleet import Cabin
from models.visits.travel import EARTH_RADIUS_KM

DATA, FIT, LIMIT, BAND = LIGHT.intensity, LIGHT.accent, LIGHT.boil, veil(LIGHT.accent, 0.18)
EVENT_WORDS = {"lamp-swapped": "lamp", "sleeve-cleaned": "sleeve", "filter-changed": "filter"}
AHEAD_DAYS = 365  # drawn of the coming time; the dates say what lies beyond
SCALE_SHARE = 0.35  # the bar is at most so much of the map's width


def lamp_figure(past: pd.DataFrame, coming: pd.DataFrame, lamp: Lamp, events: pd.DataFrame) -> go.Figure:
    """Daily intensity, the fit, the coming year with its 80 % interval, the threshold, and what was done.

    Parameters
    ----------
    past, coming : DataFrame
        Of `ingest.outlook.lamps.lamp_curve`.
    lamp : Lamp
    events : DataFrame
        `at`, `kind`: this unit's service.
    """
    figure = go.Figure()
    shown = coming[coming["day"] <= coming["day"].min() + pd.Timedelta(days=AHEAD_DAYS)] if len(coming) else coming
    if len(shown):
        figure.add_trace(go.Scatter(
            x=shown["day"], y=shown["upper_w_m2"], mode="lines", line={"width": 0}, hoverinfo="skip",
            showlegend=False))
        figure.add_trace(go.Scatter(
            x=shown["day"], y=shown["low_w_m2"], mode="lines", line={"width": 0}, fill="tonexty", fillcolor=BAND,
            name="80 % of chances", hovertemplate="one chance in ten below %{y:.1f} W/m²<extra></extra>"))
        figure.add_trace(go.Scatter(
            x=shown["day"], y=shown["middle_w_m2"], mode="lines", name="if nothing is done",
            line={"color": FIT, "width": 2, "dash": "dot"},
            hovertemplate="%{x|%d %b %Y}: %{y:.1f} W/m²<extra></extra>"))
    figure.add_trace(go.Scattergl(
        x=past["day"], y=past["intensity_w_m2"], mode="markers", name="day's median",
        marker={"size": 4, "color": DATA, "symbol": "circle-open"},
        hovertemplate="%{x|%d %b %Y}: %{y:.1f} W/m²<extra></extra>"))
    figure.add_trace(go.Scattergl(
        x=past["day"], y=past["fitted_w_m2"], mode="lines", name="fit", line={"color": FIT, "width": 1.6},
        connectgaps=False, hoverinfo="skip"))
    if lamp.threshold_w_m2 is not None:
        figure.add_hline(
            y=lamp.threshold_w_m2, line={"color": LIMIT, "width": 1.6, "dash": "dash"},
            annotation_text=f"threshold {lamp.threshold_w_m2:.1f}", annotation_position="bottom left",
            annotation_font={"color": LIMIT, "size": 12}, annotation_bgcolor=veil(LIGHT.paper, 0.8))
    _draw_events(figure, past, events)
    figure.update_layout(
        height=330, margin={"l": 8, "r": 8, "t": 26, "b": 8}, paper_bgcolor=LIGHT.paper, plot_bgcolor=LIGHT.paper,
        font={"color": LIGHT.ink, "size": 13}, dragmode=False, hovermode="closest",
        legend={"orientation": "h", "y": -0.16, "x": 0, "font": {"size": 12}})
    figure.update_xaxes(type="date", showgrid=True, gridcolor=LIGHT.hair, showline=True, linecolor=LIGHT.soft,
                        automargin=True)
    figure.update_yaxes(
        title={"text": "UV intensity, W/m²", "font": {"size": 12}}, showgrid=True, gridcolor=LIGHT.hair,
        zeroline=False, fixedrange=True, automargin=True)
    return figure


def _draw_events(figure: go.Figure, past: pd.DataFrame, events: pd.DataFrame) -> None:
    """A line and a word for each thing done within the days drawn; things of one day share theirs."""
    if past.empty:
        return
    done = events[events["kind"].isin(list(EVENT_WORDS))]
    day = done["at"].dt.tz_convert("UTC").dt.floor("D").dt.tz_localize(None)
    for when, kinds in done.assign(day=day).groupby("day")["kind"]:
        if not past["day"].min() <= when <= past["day"].max() + pd.Timedelta(days=1):
            continue
        figure.add_vline(x=when, line={"color": LIGHT.soft, "width": 1, "dash": "dot"})
        figure.add_annotation(
            x=when, y=1.0, yref="paper", yanchor="bottom", showarrow=False, font={"size": 11, "color": LIGHT.soft},
            text=" + ".join(sorted({EVENT_WORDS[kind] for kind in kinds})))


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
        _names(figure, far_x, far_y, [one.name for one in others], LIGHT.soft)
    figure.add_trace(go.Scatter(
        x=x[:1], y=y[:1], mode="markers", marker={"size": 14, "color": LIGHT.ink, "symbol": "square"},
        hovertext=[html.escape(trip.base.name)], hoverinfo="text", showlegend=False))
    figure.add_trace(go.Scatter(
        x=x[1:], y=y[1:], mode="markers", marker={"size": 13, "color": FIT},
        hovertext=["; ".join(one.tasks) for one in trip.stops], hoverinfo="text", showlegend=False))
    _names(figure, x, y, ["start", *(
        f"{number}. {one.cabin.name}" for number, one in enumerate(trip.stops, start=1))], LIGHT.ink)
    every_x = [*x, *(far_x if others else [])]
    every_y = [*y, *(far_y if others else [])]
    _scale_and_north(figure, every_x, every_y, units)
    return figure


def _names(figure: go.Figure, x: list[float], y: list[float], words: list[str], color: str) -> None:
    """Names over their places, on a ground of their own so that no line crosses them."""
    for east, north, word in zip(x, y, words, strict=True):
        figure.add_annotation(
            x=east, y=north, yshift=17, text=html.escape(word), showarrow=False, font={"size": 12, "color": color},
            bgcolor=veil(LIGHT.panel, 0.85), borderpad=1)


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

