"""Whose clock is wrong? Held to rules written anew here: by counting, unit by unit."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.own_clock import TOLERANCE_S, ClockEvidence, borne_out, doubts, lasting

NOW = datetime(2026, 11, 26, 12, 0, tzinfo=UTC)
lags = st.one_of(
    st.floats(-1e6, 1e6), st.sampled_from([0.0, TOLERANCE_S, -TOLERANCE_S, 300.001, -300.001, 3600.0, -259_200.0]))


def evidence(*ahead_s: float, **given: Any) -> ClockEvidence:
    return ClockEvidence(**{"now": NOW, "ahead_s": np.array(ahead_s, float), "enrolled": 5, **given})


@given(st.lists(lags, max_size=12), st.floats(-1e6, 1e6), st.integers(0, 12), st.one_of(st.none(), lags))
def test_the_decision_is_what_counting_says(ahead_s, stepped_s, enrolled, known_ahead_s):
    known = None if known_ahead_s is None else NOW + timedelta(seconds=known_ahead_s)
    one = evidence(*ahead_s, stepped_s=stepped_s, enrolled=max(enrolled, len(ahead_s)), known_until=known)
    ahead = sum(1 for lag in ahead_s if lag > 300)
    agree = sum(1 for lag in ahead_s if -300 <= lag <= 300)
    most_are_ahead = ahead >= 2 and ahead > len(ahead_s) - ahead
    most_agree = agree > len(ahead_s) - agree and (agree >= 2 or one.enrolled < 2)
    moved = not -300 <= stepped_s <= 300
    before_what_is_known = known is not None and known - NOW > timedelta(seconds=300)
    assert bool(doubts(one)) is (most_are_ahead or (not most_agree and (moved or before_what_is_known)))


@given(st.lists(lags, min_size=1, max_size=12), st.floats(-1e6, 1e6), st.randoms())
def test_neither_the_order_of_units_nor_an_exact_shift_of_all_clocks_at_once_matters(ahead_s, stepped_s, random):
    mixed = list(ahead_s)
    random.shuffle(mixed)
    assert bool(doubts(evidence(*ahead_s, stepped_s=stepped_s, enrolled=12))) is bool(
        doubts(evidence(*mixed, stepped_s=stepped_s, enrolled=12)))
    later = NOW + timedelta(days=400)
    assert bool(doubts(evidence(*ahead_s, stepped_s=stepped_s, enrolled=12))) is bool(
        doubts(evidence(*ahead_s, stepped_s=stepped_s, enrolled=12, now=later)))


@given(st.lists(lags, max_size=12), st.floats(-1e6, 1e6))
def test_with_a_doubt_and_nobody_to_bear_the_clock_out_it_is_never_right(behind_s, stepped_s):
    far = [lag if abs(lag) > TOLERANCE_S else 3600.0 for lag in behind_s]
    moved = stepped_s if abs(stepped_s) > TOLERANCE_S else 3600.0
    assert doubts(evidence(*far, stepped_s=moved))
    assert doubts(evidence(*far, known_until=NOW + timedelta(hours=1)))


@pytest.mark.parametrize(("ahead_s", "why"), [
    ((3600.0,), ""),  # one logger: its own fault, or ours: nobody can say
    ((3600.0, 0.0, 0.0), ""),
    ((3600.0, 3600.0, 0.0, 0.0), ""),  # half is not more than half
    ((3600.0, 3600.0, 0.0), "2 of 3 units heard within the last hour are ahead of it at once, by about 1 h"),
    ((-3600.0, -3600.0, -3600.0), ""),  # a backlog: old, and no word against our clock
    ((300.0, 300.0), ""),
])
def test_who_is_ahead(ahead_s, why):
    assert doubts(evidence(*ahead_s)) == why


def test_a_jump_counts_until_two_loggers_bear_it_out_or_it_is_undone():
    few = "and too few loggers bear that out"
    assert doubts(evidence(stepped_s=3 * 86_400)) == f"it jumped forward by 3 days, {few}"
    assert doubts(evidence(0.0, stepped_s=-3600)) == f"it jumped back by 1 h, {few}"
    assert doubts(evidence(0.0, 10.0, stepped_s=-3600)) == ""
    assert doubts(evidence(0.0, stepped_s=-3600, enrolled=1)) == ""
    assert doubts(evidence(-3600.0, -3600.0, 0.0, 0.0, stepped_s=3600))  # half
    assert doubts(evidence(stepped_s=-299.0)) == ""


def test_a_clock_of_before_what_is_stored_or_that_was_never_set_is_not_right():
    late = NOW + timedelta(hours=2)
    assert doubts(evidence(known_until=late)) == (
        "it says 2026-11-26 12:00 UTC, and the store already knows of 2026-11-26 14:00 UTC")
    assert doubts(evidence(0.0, 0.0, known_until=late)) == ""
    assert "1970-01-01, as a clock does that was never set" in doubts(
        evidence(0.0, 0.0, now=datetime(1970, 1, 1, 1, tzinfo=UTC)))


def test_agreement_alone_is_no_verdict_on_a_fleet_that_is_silent():
    assert not borne_out(evidence())
    assert borne_out(evidence(0.0, 0.0))


@pytest.mark.parametrize(("seconds", "told"), [
    (310, "5 min"), (3600, "1 h"), (5400, "1.5 h"), (86_400, "24 h"), (259_200, "3 days"), (3500, "1 h")])
def test_lengths_of_time(seconds, told):
    assert lasting(seconds) == told


def test_what_is_no_evidence_is_refused():
    with pytest.raises(ValueError, match="offset from UTC"):
        evidence(now=datetime(2026, 1, 1))
    with pytest.raises(ValueError, match="finite"):
        evidence(np.nan)
    with pytest.raises(ValueError, match="one value a unit"):
        ClockEvidence(now=NOW, ahead_s=np.zeros((2, 2)))
