"""A lamp's small pictures: well-formed, told by shape, nothing drawn where nothing was read."""

from __future__ import annotations

from dataclasses import asdict
from xml.etree import ElementTree

import numpy as np

from dashboard.charts.lamp_line import days_picture, life_picture
from dashboard.colours import LIGHT
from ingest.outlook.lamp_history import LampHistory
from tests.dashboard.charts.test_margin_line import paths


def test_a_day_below_its_need_is_thick_and_lies_below_the_broken_line() -> None:
    drawn = paths(days_picture(np.array([0.5, 0.02, -0.02, -0.5]), "x"))
    thin, thick = (next(one for one in drawn if one.get("stroke-width") == width) for width in ("1.3", "3"))
    # 30 px high, the need at 15: 2 % of it would be 0.3 px, which nobody sees
    assert thin["d"] == "M0 8H42V14.5H84" and thick["d"] == "M84 16.5H126V22H168"


def test_days_that_were_not_read_are_dots_and_no_line() -> None:
    drawn = paths(days_picture(np.full(90, np.nan), "x"))
    assert not any(one.get("stroke-width") == "1.3" for one in drawn)
    assert drawn[-1]["stroke-dasharray"] == "2 4" and drawn[-1]["d"] == "M0 15h168"


def test_the_present_lamp_is_strong_and_the_rated_life_marked() -> None:
    old, new = (np.array([84.0, 8400.0]), np.array([0.5, -0.1])), (np.array([84.0, 252.0]), np.array([0.6, 0.5]))
    drawn = paths(life_picture(LampHistory(np.full(90, 0.5), (old, new)), "x", most_h=10_000, rated_h=9000))
    lines = [one for one in drawn if one.get("fill") == "none"]
    assert [one.get("stroke-opacity") for one in lines] == [".45", None]
    assert any(one["d"] == "M151.2 0V64" for one in drawn)  # 9,000 of 10,000 h on 168 px
    assert not any(one.get("stroke-width") == "3" for one in drawn)  # the present one was never below


def test_a_hostile_name_is_text_and_one_point_is_a_dash() -> None:
    nasty = "</title><script>alert(1)</script>"
    one = LampHistory(np.array([0.5]), ((np.array([84.0]), np.array([-0.2])),))
    svg = life_picture(one, nasty, most_h=9000, rated_h=9000)
    assert {two.get("stroke", "none") for two in paths(svg)} <= {*asdict(LIGHT).values(), "none"}  # has a dark one
    assert ElementTree.fromstring(svg)[0].text == nasty and "h2" in svg
