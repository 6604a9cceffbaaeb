"""A flush that a backlog tells of late was still a flush then: what people did after it counts."""

from __future__ import annotations

import json
from datetime import timedelta

import numpy as np
import pytest

from ingest.evaluation.evaluate import evaluate
from ingest.queries import status
from ingest.record.advisories import record_step
from ingest.record.advisory_log import kept_advisory
from ingest.store import Store
from models.advisory import Advisory, NotAllowed, Proof, Step, StepRecorded, advance, from_json, to_json
from tests.conftest import utc
from tests.ingest.ingest_streams import commit, minutes, steady

START = utc("2026-11-20T06:00:00")
LINK_LOST, LINK_BACK = START + minutes(45), START + minutes(60 * 60)


def flushed_behind_a_lost_link(store: Store) -> Advisory:
    """Dark from minute 30 to 40; the link is lost at 45; minutes 45 to 225 flush 2,160 L; all comes at hour 60."""
    commit(store, steady(START, 30))
    commit(store, steady(START + minutes(30), 10, lamp_on=False, intensity_w_m2=0.0))
    commit(store, steady(START + minutes(40), 5))
    evaluate(store.con, LINK_LOST)
    for step, begun, ended in (("flush_cold", 0, 10), ("flush_hot", 10, 180)):  # told while the link is away
        record_step(store.con, {
            "advisory": "a1", "step": step, "by": "Kim", "from": (LINK_LOST + minutes(begun)).isoformat(),
            "at": (LINK_LOST + minutes(ended)).isoformat()}, LINK_LOST + minutes(190), store.path)
    (waiting,) = (one for one in kept_advisory(store.con, "a1").advisory.statuses if one.code is Step.FLUSH_HOT)
    assert (waiting.done, waiting.evidence) == (False, "0 of 1242 L of that time heard of so far")
    commit(store, steady(LINK_LOST, 180, flow_l_min=12.0, total_l=np.arange(180) * 12.0))
    commit(store, steady(LINK_LOST + minutes(180), 60 * 60 - 45 - 180, flow_l_min=0.0))
    evaluate(store.con, LINK_BACK)
    kept = kept_advisory(store.con, "a1")
    assert kept is not None
    return kept.advisory


def test_samples_taken_between_a_flush_and_the_backlog_that_tells_of_it_count(held):
    advisory = flushed_behind_a_lost_link(held)
    steps = {one.code: one for one in advisory.statuses}
    assert steps[Step.FLUSH_HOT].done
    flushed = steps[Step.FLUSH_HOT].since
    # never before the litres were drawn, and in the readings' own time
    assert LINK_LOST + minutes(60) < flushed <= LINK_LOST + minutes(181)
    at = LINK_BACK + minutes(1)
    for step, done_at in (
        (Step.DISINFECT, LINK_LOST + minutes(200)),
        (Step.SAMPLE_1, LINK_LOST + minutes(60 * 20)),
        (Step.SAMPLE_2, LINK_LOST + minutes(60 * 45)),
    ):
        advisory = advance(advisory, StepRecorded(at=at, step=step, by="Kim", done_at=done_at))
    assert advisory.open_steps == (Step.NOTICE_REMOVED,)


def test_samples_taken_before_the_flush_still_do_not_count(held):
    advisory = flushed_behind_a_lost_link(held)
    for step in (Step.DISINFECT, Step.SAMPLE_1):
        with pytest.raises(NotAllowed, match="comes after flush_hot"):
            advance(advisory, StepRecorded(
                at=LINK_BACK + minutes(1), step=step, by="Kim", done_at=LINK_LOST + minutes(10)))


def test_an_event_of_an_earlier_version_without_since_is_read_and_counts_from_its_record():
    at = START + timedelta(hours=1)
    old = {"kind": "proof", "at": at.isoformat(), "step": "flush_cold", "done": True, "evidence": "60 L"}
    read = from_json(json.dumps(old))
    assert read == Proof(at=at, step=Step.FLUSH_COLD, done=True, evidence="60 L")
    assert read.since is None
    fresh = Proof(at=at, step=Step.FLUSH_COLD, done=True, evidence="60 L", since=START)
    assert from_json(to_json(fresh)) == fresh


def test_evidence_cannot_be_complete_after_its_record():
    with pytest.raises(ValueError, match="since must not lie after the record"):
        Proof(at=START, step=Step.FLUSH_COLD, done=True, evidence="", since=START + minutes(1))


def test_a_proof_said_again_keeps_when_it_was_complete(held):
    advisory = flushed_behind_a_lost_link(held)
    before = next(one for one in advisory.statuses if one.code is Step.FLUSH_COLD)
    again = Proof(at=LINK_BACK + minutes(5), step=Step.FLUSH_COLD, done=True, evidence="more")
    after = next(one for one in advance(advisory, again).statuses if one.code is Step.FLUSH_COLD)
    assert after.since == before.since
    assert str(status(held, LINK_BACK)[0].verdict.verdict) == "boil"  # nobody has lifted it
