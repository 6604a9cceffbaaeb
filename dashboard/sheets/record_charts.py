"""Small charts of a month for paper: dose margin and litres by day, with what was dark or unheard by shape too."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Literal

import pandas as pd
from reportlab.graphics.shapes import Circle, Drawing, Line, Polygon, Rect, String
from reportlab.lib.colors import Color, black, white
from reportlab.lib.units import mm

from dashboard.sheets.lettering import REGULAR, register

HEIGHT, LEFT, BOTTOM, TOP = 40 * mm, 15 * mm, 13 * mm, 5 * mm
STRIP = 2.6 * mm  # the height of the strip that says what was dark or unheard
BLUE, GREY, RED = Color(0.12, 0.35, 0.6), Color(0.55, 0.55, 0.55), Color(0.7, 0.1, 0.1)  # told apart without colour
SIZE = 6.5
MOST_MARGIN_PCT = 300.0  # of the target; what lies above is drawn there


class _Axes:
    """Where an instant and a value lie on the drawing."""

    def __init__(self, width: float, since: datetime, until: datetime, most: float) -> None:
        register()
        self.drawing = Drawing(width, HEIGHT)
        self.since, self.span_s = since, max((until - since).total_seconds(), 1.0)
        self.width, self.most = width - LEFT - 2 * mm, most if most > 0 else 1.0

    def x(self, at: datetime) -> float:
        return LEFT + self.width * min(max((at - self.since).total_seconds() / self.span_s, 0.0), 1.0)

    def y(self, value: float) -> float:
        return BOTTOM + (HEIGHT - BOTTOM - TOP) * min(value / self.most, 1.0)

    def write(self, x: float, y: float, words: str, anchor: Literal["start", "middle", "end"] = "start") -> None:
        self.drawing.add(String(x, y, words, fontName=REGULAR, fontSize=SIZE, textAnchor=anchor, fillColor=black))

    def line(self, x: float, y: float, to_x: float, to_y: float, **style: Any) -> None:
        self.drawing.add(Line(x, y, to_x, to_y, **{"strokeColor": GREY, "strokeWidth": 0.5, **style}))

    def box(self, left: float, low: float, right: float, high: float, **style: Any) -> None:
        self.drawing.add(Rect(left, low, right - left, high - low, **style))

    def frame(self, title: str, ticks: Sequence[float], starts: Sequence[pd.Timestamp]) -> None:
        """Title, lines across, and the day of the month below."""
        self.write(LEFT, HEIGHT - TOP + 1.4 * mm, title)
        for value in ticks:
            self.line(LEFT, self.y(value), LEFT + self.width, self.y(value), strokeWidth=0.3)
            self.write(LEFT - 1.5 * mm, self.y(value) - 2, f"{value:,.0f}", "end")
        for number, start in enumerate(starts):
            if number % max(1, len(starts) // 16) == 0:
                self.write(self.x(start.to_pydatetime()), BOTTOM - 3 * mm, f"{start.day}", "middle")

    def strip(self, intervals: pd.DataFrame) -> None:
        """Below the days: hatched what nobody heard, solid with a point what was dark."""
        base = BOTTOM - 4 * mm - STRIP
        for row in intervals.to_dict("records"):
            if row["kind"] not in ("unheard", "dark"):
                continue
            left, right = self.x(row["start"]), self.x(row["end"])
            right = max(right, left + 0.8)
            dark = row["kind"] == "dark"
            self.box(left, base, right, base + STRIP, fillColor=black if dark else white, strokeColor=black,
                     strokeWidth=0.4)
            if dark:
                middle = (left + right) / 2
                self.drawing.add(Polygon(
                    [middle - 1.6, base - 2.8, middle + 1.6, base - 2.8, middle, base], fillColor=black,
                    strokeColor=None))
            else:
                step = left - STRIP
                while step < right:  # each slant as far as it lies within the box
                    x, to_x = max(step, left), min(step + STRIP, right)
                    self.line(x, base + x - step, to_x, base + to_x - step, strokeColor=black, strokeWidth=0.4)
                    step += 2.2
        self.write(LEFT, 0.6 * mm, "hatched: not heard (not known);  solid, with a point below: lamp dark")


def _starts(since: datetime, until: datetime) -> list[pd.Timestamp]:
    return list(pd.date_range(pd.Timestamp(since), pd.Timestamp(until), freq="D", inclusive="left"))


def dose_chart(
    days: pd.DataFrame, intervals: pd.DataFrame, since: datetime, until: datetime, target: float, width: float
) -> Drawing:
    """Each day's 5th percentile of the lower bound, as a share of the target; no dot where it is not known."""
    axes = _Axes(width, since, until, MOST_MARGIN_PCT)
    starts = _starts(since, until)
    axes.frame(f"Dose by day: 5th percentile of its lower bound, % of the target of {target:g} mJ/cm2 (no dot: no "
               "water, or not known; 300: or more)", (0.0, 100.0, 200.0, 300.0), starts)
    axes.line(LEFT, axes.y(100), LEFT + axes.width, axes.y(100), strokeColor=black, strokeDashArray=[3, 2])
    doses = dict(zip(days["day"], days["dose_low_p05_mj_cm2"], strict=True))
    for number, start in enumerate(starts):
        dose = doses.get(f"{start:%Y-%m-%d}")
        if dose is None or pd.isna(dose):
            continue
        end = starts[number + 1].to_pydatetime() if number + 1 < len(starts) else until
        x, share = (axes.x(start.to_pydatetime()) + axes.x(end)) / 2, 100.0 * float(dose) / target
        y = axes.y(max(share, 0.0))
        if share < 100:  # a cross: short of the target
            for way in (-1, 1):
                axes.line(x - 2, y - 2 * way, x + 2, y + 2 * way, strokeColor=RED, strokeWidth=1.1)
        else:
            axes.drawing.add(Circle(x, y, 1.5, fillColor=BLUE, strokeColor=None))
    axes.strip(intervals)
    return axes.drawing


def litres_chart(
    days: pd.DataFrame, intervals: pd.DataFrame, since: datetime, until: datetime, width: float
) -> Drawing:
    """Each day's litres: what is known filled, the most that can have been drawn as an open box above it."""
    most = float(days["volume_l_upper"].max()) if len(days) else 0.0
    most = most if most == most else 0.0
    axes = _Axes(width, since, until, most)
    starts = _starts(since, until)
    axes.frame("Litres by day (filled: known to be drawn; open: the most that can have been)",
               (0.0, axes.most / 2, axes.most), starts)
    rows = {str(row["day"]): row for row in days.to_dict("records")}
    for number, start in enumerate(starts):
        row = rows.get(f"{start:%Y-%m-%d}")
        if row is None:
            continue
        end = starts[number + 1].to_pydatetime() if number + 1 < len(starts) else until
        left, right = axes.x(start.to_pydatetime()) + 0.6, axes.x(end) - 0.6
        low, high = axes.y(float(row["volume_l"])), axes.y(float(row["volume_l_upper"]))
        axes.box(left, BOTTOM, right, low, fillColor=BLUE, strokeColor=None)
        if high - low > 0.3:
            axes.box(left, low, right, high, fillColor=None, strokeColor=black, strokeWidth=0.4,
                     strokeDashArray=[1.5, 1])
    axes.strip(intervals)
    return axes.drawing
