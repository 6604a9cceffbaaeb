"""Shared events: what belongs together by the rule, in any order, and what an id is good for."""

from __future__ import annotations

import itertools
import time
from datetime import UTC, datetime, timedelta

import hypothesis
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.sparse.csgraph import connected_components

from models.advisory.shared_event import SharedEvent, Trouble, find, shared_events
from tests.conftest import utc

T0 = utc("2026-11-20T18:00:00")
KM = 1 / 111.195  # degrees of latitude on a sphere of 6,371 km
PLACES = pd.DataFrame({
    "cabin": ["a", "b", "c", "d", "e", "f"],
    "latitude": [45.0, 45.0 + 15 * KM, 45.0 + 30 * KM, 47.0, 47.0 + 19 * KM, 50.0],
    "longitude": [-79.0] * 6,
    "supply_line": ["", "", "", "line-7", "", "line-7"]})


def minutes(n: float) -> timedelta:
    return timedelta(minutes=n)


def spells(*rows: tuple[str, str, float, float | None], unit: str = "main") -> pd.DataFrame:
    """Of (cabin, trouble, from minute, to minute or None)."""
    out = pd.DataFrame(
        [(cabin, unit, trouble, T0 + minutes(start), None if end is None else T0 + minutes(end))
         for cabin, trouble, start, end in rows], columns=["cabin", "unit", "trouble", "start", "end"])
    return out.astype(dict.fromkeys(("start", "end"), "datetime64[us, UTC]"))


def groups(found: tuple[SharedEvent, ...]) -> list[tuple[str, ...]]:
    return [tuple(sorted(one.cabins)) for one in found]


def events(*rows: tuple[str, str, float, float | None], units: int = 100) -> tuple[SharedEvent, ...]:
    return shared_events(spells(*rows), PLACES, units)


def test_near_cuts_that_begin_together_are_one_event_along_a_chain_of_neighbours():
    found = events(("a", "power-cut", 0, 180), ("b", "power-cut", 4, 170), ("c", "power-cut", 9, None))
    assert groups(found) == [("a", "b", "c")]  # a and c are 30 km apart, b lies between
    (one,) = found
    assert (one.start, one.end, one.trouble) == (T0, None, Trouble.POWER_CUT)
    assert one.id == "20261120T180000Z.a.main"
    assert [(m.cabin, m.start, m.end) for m in one.members] == [
        ("a", T0, T0 + minutes(180)), ("b", T0 + minutes(4), T0 + minutes(170)), ("c", T0 + minutes(9), None)]


@pytest.mark.parametrize(("rows", "together"), [
    ([("a", "power-cut", 0, 60), ("b", "power-cut", 10, 60)], True),
    ([("a", "power-cut", 0, 60), ("b", "power-cut", 10.1, 60)], False),  # began too far apart
    ([("a", "power-cut", 0, 5), ("b", "power-cut", 5, 60)], False),  # do not overlap
    ([("a", "power-cut", 0, 60), ("c", "power-cut", 0, 60)], False),  # 30 km
    ([("d", "power-cut", 0, 60), ("e", "power-cut", 0, 60)], True),  # 19 km
    ([("d", "power-cut", 0, 60), ("f", "power-cut", 50, 90)], True),  # one line, however far
    ([("d", "power-cut", 0, 60), ("f", "power-cut", 60, 90)], False),  # one line, one after the other
    ([("d", "power-cut", 0, 60), ("f", "silence", 5, 90)], True),  # its logger had no power of its own
    ([("d", "power-cut", 0, 60), ("f", "silence", 15, 90)], False),
    ([("a", "power-cut", 0, 60), ("b", "silence", 5, None)], True),
    ([("a", "power-cut", 0, 60), ("b", "silence", 5, 14)], False),  # too short a silence to share
    ([("a", "silence", 0, 60), ("f", "silence", 0, 60)], False),  # 2 of 100 units
    ([("a", "dark", 0, 60), ("b", "dark", 3, 60)], True),
])
def test_the_rule_of_a_shared_cause(rows, together):
    assert groups(events(*rows)) == ([tuple(sorted(row[0] for row in rows))] if together else [])


def test_half_of_a_brokers_units_that_fall_silent_together_are_its_event():
    rows = [("a", "silence", 0, 90), ("c", "silence", 2, 90), ("d", "silence", 4, None)]
    assert groups(events(*rows, units=6)) == [("a", "c", "d")]
    assert groups(events(*rows, units=7)) == []
    assert groups(events(*rows[:2], units=2)) == []  # two may be chance
    (one,) = events(*rows, units=6)
    assert one.trouble is Trouble.SILENCE


def test_two_units_of_one_cabin_share_no_event_with_themselves():
    both = pd.concat([spells(("a", "power-cut", 0, 60)), spells(("a", "power-cut", 0, 60), unit="annex")])
    assert shared_events(both, PLACES, 100) == ()
    found = shared_events(pd.concat([both, spells(("b", "power-cut", 1, 60))]), PLACES, 100)
    assert [(one.cabin, one.unit) for one in found[0].members] == [("a", "annex"), ("a", "main"), ("b", "main")]


def test_power_that_flickers_stays_in_its_event():
    found = events(("a", "power-cut", 0, 180), ("b", "power-cut", 2, 40), ("b", "power-cut", 49, 170))
    assert groups(found) == [("a", "b")]
    assert found[0].members[1].end == T0 + minutes(170)
    later = events(("a", "power-cut", 0, 180), ("b", "power-cut", 2, 40), ("b", "power-cut", 51, 170))
    assert later[0].members[1].end == T0 + minutes(40)


