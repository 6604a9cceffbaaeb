"""A row a lamp: what is drawn stands in words too, dates lie where they belong, and nothing runs."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from dashboard.text import lamp_rows
from dashboard.text.lamps import headline
from ingest.outlook.lamps import Lamp, LampOutlook
from models.lamp.standing import Standing
from tests.dashboard.text.test_lines import NASTY, Tags
from tests.dashboard.text.test_verdicts import lamp as a_lamp

TODAY = date(2026, 11, 25)
AXIS = lamp_rows.axis_of(TODAY)


def lamp(read: float | None, need: float | None, name: str = "Loon Shallows", **more: object) -> Lamp:
    one = replace(a_lamp(50.0, 40.0), intensity_w_m2=read, threshold_w_m2=need, **more)
    return replace(one, cabin=replace(one.cabin, name=name))


def told(*lamps: Lamp) -> str:
    at = datetime(2026, 11, 25, 9, tzinfo=UTC)
    return headline(LampOutlook(at=at, lamps=lamps, known=None, fitted=None))  # type: ignore[arg-type]


def test_the_headline_speaks_of_what_is_below_its_need_before_what_is_to_be_cleaned_today() -> None:
    weak = lamp(53.1, 60.6, "Pike Ridge", act_by=TODAY + timedelta(days=9))
    fine = lamp(69.8, 65.3, "Otter Cove", act_by=TODAY)
    assert told(weak, fine) == (
        "One lamp is below its need: Pike Ridge reads 53.1 and needs 60.6 W/m²; go by its verdict now; clean the "
        "sleeve by Fri 4 Dec 2026. 2 of 2 lamps need somebody within 30 days, 1 of them now.")


def test_a_lamp_below_its_need_is_not_left_to_a_day_that_is_still_to_come() -> None:
    weak = lamp(25.9, 31.6, act_by=TODAY + timedelta(days=62))
    assert lamp_rows.do_words(weak, TODAY) == "Go by its verdict now; clean the sleeve by Tue 26 Jan"
    assert lamp_rows.do_words(replace(weak, act_by=TODAY), TODAY) == "Clean the sleeve by Wed 25 Nov"
    assert lamp_rows.do_words(replace(weak, action="none", act_by=None), TODAY) == "Go by its verdict now"
    assert lamp_rows.do_words(replace(weak, action=None, act_by=None), TODAY) == "Go by its verdict now"
    fine = lamp(40.0, 31.6, act_by=TODAY + timedelta(days=400))
    assert lamp_rows.do_words(fine, TODAY) == "Clean the sleeve by Thu 30 Dec 2027"


def test_the_headline_names_the_soonest_where_none_is_below() -> None:
    later = lamp(66.0, 65.3, "Late", act_by=TODAY + timedelta(days=20))
    soon = lamp(69.8, 65.3, "Soon", act_by=TODAY)
    assert told(later, soon).endswith("1 of them now. First Soon: clean the sleeve today.")
    none = replace(later, action="none", act_by=None)
    assert told(none) == "Nothing has to be done within 30 days."
    assert "Peat gets too little from any lamp in this water" in told(lamp(69.8, None, "Peat"), none)


def test_every_standing_has_a_shape_and_a_word_of_its_own() -> None:
    assert len({shape for shape, _, _ in lamp_rows.FACES.values()}) == len(Standing)
    assert len({word for _, word, _ in lamp_rows.FACES.values()}) == len(Standing)


@pytest.mark.parametrize(("read", "need", "wide", "looks"), [
    (50.0, 50.0, "50.0", "tl-bullet"), (25.0, 50.0, "25.0", "tl-bullet tl-bullet-short"),
    (250.0, 50.0, "100.0", "tl-bullet")])
def test_a_bullet_has_its_need_in_the_middle_of_all_rows(read: float, need: float, wide: str, looks: str) -> None:
    html = lamp_rows.bullet(lamp(read, need))
    assert f'class="{looks}"' in html and f"width:{wide}%" in html


def test_nothing_is_drawn_of_a_reading_that_is_not_known() -> None:
    assert "<u" not in lamp_rows.bullet(lamp(None, 50.0))
    assert lamp_rows.read_words(lamp(None, 50.0), TODAY) == "reading not known, needs 50.0 W/m²"


def test_a_reading_of_long_ago_says_its_day() -> None:
    one = lamp(60.0, 50.0, intensity_day=date(2026, 11, 3))
    assert lamp_rows.read_words(one, TODAY) == "60.0, needs 50.0 W/m², on 3 Nov"


def test_dates_lie_on_one_axis() -> None:
    """385 days are drawn, 20 of them past: today lies at 20 / 385, 15 Dec 2026 20 days later."""
    assert AXIS.at(TODAY) == pytest.approx(100 * 20 / 385)
    html = lamp_rows.dates(lamp(60.0, 50.0), AXIS, TODAY)
    bar = re.search(r'tl-d-bar" style="left:([0-9.]+)%;width:([0-9.]+)%', html)
    assert bar is not None
    assert float(bar[1]) == pytest.approx(100 * 40 / 385, abs=0.06)
    assert float(bar[2]) == pytest.approx(100 * 32 / 385, abs=0.06)  # to 16 Jan 2027
    due = re.findall(r'tl-d-due" style="left:([0-9.]+)%', html)
    assert float(due[0]) == pytest.approx(100 * 40 / 385, abs=0.06)
    assert "Fri 25 Dec 2026" in html and "act by 15 Dec" in html
    ticks = lamp_rows.ticks(AXIS, TODAY)
    assert ticks[0][1] == "today" and [word for _, word in ticks[1:]] == [
        "Feb 27", "Apr 27", "Jun 27", "Aug 27", "Oct 27"]


def test_a_lamp_below_its_need_gets_no_later_date() -> None:
    html = lamp_rows.dates(lamp(45.0, 50.0), AXIS, TODAY)
    assert "below now</span>" in html and "tl-d-bar" not in html and "2026" not in html


@pytest.mark.parametrize(("dates", "said"), [
    ({"crosses_p10": None, "crosses_p50": None, "crosses_p90": None}, "later →"),
    ({"crosses_p10": date(2028, 1, 1), "crosses_p50": date(2028, 3, 1), "crosses_p90": None}, "later →"),
    ({"crosses_p50": None, "crosses_p90": None}, "tl-d-open"), ({"cause": None}, "no date yet")])
def test_dates_that_are_far_or_not_known_are_said(dates: dict[str, object], said: str) -> None:
    assert said in lamp_rows.dates(lamp(60.0, 50.0, **dates), AXIS, TODAY)


def test_what_the_last_days_show_is_said() -> None:
    last = np.array([0.2, np.nan, -0.1, -0.05])
    assert lamp_rows.days_words(last) == "from 20% above to 5% below its need; 2 days below it; not read on 1"
    assert lamp_rows.days_words(np.array([np.nan])) == "nothing read"


def test_many_that_nobody_has_to_see_to_are_folded_and_none_other() -> None:
    due = [lamp(60.0, 50.0, f"Due {number}", act_by=TODAY) for number in range(lamp_rows.AT_FIRST + 6)]
    fine = [lamp(60.0, 50.0, f"Fine {number}", action="none", act_by=None) for number in range(9)]
    html = lamp_rows.rows([lamp_rows.PicturedLamp(lamp=one, picture="", seen="") for one in (*due, *fine)], TODAY)
    shown, folded = html.split("<details")
    assert shown.count("<li") == len(due) and folded.count("<li") == 9 and "9 more" in folded


def test_hostile_names_are_text_everywhere() -> None:
    one = lamp(60.0, 50.0, NASTY)
    html = lamp_rows.rows([lamp_rows.PicturedLamp(lamp=one, picture="data:x", seen=NASTY)], TODAY) + lamp_rows.kind(
        NASTY, [lamp_rows.PicturedLamp(lamp=one, picture="data:x", seen=NASTY)], most_h=9000, rated_h=9000)
    tags = Tags(html).found
    assert not any(tag == "script" or any(name.startswith("on") for name in attrs) for tag, attrs in tags)
    assert [attrs["src"] for tag, attrs in tags if tag == "img"] == ["data:x", "data:x"]
