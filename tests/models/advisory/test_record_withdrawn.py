"""A record of service taken back, as an advisory takes it: steps untick, nothing closes, no proof comes back."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from models.advisory import (
    Advisory,
    Exposed,
    Exposure,
    Lifted,
    NotAllowed,
    RecordWithdrawn,
    Remeasured,
    SampleFailed,
    State,
    Step,
    StepRecorded,
    advance,
    exposure_event,
    from_json,
    to_json,
)
from models.advisory.events import Event
from models.dose.sensor_checks import SensorState
from models.dose.sensor_trust import SensorTrust
from models.shortfall import Severity
from models.verdict import Present, Word, verdict

START = datetime(2026, 5, 1, 3, tzinfo=UTC)
CUT = Exposure(
    cause="power-cut", start=START, end=START + timedelta(minutes=30), underdosed_l=12, underdosed_l_upper=12)


def hour(count: float) -> datetime:
    return START + timedelta(hours=count)


def after(*events: Event) -> Advisory:
    advisory = advance(None, exposure_event(None, CUT, at=hour(1), hot_tank_l=150.0))  # type: ignore[arg-type]
    for event in events:
        advisory = advance(advisory, event)
    return advisory


def taken_back(at: float, service: str = "s1", *, worse: bool = False) -> RecordWithdrawn:
    return RecordWithdrawn(
        at=hour(at), by="Bo Dahl", reason="typed wrong", service=service, what="water-tested 60", worse=worse)


def done(advisory: Advisory) -> set[Step]:
    return {status.code for status in advisory.statuses if status.done}


def flushed(at: float, service: str) -> StepRecorded:
    return StepRecorded(at=hour(at), step=Step.DISINFECT, by="Ann Lund", service=service)


def ran(service: str) -> list[StepRecorded]:
    return [StepRecorded(at=hour(2), step=one, by="Ann Lund", begun_at=hour(1), service=service)
            for one in (Step.FLUSH_COLD, Step.FLUSH_HOT)]


def test_only_the_step_that_came_from_the_record_unticks() -> None:
    found = after(*ran("s2"), flushed(2, "s1"), taken_back(3))
    assert done(found) == {Step.FLUSH_COLD, Step.FLUSH_HOT}
    kept = after(*ran("s2"), flushed(2, ""), taken_back(3))
    assert done(kept) == {Step.FLUSH_COLD, Step.FLUSH_HOT, Step.DISINFECT}


def test_what_rested_on_the_step_no_longer_counts_either() -> None:
    def sample(at: float) -> StepRecorded:
        return StepRecorded(at=hour(at), step=Step.SAMPLE_1, by="Ann Lund")

    cleaned = after(*ran("s2"), flushed(2, "s1"), sample(4))
    assert Step.SAMPLE_1 in done(cleaned)
    assert Step.SAMPLE_1 not in done(advance(cleaned, taken_back(5)))


def test_a_failed_sample_that_is_taken_back_takes_back_nothing_and_stands_ready_as_a_reason() -> None:
    failed = after(*ran("s3"), flushed(2, "s1"), SampleFailed(at=hour(3), by="Ann Lund", service="s2"))
    found = advance(failed, taken_back(4, "s2", worse=True))
    assert done(found) == done(failed) == set() and found.evidence_since == failed.evidence_since
    assert found.ready_reasons == ("withdrawn since: water-tested 60 (by Bo Dahl: typed wrong)",)
    assert after(taken_back(2)).ready_reasons == ()


def test_an_exposure_that_ends_by_a_withdrawal_counts_no_evidence_of_before_it() -> None:
    steps = after().steps
    goes_on = Exposed(
        at=hour(5), exposure=replace(CUT, end=None), severity=Severity.UNTREATED, steps=steps)
    # re-measured after the withdrawal, all that is left ended long ago
    back = Remeasured(at=hour(7.01), exposure=CUT, severity=Severity.UNTREATED, steps=steps)
    assert after(goes_on, back).evidence_since == CUT.end
    found = after(goes_on, taken_back(7, worse=True), back)
    assert found.evidence_since == hour(7) and found.state is State.RAISED


def test_it_is_kept_and_read_back_and_a_lifted_advisory_takes_none() -> None:
    event = taken_back(3, worse=True)
    assert from_json(to_json(event)) == event
    assert from_json(to_json(flushed(2, "s1"))) == flushed(2, "s1")
    # a record of before this field was kept
    assert from_json('{"kind": "step-recorded", "at": "2026-05-01T05:00:00+00:00", "step": "disinfect", "by": "A"}')
    with pytest.raises(NotAllowed, match="nothing changes any more"):
        after(Lifted(at=hour(2), by="Ann Lund", reason="test"), taken_back(3))


@pytest.mark.parametrize("values", [{"by": " "}, {"reason": ""}, {"service": ""}])
def test_it_has_a_name_a_reason_and_a_record(values: dict[str, str]) -> None:
    with pytest.raises(ValueError, match="must"):
        replace(taken_back(3), **values)


# The verdict of a unit whose sensor is in question ------------------------------------------------

NOW = datetime(2026, 6, 10, 12, tzinfo=UTC)
GOOD = Present(
    last_heard=NOW - timedelta(seconds=30), cadence_s=60.0, dose_target_mj_cm2=40.0, peak_flow_l_min=28.0,
    lamp_on=True, warm=True, power_on=True, flow_l_min=6.0, dose_mj_cm2=95.0, dose_low_mj_cm2=85.0,
    dose_peak_low_mj_cm2=45.0, dose_tap_low_mj_cm2=85.0)
HIGH = SensorTrust(checks=SensorState(
    ratio=1.35, since=datetime(2026, 5, 2, tzinfo=UTC), checked_at=datetime(2026, 6, 4, tzinfo=UTC),
    checked_by="Ann", last_at=datetime(2026, 6, 4, tzinfo=UTC), last_ratio=1.35))


def test_the_verdict_says_which_doses_are_divided_by_what_and_by_whose_check() -> None:
    found = verdict(replace(GOOD, sensor=HIGH), now=NOW)
    assert found.verdict is Word.WATCH and found.since == HIGH.checks.checked_at
    assert found.reasons == (
        "Doses since 2 May 2026 are divided by 1.35: the sensor read 35 % too high at the check of 4 Jun 2026 by "
        "Ann.",)
    worse = verdict(replace(GOOD, sensor=HIGH, lamp_on=False), now=NOW)
    assert worse.verdict is Word.BOIL and any("divided by 1.35" in one for one in worse.reasons)


def test_a_sensor_that_passed_or_that_nobody_checked_changes_no_verdict() -> None:
    assert verdict(replace(GOOD, sensor=SensorTrust()), now=NOW).verdict is Word.CLEAR
    due = SensorTrust(checks=SensorState(due=NOW.date() - timedelta(days=300)))
    assert verdict(replace(GOOD, sensor=due), now=NOW).verdict is Word.CLEAR
    late = verdict(replace(GOOD, sensor=SensorTrust(checks=SensorState(late_days=400.2))), now=NOW)
    assert late.verdict is Word.WATCH
    assert "For 400 days nobody held the sensor against a reference" in late.reasons[0]
