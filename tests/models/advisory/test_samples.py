"""The sample steps stand on when samples were taken: any order of typing gives the same."""

from __future__ import annotations

from datetime import timedelta
from itertools import permutations

import pytest

from models.advisory import Lifted, SampleFailed, Step, StepPolicy
from models.advisory.laboratory import Outcome
from models.advisory.samples import Sample, counts_from, sample_records
from tests.models.advisory.test_state_machine import after, cleaned, hour, raised, record, water_run


def sample(at_h, outcome="satisfactory"):
    return Sample(taken_at=hour(at_h), outcome=Outcome(outcome), by="Bo Reed", note=f"at {at_h} h")


def told(advisory, *samples):
    """The advisory after each sample came in, one by one, in this order."""
    known = []
    for one in samples:
        known.append(one)
        advisory = after(advisory, *sample_records(advisory, known, at=hour(99)))
    return advisory


def stands_on(advisory):
    return {one.code: one.since for one in advisory.statuses
            if one.done and one.code in (Step.SAMPLE_1, Step.SAMPLE_2)}


@pytest.mark.parametrize("order", list(permutations([5, 17, 30])))
def test_samples_typed_in_any_order_tick_the_same_steps(order):
    advisory = told(cleaned(), *(sample(one) for one in order))
    assert stands_on(advisory) == {Step.SAMPLE_1: hour(5), Step.SAMPLE_2: hour(30)}


def test_the_second_one_typed_first_counts_as_the_first_until_that_comes():
    alone = told(cleaned(), sample(30))
    assert stands_on(alone) == {Step.SAMPLE_1: hour(30)}
    assert set(stands_on(told(cleaned(), sample(30), sample(5)))) == {Step.SAMPLE_1, Step.SAMPLE_2}


def test_two_that_were_taken_less_than_a_day_apart_are_one():
    assert stands_on(told(cleaned(), sample(28.9), sample(5))) == {Step.SAMPLE_1: hour(5)}


def test_a_sample_of_before_the_cleaning_counts_for_nothing_whenever_it_is_typed():
    assert counts_from(cleaned()) == hour(4)
    assert stands_on(told(cleaned(), sample(3.9), sample(2))) == {}


def test_a_sample_typed_before_the_cleaning_was_recorded_counts_once_that_is():
    flushed = after(raised(), *water_run())
    assert counts_from(flushed) is None and sample_records(flushed, [sample(5)], at=hour(6)) == ()
    done = after(flushed, record("disinfect", hour(6), done_at=hour(4)))
    assert stands_on(told(done, sample(5))) == {Step.SAMPLE_1: hour(5)}


def test_what_asks_for_another_sample_ticks_nothing_and_begins_the_count_again():
    assert stands_on(told(cleaned(), sample(5, "sample-again"))) == {}
    between = told(cleaned(), sample(5), sample(20, "sample-again"), sample(40))
    assert stands_on(between) == {Step.SAMPLE_1: hour(40)}
    assert stands_on(told(between, sample(20, "sample-again"), sample(40), sample(64))) == {
        Step.SAMPLE_1: hour(40), Step.SAMPLE_2: hour(64)}


def test_the_last_one_that_asks_for_another_begins_the_count():
    found = told(cleaned(), sample(20, "sample-again"), sample(30, "sample-again"), sample(25), sample(40))
    assert stands_on(found) == {Step.SAMPLE_1: hour(40)}


def test_once_it_is_lifted_nothing_counts_any_more():
    lifted = after(cleaned(), Lifted(at=hour(5), by="Ann Marsh", reason="the health unit said so"))
    assert counts_from(lifted) is None and sample_records(lifted, [sample(6)], at=hour(9)) == ()


def test_of_two_bottles_of_one_minute_the_one_that_asks_for_another_counts():
    assert stands_on(told(cleaned(), sample(5, "sample-again"), sample(5))) == {}


def test_a_sample_taken_with_the_last_of_the_cleaning_counts_and_one_is_never_two():
    at_once = raised(policy=StepPolicy(sample_gap_h=0))
    clean = after(at_once, *water_run(), record("disinfect", hour(4)))
    assert stands_on(told(clean, sample(4))) == {Step.SAMPLE_1: hour(4)}
    assert stands_on(told(clean, sample(4), sample(4.5))) == {Step.SAMPLE_1: hour(4), Step.SAMPLE_2: hour(4.5)}


@pytest.mark.parametrize("outcome", ["incomplete", "unsatisfactory", "sample-again"])
def test_only_a_satisfactory_one_ticks(outcome):
    assert sample_records(cleaned(), [sample(5, outcome)], at=hour(9)) == ()


def test_after_a_failed_sample_those_before_it_do_not_count():
    failed = after(cleaned(), SampleFailed(at=hour(30), by="Ann Marsh", done_at=hour(29)))
    assert sample_records(failed, [sample(5), sample(28)], at=hour(31)) == ()


def test_a_record_by_hand_is_one_of_the_samples():
    advisory = after(cleaned(), record("sample_1", hour(5)))
    assert stands_on(told(advisory, sample(29))) == {Step.SAMPLE_1: hour(5), Step.SAMPLE_2: hour(29)}
    assert sample_records(advisory, [sample(5)], at=hour(31)) == ()  # the same once more


def test_telling_it_again_appends_nothing():
    both = [sample(5), sample(30)]
    advisory = told(cleaned(), *both)
    assert sample_records(advisory, both, at=hour(99) + timedelta(days=1)) == ()
