"""The drawing of one lamp, as a pure function: frames in, a plotly figure out."""

from __future__ import annotations

import math
from datetime import date

import pandas as pd
import plotly.graph_objects as go

from dashboard.colours import LIGHT, veil
from ingest.outlook.lamps import Lamp

DATA, FIT, LIMIT, BAND = LIGHT.intensity, LIGHT.accent, LIGHT.boil, veil(LIGHT.accent, 0.18)
EVENT_WORDS = {"lamp-swapped": "lamp", "sleeve-cleaned": "sleeve", "filter-changed": "filter"}
LEAST_HALF_DAYS, MOST_HALF_DAYS = 90, 365  # drawn of what was, and as much of what comes


def half_days(lamp: Lamp, today: date) -> int:
    """How many days are drawn on either side of today: as far as the latest of its dates, within bounds."""
    days = [one for one in (lamp.crosses_p90, lamp.crosses_p50, lamp.rated_life_on, lamp.act_by) if one is not None]
    latest = max(((one - today).days for one in days), default=MOST_HALF_DAYS)
    return min(max(math.ceil(1.1 * latest), LEAST_HALF_DAYS), MOST_HALF_DAYS)


def lamp_figure(
    past: pd.DataFrame, coming: pd.DataFrame, lamp: Lamp, events: pd.DataFrame, *, today: date
) -> go.Figure:
    """Daily intensity, the fit, what comes with its 80 % interval, the need, what was done; today is the middle.

    Parameters
    ----------
    past, coming : DataFrame
        Of `ingest.outlook.lamps.lamp_curve`.
    lamp : Lamp
    events : DataFrame
        `at`, `kind`: this unit's service.
    today : date
    """
    figure = go.Figure()
    half, middle = pd.Timedelta(days=half_days(lamp, today)), pd.Timestamp(today)
    past = past[past["day"] >= middle - half]
    shown = coming[coming["day"] <= middle + half]
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
            annotation_text=f"needs {lamp.threshold_w_m2:.1f}", annotation_position="bottom left",
            annotation_font={"color": LIMIT, "size": 12}, annotation_bgcolor=veil(LIGHT.paper, 0.8))
    figure.add_vline(x=middle, line={"color": LIGHT.ink, "width": 1.2})
    figure.add_annotation(x=middle, y=0.0, yref="paper", yanchor="bottom", xanchor="left", showarrow=False,
                          text="today", font={"size": 12, "color": LIGHT.ink})
    _draw_events(figure, past, events)
    figure.update_layout(
        height=330, margin={"l": 8, "r": 8, "t": 26, "b": 8}, paper_bgcolor=LIGHT.paper, plot_bgcolor=LIGHT.paper,
        font={"color": LIGHT.ink, "size": 13}, dragmode=False, hovermode="closest",
        legend={"orientation": "h", "y": -0.16, "x": 0, "font": {"size": 12}})
    figure.update_xaxes(
        type="date", range=[middle - half, middle + half], fixedrange=True, showgrid=True, gridcolor=LIGHT.hair,
        showline=True, linecolor=LIGHT.soft, automargin=True)
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
