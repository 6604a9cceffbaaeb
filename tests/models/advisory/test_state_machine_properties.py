"""Whatever happens, in whatever order: what the advisory must never do."""

from contextlib import suppress
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.advisory import (
    Exposed,
    Exposure,
    Lifted,
    NotAllowed,
    Piece,
    Proof,
    Raised,
    Remeasured,
    SampleFailed,
    State,
    Step,
    StepRecorded,
    advance,
    exposure_event,
    from_json,
    replay,
    to_json,
)
from models.advisory.events import SENSOR_STEPS

START = datetime(2026, 1, 1, tzinfo=UTC)
KINDS = ["next"] * 14 + ["proof"] * 3 + ["record"] * 2 + ["exposed", "remeasured", "failed", "lift"]
CLEANING = {Step.FLUSH_COLD, Step.FLUSH_HOT, Step.DISINFECT}


@st.composite
def exposures(draw, until):
    """Under-dosed water that ended at or before `until` (hours), or goes on."""
    end = draw(st.one_of(st.none(), st.integers(0, until)))
    litres = draw(st.one_of(st.none(), st.floats(0, 500)))
    return Exposure(
        cause=draw(st.sampled_from(["power-cut", "lamp-failure", "unheard", "low-dose"])), start=START,
        end=None if end is None else START + timedelta(hours=end), underdosed_l=litres, underdosed_l_upper=litres,
    )


@st.composite
def histories(draw):
    """An advisory's events in the order of time, allowed or not; "next" does the first step that is open.

    Without it, blind chance hardly ever gets as far as a second sample.
    """
    hour = 1
    asked = tuple(draw(st.sets(st.sampled_from(list(Step)), min_size=1) | st.just(set(Step))))
    first = draw(exposures(1))
    events = [Raised(at=START + timedelta(hours=1), exposure=first, severity="untreated", steps=asked)]
    standing = advance(None, events[0])
    for _ in range(draw(st.integers(0, 25))):
        hour += draw(st.sampled_from([0, 1, 2, 23, 24, 25]))
        at = START + timedelta(hours=hour)
        kind = draw(st.sampled_from(KINDS))
        if kind == "next" and not standing.open_steps:
            kind = "lift"
        events.append(draw(_event(kind, at, hour, standing)))
        with suppress(NotAllowed):
            standing = advance(standing, events[-1])
    return events


@st.composite
def _event(draw, kind, at, hour, standing):
    """One event of that kind."""
    step = standing.open_steps[0] if kind == "next" else draw(st.sampled_from(list(Step)))
    if kind == "next" and step in SENSOR_STEPS and (step is Step.DOSE_BACK or draw(st.booleans())):
        return Proof(at=at, step=step, done=True, evidence="x")
    if kind == "next":
        return StepRecorded(at=at, step=step, by="Ann")
    earlier = st.integers(0, hour).map(lambda h: START + timedelta(hours=h))
    done_at = draw(st.none() | earlier)
    if kind == "proof":
        done = draw(st.sampled_from([True, False, None]))
        return Proof(at=at, step=draw(st.sampled_from(SENSOR_STEPS)), done=done, evidence="x")
    if kind == "record":
        return StepRecorded(at=at, step=step, by="Ann", done_at=done_at)
    if kind == "failed":
        return SampleFailed(at=at, by="Ann", done_at=done_at)
    if kind == "lift":
        return Lifted(at=at, by="Ann", reason=draw(st.sampled_from(["", "agreed"])))
    made = Exposed if kind == "exposed" else Remeasured
    return made(at=at, exposure=draw(exposures(hour)), severity="untreated", steps=standing.steps)


def accepted(history):
    """The events that were allowed, each with the advisory before and after it."""
    advisory, kept = None, []
    for event in history:
        try:
            new = advance(advisory, event)
        except NotAllowed:
            continue
        kept.append((advisory, event, new))
        advisory = new
    return kept


@given(histories())
def test_it_is_lifted_if_and_only_if_somebody_with_a_name_lifted_it(history):
    for before, event, after in accepted(history):
        if after.state is State.LIFTED:
            assert isinstance(event, Lifted) and event.by.strip()
            assert before.state is not State.LIFTED
            undone = set(before.open_steps) - {Step.NOTICE_REMOVED}
            assert not undone or event.reason.strip()
            assert set(after.undone_at_lift) == undone


