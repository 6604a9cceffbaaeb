"""Lines, map and links of the fleet at a glance, as HTML: nothing runs, nothing is cut off the map."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser

import pytest

from dashboard.text import lines
from ingest.in_hand import InHand
from models.verdict import Word
from tests.dashboard.text.test_verdicts import status

NOW = datetime(2026, 11, 27, 12, tzinfo=UTC)
NASTY = "\"><img src=x onerror=alert(1)><script>'"


class Tags(HTMLParser):
    """Which tags there are, with their attributes."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))


def at(name: str, word: Word, latitude: float, longitude: float):
    """A cabin's unit somewhere."""
    one = status("X", word)
    slug = re.sub("[^a-z]", "", name.lower())
    return replace(one, cabin=replace(
        one.cabin, name=name, slug=slug, latitude=latitude, longitude=longitude))


def test_hostile_names_are_text_everywhere() -> None:
    one = at(NASTY, Word.BOIL, 45, -79)
    html = "".join((
        lines.lines([lines.Line(status=one, picture="data:x", seen=NASTY, in_hand=NASTY, waits=NASTY)], NOW),
        lines.clear_line([one]), lines.event_line(NASTY, [one], NASTY), lines.place_map([one])))
    tags = Tags(html).found
    assert not any(tag == "script" or any(name.startswith("on") for name in attrs) for tag, attrs in tags)
    assert [attrs["src"] for tag, attrs in tags if tag == "img"] == ["data:x"]


@pytest.mark.parametrize(("length", "told"), [
    (timedelta(minutes=-1), "0 min"), (timedelta(minutes=119), "119 min"), (timedelta(hours=2), "2 h"),
    (timedelta(hours=47.9), "47 h"), (timedelta(days=30.9), "30 days")])
def test_ages_are_told_in_one_part(length: timedelta, told: str) -> None:
    assert lines.roughly(length) == told


def test_who_has_it_in_hand_and_that_nobody_has_where_somebody_must() -> None:
    one = status("Pike", Word.BOIL)
    assert lines.hand_words(one, None, NOW) == "nobody has it yet"
    assert lines.hand_words(status("Pike", Word.WATCH), None, NOW) == ""
    assert lines.hand_words(one, InHand(who="Ada Brook", at=NOW, did=False), NOW).startswith("Ada Brook, read it ")
    assert "did a step" in lines.hand_words(one, InHand(who="Ada Brook", at=NOW, did=True), NOW)


def places(html: str) -> dict[str, tuple[float, float]]:
    """Where marks stand, by name."""
    return {attrs["title"].split(":")[0]: tuple(map(float, re.findall(r"(?:left|top):([0-9.-]+)%", attrs["style"])))
            for tag, attrs in Tags(html).found if tag == "a"}


def test_the_map_has_north_up_east_right_and_one_scale() -> None:
    """At 60 degrees north a degree of longitude is half as long as one of latitude: cos 60."""
    found = places(lines.place_map([
        at("South", Word.CLEAR, 59.9, -79.0), at("North", Word.CLEAR, 60.1, -79.0),
        at("West", Word.CLEAR, 60.0, -79.4), at("East", Word.CLEAR, 60.0, -78.6)]))
    assert found["North"][1] < found["South"][1] and found["West"][0] < found["East"][0]
    shape = (found["South"][1] - found["North"][1]) / (found["East"][0] - found["West"][0])
    html = lines.place_map([at("South", Word.CLEAR, 59.9, -79.0), at("North", Word.CLEAR, 60.1, -79.0),
                            at("West", Word.CLEAR, 60.0, -79.4), at("East", Word.CLEAR, 60.0, -78.6)])
    high = float(re.findall(r"padding-bottom:(\d+)%", html)[0]) / 100
    assert shape * high == pytest.approx(0.5, rel=0.02)  # 22.2 km to 44.5 km


def test_one_that_lies_far_off_stands_at_the_edge_with_its_distance_and_moves_no_other() -> None:
    near = [at(f"Near{letter}", Word.CLEAR, 45 + 0.02 * number, -79 - 0.02 * (number % 2))
            for number, letter in enumerate("abcd")]
    html = lines.place_map([*near, at("Far", Word.BOIL, 49.0, -123.0)])
    found = places(html)
    assert all(0 <= x <= 100 and 0 <= y <= 100 for x, y in found.values())
    assert found["Far"][0] < 10 and re.search(r"Far: Boil, 3[0-9]{3} km off this map", html)
    spread = [y for name, (_, y) in found.items() if name != "Far"]
    assert max(spread) - min(spread) > 50


def test_the_map_of_one_cabin_and_of_a_fleet_across_the_date_line() -> None:
    assert places(lines.place_map([at("Lone", Word.WATCH, 45, -79)]))["Lone"] == (50, 50)
    found = places(lines.place_map([at("East", Word.CLEAR, 0, -179.95), at("West", Word.CLEAR, 0, 179.95)]))
    assert found["West"][0] < found["East"][0]
    assert lines.place_map([]) == ""


def test_a_cabin_has_its_worst_units_mark_and_worst_ones_lie_on_top() -> None:
    html = lines.place_map([at("Pike", Word.BOIL, 45, -79), at("Pike", Word.CLEAR, 45, -79),
                            at("Otter", Word.CLEAR, 45, -79)])
    assert html.count('class="tl-go tl-map-mark') == 2 and "Pike: Boil" in html and "Pike: Clear" not in html
    assert html.index("Otter: Clear") < html.index("Pike: Boil")


def test_names_on_the_map_never_lie_on_each_other_and_the_worst_has_its_own() -> None:
    html = lines.place_map([at(f"Cab{letter}", Word.BOIL, 45 + 0.0001 * number, -79)
                            for number, letter in enumerate("abcdefgh")])
    assert re.findall(r'tl-map-name">(.*?)<', html) == ["Caba"] and html.count('class="tl-go tl-map-mark') == 8
