"""A shut-off valve accuses and never excuses: by hand, and for whatever was sent."""

from __future__ import annotations

import dataclasses

import pandas as pd
import pytest
from hypothesis import given

from models.exposure import past_valve
from models.exposure.shutoff import SHUT
from models.fleet import Shutoff, Unit
from tests.models.exposed import exposed, intervals_of, stored_of
from tests.models.exposure.test_exposure_properties import READINGS, SETTINGS, UNITS
from tests.models.exposure.test_outage_scenarios import REACTOR, stored, unit
from tests.models.outage_scenarios import Row, out, well

VALVED = unit(shutoff="normally-closed")


def cut(flow_l_min: float) -> list[Row]:
    """A power cut from 10:10 to 10:20, with that flow read seven times in it: six minutes between two such."""
    return (well("10:00", "10:10") + out("10:10", "10:11") + out("10:11", "10:18", Q=flow_l_min)
            + out("10:18", "10:20") + well("10:20", "10:30"))


def passed(rows: list[Row], of: Unit = VALVED) -> pd.DataFrame:
    """What passed the valve, of what a store keeps of these readings."""
    pieces, _ = exposed(stored([rows]), unit=of, reactor=REACTOR)
    kept = stored_of(pieces)
    dark = kept[(kept["kind"] == "dark") & kept["rests_on"].str.contains(SHUT)]
    return past_valve(dark.assign(peak_flow_l_min=of.peak_flow_l_min))


def test_what_passed_for_certain_and_more_than_while_it_closes_is_a_fault_of_the_valve():
    # 2 L/min at both ends of six minutes: 12 L for certain. While a valve closes 28 L/min x 15 s = 7 L can pass.
    found = passed(cut(2.0))
    assert found["litres"].tolist() == [12.0]
    assert found["since"].tolist() == [pd.Timestamp("2026-06-15T10:10", tz="UTC")]  # known to be dark from there


@pytest.mark.parametrize("flow_l_min", [0.0, 1.0])
def test_nothing_and_what_can_pass_while_it_closes_say_nothing_of_the_valve(flow_l_min):
    assert passed(cut(flow_l_min)).empty  # 1 L/min in six minutes: 6 L


def dark(*rows: tuple[int, str, str, float]) -> pd.DataFrame:
    """Dark stretches of the store: unit, from, until, the least that passed; every supply gives 28 L/min."""
    table = pd.DataFrame(rows, columns=["unit_no", "start", "end", "underdosed_l"])
    for name in ("start", "end"):
        table[name] = pd.to_datetime("2026-06-15T" + table[name].astype(str), utc=True).dt.as_unit("us")
    return table.assign(peak_flow_l_min=28.0)


def test_units_are_told_apart_and_what_is_not_known_counts_for_nothing():
    found = past_valve(dark(
        (0, "10:00", "10:30", 7.0),  # just what can pass in 15 s
        (1, "10:30", "10:40", 7.1), (1, "10:40", "11:00", float("nan")), (1, "12:00", "12:10", 9.0),
        (2, "12:10", "12:20", 4.0), (2, "12:20", "12:30", 4.0), (3, "12:30", "12:40", 4.0)))
    assert found[["unit_no", "litres"]].to_numpy().tolist() == [[1, pytest.approx(16.1)], [2, 8.0]]
    assert found["until"].dt.strftime("%H:%M").tolist() == ["12:10", "12:30"]
    assert past_valve(dark()).empty


def test_each_darkness_has_its_own_closing():
    # two cuts of 6 L each, ten lit minutes apart: 12 L, and neither more than 7
    later = [{**row, "at": row["at"] + pd.Timedelta(minutes=40)} for row in cut(1.0)]
    assert passed(cut(1.0) + later).empty
    assert passed(cut(2.0) + [{**row, "at": row["at"] + pd.Timedelta(minutes=40)} for row in cut(1.0)])[
        "litres"].tolist() == [12.0]


def test_a_darkness_that_crosses_an_hour_is_one():
    # 6 L before 11:00 and as many after it: 1 L/min from 10:54 to 11:06, which no single stretch of the store holds
    rows = well("10:00", "10:50") + out("10:50", "10:54") + out("10:54", "11:07", Q=1.0) + out("11:07", "11:20")
    assert passed(rows)["litres"].tolist() == [pytest.approx(12.0)]


def test_where_it_may_have_been_lit_nothing_is_said_of_it():
    # a lamp that went dark between two readings, while 9 L/min flowed: nobody knows whether any of it passed dark
    rows = well("10:00", "10:10", Q=9.0) + out("10:10", "10:30") + well("10:30", "10:35")
    assert passed(rows).empty


def test_it_is_named_with_the_other_witnesses_and_only_where_it_is_enrolled():
    dark = [intervals_of(exposed(stored([cut(2.0)]), unit=one, reactor=REACTOR)[0]).set_index("kind")["rests_on"]
            for one in (VALVED, unit())]
    assert SHUT in dark[0]["dark"] and SHUT not in dark[0]["lit"] and SHUT not in dark[1]["dark"]


def test_a_kind_of_valve_that_nobody_knows_is_refused():
    with pytest.raises(ValueError, match="shutoff must be normally-closed, or left out where there is no"):
        unit(shutoff="normally-open")
    assert unit(shutoff="normally-closed").shutoff is Shutoff.NORMALLY_CLOSED


@SETTINGS
@given(readings=READINGS)
def test_enrolling_a_valve_changes_no_interval_no_litre_and_no_severity(readings):
    for one in UNITS:
        pieces, states = exposed(readings, unit=one, reactor=REACTOR)
        valved, same_states = exposed(
            readings, unit=dataclasses.replace(one, shutoff=Shutoff.NORMALLY_CLOSED), reactor=REACTOR)
        pd.testing.assert_frame_equal(
            valved.drop(columns="rests_on"), pieces.drop(columns="rests_on"), check_exact=True)
        pd.testing.assert_frame_equal(same_states, states, check_exact=True)
        # nor is what the store keeps cut any finer
        for kept, was in ((stored_of(valved), stored_of(pieces)), (intervals_of(valved), intervals_of(pieces))):
            pd.testing.assert_frame_equal(
                kept.drop(columns="rests_on"), was.drop(columns="rests_on"), check_exact=True)
        assert [words.replace(f", {SHUT}", "") for words in valved["rests_on"]] == pieces["rests_on"].tolist()