def test_an_id_finds_the_event_also_after_an_earlier_member_or_a_merge():
    before = events(("a", "power-cut", 0, 60), ("b", "power-cut", 0, 60), ("d", "power-cut", 5, 60),
                    ("e", "power-cut", 5, 60))
    assert len(before) == 2
    line = PLACES.assign(supply_line="line-7")
    merged = shared_events(spells(
        ("a", "power-cut", 0, 60), ("b", "power-cut", -3, 60), ("d", "power-cut", 5, 60),
        ("e", "power-cut", 5, 60)), line, 100)
    assert len(merged) == 1
    assert merged[0].id == "20261120T175700Z.b.main"
    for one in before:
        assert find(merged, one.id) is merged[0]
    assert find(merged, "20261120T175700Z.c.main") is None
    assert find(merged, "no id") is None


def test_what_is_not_a_spell_is_refused():
    with pytest.raises(ValueError, match=r"trouble must be one of power-cut, dark, silence; got \['flood'\]"):
        events(("a", "flood", 0, 1))
    with pytest.raises(ValueError, match="end must not be before start"):
        events(("a", "dark", 5, 1))
    assert events(("a", "power-cut", 0, 60)) == ()
    assert shared_events(spells(), PLACES, 100) == ()
    assert groups(events(("a", "power-cut", 0, 9), ("nowhere", "power-cut", 0, 9))) == []


ROWS = st.lists(
    st.tuples(st.sampled_from("abcdef"), st.sampled_from([str(one) for one in Trouble]),
              st.integers(0, 60), st.one_of(st.none(), st.integers(0, 90))).map(
        lambda one: (one[0], one[1], float(one[2]), None if one[3] is None else float(one[2] + one[3]))),
    max_size=14)


@given(ROWS, st.randoms(use_true_random=False))
def test_any_order_of_arrival_gives_the_same_events(rows, random):
    shuffled = list(rows)
    random.shuffle(shuffled)
    assert events(*rows, units=5) == events(*shuffled, units=5)


@hypothesis.settings(max_examples=40)
@given(ROWS)
def test_events_only_grow_no_two_members_are_ever_parted_and_every_id_still_finds_them(rows):
    for n in range(len(rows)):
        before, after = events(*rows[:n], units=5), events(*rows[:n + 1], units=5)
        for one in before:
            grown = find(after, one.id)
            assert grown is not None
            assert set(one.cabins) <= set(grown.cabins)
            assert grown.start <= one.start


def by_pairs(rows: list[tuple[str, str, float, float | None]]) -> set[tuple[str, ...]]:
    """The rule without lines and broker, pair by pair, as a second way to the same answer."""
    at = dict(zip(PLACES["cabin"], PLACES["latitude"], strict=True))
    rows = [one for one in rows if one[1] != "silence" or one[3] is None or one[3] - one[2] >= 10]
    joined = np.zeros((len(rows), len(rows)), bool)
    for (i, p), (j, q) in itertools.combinations(enumerate(rows), 2):
        ends = [np.inf if one[3] is None else one[3] for one in (p, q)]
        overlap = p[2] < ends[1] and q[2] < ends[0]
        near = abs(at[p[0]] - at[q[0]]) / KM <= 20 and abs(p[2] - q[2]) <= 10
        gap = max(p[2], q[2]) - (ends[0] if p[2] <= q[2] else ends[1])
        joined[i, j] = (overlap and near) or (p[0] == q[0] and (gap < 10 or p[2] == q[2]))
    if not rows:
        return set()
    _, number = connected_components(joined, directed=False)
    found = (
        tuple(sorted({row[0] for row, one in zip(rows, number, strict=True) if one == n})) for n in set(number))
    return {one for one in found if len(one) > 1}


@given(ROWS)
def test_the_same_as_pair_by_pair(rows):
    found = shared_events(spells(*rows), PLACES.assign(supply_line=""), 10_000)
    assert set(groups(found)) == by_pairs(rows)


def test_a_thousand_cabins_without_power_at_once_and_a_year_of_small_cuts_take_seconds_at_most():
    rng = np.random.default_rng(17)
    n, cuts = 1000, 30
    places = pd.DataFrame({
        "cabin": [f"c{i}" for i in range(n)], "latitude": rng.uniform(45, 46, n),
        "longitude": rng.uniform(-80, -78, n), "supply_line": ""})
    start = pd.Timestamp(T0) - pd.to_timedelta(rng.uniform(0, 365 * 86400, n * cuts), unit="s")
    small = pd.DataFrame({"cabin": np.repeat(places["cabin"], cuts).to_numpy(), "unit": "main",
                          "trouble": "power-cut", "start": start, "end": start + pd.Timedelta(minutes=20)})
    storm = small.iloc[::cuts].assign(start=pd.Timestamp(T0), end=pd.NaT)
    storm["end"] = pd.Series(pd.NaT, index=storm.index, dtype="datetime64[ns, UTC]")
    everything = pd.concat([small, storm], ignore_index=True)
    begun = time.perf_counter()
    found = shared_events(everything, places, n)
    took_s = time.perf_counter() - begun
    assert max(len(one.cabins) for one in found) == n
    print(f"{len(everything)} spells of {n} cabins: {len(found)} events in {took_s:.2f} s")
    assert took_s < 10


@pytest.mark.parametrize(
    "id", ["20261399T180000Z.a.main", "20261120T186199Z.a.main", "00000101T000000Z.a.main", "", "a"])
def test_an_id_of_no_instant_finds_nothing(id):
    assert find(events(("a", "power-cut", 0, 60), ("b", "power-cut", 0, 60)), id) is None


def test_an_instant_is_of_utc():
    (one, *_) = events(("a", "power-cut", 0, 60), ("b", "power-cut", 0, 60))
    assert one.start.tzinfo is UTC
    assert one.start == datetime(2026, 11, 20, 18, tzinfo=UTC)