@given(histories())
def test_lifted_is_final(history):
    kept = accepted(history)
    last = kept[-1][2]
    lifts = [number for number, (_, event, _) in enumerate(kept) if isinstance(event, Lifted)]
    assert lifts in ([], [len(kept) - 1])
    if lifts:
        for event in history:
            with pytest.raises(NotAllowed):
                advance(last, event)


@given(histories())
def test_new_exposure_always_leaves_every_step_open_and_the_advisory_standing(history):
    for before, event, after in accepted(history):
        if isinstance(event, Exposed):
            assert after.state is State.RAISED
            assert after.open_steps == after.steps and set(before.steps) <= set(after.steps)
            if event.exposure.end is None:
                assert after.evidence_since is None
            elif before.evidence_since is not None:
                assert after.evidence_since >= before.evidence_since


@given(histories())
def test_replaying_any_prefix_gives_the_advisory_as_it_stood_then(history):
    kept = accepted(history)
    events = [event for _, event, _ in kept]
    for count in range(1, len(events) + 1):
        assert replay(events[:count]) == kept[count - 1][2]


@given(histories())
def test_a_record_read_back_from_text_is_the_same_advisory(history):
    events = [event for _, event, _ in accepted(history)]
    assert replay([from_json(to_json(event)) for event in events]) == replay(events)


@given(histories(), st.randoms(use_true_random=False))
def test_events_of_different_instants_may_be_read_in_any_order(history, random):
    events, seen = [], set()
    for _, event, _ in accepted(history):  # a history with equal instants has its order from the sequence alone
        if event.at not in seen:
            events.append(event)
            seen.add(event.at)
    events = [event for _, event, _ in accepted(events)]
    shuffled = list(events)
    random.shuffle(shuffled)
    assert replay(shuffled) == replay(events)


@given(histories())
def test_no_sample_counts_unless_it_was_taken_after_exposure_and_cleaning(history):
    for _, _, after in accepted(history):
        status = {one.code: one for one in after.statuses}
        for step in (Step.SAMPLE_1, Step.SAMPLE_2):
            if step in status and status[step].done:
                assert after.exposure.end is not None and status[step].since >= after.exposure.end
                for cleaning in CLEANING & set(status):
                    assert status[cleaning].done and status[step].since >= status[cleaning].since
        if Step.SAMPLE_2 in status and status[Step.SAMPLE_2].done:
            assert status[Step.SAMPLE_2].since - status[Step.SAMPLE_1].since >= timedelta(hours=24)


@given(histories())
def test_nothing_that_sensors_deny_is_done(history):
    for _, _, after in accepted(history):
        denied = {proof.step for proof in after.proofs if proof.done is False}
        assert denied & set(after.steps) <= set(after.open_steps)


@given(st.lists(st.tuples(
    st.integers(0, 80), st.integers(0, 12), st.sampled_from(["power-cut", "lamp-failure"]), st.booleans()),
    max_size=20))
def test_never_has_more_than_half_a_litre_passed_after_the_end_that_the_evidence_counts_from(known):
    def water(of, count, litres):
        start = START + timedelta(hours=of)
        return Piece(
            start=start, end=start + timedelta(minutes=50 + count), kind="dark", cause="", underdosed_l=0.0,
            underdosed_l_upper=litres)

    def told(count, before_l, after_l, cause):
        pieces = (water(0, 0, before_l), *([water(3, count, after_l)] if after_l else []))
        return Exposure(
            cause=cause, start=START, end=pieces[-1].end, underdosed_l_upper=before_l + after_l, pieces=pieces)

    first = Raised(
        at=START + timedelta(hours=5), exposure=told(0, 12.0, 0.0, "power-cut"), severity="untreated",
        steps=tuple(Step))
    advisory, counted_l, events = advance(None, first), 0.0, [first]
    for count, (before, after, cause, exactly) in enumerate(known):
        after_l = after / 8  # binary numbers hold it
        event = exposure_event(
            advisory, told(count, before / 4, after_l, cause), at=first.at + timedelta(minutes=count),
            hot_tank_l=150.0, exactly=exactly)
        if event is not None:
            advisory = advance(advisory, event)
            events.append(event)
        if isinstance(event, Exposed):
            assert advisory.evidence_since == event.exposure.end
            counted_l = after_l
        assert after_l - counted_l <= 0.5
    assert replay(events) == advisory
