"""An advisory that loaded history raised: played anew while nobody has seen to it, and never after."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from models.advisory import (
    Advisory,
    Cause,
    Exposure,
    Lifted,
    NotAllowed,
    PlayedAnew,
    Proof,
    Raised,
    SampleFailed,
    Step,
    StepRecorded,
    advance,
    exposure_event,
)
from models.shortfall import Severity

START = datetime(2026, 5, 1, 3, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
STEPS = (Step.LAMP_LIT, Step.FLUSH_COLD, Step.SAMPLE_1)


def exposure(end: datetime | None = START + HOUR, most_l: float = 12.0) -> Exposure:
    return Exposure(cause=Cause.POWER_CUT, start=START, end=end, underdosed_l_upper=most_l)


def raised(known_at: datetime | None = START + 50 * HOUR) -> Advisory:
    return advance(None, Raised(
        at=START, exposure=exposure(), severity=Severity.UNTREATED, steps=STEPS, metered_alone=False, sized=True,
        known_at=known_at))


def anew(end: datetime = START + 3 * HOUR) -> PlayedAnew:
    return PlayedAnew(
        at=START + 60 * HOUR, raised_at=START + HOUR, exposure=exposure(end, 40.0), severity=Severity.UNDER_TREATED,
        steps=(Step.SAMPLE_1,))


def test_a_played_one_is_untouched_and_is_as_all_of_the_history_tells_it():
    first = raised()
    assert first.untouched and not first.touched
    assert (first.happened_from, first.happened_to, first.known_at) == (START, START + HOUR, START + 50 * HOUR)
    lit = Proof(at=START + 2 * HOUR, step=Step.LAMP_LIT, done=True, evidence="10 min and more of lamp lit")
    before = replace(advance(first, lit), forgiven_l=0.25)
    assert before.proofs and before.untouched  # a sensor is no person
    after = advance(before, anew())
    assert (after.raised_at, after.exposure, after.severity, after.steps) == (
        START + HOUR, exposure(START + 3 * HOUR, 40.0), Severity.UNDER_TREATED, (Step.SAMPLE_1,))
    assert (after.evidence_since, after.proofs, after.forgiven_l) == (START + 3 * HOUR, (), 0.0)
    assert after.untouched and after.known_at == START + 50 * HOUR and after.happened_to == START + 3 * HOUR


BY = "Ada Brook"


@pytest.mark.parametrize("touch", [
    StepRecorded(at=START + 51 * HOUR, step=Step.FLUSH_COLD, by=BY, begun_at=START + 50 * HOUR),
    SampleFailed(at=START + 51 * HOUR, by=BY), Lifted(at=START + 51 * HOUR, by=BY, reason="seen by the plumber"),
])
def test_once_a_person_has_done_anything_it_is_played_anew_no_more(touch):
    after = advance(raised(), touch)
    assert not after.untouched
    with pytest.raises(NotAllowed):
        advance(after, anew())


def test_one_that_was_raised_as_it_happened_is_never_played_anew():
    live = raised(known_at=None)
    assert not live.untouched and not live.touched and live.known_at == START
    with pytest.raises(NotAllowed, match="nobody has seen to is played anew"):
        advance(live, anew())


@pytest.mark.parametrize(("flag", "value"), [
    ("touched", True), ("lifted", Lifted(at=START, by=BY)), ("failed_at", START)])
def test_each_of_what_a_person_does_alone_is_a_touch(flag, value):
    assert not replace(raised(), **{flag: value}).untouched


@pytest.mark.parametrize(("cause", "severity"), [
    (Cause.POWER_CUT, Severity.UNDER_TREATED),  # it never passed: no worse than it was called
    (Cause.LABORATORY, Severity.UNTREATED), (Cause.MANUAL, Severity.UNTREATED)])  # no litre was seen in these
def test_late_data_that_explain_all_of_it_make_it_no_worse(cause, severity):
    standing = replace(raised(), severity=Severity.UNDER_TREATED, steps=(Step.SAMPLE_1,))
    found = exposure_event(
        standing, Exposure(cause=cause, start=START, end=START + HOUR, underdosed_l_upper=0.0, underdosed_l=0.0),
        at=START + 55 * HOUR, hot_tank_l=150.0)
    assert found is not None and found.severity is severity


def test_water_that_never_passed_but_less_than_nothing_is_no_water_either():
    none = Exposure(cause=Cause.LOW_DOSE, start=START, end=START + HOUR, underdosed_l_upper=0.0)
    assert exposure_event(None, none, at=START + 2 * HOUR, hot_tank_l=150.0) is None
