"""What was enrolled when, worked out by hand."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.fleet import Cabin, Fleet, JudgingPolicy, Unit
from models.fleet_history import BEGINNING, FleetHistory, effective
from tests.models.reactors import ANNULAR as REACTOR

UNIT = Unit(slug="main", reactor=REACTOR.name, uvt_pct=82.0, peak_flow_l_min=28.0)
CABIN = Cabin(
    slug="heron-point", name="Heron Point", time_zone="America/Toronto", latitude=45.4, longitude=-79.2,
    units=(UNIT, replace(UNIT, slug="annex")))
FLEET = Fleet(reactors=(REACTOR,), cabins=(CABIN,))
KEY = ("heron-point", "main")
MAY, JUNE, JULY = (datetime(2026, month, 1, tzinfo=UTC) for month in (5, 6, 7))
SECOND = timedelta(seconds=1)


def with_uvt(uvt_pct: float) -> Unit:
    return replace(UNIT, uvt_pct=uvt_pct)


def history(*edits: tuple[datetime, float], **given) -> FleetHistory:
    """A history of the unit's transmittance, its last edit the present."""
    now = with_uvt(edits[-1][1]) if edits else UNIT
    present = replace(FLEET, cabins=(replace(CABIN, units=(now, CABIN.units[1])),))
    units = {KEY: [(since, with_uvt(uvt)) for since, uvt in edits]}
    return FleetHistory.of(given.pop("present", present), units=units, reactors=given.pop("reactors", {}), **given)


def test_a_value_holds_from_its_date_and_the_first_from_the_beginning():
    found = history((MAY, 82.0), (JUNE, 70.0), (JULY, 82.0))
    assert [(since, unit.uvt_pct) for since, unit, _ in found.versions(*KEY)] == [
        (BEGINNING, 82.0), (JUNE, 70.0), (JULY, 82.0)]
    for instant, uvt_pct in (
        (BEGINNING, 82.0), (MAY - SECOND, 82.0), (JUNE - SECOND, 82.0), (JUNE, 70.0), (JULY - SECOND, 70.0),
        (JULY, 82.0),
    ):
        assert found.at(instant).unit(*KEY).uvt_pct == uvt_pct
    assert found.at(JUNE).unit("heron-point", "annex").uvt_pct == 82.0


def test_an_edit_that_reaches_back_replaces_what_was_said_of_the_time_since():
    found = effective([(BEGINNING, 82.0), (JUNE, 70.0), (MAY, 75.0)])
    assert found == ((BEGINNING, 82.0), (MAY, 75.0))


def test_an_edit_to_the_same_value_is_none():
    assert effective([(BEGINNING, 82.0), (MAY, 82.0), (JUNE, 82.0)]) == ((BEGINNING, 82.0),)
    assert history((BEGINNING, 82.0), (MAY, 70.0), (BEGINNING, 82.0)).units == {}


@given(st.integers(0, 3), st.lists(st.tuples(st.integers(0, 8), st.integers(0, 3))))
def test_each_instant_has_the_value_of_the_last_edit_that_reaches_it(first, edits):
    """Against the rule said day by day: an edit sets its day and all later ones."""
    days = [BEGINNING + timedelta(days=day) for day in range(10)]
    wanted = [first] * len(days)
    for since, value in edits:
        wanted[since:] = [value] * (len(days) - since)
    found = effective([(BEGINNING, first), *((days[since], value) for since, value in edits)])
    assert [[value for since, value in found if since <= day][-1] for day in days] == wanted
    assert found[0][0] == BEGINNING
    assert all(one != other for (_, one), (_, other) in itertools.pairwise(found))


def test_a_change_of_the_kind_cuts_the_time_of_all_its_units():
    weaker = replace(REACTOR, test_red_mj_cm2=30.0)
    present = replace(FLEET, reactors=(weaker,))
    found = history(present=present, reactors={REACTOR.name: [(BEGINNING, REACTOR), (JUNE, weaker)]})
    for unit in ("main", "annex"):
        assert [(since, reactor.test_red_mj_cm2) for since, _, reactor in found.versions("heron-point", unit)] == [
            (BEGINNING, REACTOR.test_red_mj_cm2), (JUNE, 30.0)]
    assert found.at(MAY).reactor(REACTOR.name) == REACTOR


def test_a_unit_of_another_kind_takes_that_kinds_versions_from_then_on():
    other = replace(REACTOR, name="other")
    later = replace(other, warm_up_s=60.0)
    moved = replace(UNIT, reactor="other")
    present = Fleet(reactors=(REACTOR, later), cabins=(replace(CABIN, units=(moved,)),))
    found = FleetHistory.of(
        present, units={KEY: [(BEGINNING, UNIT), (JUNE, moved)]},
        reactors={"other": [(BEGINNING, other), (MAY, replace(other, warm_up_s=90.0)), (JULY, later)]})
    assert [(since, reactor.name, reactor.warm_up_s) for since, _, reactor in found.versions(*KEY)] == [
        (BEGINNING, REACTOR.name, REACTOR.warm_up_s), (JUNE, "other", 90.0), (JULY, "other", 60.0)]


def test_how_far_a_reading_may_speak_has_its_dates_too():
    present = replace(FLEET, own_judging=JudgingPolicy(two_ends_s=60))
    found = history(present=present, judging=[(BEGINNING, JudgingPolicy()), (MAY, JudgingPolicy(two_ends_s=60))])
    assert [policy.two_ends_s for _, policy in found.judging_versions()] == [300.0, 60]
    assert found.at(MAY - SECOND).judging.two_ends_s == 300.0
    assert found.at(MAY).judging.two_ends_s == 60


def test_the_date_of_a_new_lamp_cuts_nothing():
    newer = replace(UNIT, lamp_installed=MAY.date())
    present = replace(FLEET, cabins=(replace(CABIN, units=(newer,)),))
    found = FleetHistory.of(present, units={KEY: [(BEGINNING, UNIT), (MAY, newer)]}, reactors={})
    assert found.versions(*KEY) == [(BEGINNING, newer, REACTOR)]


def test_what_is_not_enrolled_has_no_versions_and_what_is_gone_is_forgotten():
    found = FleetHistory.of(FLEET, units={("gone", "main"): [(BEGINNING, UNIT), (MAY, with_uvt(70.0))]},
                            reactors={"gone": [(BEGINNING, REACTOR), (MAY, replace(REACTOR, warm_up_s=60.0))]})
    assert found.at(BEGINNING) is FLEET
    with pytest.raises(KeyError, match="gone"):
        found.versions("gone", "main")
