"""A unit's margin to target over time, the litres under it, and what each verdict rests on, on one axis."""

from __future__ import annotations

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from dashboard.charts.readings import (
    LOOKS,
    NARROW_PX,
    TICK_FONT,
    TICKS,
    Span,
    clipped,
    draw_intervals,
    hatched,
    milliseconds,
)
from dashboard.colours import LIGHT, NO_FILL, veil
from dashboard.text.measures import Units, between, duration, to_volume, volume_unit
from dashboard.text.verdicts import KIND_WORDS
from models.exposure import IntervalKind
from models.margin import Margins

SHOWN_SHARE = 0.5  # of the target, above and below it; what is further away is drawn at the edge
RESTS = "Rests on"
LANES = (*(KIND_WORDS[kind] for kind in IntervalKind), RESTS)
MARKED = (IntervalKind.WARMING, IntervalKind.UNHEARD, IntervalKind.DARK)


def margin_figure(
    line: pd.DataFrame, margins: Margins, intervals: pd.DataFrame, *, target_mj_cm2: float, span: Span, units: Units
) -> go.Figure:
    """Margin around 0, litres under target, and lanes.

    Parameters
    ----------
    line : DataFrame
        `at`, `margin_mj_cm2`: each value holds until the next; NaN, not known, is a gap.
    margins : Margins
        Of the litres' bars.
    intervals : DataFrame
        Of `ingest.queries.outages` with the lit ones.
    """
    shown = clipped(intervals, span)
    figure = make_subplots(
        rows=3, cols=1, shared_xaxes=True, vertical_spacing=0.06, row_heights=[0.43, 0.17, 0.40],
        subplot_titles=(
            "Margin to target, mJ/cm²", f"Drawn under target, {volume_unit(units)}", "What each verdict rests on"))
    edge = SHOWN_SHARE * target_mj_cm2
    _marks(figure, shown, span, edge)
    _margin(figure, line, span, edge)
    _litres(figure, margins, span, units)
    draw_intervals(figure, shown, span, units, row=3)
    _witnesses(figure, shown, span)
    _lay_out(figure, span, edge)
    return figure


def line_of(margins: Margins) -> pd.DataFrame:
    """The line of stored slots, ended at the last one's end."""
    at = [margins.start(slot) for slot in range(margins.slots)] + [margins.until]
    return pd.DataFrame({
        "at": pd.to_datetime(pd.Series(at), utc=True),
        "margin_mj_cm2": np.append(margins.margin_mj_cm2, margins.margin_mj_cm2[-1:])})


def _margin(figure: go.Figure, line: pd.DataFrame, span: Span, edge: float) -> None:
    """Thin above the target, thick below; its true value on hover, wherever it is drawn."""
    margin = line["margin_mj_cm2"].to_numpy(dtype=float)
    drawn = np.clip(margin, -edge, edge)
    with np.errstate(invalid="ignore"):
        below = margin < 0
    for mine, color, width, name in (
            (~below, LIGHT.accent, 1.6, "above target"), (below, LIGHT.boil, 4.0, "below target")):
        # a step needs its own end to be drawn, so that each value goes on to the next one's beginning
        keep = mine | np.append(False, mine[:-1])
        y = np.where(mine, drawn, np.where(keep, np.append(np.nan, drawn[:-1]), np.nan))
        figure.add_trace(go.Scattergl(
            x=span.wall(line["at"]), y=y, mode="lines", name=name, showlegend=False, connectgaps=False,
            line={"color": color, "width": width, "shape": "hv"}, customdata=margin,
            hovertemplate="%{customdata:+.1f} mJ/cm²<br>%{x|%a %d %b %H:%M}<extra></extra>"), row=1, col=1)
    figure.add_hline(y=0, row=1, col=1, line={"color": LIGHT.boil, "width": 1.4, "dash": "dash"},
                     annotation_text="target", annotation_position="bottom left",
                     annotation_font={"color": LIGHT.boil, "size": 12}, annotation_bgcolor=veil(LIGHT.paper, 0.8))


