"""What is open of a list: by the latest word of each item, and by what speaks against it.

The rules (rounds of a season, a sensor's zero) are common practice, no source; two samples about 24 h apart:
SOURCES.md section 6, from memory.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.advisory.laboratory import Outcome
from models.commissioning.checklist import (
    CHECKLISTS,
    ROUND_GAP,
    Entry,
    Facts,
    ItemState,
    Occasion,
    item_of,
    lines,
    standing_entries,
)
from models.fleet import Unit
from tests.models.reactors import ANNULAR

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
UNIT = Unit(slug="main", reactor="annular-40", uvt_pct=82.0, peak_flow_l_min=19.0)
COMMISSIONING, DOWN, UP = Occasion
DONE, NOT_DONE, NOT_APPLICABLE = ItemState
FIGURES = {"sensor-zero": 0.1, "flow-check": 18.5, "first-reading": 58.0}
DAY = timedelta(days=1)
GOOD = Facts(
    samples=((NOW - 3 * DAY, Outcome.SATISFACTORY), (NOW - 2 * DAY, Outcome.SATISFACTORY)),
    chlorinated_at=NOW - 4 * DAY, samples_apart=DAY)


def entry(item: str, state: ItemState = DONE, *, days_ago: float = 1, occasion: Occasion = COMMISSIONING,
          value: float | None = None) -> Entry:
    at = NOW - timedelta(days=days_ago)
    return Entry(occasion=occasion, item=item, state=state, at=at, who="Ann Lund", recorded_at=at,
                 value=FIGURES.get(item) if value is None and state is DONE else value)


def open_items(entries: list[Entry], *, occasion: Occasion = COMMISSIONING, facts: Facts = GOOD) -> dict[str, str]:
    found = lines(occasion, entries, NOW, reactor=ANNULAR, unit=UNIT, facts=facts)
    return {one.item.key: one.doubt for one in found if one.open}


def all_done(occasion: Occasion = COMMISSIONING) -> list[Entry]:
    return [entry(one.key, occasion=occasion) for one in CHECKLISTS[occasion]]


@pytest.mark.parametrize("occasion", list(Occasion))
def test_an_item_of_which_nobody_said_anything_is_open(occasion):
    assert list(open_items([], occasion=occasion)) == [one.key for one in CHECKLISTS[occasion]]
    assert open_items(all_done(occasion), occasion=occasion) == {}


@pytest.mark.parametrize("occasion", list(Occasion))
def test_keys_are_of_one_item_and_each_says_where_it_comes_from(occasion):
    keys = [one.key for one in CHECKLISTS[occasion]]
    assert len(set(keys)) == len(keys)
    for one in CHECKLISTS[occasion]:
        assert one.how and ("common practice, no source" in one.source or "SOURCES.md" in one.source), one.key
        assert bool(one.value) is bool(one.unit)
    with pytest.raises(ValueError, match=f"has no item 'sauna'; it has: {keys[0]}"):
        item_of(occasion, "sauna")


def test_not_applicable_closes_an_item_and_not_done_opens_it_again():
    assert "metal-pipe" not in open_items([entry("metal-pipe", NOT_APPLICABLE)])
    assert "level" in open_items([entry("level", days_ago=3), entry("level", NOT_DONE, days_ago=1)])
    assert "level" not in open_items([entry("level", NOT_DONE, days_ago=3), entry("level", days_ago=1)])


@given(st.permutations(range(4)))
def test_the_latest_word_counts_in_whatever_order_the_record_is_read(order):
    told = [entry("level", state, days_ago=days) for state, days in (
        (DONE, 9), (NOT_DONE, 6), (NOT_APPLICABLE, 4), (NOT_DONE, 2))]
    assert standing_entries(COMMISSIONING, [told[one] for one in order], NOW)["level"].at == NOW - 2 * DAY


# 2 % of the alarm intensity of 29 W/m2 are 0.58 W/m2
@pytest.mark.parametrize(("value", "fine"), [
    (0.0, True), (0.58, True), (0.59, False), (-0.58, True), (-0.59, False)])
def test_a_sensor_that_sees_light_in_the_dark_is_open_whatever_was_ticked(value, fine):
    found = open_items([*all_done(), entry("sensor-zero", value=value, days_ago=0)])
    assert found == {} if fine else "have the sensor checked" in found["sensor-zero"]


@pytest.mark.parametrize(("l_min", "fine"), [(19.0, True), (19.1, False)])
def test_a_supply_that_gives_more_than_its_enrolled_peak_is_open(l_min, fine):
    found = open_items([*all_done(), entry("flow-check", value=l_min, days_ago=0)])
    assert found == {} if fine else "more than the peak flow enrolled" in found["flow-check"]


@pytest.mark.parametrize("item", sorted(FIGURES))
def test_done_without_its_figure_is_not_done(item):
    bare = Entry(occasion=COMMISSIONING, item=item, state=DONE, at=NOW, who="Ann Lund", recorded_at=NOW)
    assert "was not recorded" in open_items([*all_done(), bare])[item]


@pytest.mark.parametrize(("samples", "words"), [
    ((), "no laboratory's result"),
    (((3, Outcome.SATISFACTORY),), "2 satisfactory samples, far enough apart, are not on record"),
    (((3.0, Outcome.SATISFACTORY), (2.1, Outcome.SATISFACTORY)), "far enough apart"),
    (((4, Outcome.SATISFACTORY), (3, Outcome.SATISFACTORY), (2, Outcome.UNSATISFACTORY)), "unsatisfactory"),
    (((3, Outcome.SATISFACTORY), (2, Outcome.SAMPLE_AGAIN)), "sample again"),
    (((400, Outcome.SATISFACTORY), (398, Outcome.SATISFACTORY)), "no laboratory's result"),
    (((4, Outcome.UNSATISFACTORY), (3, Outcome.SATISFACTORY), (2, Outcome.SATISFACTORY)), ""),
])
def test_samples_are_what_the_laboratory_found_and_not_what_was_ticked(samples, words):
    facts = Facts(samples=tuple((NOW - timedelta(days=days), outcome) for days, outcome in samples),
                  chlorinated_at=GOOD.chlorinated_at, samples_apart=DAY)
    found = open_items(all_done(), facts=facts)
    assert words in found["samples"] if words else found == {}


def test_a_chlorination_that_nobody_recorded_with_the_service_is_open():
    facts = Facts(samples=GOOD.samples, samples_apart=DAY)
    assert "no chlorination is on record" in open_items(all_done(), facts=facts)["chlorinated"]


def test_last_years_ticks_say_nothing_of_this_year():
    gap = ROUND_GAP / DAY
    assert "drained" not in open_items([entry("drained", occasion=DOWN, days_ago=gap)], occasion=DOWN)
    assert "drained" in open_items([entry("drained", occasion=DOWN, days_ago=gap + 0.1)], occasion=DOWN)
    # a new record does not bring the old round back
    told = [entry("drained", occasion=DOWN, days_ago=360), entry("lamp-off", occasion=DOWN, days_ago=1)]
    assert set(standing_entries(DOWN, told, NOW)) == {"lamp-off"}


def test_a_start_up_ends_the_shut_down_before_it_however_short_it_was():
    told = [entry("drained", occasion=DOWN, days_ago=40), entry("filled", occasion=UP, days_ago=10)]
    assert set(standing_entries(DOWN, told, NOW)) == set() and set(standing_entries(UP, told, NOW)) == {"filled"}
    again = [*told, entry("lamp-off", occasion=DOWN, days_ago=2)]
    assert set(standing_entries(DOWN, again, NOW)) == {"lamp-off"} and standing_entries(UP, again, NOW) == {}


def test_a_commissioning_never_begins_anew_by_itself():
    assert set(standing_entries(COMMISSIONING, [entry("level", days_ago=3000)], NOW)) == {"level"}
