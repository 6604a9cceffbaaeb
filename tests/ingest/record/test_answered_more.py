"""What could slip past a lift or a failed sample: late words about samples, silences, clocks and short flushes."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from ingest import queries
from ingest.actions import ACTIONS
from ingest.db.intake import heard_live
from ingest.evaluation.watch import watch
from ingest.registry.tables import load_fleet, read_fleet
from ingest.settings import BadInput
from ingest.store import Store
from models.advisory import (
    Cause,
    Exposure,
    Remeasured,
    SampleFailed,
    Step,
    StepPolicy,
    advance,
    exposure_event,
)
from models.advisory.guests import Stay, letter
from tests.conftest import FLEET_TOML, utc
from tests.ingest.ingest_streams import minutes, steady
from tests.ingest.record.test_answered import DARK, KEY, at, kinds, metered, take

DAY = 1440


def act(store: Store, action: str, now_min: float, /, **body):
    return ACTIONS[action](store.con, body, at(now_min), store.path)


def service(store: Store, kind: str, now_min: float, done_min: float, **more):
    return act(store, "record-service", now_min, kind=kind, cabin=KEY[0], unit=KEY[1], who="Ann Lund",
               at=at(done_min).isoformat(), **more)


def dark_once(store: Store, minutes_after: int, l_min: float = 0.0):
    """54 L past a dark lamp, then lit; the instant of the last reading."""
    return take(
        store, metered(0, 30), steady(at(30), 10, flow_l_min=6.0, total_l=np.arange(10) * 6.0, **DARK),
        metered(40, minutes_after, l_min, total_l=54.0))


def test_a_late_word_of_coliforms_between_two_samples_takes_the_second_back_at_once(held):
    dark_once(held, 4 * DAY, 20.0)
    end = 40 + 4 * DAY
    service(held, "flushed", end, 200, **{"from": at(100).isoformat()})
    service(held, "chlorinated", end, 210)
    service(held, "sampled", end, 300, e_coli=0, total_coliforms=0)
    service(held, "sampled", end, 300 + 2 * DAY, e_coli=0, total_coliforms=0)
    assert queries.advisories(held)[0].advisory.open_steps == (Step.NOTICE_REMOVED,)
    service(held, "sampled", end, 300 + DAY, e_coli=0, total_coliforms=3)
    assert Step.SAMPLE_2 in queries.advisories(held)[0].advisory.open_steps
    with pytest.raises(BadInput, match="sample_2"):
        act(held, "advisory-lift", end, advisory="a1", by="Kim")


def test_a_sample_that_failed_while_water_was_passing_counts_once_that_is_over():
    start, taken = utc("2026-11-20T06:00:00"), utc("2026-11-20T10:00:00")
    known = Exposure(cause=Cause.LAMP_FAILURE, start=start, end=None, underdosed_l=5.0, underdosed_l_upper=50.0)
    raised = exposure_event(None, known, at=taken, hot_tank_l=0.0)
    advisory = advance(None, raised)
    advisory = advance(advisory, SampleFailed(at=taken + minutes(1), by="Ann Lund", done_at=taken))
    # late readings: the last such litre had passed before that sample
    policy = StepPolicy()
    ended = Exposure(
        cause=Cause.LAMP_FAILURE, start=start, end=start + minutes(30), underdosed_l=5.0, underdosed_l_upper=9.0)
    advisory = advance(advisory, Remeasured(
        at=taken + minutes(2), exposure=ended, severity=advisory.severity,
        steps=policy.steps(advisory.severity, hot_tank_l=0.0)))
    assert advisory.evidence_since == taken


def test_a_flush_between_two_readings_is_no_longer_than_what_can_run_in_it(held):
    dark_once(held, 60)  # a metered unit, 19 L/min at most, and no water since
    told = act(held, "advisory-record", 100, advisory="a1", step="flush_cold", by="Kim",
               at=at(70.8).isoformat(), **{"from": at(70.2).isoformat()})
    assert "flush_cold" in told["open_steps"]
    status = next(one for one in queries.advisories(held)[0].advisory.statuses if one.code is Step.FLUSH_COLD)
    assert status.evidence == "at most 11.4 of 50 L can run in that time"


def test_one_reading_and_another_silence_take_no_litre_from_an_open_advisory(held):
    take(held, metered(0, 60), metered(120, 1, total_l=40.0))
    watch(held.con, load_fleet(held), at(136), [KEY])
    known = queries.advisories(held)[0].advisory.exposure
    take(held, metered(150, 1, total_l=60.0))  # the next silence touches the first: both may have a backlog
    now = queries.advisories(held)[0].advisory.exposure
    assert now.underdosed_l_upper == known.underdosed_l_upper and now.pieces
    act(held, "advisory-lift", 151, advisory="a1", by="Kim", reason="tested by hand")
    watch(held.con, load_fleet(held), at(166), [KEY])
    again = queries.advisories(held)[0]
    assert again.id == "a2" and again.advisory.exposure.start >= at(120)  # the first silence was answered
    assert kinds(held, "a1").count("remeasured") == 0


def test_a_clock_set_back_hides_no_sample_that_failed_behind_a_lifted_advisory(held):
    take(held, metered(0, 600))
    act(held, "advisory-raise", 1000, cabin=KEY[0], unit=KEY[1], by="Kim")
    act(held, "advisory-lift", 1000, advisory="a1", by="Kim", reason="tested by hand")
    service(held, "sampled", 601, 590, e_coli=3, total_coliforms=30)  # the clock went back
    with pytest.raises(BadInput, match="open already"):
        act(held, "advisory-raise", 602, cabin=KEY[0], unit=KEY[1], by="Kim")
    take(held, metered(1000, 30))
    assert [one.id for one in queries.advisories(held)] == ["a2", "a1"] or kinds(held, "a2")[-1] != "lifted"
    assert queries.status(held, at(1029.5), cabin=KEY[0])[0].advisory.id == "a2"


def totals_only(start_min: float, n: int, read_at: dict[int, float], **values):
    """Readings without flow, with a running total at these minutes alone."""
    rows = steady(at(start_min), n, **values)
    return rows.assign(flow_l_min=np.nan, total_l=[read_at.get(int(start_min) + i, np.nan) for i in range(n)])


def test_water_after_a_lift_does_not_hide_in_litres_that_turned_out_to_be_fewer(held):
    heard_live(held.con, [KEY], at(-60))
    zero = dict.fromkeys(range(0, 45, 15), 0.0)
    take(held, totals_only(0, 30, zero), totals_only(30, 15, zero, **DARK))  # up to 35 L may have passed
    act(held, "advisory-lift", 44.6, advisory="a1", by="Kim", reason="tested by hand")
    # 13 L past the dark lamp since; the total says at the end that there were no more in all
    take(held, totals_only(45, 14, {58: 13.0}, **DARK), totals_only(59, 120, {59: 13.0, 150: 13.0}))
    assert str(queries.status(held, at(178.6), cabin=KEY[0])[0].verdict.verdict) == "boil"
    assert queries.advisories(held)[0].advisory.after_lift == "a1"


def test_a_flush_taken_back_leaves_no_litres_behind_as_its_evidence(held):
    dark_once(held, 3000, 20.0)
    told = service(held, "flushed", 3040, 200, **{"from": at(100).isoformat()})
    act(held, "withdraw-service", 3040.1, id=told["id"], by="Kim", reason="it was the other cabin")
    (shown,) = queries.status(held, at(3040.2), cabin=KEY[0])
    flush = next(one for one in shown.advisory.advisory.statuses if one.code is Step.FLUSH_COLD)
    assert not flush.done and "metered in that time" not in flush.evidence
    assert "record from when to when the taps ran" in flush.evidence


def test_the_word_of_a_tap_names_a_sample_that_failed_whatever_raised_the_advisory(held):
    dark_once(held, 60)
    service(held, "sampled", 99, 80, e_coli=5)
    (shown,) = queries.status(held, at(99.5), cabin=KEY[0])
    assert "because of a power cut and a water sample that was not satisfactory" in shown.verdict.reasons[0]


def test_water_that_joins_a_failed_sample_does_not_take_its_place(held):
    take(held, metered(0, 100))
    service(held, "sampled", 100, 90, result="unsatisfactory")
    take(held, steady(at(100), 3, flow_l_min=6.0, total_l=np.arange(3) * 6.0, **DARK),
         metered(103, 30, total_l=12.0))
    (shown,) = queries.status(held, at(132.5), cabin=KEY[0])
    assert shown.advisory.advisory.cause is Cause.POWER_CUT
    assert "and a water sample that was not satisfactory" in shown.verdict.reasons[0]


def test_a_letter_about_water_that_still_passes_names_no_end():
    exposure = Exposure(
        cause=Cause.LAMP_FAILURE, start=utc("2026-11-20T06:29:00"), end=None, underdosed_l=5.0,
        underdosed_l_upper=50.0)
    cabin = read_fleet(FLEET_TOML).cabin(KEY[0])
    text = letter(
        Stay(arrives=date(2026, 11, 19), leaves=date(2026, 11, 22)), cabin, exposure, [], date(2026, 11, 20))
    assert "Since 20 Nov 2026" in text and "Between 20 Nov" not in text


def test_a_failed_sample_that_was_of_another_cabin_raises_there_once_that_is_put_right(held):
    take(held, metered(0, 100), steady(at(0), 100, cabin="otter-cove"), steady(
        at(0), 100, cabin="otter-cove", unit="annex"))
    told = service(held, "sampled", 99.2, 90, e_coli=4, total_coliforms=9, lab="Lakeside", lab_number="77")
    act(held, "correct-service", 99.3, id=told["id"], by="Kim", reason="it was the other cabin",
        cabin="otter-cove")
    there = next(one for one in queries.advisories(held) if one.cabin == "otter-cove")
    assert there.advisory.cause is Cause.LABORATORY and "E. coli 4" in there.advisory.exposure.finding
    assert there.advisory.exposure.start == at(90)


def test_a_sample_whose_time_is_put_right_keeps_what_was_found(held):
    take(held, metered(0, 100))
    told = service(held, "sampled", 99.2, 90, result="satisfactory")
    again = act(held, "correct-service", 99.3, id=told["id"], by="Kim", reason="typed wrong",
                at=at(80).isoformat())
    found = held.ask("SELECT outcome, taken_at FROM laboratory_result WHERE service = $id", {"id": again["id"]})
    assert found["outcome"].tolist() == ["satisfactory"]
    assert found["taken_at"].iloc[0] == at(80)