def _marks(figure: go.Figure, shown: pd.DataFrame, span: Span, edge: float) -> None:
    """Dark, cold and unheard time over the whole height, each with its pattern."""
    for kind in MARKED:
        found = shown[shown["kind"] == kind]
        if found.empty:
            continue
        color, shape = LOOKS[kind]
        length_ms = milliseconds(found).to_numpy()
        middle = span.wall(found["start"]) + pd.to_timedelta(length_ms / 2, unit="ms")
        figure.add_trace(go.Bar(
            x=middle, y=[2 * edge] * len(found), base=-edge, width=length_ms, showlegend=False,
            name=KIND_WORDS[kind], customdata=[f"{KIND_WORDS[kind]}, {duration(one)}" for one in found["length"]],
            hovertemplate="%{customdata}<extra></extra>", opacity=0.85,
            marker={"color": color, "line": {"color": color, "width": NARROW_PX},
                    "pattern": hatched(shape, color)}),
            row=1, col=1)


def _litres(figure: go.Figure, margins: Margins, span: Span, units: Units) -> None:
    least = np.nan_to_num(margins.underdosed_l, nan=0.0)
    most = np.where(np.isfinite(margins.underdosed_l_upper), margins.underdosed_l_upper, least)
    slots = np.flatnonzero(most > 0)
    if not slots.size:
        return
    begin = pd.Series(pd.to_datetime([margins.start(int(slot)) for slot in slots], utc=True))
    middle = span.wall(begin) + pd.Timedelta(seconds=margins.slot_s / 2)
    told = [between(least[slot], margins.underdosed_l_upper[slot], units) for slot in slots]
    for values, fill in ((most, NO_FILL), (least, LIGHT.boil)):
        figure.add_trace(go.Bar(
            x=middle, y=[to_volume(one, units) for one in values[slots]], width=1e3 * margins.slot_s,
            showlegend=False, name="under target", customdata=told,
            hovertemplate="%{customdata} under target<br>%{x|%a %d %b %H:%M}<extra></extra>",
            marker={"color": fill, "line": {"color": LIGHT.boil, "width": 1.5}}), row=2, col=1)


def _witnesses(figure: go.Figure, shown: pd.DataFrame, span: Span) -> None:
    """What each stretch was judged by, in its own lane."""
    found = shown[shown["rests_on"].fillna("") != ""]
    figure.add_trace(go.Bar(
        orientation="h", y=[RESTS] * len(found), base=span.wall(found["start"]), x=milliseconds(found), width=0.72,
        name=RESTS, showlegend=False, customdata=found["rests_on"].tolist(),
        text=found["rests_on"].tolist(), textposition="inside", insidetextanchor="start", textangle=0,
        hovertemplate="rests on: %{customdata}<extra></extra>",
        textfont={"color": LIGHT.ink},
        marker={"color": LIGHT.code, "line": {"color": LIGHT.edge, "width": 1}}), row=3, col=1)


def _lay_out(figure: go.Figure, span: Span, edge: float) -> None:
    figure.update_layout(
        height=640, margin={"l": 8, "r": 8, "t": 30, "b": 52}, paper_bgcolor=LIGHT.paper, plot_bgcolor=LIGHT.paper,
        font={"color": LIGHT.ink, "size": 13}, barmode="overlay", bargap=0.2, hovermode="closest",
        dragmode="zoom", uniformtext={"minsize": 11, "mode": "hide"})
    figure.update_xaxes(
        type="date", range=[span.edge(span.since), span.edge(span.until)], showgrid=True, gridcolor=LIGHT.hair,
        showline=True, linecolor=LIGHT.soft, nticks=6, tickfont=TICK_FONT, tickformatstops=TICKS)
    figure.update_yaxes(
        showgrid=True, gridcolor=LIGHT.hair, zeroline=False, fixedrange=True, automargin=True, nticks=5)
    figure.update_yaxes(range=[-1.06 * edge, 1.06 * edge], row=1, col=1)
    figure.update_yaxes(rangemode="tozero", nticks=3, row=2, col=1)
    figure.update_yaxes(categoryorder="array", categoryarray=list(reversed(LANES)), range=[-0.6, len(LANES) - 0.4],
                        showgrid=False, nticks=len(LANES) + 1, row=3, col=1)
    figure.add_trace(go.Bar(
        orientation="h", y=list(LANES), x=[None] * len(LANES), showlegend=False, hoverinfo="skip"), row=3, col=1)
    figure.update_xaxes(
        title={"text": span.title, "font": {"size": 12}, "standoff": 6}, automargin=True, row=3, col=1)
    for title in figure.layout.annotations[:3]:
        title.update(x=0, xanchor="left", font={"size": 13, "color": LIGHT.soft})
