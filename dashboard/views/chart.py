"""A drawing on a page: in the reader's mode, with a name, and a table behind it for who cannot see it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import plotly.graph_objects as go
import streamlit as st

from dashboard.charts.modes import darkened
from dashboard.text import markup

AS_TABLE = "This drawing as a table"
# A drawing in the dark colours is light on paper: turned around, its hues turned back, made white.
DARK_ON_PAPER = "@media print { .js-plotly-plot { filter:invert(1) hue-rotate(180deg) brightness(1.15); } }"


def in_the_dark() -> bool:
    """Whether the reader's page is dark now."""
    return st.context.theme.type == "dark"


def show_chart(
    figure: go.Figure, *, key: str, name: str, config: Mapping[str, Any],
    table: tuple[Sequence[str], Iterable[Sequence[object]]] | None = None,
) -> None:
    """Draw it.

    Parameters
    ----------
    figure : Figure
        In the light colours.
    key : str
        Of the element.
    name : str
        What it shows, read out in its place.
    config : mapping
        Plotly's.
    table : (headers, rows), optional
        The same as a table, which opens below it.
    """
    st.plotly_chart(_in_mode(figure, key), key=key, theme=None, alt=name, config=dict(config))
    if table is not None:
        st.html(markup.behind(AS_TABLE, markup.table(*table, caption=name)))


def _in_mode(figure: go.Figure, key: str) -> go.Figure:
    """The same figure as long as nothing changes: a part that draws itself anew shall leave the browser's alone."""
    if not in_the_dark():
        return figure
    kept: tuple[go.Figure, go.Figure] | None = st.session_state.get(f"dark-{key}")
    if kept is None or kept[0] is not figure:
        kept = (figure, darkened(figure))
        st.session_state[f"dark-{key}"] = kept
    return kept[1]
