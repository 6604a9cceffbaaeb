"""Drawings, as pure functions: DataFrames in, a plotly figure out.

Nothing here rests on colour alone: intervals lie in lanes with names, and carry patterns.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta, timezone, tzinfo

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from dashboard.colours import LIGHT, veil
from dashboard.text.measures import Units, between, duration, flow_unit, to_volume
from dashboard.text.verdicts import CAUSE_WORDS, KIND_WORDS
from models.exposure import IntervalKind
from models.fleet import Reactor, Unit

DOSE_SHOWN_TARGETS = 4.0  # the dose's axis ends at so many targets; what is above lies out of sight, not cut
# lane: colour and pattern; dark is solid black, what is not known is dotted
LOOKS: dict[str, tuple[str, str]] = {
    IntervalKind.LIT: (LIGHT.lit, ""), IntervalKind.WARMING: (LIGHT.warming, "/"),
    IntervalKind.WEAK: (LIGHT.weak, "x"), IntervalKind.DARK: (LIGHT.unlit, ""),
    IntervalKind.UNHEARD: (LIGHT.unheard, "."),
}
LANES = (*(KIND_WORDS[kind] for kind in IntervalKind), "Lamp", "Power")
TICKS = [
    {"dtickrange": [None, 86_399_999], "value": "%H:%M\n%a %-d"},
    {"dtickrange": [86_400_000, None], "value": "%-d %b\n%Y"},
]
TICK_FONT = {"size": 11}  # five words side by side on a phone, or they lean over and cross the axis's title
NARROW_PX = 2  # every interval is drawn at least so wide, else a minute would vanish from a month


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """The time that is drawn, on the clock of the cabin.

    One offset holds for the whole drawing, that of its end: an axis that jumps at a change of clocks would draw
    an hour twice.
    """

    since: datetime
    until: datetime
    zone: tzinfo

    @property
    def offset(self) -> timezone:
        """The zone's offset from UTC at the end of the span."""
        return timezone(self.until.astimezone(self.zone).utcoffset() or timedelta())

    @property
    def title(self) -> str:
        """What the time axis is in."""
        return f"Time at the cabin ({self.until.astimezone(self.zone):%Z}, {self.offset})"

    def wall(self, at: pd.Series) -> pd.Series:
        """Instants as plotly takes them: on this clock, without a zone."""
        wall: pd.Series = at.dt.tz_convert(self.offset).dt.tz_localize(None)
        return wall

    def edge(self, at: datetime) -> datetime:
        """One instant on this clock."""
        return at.astimezone(self.offset).replace(tzinfo=None)


def evidence_figure(
    readings: pd.DataFrame, intervals: pd.DataFrame, *, unit: Unit, reactor: Reactor, span: Span, units: Units
) -> go.Figure:
    """Dose against its target, intensity, flow, and what the time was, over one time axis.

    Parameters
    ----------
    readings : DataFrame
        Of `ingest.queries.readings`.
    intervals : DataFrame
        Of `ingest.queries.outages` with the lit ones.
    """
    shown = clipped(intervals, span)
    rows = broken(readings, shown)
    figure = make_subplots(
        rows=4, cols=1, shared_xaxes=True, vertical_spacing=0.055, row_heights=[0.29, 0.19, 0.15, 0.37],
        subplot_titles=(
            "Dose, mJ/cm² (line: lower bound)", "UV intensity, W/m²",
            f"Flow, {flow_unit(units)}", "What the time was"))
    if len(rows):
        x = span.wall(rows["at"])
        _draw_dose(figure, rows, x)
        _line(figure, x, rows["intensity_w_m2"], row=2, name="intensity", unit="W/m²", color=LIGHT.intensity)
        _line(figure, x, rows["flow_l_min"].map(lambda one: to_volume(one, units)), row=3, name="flow",
              unit=flow_unit(units), color=LIGHT.flow)
    _limit(figure, unit.dose_target_mj_cm2, f"target {unit.dose_target_mj_cm2:g}", row=1)
    _limit(figure, reactor.alarm_intensity_w_m2, f"alarm {reactor.alarm_intensity_w_m2:g}", row=2)
    draw_intervals(figure, shown, span, units, row=4)
    for lane, column in (("Lamp", "lamp_on"), ("Power", "power_on")):
        if len(rows):
            _draw_states(figure, states(rows, column, span.until), lane, span)
    _lay_out(figure, span, unit)
    return figure


