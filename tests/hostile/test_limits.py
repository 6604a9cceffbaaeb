"""Many hostile histories through the door: how often it is wrong to either side, and do its bounds hold?

The seeds are fixed, so that a run says the same on any day; other ones: `python -m tests.hostile --seed N`.
"""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from .harness import Bounds, Outcome, Tally, honest_tally, measure, seeds_of, table

ABOVE = pytest.mark.xfail(
    strict=True, reason="rows missing for good while water moved are unheard (DEVELOPERS.md, What is open)")
RUN, COUNT = 7, 120
LONG_RUN, LONG_COUNT = 8, 10_000


@pytest.fixture(scope="module")
def found() -> list[Outcome]:
    """The histories of CI; their table is printed with a failure."""
    outcomes = measure(seeds_of(RUN, COUNT), jobs=2)
    print(table(outcomes))
    return outcomes


def all_of(found: Sequence[Outcome]) -> Tally:
    return Tally.of("all", found)


def honest_is_never_wrongly_clear(found: Sequence[Outcome]) -> None:
    one = honest_tally(found)
    assert one.wet >= len(found) / 8
    assert one.wrong_clear == 0, f"replay {one.wrong_seeds}"


def honest_and_dry_is_mostly_calm(found: Sequence[Outcome]) -> None:
    one = honest_tally(found)
    assert one.dry >= len(found) / 12
    assert one.dry_calm >= 0.80 * one.dry, f"{one.dry_calm} of {one.dry}"
    assert one.dry_silent <= 0.10 * one.dry, f"{one.dry_silent} of {one.dry}"


def seldom_wrongly_clear(found: Sequence[Outcome]) -> None:
    one = all_of(found)
    assert one.wet >= len(found) / 3
    assert one.wrong_clear <= 0.02 * one.wet, f"{one.wrong_clear} of {one.wet}: replay {one.wrong_seeds}"


def seldom_boil_for_nothing(found: Sequence[Outcome]) -> None:
    one = all_of(found)
    assert one.dry >= len(found) / 5
    assert one.dry_boil <= 0.30 * one.dry, f"{one.dry_boil} of {one.dry}"


def bounds_hold(found: Sequence[Outcome]) -> None:
    bounds = Bounds.of(found)
    assert bounds.asked >= len(found) / 4
    assert not bounds.low_broken, f"more is called dark for certain than was: replay {bounds.low_broken}"
    assert not bounds.upper_broken, f"more was dark than the most: replay {bounds.upper_broken}"
    assert len(bounds.weak_broken) <= 0.05 * bounds.asked, f"replay {bounds.weak_broken}"


def test_with_honest_sensors_a_total_and_a_cut_that_shows_it_is_never_wrongly_clear(found):
    honest_is_never_wrongly_clear(found)


@ABOVE
def test_with_honest_sensors_and_no_litre_short_it_is_mostly_clear_or_watch(found):
    honest_and_dry_is_mostly_calm(found)


def test_over_all_faults_it_is_seldom_wrongly_clear(found):
    seldom_wrongly_clear(found)


@ABOVE
def test_over_all_faults_it_seldom_says_boil_where_no_litre_was_short(found):
    seldom_boil_for_nothing(found)


def test_with_honest_sensors_the_litres_lie_within_their_bounds(found):
    bounds_hold(found)


@pytest.mark.soak
@pytest.mark.timeout(7200)
@ABOVE
def test_ten_thousand_histories_hold_the_same_limits():
    outcomes = measure(seeds_of(LONG_RUN, LONG_COUNT), jobs=2)
    print(table(outcomes))
    for hold in (honest_is_never_wrongly_clear, honest_and_dry_is_mostly_calm, seldom_wrongly_clear,
                 seldom_boil_for_nothing, bounds_hold):
        hold(outcomes)
