"""What an event, an exposure and a fleet's policy refuse, and what they take as it stands."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime, timedelta

import pytest

from models.advisory import (
    Exposed,
    Exposure,
    Lifted,
    NotAllowed,
    Proof,
    Raised,
    RecordWithdrawn,
    Remeasured,
    SampleFailed,
    Severity,
    Step,
    StepPolicy,
    StepRecorded,
)

AT = datetime(2026, 5, 1, 3, 0, tzinfo=UTC)
BARE, TICK = AT.replace(tzinfo=None), timedelta(microseconds=1)
CUT = Exposure(cause="power-cut", start=AT, end=AT)
WITHDRAWN = {"by": "Ann Marsh", "reason": "wrong cabin", "service": "visit-1", "what": "a visit"}
ASKED = {"exposure": CUT, "severity": "untreated", "steps": tuple(Step)}
OFFSET = "must be an instant with an offset from UTC"


@pytest.mark.parametrize(("kind", "told"), [
    (Raised, ASKED), (Exposed, ASKED), (Remeasured, ASKED),
    (Proof, {"step": "lamp_lit", "done": True, "evidence": "lit"}),
    (StepRecorded, {"step": "disinfect", "by": "Ann Marsh"}), (SampleFailed, {"by": "Ann Marsh"}),
    (RecordWithdrawn, WITHDRAWN), (Lifted, {"by": "Ann Marsh"})])
def test_no_event_takes_an_instant_of_no_stated_zone(kind, told):
    assert kind(at=AT, **told).at == AT
    with pytest.raises(ValueError, match=f"^at {OFFSET}"):
        kind(at=BARE, **told)


@pytest.mark.parametrize("name", ["done_at", "begun_at"])
def test_no_record_takes_a_time_of_no_stated_zone(name):
    with pytest.raises(ValueError, match=f"^{name} {OFFSET}"):
        StepRecorded(at=AT, step="flush_cold", by="Ann Marsh", **{name: BARE})


def test_no_sample_and_no_proof_takes_a_time_of_no_stated_zone():
    with pytest.raises(ValueError, match=f"^done_at {OFFSET}"):
        SampleFailed(at=AT, by="Ann Marsh", done_at=BARE)
    with pytest.raises(ValueError, match=f"^since {OFFSET}"):
        Proof(at=AT, step="lamp_lit", done=True, evidence="lit", since=BARE)


@pytest.mark.parametrize("name", ["start", "end"])
def test_no_exposure_takes_an_instant_of_no_stated_zone(name):
    with pytest.raises(ValueError, match=f"^{name} {OFFSET}"):
        Exposure(cause="power-cut", **{"start": AT, "end": AT, name: BARE})


def test_nothing_is_done_after_it_was_recorded_and_no_exposure_ends_before_it_began():
    assert StepRecorded(at=AT, step="disinfect", by="Ann Marsh", done_at=AT).when == AT
    assert Proof(at=AT, step="lamp_lit", done=True, evidence="lit", since=AT).since == AT
    with pytest.raises(NotAllowed, match="done_at must not lie after the record"):
        StepRecorded(at=AT, step="disinfect", by="Ann Marsh", done_at=AT + TICK)
    with pytest.raises(ValueError, match="since must not lie after the record"):
        Proof(at=AT, step="lamp_lit", done=True, evidence="lit", since=AT + TICK)
    with pytest.raises(ValueError, match="end must not lie before start"):
        Exposure(cause="power-cut", start=AT, end=AT - TICK)
    with pytest.raises(NotAllowed, match="a flush ends after it began"):
        StepRecorded(at=AT, step="flush_cold", by="Ann Marsh", begun_at=AT)


@pytest.mark.parametrize("name", [
    "underdosed_l", "underdosed_l_upper", "dose_low_mj_cm2", "dose_target_mj_cm2"])
def test_litres_and_doses_are_finite_and_not_below_0_and_nan_is_not_known(name):
    def water(value):
        return getattr(Exposure(cause="power-cut", start=AT, end=AT, **{name: value}), name)

    assert water(0.0) == 0.0 and water(None) is None and water(math.nan) is None
    for value in (-0.25, math.inf):
        with pytest.raises(ValueError, match=f"{name} must be a finite number, at least 0; got {value}"):
            water(value)


def test_a_record_without_its_later_fields_is_one_of_before_them():
    old = Raised(at=AT, **ASKED)
    assert (old.sample_gap_h, old.metered_alone, old.by, old.after_lift) == (24.0, True, "", "")


def test_steps_stand_in_the_order_of_work_and_there_is_one_at_least():
    assert Raised(at=AT, **{**ASKED, "steps": ("sample_1", "power_stable")}).steps == ("power_stable", "sample_1")
    with pytest.raises(ValueError, match="steps must hold at least one of power_stable"):
        Exposed(at=AT, **{**ASKED, "steps": ()})
    assert StepPolicy(untreated=("sample_1", "power_stable")).untreated == ("power_stable", "sample_1")


@pytest.mark.parametrize(("told", "words"), [
    ({"untreated": ()}, "untreated must ask for at least one step of power_stable"),
    ({"under_treated": ()}, "under_treated must ask for at least one step of power_stable"),
    ({"untreated": ("dance",)}, "untreated must be a list of power_stable, .*; got 'dance'"),
    ({"under_treated": ("sample_2",)}, "under_treated asks for sample_2 without sample_1"),
    *(({name: -0.25}, f"{name} must be a finite number, at least 0")
      for name in ("power_stable_min", "lamp_lit_min", "dose_back_min", "sample_gap_h")),
    *(({"partial_share": share}, f"partial_share must be above 0 and at most 1; got {share}")
      for share in (-0.25, 0.0, 1.25))])
def test_a_policy_says_what_is_wrong_with_it(told, words):
    with pytest.raises(ValueError, match=re.compile(words)):
        StepPolicy(**told)


def test_a_policy_may_ask_for_no_minute_and_for_the_whole_target():
    policy = StepPolicy(power_stable_min=0, lamp_lit_min=0, dose_back_min=0, sample_gap_h=0, partial_share=1)
    assert policy.partial_share == 1 and policy.sample_gap_h == 0


@pytest.mark.parametrize(("hot_tank_l", "asked"), [(None, True), (0.25, True), (0.0, False)])
def test_a_hot_flush_drops_out_only_where_there_is_known_to_be_no_tank(hot_tank_l, asked):
    assert (Step.FLUSH_HOT in StepPolicy().steps(Severity.UNTREATED, hot_tank_l=hot_tank_l)) is asked