def clipped(intervals: pd.DataFrame, span: Span) -> pd.DataFrame:
    """The intervals within the span, cut at its ends; `length` is that of the whole interval, as are its litres."""
    inside = intervals[(intervals["end"] > span.since) & (intervals["start"] < span.until)]
    since, until = pd.Timestamp(span.since), pd.Timestamp(span.until)
    return inside.assign(
        length=inside["end"] - inside["start"],
        start=inside["start"].where(inside["start"] > since, since),
        end=inside["end"].where(inside["end"] < until, until))


def broken(readings: pd.DataFrame, intervals: pd.DataFrame) -> pd.DataFrame:
    """Readings with an empty row at the start of each unheard interval, so that no line crosses what nobody heard.

    Adds `stretch`, a number that goes up at each such row.
    """
    if readings.empty:
        return readings.assign(stretch=pd.Series(dtype="int64"))
    gaps = intervals.loc[intervals["kind"] == IntervalKind.UNHEARD, "start"]
    rows = pd.concat([readings.assign(gap=False), pd.DataFrame({"at": gaps, "gap": True})], ignore_index=True)
    rows = rows.sort_values("at", kind="stable", ignore_index=True)
    gap = rows.pop("gap").astype(bool)
    return rows.assign(stretch=gap.cumsum())


def states(rows: pd.DataFrame, column: str, until: datetime) -> pd.DataFrame:
    """Stretches in which an event's state held: `start, end, on`; unknown time has no row.

    A state holds until the next of its kind, but not across what nobody heard (`broken`).
    """
    held = rows.groupby("stretch")[column].ffill().astype("boolean").to_numpy(float, na_value=np.nan)
    stretch = rows["stretch"].to_numpy()
    begins = np.ones(len(rows), bool)
    same = (held[1:] == held[:-1]) | (np.isnan(held[1:]) & np.isnan(held[:-1]))
    begins[1:] = ~same | (stretch[1:] != stretch[:-1])
    first = np.flatnonzero(begins)
    start = rows["at"].iloc[first].reset_index(drop=True)
    end = start.shift(-1).fillna(pd.Timestamp(until))
    found = pd.DataFrame({"start": start, "end": end, "on": held[first]})
    return found[found["on"].notna() & (found["end"] > found["start"])].reset_index(drop=True)


def water(shown: pd.DataFrame, units: Units) -> list[str]:
    """The under-dosed litres of each interval (as of `clipped`), in words."""
    columns = ("underdosed_l", "underdosed_l_upper", "length")
    return [between(low, upper, units, length=length)
            for low, upper, length in zip(*(shown[name] for name in columns), strict=True)]


def milliseconds(stretches: pd.DataFrame) -> pd.Series:
    """Lengths as plotly takes them on a time axis."""
    return (stretches["end"] - stretches["start"]).dt.total_seconds() * 1e3


def _draw_dose(figure: go.Figure, rows: pd.DataFrame, x: pd.Series) -> None:
    """Lower bound as a line, dose as dots where water flows (it has no limit where lit water stands)."""
    _line(figure, x, rows["dose_low_mj_cm2"].where(np.isfinite(rows["dose_low_mj_cm2"])), row=1, name="lower bound",
          unit="mJ/cm²", color=LIGHT.accent)
    flows = np.isfinite(rows["dose_mj_cm2"]) & (rows["flow_l_min"] > 0)
    figure.add_trace(go.Scattergl(
        x=x[flows], y=rows.loc[flows, "dose_mj_cm2"], mode="markers", name="dose", showlegend=False,
        marker={"size": 4, "color": LIGHT.accent, "symbol": "circle-open"},
        hovertemplate="dose %{y:.1f} mJ/cm²<extra></extra>"), row=1, col=1)


def _line(
    figure: go.Figure, x: pd.Series, y: pd.Series, *, row: int, name: str, unit: str, color: str
) -> None:
    """A quantity that holds until the next reading."""
    figure.add_trace(go.Scattergl(
        x=x, y=y, mode="lines", name=name, line={"color": color, "width": 1.6, "shape": "hv"}, connectgaps=False,
        showlegend=False, hovertemplate=f"{name} %{{y:.1f}} {unit}<extra></extra>"), row=row, col=1)


def _limit(figure: go.Figure, value: float, words: str, *, row: int) -> None:
    """A dashed line with its word and figure."""
    figure.add_hline(
        y=value, row=row, col=1, line={"color": LIGHT.boil, "width": 1.6, "dash": "dash"}, annotation_text=words,
        annotation_position="bottom left", annotation_font={"color": LIGHT.boil, "size": 12},
        annotation_bgcolor=veil(LIGHT.paper, 0.8))


