"""What could slip past a lift or a failed sample: late words about samples, silences, clocks and short flushes."""

from __future__ import annotations

import json

import numpy as np
import pytest
from conftest import utc
from ingest_streams import minutes, steady
from test_answered import DARK, KEY, at, kinds, metered, take

from ingest import advisories, queries
from ingest.actions import ACTIONS
from ingest.registry import load_fleet
from ingest.settings import BadInput
from ingest.store import Store
from ingest.watch import watch
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
