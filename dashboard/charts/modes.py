"""Pictures in the reader's mode: all are drawn in the light colours, which are what paper shows."""

from __future__ import annotations

import re
from typing import Any

import plotly.graph_objects as go

from dashboard.colours import counterpart

_PAINT = re.compile(r'(fill|stroke)="(#[0-9a-f]{6})"')


def darkened(figure: go.Figure) -> go.Figure:
    """The same figure in the dark colours.

    Raises
    ------
    ValueError
        If a colour of it is not one of ours.
    """
    told = figure.to_plotly_json()
    template = told["layout"].pop("template", None)  # plotly's own, whose colours all our figures set themselves
    told = _turned(told)
    if template is not None:
        told["layout"]["template"] = template
    return go.Figure(told)


def in_both_modes(svg: str) -> str:
    """A picture (SVG) with what its colours are in the dark, which an image takes from where it stands."""
    rules = "".join(f'[{paint}="{light}"]{{{paint}:{counterpart(light)}}}'
                    for paint, light in sorted(set(_PAINT.findall(svg))))
    return svg.replace("</title>", f"</title><style>@media (prefers-color-scheme:dark){{{rules}}}</style>", 1)


def _turned(value: Any, named: str = "") -> Any:
    """Colours stand under names that end so; what stands elsewhere is a reader's text or a number."""
    if isinstance(value, dict):
        return {name: _turned(one, name) for name, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [_turned(one, named) for one in value]
    return counterpart(value) if isinstance(value, str) and value and named.endswith("color") else value
