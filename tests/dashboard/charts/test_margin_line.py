"""The small picture: well-formed, told by shape, and nothing is lost in it or run by it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from urllib.parse import unquote
from xml.etree import ElementTree

import numpy as np
import pytest

from dashboard.charts.margin_line import ROW, SMALL, data_uri, heights, picture
from dashboard.charts.modes import in_both_modes
from dashboard.text.margins import NOTHING, margin_words, slot_words
from dashboard.text.measures import Units
from models.margin import Margins, Stretch

SINCE = datetime(2026, 11, 20, tzinfo=UTC)
NONE = [0.0, 0.0, 0.0, 0.0]


def of(margin: list[float], litres: list[float] | None = None, **share: list[float]) -> Margins:
    """Four hours."""
    least = np.array(litres or NONE)
    return Margins(
        since=SINCE, until=SINCE + timedelta(hours=4), slot_s=3600, margin_mj_cm2=np.array(margin, float),
        target_mj_cm2=np.full(4, 40.0), underdosed_l=least, underdosed_l_upper=least * 2,
        share={kind: np.array(share.get(kind, NONE)) for kind in Stretch})


def paths(svg: str) -> list[dict[str, str]]:
    """What is drawn, each with its looks."""
    return [dict(one.attrib) for one in ElementTree.fromstring(svg) if one.tag.endswith("path")]


def test_each_kind_of_time_has_a_shape_of_its_own() -> None:
    looks = []
    for kind in Stretch:
        drawn = paths(picture(of([np.nan] * 4, **{kind: [0, 1, 0.5, 0]}), SMALL, "x"))
        looks.append(tuple(sorted((name, value) for name, value in drawn[-1].items()
                                  if name in ("stroke-width", "stroke-dasharray"))))
    assert len(set(looks)) == len(list(Stretch)), looks


def test_a_shortfall_of_2_mj_cm2_is_seen_below_the_target_and_drawn_thick() -> None:
    y = heights(of([2.0, -2.0, -0.01, 500.0]), 26, 13)
    assert y[0] < 13 and y[1] >= 13 + 1.5 and y[2] >= 13 + 1.5 and y[3] >= 0
    widths = {one["stroke-width"] for one in paths(picture(of([2.0, -2.0, -2.0, 2.0]), SMALL, "x"))
              if "stroke-width" in one}
    assert widths == {"1.3", "3"}


def test_nothing_is_drawn_where_nothing_is_known() -> None:
    """A line of nothing would look clear."""
    drawn = paths(picture(of([np.nan] * 4, unheard=[1, 1, 1, 1]), SMALL, "x"))
    assert not any(one.get("stroke-width") in ("1.3", "3") for one in drawn)
    assert any("v25h-168" in one["d"] for one in drawn)  # a box over all of it
    assert margin_words(of([np.nan] * 4, unheard=[1, 1, 1, 1]), Units.METRIC) == NOTHING


def test_a_minute_in_a_week_is_still_seen() -> None:
    drawn = paths(picture(of([1.0] * 4, dark=[0, 0.0001, 0, 0]), SMALL, "x"))
    assert drawn[-1]["d"].endswith("h1.5")


def test_litres_stand_as_bars_sure_ones_solid() -> None:
    drawn = paths(picture(of([1.0] * 4, litres=[0, 10, 0, 0]), ROW, "x"))
    outline, solid = drawn[-2:]
    assert outline["fill"] == "none" and "v-14h" in outline["d"]
    assert solid["fill"] != "none" and "v-7h" in solid["d"]


def test_a_hostile_title_is_text_and_the_source_holds_no_markup() -> None:
    nasty = "</title><script>alert(1)</script>\"'"
    svg = picture(of([1.0] * 4), SMALL, nasty)
    assert ElementTree.fromstring(svg)[0].text == nasty
    uri = data_uri(svg)
    assert unquote(uri.removeprefix("data:image/svg+xml,")) == in_both_modes(svg)
    assert not set(uri) & set('<>"#%') - {"%"}


@pytest.mark.parametrize(("margins", "said"), [
    (of([3.26, 5, 5, 5]), "least margin +3.2 mJ/cm²"),
    (of([3.26, -2.04, 5, 5], litres=[0, 10, 0, 0]),
     "at worst 2.1 mJ/cm² below target; 10 to 20 L under target"),
    (of([1.0, np.nan, np.nan, 1], dark=[0, 0.5, 0, 0], unheard=[0, 0.5, 1, 0]),
     "least margin +1.0 mJ/cm²; dark 30 min; not heard 1 h 30 min"),
    (of([np.nan] * 4, unknown=[1, 1, 1, 1]), "margin not known; dose not known 4 h"),
])
def test_words_say_the_same_and_never_round_up(margins: Margins, said: str) -> None:
    assert margin_words(margins, Units.METRIC) == said


def test_a_part_of_the_time_has_words_of_its_own() -> None:
    found = of([1.0, -3.0, 5, 5], dark=[0, 0, 0, 1])
    assert slot_words(found, slice(0, 2), Units.METRIC) == "at worst 3.0 mJ/cm² below target"
    assert slot_words(found, slice(2, 4), Units.METRIC) == "least margin +5.0 mJ/cm²; dark 1 h"
