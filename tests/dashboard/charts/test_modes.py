"""A drawing in the dark is the same drawing: every colour is turned, and nothing else."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict
from datetime import date, timedelta
from typing import Any
from urllib.parse import unquote
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest

from dashboard.charts.after_cut import cut_figure
from dashboard.charts.lamps import lamp_figure
from dashboard.charts.margin_line import ROW, SMALL, data_uri, picture
from dashboard.charts.modes import darkened, in_both_modes
from dashboard.charts.readings import Span
from dashboard.charts.routes import route_figure
from dashboard.colours import DARK, LIGHT, NO_FILL, counterpart
from dashboard.text.measures import Units
from tests.dashboard.charts import test_margin as margin
from tests.dashboard.charts import test_readings as readings
from tests.dashboard.charts.test_margin_line import of
from tests.dashboard.charts.test_routes import cabin, trip
from tests.dashboard.text.test_verdicts import lamp

LIGHTS, DARKS = set(asdict(LIGHT).values()), set(asdict(DARK).values())


def figures() -> dict[str, Any]:
    worst = margin.drawn(
        of([3.0, -2.0, -2.0, np.nan], litres=[0, 10, 0, 0]),
        [(0, 1, "dark", "no power"), (1, 2, "warming", ""), (2, 3, "unheard", ""), (3, 4, "weak", "dose")])
    cut = cut_figure(
        readings.intervals(), None, units=Units.METRIC,
        span=Span(since=readings.SINCE, until=readings.SINCE + timedelta(hours=2), zone=readings.SPAN.zone))
    route = route_figure(
        trip(("Otter", 45.2, -79.0), ("Pike", 45.1, -78.8)), [cabin("Left Out")], Units.METRIC)
    return {"margin": worst, "readings": readings.drawn(), "after-cut": cut, "lamp": one_lamp(), "route": route}


def one_lamp() -> Any:
    """A lamp's past and what comes, with something done."""
    day = pd.date_range("2026-11-01", periods=20)
    past = pd.DataFrame({"day": day, "intensity_w_m2": 50.0, "fitted_w_m2": 50.0})
    coming = pd.DataFrame({
        "day": day + pd.Timedelta(days=20), "low_w_m2": 40.0, "middle_w_m2": 45.0, "upper_w_m2": 50.0})
    done = pd.DataFrame({"at": [pd.Timestamp("2026-11-05T12:00Z")], "kind": ["sleeve-cleaned"]})
    return lamp_figure(past, coming, lamp(50.0, 40.0), done, today=date(2026, 11, 20))


def colours_of(value: Any, named: str = "") -> Iterator[str]:
    """What stands under a name that ends in `color`."""
    if isinstance(value, dict):
        for name, one in value.items():
            yield from colours_of(one, name)
    elif isinstance(value, list):
        for one in value:
            yield from colours_of(one, named)
    elif isinstance(value, str) and named.endswith("color"):
        yield value


def expected(value: Any, named: str = "") -> Any:
    """The same with each colour's counterpart."""
    if isinstance(value, dict):
        return {name: expected(one, name) for name, one in value.items()}
    if isinstance(value, list):
        return [expected(one, named) for one in value]
    return counterpart(value) if named.endswith("color") and isinstance(value, str) else value


@pytest.mark.parametrize("name", ["margin", "readings", "after-cut", "lamp", "route"])
def test_a_figure_in_the_dark_has_the_dark_colours_and_all_else_as_it_was(name: str) -> None:
    light = figures()[name]
    dark = darkened(light)
    before, after = (json.loads(one.to_json()) for one in (light, dark))
    del before["layout"]["template"], after["layout"]["template"]
    assert len(list(colours_of(before))) >= 14
    assert after == expected(before)
    assert {one for one in colours_of(after) if one.startswith("#")} <= DARKS
    assert light.layout.paper_bgcolor == LIGHT.paper and dark.layout.paper_bgcolor == DARK.paper


def test_a_name_that_looks_like_a_colour_stays_a_name() -> None:
    figure = figures()["margin"]
    figure.update_layout(title={"text": LIGHT.boil})
    assert darkened(figure).layout.title.text == LIGHT.boil


def test_a_figure_with_a_colour_that_is_none_of_ours_is_refused() -> None:
    figure = figures()["margin"]
    figure.update_layout(plot_bgcolor="#e5ecf6")
    with pytest.raises(ValueError, match="#e5ecf6"):
        darkened(figure)


def test_a_small_picture_has_both_modes_and_a_file_of_it_the_light_one_alone() -> None:
    worst = of([2.0, -2.0, np.nan, np.nan], litres=[0, 5, 0, 0], dark=[0, 0, 1, 0], unheard=[0, 0, 0, 1],
               cold=[1, 0, 0, 0], unknown=[0.5, 0, 0, 0])
    svg = picture(worst, ROW, "x <&> y")
    assert "prefers-color-scheme" not in svg  # a file, for a report
    both = in_both_modes(svg)
    assert unquote(data_uri(svg)).removeprefix("data:image/svg+xml,") == both
    style = next(one for one in ElementTree.fromstring(both) if one.tag.endswith("style"))
    assert style.text is not None and style.text.startswith("@media (prefers-color-scheme:dark)")
    for path in ElementTree.fromstring(both):
        for paint in ("fill", "stroke"):
            light = path.get(paint)
            if light not in (None, "none", NO_FILL):
                assert light in LIGHTS
                assert f'[{paint}="{light}"]{{{paint}:{counterpart(light)}}}' in style.text
    assert len(data_uri(picture(of([2.0] * 4), SMALL, "x"))) < 900  # two hundred of them stand on the first page