def draw_intervals(figure: go.Figure, shown: pd.DataFrame, span: Span, units: Units, *, row: int) -> None:
    """Each kind in its lane of that row."""
    for kind in IntervalKind:
        found = shown[shown["kind"] == kind]
        color, shape = LOOKS[kind]
        length_ms = milliseconds(found)
        litres = water(found, units)
        why = found["cause"].map(lambda cause: CAUSE_WORDS.get(cause, cause)).tolist()
        hover = [
            f"{KIND_WORDS[kind]}{', ' + cause if cause else ''}<br>{start:%a %d %b %H:%M} to {end:%a %d %b %H:%M}, "
            f"{duration(end - start)}<br>under-dosed: {litre}"
            for start, end, litre, cause in zip(
                span.wall(found["start"]), span.wall(found["end"]), litres, why, strict=True)
        ]
        figure.add_trace(go.Bar(
            orientation="h", y=[KIND_WORDS[kind]] * len(found), base=span.wall(found["start"]), x=length_ms,
            name=KIND_WORDS[kind], width=0.72, showlegend=False, customdata=hover,
            hovertemplate="%{customdata}<extra></extra>",
            marker={"color": color, "line": {"color": color, "width": NARROW_PX},
                    "pattern": hatched(shape, color)}),
            row=row, col=1)


def hatched(shape: str, color: str) -> dict[str, object]:
    """The pattern of a lane, drawn over its colour."""
    return {"shape": shape, "fgcolor": LIGHT.hatch, "bgcolor": color, "size": 6, "solidity": 0.25}


def _draw_states(figure: go.Figure, found: pd.DataFrame, lane: str, span: Span) -> None:
    """On as a light bar, off as a black one, both with the word where it fits."""
    for on, word, color in ((1.0, "on", LIGHT.code), (0.0, "off", LIGHT.unlit)):
        part = found[found["on"] == on]
        figure.add_trace(go.Bar(
            orientation="h", y=[lane] * len(part), base=span.wall(part["start"]),
            x=milliseconds(part), name=f"{lane} {word}", width=0.72,
            showlegend=False, text=[word] * len(part), textposition="inside", insidetextanchor="start", textangle=0,
            textfont={"color": LIGHT.ink if on else LIGHT.paper},
            customdata=[f"{lane} {word}, {start:%a %d %b %H:%M} to {end:%a %d %b %H:%M}" for start, end in zip(
                span.wall(part["start"]), span.wall(part["end"]), strict=True)],
            hovertemplate="%{customdata}<extra></extra>",
            marker={"color": color, "line": {"color": LIGHT.edge if on else color, "width": NARROW_PX}}),
            row=4, col=1)


def _lay_out(figure: go.Figure, span: Span, unit: Unit) -> None:
    figure.update_layout(
        height=760, margin={"l": 8, "r": 8, "t": 30, "b": 52}, paper_bgcolor=LIGHT.paper, plot_bgcolor=LIGHT.paper,
        font={"color": LIGHT.ink, "size": 13}, barmode="overlay", bargap=0.2, hovermode="closest",
        dragmode=False, uniformtext={"minsize": 11, "mode": "hide"})
    figure.update_xaxes(
        type="date", range=[span.edge(span.since), span.edge(span.until)], showgrid=True, gridcolor=LIGHT.hair,
        showline=True, linecolor=LIGHT.soft, nticks=6, tickfont=TICK_FONT, tickformatstops=TICKS)
    figure.update_yaxes(showgrid=True, gridcolor=LIGHT.hair, rangemode="tozero", zeroline=False, fixedrange=True,
                        automargin=True, nticks=5)
    figure.update_yaxes(range=[0, DOSE_SHOWN_TARGETS * unit.dose_target_mj_cm2], row=1, col=1)
    figure.update_yaxes(categoryorder="array", categoryarray=list(reversed(LANES)), range=[-0.6, len(LANES) - 0.4],
                        showgrid=False, nticks=len(LANES) + 1, row=4, col=1)
    figure.add_trace(  # every lane is there, also where nothing of its kind happened
        go.Bar(orientation="h", y=list(LANES), x=[None] * len(LANES), showlegend=False, hoverinfo="skip"),
        row=4, col=1)
    figure.update_xaxes(
        title={"text": span.title, "font": {"size": 12}, "standoff": 6}, automargin=True, row=4, col=1)
    for title in figure.layout.annotations[:4]:
        title.update(x=0, xanchor="left", font={"size": 13, "color": LIGHT.soft})
