"""The advisory exactly at its limits: on both sides of each threshold, and at equal instants.

The limits themselves are common practice, no source, as said where they stand: the figures here are written out, so
that none of them moves unseen. At a limit, litres and minutes are halves and quarters: binary numbers hold them.
"""

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from models.advisory import (
    Advisory,
    Cause,
    Exposed,
    Exposure,
    Flush,
    Intervals,
    Lifted,
    NotAllowed,
    Piece,
    Proof,
    Raised,
    RecordWithdrawn,
    Remeasured,
    SampleFailed,
    State,
    Step,
    StepPolicy,
    StepRecorded,
    advance,
    advanced,
    exposure_event,
    from_json,
    new_proofs,
    pieces_of,
    proofs,
    replay,
    to_json,
    unknown_proofs,
)
from models.advisory.pieces import answered, badness, in_grace, more_beyond, only_to_note
from models.shortfall import Severity

START = datetime(2026, 5, 1, 3, 0, tzinfo=UTC)
TICK = timedelta(microseconds=1)


def minute(count):
    return START + timedelta(minutes=count)


def hour(count):
    return START + timedelta(hours=count)


ENDED, NOW, LATER = minute(30), minute(60), hour(2)


def piece(begin_min, end_min, most_l, *, kind="dark"):
    return Piece(
        start=minute(begin_min), end=minute(end_min), kind=kind, cause="", underdosed_l=0.0,
        underdosed_l_upper=most_l)


def exposure(most_l=12.0, *, end=ENDED, cause="power-cut", start=START, **more):
    return Exposure(cause=cause, start=start, end=end, underdosed_l_upper=most_l, **more)


def asked(advisory, new, *, at=NOW, **more):
    return exposure_event(advisory, new, at=at, hot_tank_l=150.0, **more)


def raised(first=None, **more):
    return advance(None, asked(None, first or exposure(), at=minute(31), **more))


def record(step, at, **more):
    return StepRecorded(at=at, step=step, by="Ann Marsh", **more)


def sensed(step, at, *, done=True, **more):
    return Proof(at=at, step=step, done=done, evidence=f"{step} as the sensors say", **more)


def flushed():
    """The taps ran; no meter."""
    return (
        record("flush_cold", hour(2), begun_at=minute(60), done_at=minute(70)),
        record("flush_hot", hour(2), begun_at=minute(70), done_at=minute(115)))


def cleaned():
    """Flushed, and disinfected at hour 4."""
    return advanced(raised(), [*flushed(), record("disinfect", hour(4))])


def all_but_the_notice():
    sensors = [sensed(step, hour(2)) for step in ("power_stable", "lamp_lit", "dose_back")]
    return advanced(raised(), [
        *flushed(), *sensors, record("disinfect", hour(4)), record("sample_1", hour(20)),
        record("sample_2", hour(44))])


def status(advisory, step):
    return next(one for one in advisory.statuses if one.code == step)


# What an advisory says of a step


def test_an_advisory_lets_no_meter_alone_prove_a_flush_unless_its_record_says_so():
    bare = Advisory(
        raised_at=START, updated_at=minute(31), exposure=exposure(), severity=Severity.UNTREATED, steps=tuple(Step),
        sample_gap_h=24.0, evidence_since=minute(30))
    bare = advance(bare, sensed("flush_cold", minute(40)))
    assert Step.FLUSH_COLD in bare.open_steps
    old = advance(replace(bare, metered_alone=True), sensed("flush_cold", minute(41)))
    assert Step.FLUSH_COLD not in old.open_steps


@pytest.mark.parametrize(("since", "told"), [
    (minute(10), minute(30)), (minute(30), minute(30)), (minute(35), minute(35)), (None, minute(50))])
def test_a_proven_step_is_done_since_its_evidence_but_never_since_before_the_last_under_dosed_litre(since, told):
    advisory = advance(raised(), sensed("power_stable", minute(50), since=since))
    assert status(advisory, "power_stable").since == told


def test_a_step_of_which_nothing_is_known_says_whether_it_waits_for_a_sensor_or_for_a_person():
    advisory = raised()
    words = {one.code: one.evidence for one in advisory.statuses}
    assert {words[step] for step in ("power_stable", "lamp_lit", "dose_back")} == {"nothing measured yet"}
    assert {words[step] for step in ("flush_cold", "flush_hot")} == {"record from when to when the taps ran"}
    rest = ("disinfect", "sample_1", "sample_2", "notice_removed")
    assert {words[step] for step in rest} == {"not recorded yet"}


def test_a_step_done_at_the_instant_of_the_last_under_dosed_litre_counts_and_one_before_it_does_not():
    advisory = raised()
    counted = advance(advisory, record("lamp_lit", minute(40), done_at=minute(30)))
    assert status(counted, "lamp_lit").done
    with pytest.raises(NotAllowed, match="before the last exposure of the water was over"):
        advance(advisory, record("lamp_lit", minute(40), done_at=minute(30) - TICK))


def test_a_flush_that_began_at_the_instant_of_the_last_under_dosed_litre_counts_and_one_before_it_does_not():
    advisory = raised()
    ran = record("flush_cold", minute(50), begun_at=minute(30), done_at=minute(40))
    assert status(advance(advisory, ran), "flush_cold").done
    with pytest.raises(NotAllowed, match="before the last exposure of the water was over"):
        advance(advisory, replace(ran, begun_at=minute(30) - TICK))


def test_a_first_sample_counts_from_the_instant_of_the_last_cleaning_on():
    advisory = cleaned()
    assert status(advance(advisory, record("sample_1", hour(5), done_at=hour(4))), "sample_1").done
    with pytest.raises(NotAllowed, match="it comes after disinfect"):
        advance(advisory, record("sample_1", hour(5), done_at=hour(4) - TICK))


def test_a_second_sample_counts_a_day_after_the_first_and_not_an_instant_earlier():
    advisory = advance(cleaned(), record("sample_1", hour(4)))
    assert status(advance(advisory, record("sample_2", hour(30), done_at=hour(28))), "sample_2").done
    with pytest.raises(NotAllowed, match="at least 24 h after a sample_1 that counts"):
        advance(advisory, record("sample_2", hour(30), done_at=hour(28) - TICK))


def test_the_notice_may_come_down_once_all_that_comes_before_it_is_done_and_not_an_instant_earlier():
    advisory = all_but_the_notice()
    down = advance(advisory, record("notice_removed", hour(45), done_at=hour(44)))
    assert down.open_steps == () and down.state is State.CLEARING
    with pytest.raises(NotAllowed, match="it comes after sample_2"):
        advance(advisory, record("notice_removed", hour(45), done_at=hour(44) - TICK))


# The order of events


def test_an_advisory_that_stands_cannot_be_raised_again():
    with pytest.raises(NotAllowed, match="raised already"):
        advance(raised(), Raised(
            at=minute(40), exposure=exposure(), severity=Severity.UNTREATED, steps=tuple(Step)))


def test_an_event_at_the_instant_of_the_last_one_is_taken_and_one_before_it_is_refused():
    advisory = raised()
    assert advance(advisory, sensed("lamp_lit", minute(31))).updated_at == minute(31)
    with pytest.raises(NotAllowed, match="must not lie before the last event"):
        advance(advisory, sensed("lamp_lit", minute(31) - TICK))


def test_a_few_events_one_after_the_other_and_a_whole_record_add_up_to_the_same():
    first = asked(None, exposure(), at=minute(31))
    events = [sensed("power_stable", minute(40)), sensed("lamp_lit", minute(41)), *flushed()]
    told = advanced(advance(None, first), events)
    assert told == replay([first, *events])
    assert told == replay([first, events[1], events[0], *events[2:]])  # the order of their instants decides
    assert advanced(told, []) == told


def test_of_two_records_at_one_instant_the_later_one_in_the_record_holds():
    first = asked(None, exposure(), at=minute(31))
    lit, out = sensed("lamp_lit", minute(40)), sensed("lamp_lit", minute(40), done=False)
    assert status(replay([first, lit, out]), "lamp_lit").done is False
    assert status(replay([first, out, lit]), "lamp_lit").done is True


def test_a_step_that_is_not_asked_for_takes_no_proof_and_no_record():
    policy = StepPolicy(untreated=("dose_back", "flush_cold", "sample_1"))
    advisory = raised(policy=policy)
    told = sensed("lamp_lit", minute(40))
    assert advance(advisory, told).proofs == ()
    assert new_proofs(advisory, [told]) == ()
    with pytest.raises(NotAllowed, match="step lamp_lit is not asked for here"):
        advance(advisory, record("lamp_lit", minute(40)))


# What the sensors say


@pytest.mark.parametrize("done", [True, False, None])
def test_while_the_sensors_say_the_same_it_stands_since_they_first_said_it(done):
    since = minute(35) if done else None
    advisory = advanced(raised(), [
        sensed("power_stable", minute(40), done=done, since=since),
        replace(sensed("power_stable", minute(50), done=done, since=minute(45) if done else None), evidence="new")])
    assert [(one.at, one.since, one.evidence) for one in advisory.proofs] == [(minute(40), since, "new")]


@pytest.mark.parametrize(("old", "new"), [(True, False), (False, True), (None, True), (True, None), (False, None)])
def test_when_the_sensors_say_something_else_it_stands_since_then(old, new):
    advisory = advanced(raised(), [
        sensed("power_stable", minute(40), done=old), sensed("power_stable", minute(50), done=new)])
    assert [(one.at, one.done) for one in advisory.proofs] == [(minute(50), new)]


@pytest.mark.parametrize(("step", "old", "stays"), [
    ("flush_cold", True, True), ("flush_hot", True, True), ("flush_cold", False, False), ("lamp_lit", True, False)])
def test_a_silence_takes_back_every_proof_but_that_of_litres_once_metered(step, old, stays):
    before = advance(raised(), sensed(step, minute(40), done=old))
    silent = sensed(step, minute(50), done=None)
    (kept,) = advance(before, silent).proofs
    assert kept.done is (old if stays else None)
    assert unknown_proofs(before, [silent], Step(step)) == (() if stays else (silent,))


# What people record


def test_a_record_of_a_flush_drops_what_the_meter_said_of_another_time_and_no_other_proof():
    advisory = advanced(raised(), [
        sensed("power_stable", minute(40)), sensed("flush_hot", minute(41)), sensed("flush_cold", minute(42))])
    advisory = advance(advisory, record("flush_cold", minute(50), begun_at=minute(43)))
    assert [one.step for one in advisory.proofs] == [Step.POWER_STABLE, Step.FLUSH_HOT]
    lit = advance(advance(raised(), sensed("lamp_lit", minute(40), done=None)), record("lamp_lit", minute(50)))
    assert [one.step for one in lit.proofs] == [Step.LAMP_LIT]  # what the lamp's sensor says is of no stated time


def test_a_flush_that_was_too_short_may_be_told_anew_and_a_lamp_that_is_out_may_not():
    short = sensed("flush_cold", minute(60), done=False)
    with pytest.raises(NotAllowed, match="cannot count yet"):
        advance(advance(raised(), short), flushed()[0])
    told = advanced(raised(), [record("flush_cold", minute(50), begun_at=minute(45)), short])
    assert not status(told, "flush_cold").done
    again = advance(told, flushed()[0])
    assert status(again, "flush_cold").done and len(again.records) == 1
    lamp = advanced(raised(), [record("lamp_lit", minute(40)), sensed("lamp_lit", minute(50), done=False)])
    with pytest.raises(NotAllowed, match="cannot count yet"):
        advance(lamp, record("lamp_lit", minute(60)))


@pytest.mark.parametrize(("metered_alone", "left"), [
    (False, {Step.POWER_STABLE, Step.FLUSH_HOT}), (True, {Step.POWER_STABLE, Step.FLUSH_HOT, Step.FLUSH_COLD})])
def test_a_withdrawn_record_takes_along_only_what_was_metered_of_its_own_flush(metered_alone, left):
    begun = Raised(
        at=minute(31), exposure=exposure(), severity=Severity.UNTREATED, steps=tuple(Step),
        metered_alone=metered_alone)
    cold, hot = flushed()
    advisory = replay([
        begun, replace(cold, service="visit-1"), replace(hot, service="visit-2"),
        *(sensed(step, hour(2)) for step in ("power_stable", "flush_cold", "flush_hot")),
        RecordWithdrawn(at=hour(3), by="Ann Marsh", reason="wrong cabin", service="visit-1", what="a visit")])
    assert {one.step for one in advisory.proofs} == left
    assert [one.step for one in advisory.records] == [Step.FLUSH_HOT]


def test_a_failed_sample_undoes_the_cleaning_from_when_it_was_taken_and_leaves_the_unit_as_proven():
    before = advance(cleaned(), sensed("power_stable", hour(5)))
    failed = advance(before, SampleFailed(at=hour(30), by="Ann Marsh", done_at=hour(20)))
    assert (failed.evidence_since, failed.failed_at) == (hour(20), hour(20))
    assert [one.step for one in failed.proofs] == [Step.POWER_STABLE] and failed.records == ()
    late = advance(failed, SampleFailed(at=hour(31), by="Ann Marsh", done_at=hour(19)))
    assert (late.evidence_since, late.failed_at) == (hour(20), hour(20))  # one taken before, known later
    early = advance(raised(), SampleFailed(at=hour(1), by="Ann Marsh", done_at=minute(29)))
    assert (early.evidence_since, early.failed_at) == (minute(30), minute(29))


@pytest.mark.parametrize(("taken", "counts_from"), [(minute(40), minute(50)), (minute(55), minute(55))])
def test_an_exposure_that_ends_counts_from_its_end_or_from_a_failed_sample_taken_later(taken, counts_from):
    going = advanced(raised(exposure(end=None)), [
        sensed("lamp_lit", minute(35)), SampleFailed(at=minute(56), by="Ann Marsh", done_at=taken)])
    assert going.evidence_since is None and going.state is State.RAISED
    ended = advance(going, asked(going, exposure(end=minute(50))))
    assert ended.evidence_since == counts_from and ended.proofs == ()


def test_an_exposure_that_ends_by_a_withdrawal_proves_nothing_of_before_it():
    going = advance(raised(exposure(end=None)), RecordWithdrawn(
        at=minute(56), by="Ann Marsh", reason="wrong cabin", service="visit-1", what="a visit", worse=True))
    ended = advance(going, asked(going, exposure(end=minute(50))))
    assert ended.evidence_since == minute(56)
    better = advance(raised(exposure(end=None)), RecordWithdrawn(
        at=minute(56), by="Ann Marsh", reason="wrong cabin", service="visit-1", what="a visit"))
    assert advance(better, asked(better, exposure(end=minute(50)))).evidence_since == minute(50)


def test_of_several_withdrawals_the_latest_of_what_had_made_things_worse_is_where_proof_begins():
    def withdrawn(number, at, *, worse=True):
        return RecordWithdrawn(
            at=at, by="Ann Marsh", reason="wrong cabin", service=f"visit-{number}", what="a visit", worse=worse)

    going = advanced(raised(exposure(end=None)), [
        withdrawn(1, minute(40)), withdrawn(2, minute(50)), withdrawn(3, minute(55), worse=False)])
    assert going.proven_from == minute(50)
    assert advance(going, asked(going, exposure(end=minute(45)))).evidence_since == minute(50)


@pytest.mark.parametrize(("taken", "counts_from"), [(minute(70), minute(100)), (minute(110), minute(110))])
def test_after_more_exposure_evidence_counts_from_its_end_or_from_a_failed_sample_taken_later(taken, counts_from):
    before = advance(cleaned(), SampleFailed(at=hour(5), by="Ann Marsh", done_at=taken))
    event = asked(before, exposure(20.0, end=minute(100)), at=hour(6))
    assert isinstance(event, Exposed)
    again = advance(before, event)
    assert again.evidence_since == counts_from and again.records == () and again.proofs == ()


def test_steps_left_undone_need_a_reason_of_more_than_blanks_and_the_notice_needs_none():
    with pytest.raises(NotAllowed, match="still undone: power_stable"):
        advance(cleaned(), Lifted(at=hour(50), by="Ann Marsh", reason="  "))
    lifted = advance(all_but_the_notice(), Lifted(at=hour(50), by="Ann Marsh"))
    assert lifted.undone_at_lift == () and status(lifted, "notice_removed").since == hour(50)


# What is known of the water


@pytest.mark.parametrize(("was_l", "now_l", "told"), [
    (12.0, 17.0, False), (12.0, 17.25, True),  # 5 L
    (50.0, 55.0, False), (50.0, 55.25, True),  # 5 L is a tenth of it
    (100.0, 110.0, False), (100.0, 110.25, True),  # a tenth
    (200.0, 205.5, False),
    (12.0, 11.5, False), (12.0, 11.25, True),  # what falls is told from half a litre on
    (100.0, 99.5, False), (100.0, 99.25, True),
])
def test_while_water_passes_a_growth_of_more_than_5_l_and_a_tenth_is_recorded_and_less_is_not(was_l, now_l, told):
    advisory = raised(exposure(was_l, end=None))
    event = asked(advisory, exposure(now_l, end=None))
    assert (type(event) is Remeasured) is told and (event is None) is not told


@pytest.mark.parametrize(("was_l", "now_l", "told"), [
    (12.0, 12.5, False), (12.0, 12.75, True), (12.0, 11.5, False), (12.0, 11.25, True), (100.0, 100.75, True)])
def test_of_water_that_has_stopped_a_difference_of_more_than_half_a_litre_is_recorded(was_l, now_l, told):
    advisory = raised(exposure(was_l))
    event = asked(advisory, exposure(now_l))
    assert (type(event) is Remeasured) is told and (event is None) is not told
    assert type(asked(advisory, exposure(now_l), exactly=True)) is Remeasured  # before a lift, any difference
    assert asked(advisory, exposure(was_l), exactly=True) is None


@pytest.mark.parametrize(("was_l", "now_l", "told"), [
    (None, 12.0, True), (12.0, None, True), (None, None, False), (math.nan, None, False)])
def test_litres_that_become_known_or_unknown_are_recorded_and_litres_that_stay_unknown_are_not(was_l, now_l, told):
    advisory = raised(exposure(was_l))
    event = asked(advisory, exposure(now_l, underdosed_l=1.0))
    assert (type(event) is Remeasured) is told and (event is None) is not told


@pytest.mark.parametrize(("new", "told"), [
    (exposure(12.25), False),
    (exposure(start=START - TICK), True),
    (exposure(start=START + TICK), False),
    (exposure(cause="lamp-failure"), True),
])
def test_an_earlier_start_or_another_cause_is_recorded_whatever_the_litres(new, told):
    event = asked(raised(), new)
    assert (type(event) is Remeasured) is told and (event is None) is not told


def test_that_the_water_stopped_is_recorded_whatever_the_litres():
    advisory = raised(exposure(end=None))
    event = asked(advisory, exposure(end=minute(30)))
    assert type(event) is Remeasured
    assert advance(advisory, event).evidence_since == minute(30)


def test_a_stretch_that_ends_later_without_more_litres_is_no_event_and_keeps_all_that_was_done():
    advisory = raised()
    assert asked(advisory, exposure(end=minute(50))) is None
    moved = asked(advisory, exposure(11.0, end=minute(50)))
    assert type(moved) is Remeasured and moved.exposure.end == minute(30)
    sooner = asked(advisory, exposure(end=minute(20)), exactly=True)
    assert type(sooner) is Remeasured and sooner.exposure.end == minute(20)
    assert advance(advisory, sooner).evidence_since == minute(30)  # what counted from then on goes on counting so


@pytest.mark.parametrize(("later_l", "kind"), [(0.5, None), (0.75, Exposed)])
def test_more_than_half_a_litre_after_the_end_starts_everything_again(later_l, kind):
    first = piece(0, 30, 12.0)
    advisory = raised(exposure(12.0, pieces=(first,)))
    more = exposure(12.0 + later_l, end=minute(50), pieces=(first, piece(40, 50, later_l)))
    event = asked(advisory, more)
    assert event is None if kind is None else type(event) is kind
    if event is not None:
        assert advance(advisory, event).evidence_since == minute(50)


def with_late(early_l, late_l, *, cause="power-cut"):
    """Water of before the end at minute 30, and of after it."""
    late = (piece(40, 50, late_l),) if late_l else ()
    return exposure(
        early_l + late_l, end=minute(50) if late else ENDED, cause=cause, pieces=(piece(0, 30, early_l), *late))


def following(advisory, *exposures):
    """What each of them asked for, and the record of all events."""
    kinds, events = [], []
    for number, one in enumerate(exposures):
        event = asked(advisory, one, at=minute(60 + number))
        kinds.append(type(event))
        if event is not None:
            events.append(event)
            advisory = advance(advisory, event)
    return kinds, events, advisory


def test_water_after_the_end_that_grows_by_less_than_half_a_litre_at_a_time_starts_everything_again_all_the_same():
    first = with_late(12.0, 0.0)
    begun = asked(None, first, at=minute(31))
    # each is told because the water of before is known better, or its cause
    kinds, events, advisory = following(
        advance(None, begun), with_late(10.0, 0.25), with_late(10.0, 0.5, cause="lamp-failure"),
        with_late(10.0, 0.75))
    assert kinds == [Remeasured, Remeasured, Exposed]
    assert advisory == replay([begun, *events]) and advisory.evidence_since == minute(50)
    assert replay([begun, *events[:2]]).forgiven_l == 0.5 and advisory.forgiven_l == 0.0


def test_what_was_forgiven_after_an_end_counts_however_the_end_came_to_be_known():
    _, _, ended = following(raised(exposure(end=None)), exposure(40.0, end=None), with_late(12.0, 0.0))
    again = advance(raised(exposure(3.0, end=minute(10), pieces=(piece(0, 10, 3.0),))), Exposed(
        at=minute(40), exposure=with_late(12.0, 0.0), severity=Severity.UNTREATED, steps=tuple(Step)))
    for advisory in (ended, again):
        assert (advisory.exposure.end, advisory.forgiven_l) == (ENDED, 0.0)
        kinds, _, _ = following(advisory, with_late(10.0, 0.5), with_late(9.0, 0.75))
        assert kinds == [Remeasured, Exposed]


def test_litres_of_before_the_end_that_are_known_better_are_no_water_after_it():
    kinds, _, advisory = following(
        raised(with_late(12.0, 0.0)), with_late(20.0, 0.0), with_late(30.0, 0.5), with_late(40.0, 0.5))
    assert kinds == [Remeasured] * 3 and advisory.forgiven_l == 0.5


def test_water_after_the_end_that_was_explained_since_is_forgiven_no_more_and_none_of_it_in_advance():
    kinds, _, advisory = following(
        raised(with_late(12.0, 0.0)), with_late(10.0, 0.5), with_late(12.0, 0.0), with_late(10.0, 0.5))
    assert kinds == [Remeasured] * 3 and advisory.forgiven_l == 0.5
    # one stretch over the end: that its litres fell by two does not let two more pass
    whole = raised(exposure(12.0, pieces=(piece(0, 30, 12.0),)))
    fallen = exposure(10.0, end=minute(50), pieces=(piece(0, 50, 10.0),))
    more = exposure(10.75, end=minute(50), pieces=(piece(0, 50, 10.75),))
    kinds, _, _ = following(whole, fallen, more)
    assert kinds == [Remeasured, Exposed]


@pytest.mark.parametrize(("late_l", "kind"), [(0.25, Remeasured), (0.5, Remeasured), (0.75, Exposed)])
def test_an_exposure_that_begins_after_the_known_end_is_taken_as_more_of_the_one_that_stands(late_l, kind):
    advisory = raised(exposure(12.0, pieces=(piece(0, 30, 12.0),)))
    late = exposure(late_l, start=minute(40), end=minute(50), pieces=(piece(40, 50, late_l),))
    event = asked(advisory, late)
    assert type(event) is kind
    after = advance(advisory, event)
    assert after.exposure.end == after.evidence_since == (ENDED if kind is Remeasured else minute(50))
    assert (after.exposure.start, after.exposure.pieces) == (START, late.pieces)


def test_water_after_the_end_of_which_no_pieces_are_kept_is_added_up_as_well():
    kinds, events, advisory = following(
        raised(), exposure(12.5, end=minute(50), cause="lamp-failure"), exposure(12.75, end=minute(50)))
    assert kinds == [Remeasured, Exposed] and advisory.evidence_since == minute(50)
    assert from_json(to_json(events[0])) == events[0]
    assert type(asked(advisory, exposure(13.5, end=minute(60)))) is Exposed


@pytest.mark.parametrize("new", [exposure(None, end=minute(30) + TICK), exposure(None, end=None)])
def test_water_that_may_have_passed_after_the_end_starts_everything_again_where_its_litres_are_not_known(new):
    assert type(asked(raised(), new)) is Exposed
    assert type(asked(raised(exposure(None)), new)) is Exposed  # as little as were those of before


def test_water_of_the_same_end_starts_nothing_again_however_much_it_was():
    for most_l in (500.0, None):
        assert type(asked(raised(), exposure(most_l))) is Remeasured


def test_a_correction_to_the_same_end_is_taken_and_one_to_a_later_end_is_refused():
    advisory = raised()
    told = Remeasured(at=minute(40), exposure=exposure(20.0), severity=Severity.UNTREATED, steps=tuple(Step))
    assert advance(advisory, told).exposure.underdosed_l_upper == 20.0
    for end in (minute(30) + TICK, None):
        with pytest.raises(NotAllowed, match="that is 'exposed'"):
            advance(advisory, replace(told, exposure=exposure(20.0, end=end)))


def test_water_that_turns_out_untreated_is_recorded_whatever_the_litres():
    weak = {"cause": "low-dose", "dose_target_mj_cm2": 40.0}
    advisory = raised(exposure(dose_low_mj_cm2=20.0, **weak))
    assert advisory.severity is Severity.UNDER_TREATED  # half of the target, exactly
    assert asked(advisory, exposure(dose_low_mj_cm2=20.25, **weak)) is None
    worse = asked(advisory, exposure(dose_low_mj_cm2=19.75, **weak))
    assert type(worse) is Remeasured and advance(advisory, worse).severity is Severity.UNTREATED
    assert asked(advance(advisory, worse), exposure(dose_low_mj_cm2=19.5, **weak)) is None  # it is already


@pytest.mark.parametrize(("most_l", "begins"), [(0.0, False), (0.25, True), (None, True)])
def test_an_advisory_begins_unless_it_is_known_that_nothing_passed(most_l, begins):
    lifted = advance(all_but_the_notice(), Lifted(at=hour(50), by="Ann Marsh"))
    for before in (None, lifted):
        event = asked(before, exposure(most_l), at=hour(51))
        assert (type(event) is Raised) is begins and (event is None) is not begins
    by_hand = asked(None, exposure(0.0, cause=Cause.MANUAL), by="Ann Marsh")
    assert type(by_hand) is Raised and by_hand.metered_alone is False


def test_where_the_clock_went_back_the_event_takes_the_last_ones_instant():
    advisory = raised()
    assert asked(advisory, exposure(20.0), at=minute(5)).at == minute(31)
    assert asked(advisory, exposure(20.0), at=minute(32)).at == minute(32)


# What the sensors prove


def found(step, *, at=LATER, **told):
    nothing = dict.fromkeys(
        ("power_on", "power_on_since", "lamp_on", "lamp_on_since", "dose_ok_min", "metered_l"))
    plumbing = {"flush_cold_l": 20.0, "flush_hot_l": 170.0}
    return next(one for one in proofs(at=at, **{**nothing, **plumbing, **told}) if one.step == step)


@pytest.mark.parametrize(("step", "what", "needed_min"), [("power_stable", "power", 30), ("lamp_lit", "lamp", 10)])
def test_power_and_lamp_are_proven_once_their_minutes_are_full_and_not_an_instant_earlier(step, what, needed_min):
    full = hour(2) - timedelta(minutes=needed_min)
    proof = found(step, **{f"{what}_on": True, f"{what}_on_since": full})
    assert (proof.done, proof.since) == (True, hour(2))
    longer = found(step, **{f"{what}_on": True, f"{what}_on_since": full - timedelta(minutes=5)})
    assert (longer.done, longer.since) == (True, minute(115))
    short = found(step, **{f"{what}_on": True, f"{what}_on_since": full + TICK})
    assert (short.done, short.since) == (False, None)
    assert short.evidence.startswith(f"{needed_min - 0.1:g} of {needed_min} min")  # never rounded up to all of it


@pytest.mark.parametrize(("on", "done"), [(None, None), (False, False), (True, False)])
def test_power_that_is_not_known_off_or_on_since_nobody_knows_when_proves_nothing(on, done):
    assert found("power_stable", power_on=on).done is done


@pytest.mark.parametrize(("good_min", "done", "since"), [
    (9.75, False, None), (10.0, True, hour(2)), (12.5, True, hour(2) - timedelta(minutes=2.5)),
    (math.nan, None, None), (None, None, None), (0.0, False, None)])
def test_a_dose_is_proven_once_its_minutes_are_full_since_they_were(good_min, done, since):
    proof = found("dose_back", dose_ok_min=good_min)
    assert (proof.done, proof.since) == (done, since)
    assert (proof.evidence == "dose not known") is (done is None)


def test_no_person_is_asked_to_record_a_dose_and_one_may_record_the_power():
    assert "a person may record it" not in found("dose_back").evidence
    assert "a person may record it" in found("power_stable").evidence


def cold(metered_l, *, ended_min=70, **more):
    return Flush(
        step="flush_cold", begun_at=minute(60), ended_at=minute(ended_min), metered_l=metered_l,
        **{"heard": True, **more})


@pytest.mark.parametrize(("metered_l", "done", "words"), [
    (20.0, True, "20 of 20 L metered in that time"), (19.96, False, "19.9 of 20 L metered in that time"),
    (0.0, False, "0 of 20 L metered in that time")])
def test_a_flush_is_confirmed_by_its_litres_to_the_last_and_the_words_never_round_them_up(metered_l, done, words):
    proof = found("flush_cold", flushes=[cold(metered_l)])
    assert (proof.done, proof.evidence) == (done, words)
    assert proof.since == (minute(70) if done else None)


def test_a_flush_recorded_to_end_later_than_now_was_done_by_now():
    assert found("flush_cold", at=minute(65), flushes=[cold(20.0)]).since == minute(65)


def test_a_flush_whose_readings_are_not_all_there_says_so():
    proof = found("flush_cold", flushes=[cold(5.0, heard=False)])
    assert proof.done is False and proof.evidence == "5 of 20 L of that time heard of so far"


@pytest.mark.parametrize(("most_l", "done"), [(19.75, False), (20.0, None), (math.inf, None)])
def test_a_flush_without_a_meter_is_denied_only_where_the_supply_cannot_have_brought_its_litres(most_l, done):
    assert found("flush_cold", flushes=[cold(None, most_l=most_l)]).done is done


@pytest.mark.parametrize(("hot_begun", "hot_ended", "together"), [
    (minute(70), minute(90), False), (minute(70) - TICK, minute(90), True),
    (minute(40), minute(60), False), (minute(40), minute(60) + TICK, True)])
def test_two_flushes_share_their_litres_where_their_times_overlap_and_not_where_they_only_touch(
        hot_begun, hot_ended, together):
    hot = Flush(step="flush_hot", begun_at=hot_begun, ended_at=hot_ended, metered_l=190.0, heard=True)
    enough = found("flush_cold", flushes=[cold(20.0), hot])
    assert enough.done is not together
    for litres, done in ((189.75, False), (190.0, True)):  # 20 L cold and 170 L hot
        both = found("flush_cold", flushes=[cold(litres), hot])
        assert both.done is (done or not together)
        assert both.evidence.endswith(", cold and hot together") is together
    of_hot = found("flush_hot", flushes=[cold(20.0), replace(hot, metered_l=170.0)])
    assert of_hot.done is not together


@pytest.mark.parametrize(("metered_l", "cold_done", "hot_done"), [
    (19.75, False, False), (20.0, True, False), (189.75, True, False), (190.0, True, True), (None, None, None),
    (math.nan, None, None)])
def test_a_meter_alone_needs_the_litres_of_the_cold_pipes_and_then_of_both(metered_l, cold_done, hot_done):
    told = {"metered_l": metered_l, "metered_alone": True}
    assert (found("flush_cold", **told).done, found("flush_hot", **told).done) == (cold_done, hot_done)


@pytest.mark.parametrize(("litres", "done"), [(19.75, False), (20.0, True)])
@pytest.mark.parametrize("hot_l", [None, 0.0])
def test_a_hot_tank_of_unknown_or_no_size_asks_the_cold_flush_of_that_time_for_no_litre_more(hot_l, litres, done):
    hot = Flush(step="flush_hot", begun_at=minute(60), ended_at=minute(70), metered_l=litres, heard=True)
    assert found("flush_cold", flush_hot_l=hot_l, flushes=[cold(litres), hot]).done is done


def test_a_meter_alone_says_of_the_hot_flush_only_that_its_litres_are_of_both():
    told = {"metered_l": 19.75, "metered_alone": True}
    assert found("flush_cold", **told).evidence == "19.7 of 20 L metered since the last under-dosed litre"
    assert found("flush_hot", **told).evidence == (
        "19.7 of 190 L metered since the last under-dosed litre (cold and hot together)")


@pytest.mark.parametrize(("metered_l", "words"), [
    (19.96, "19.9 of 20 L metered since the last under-dosed litre"), (None, "no metered flow, it takes 20 L"),
    (math.nan, "no metered flow, it takes 20 L")])
def test_litres_of_no_recorded_flush_tick_nothing_and_are_told(metered_l, words):
    proof = found("flush_cold", metered_l=metered_l)
    assert proof.done is None and proof.evidence == f"{words}; record from when to when the taps ran"


@pytest.mark.parametrize(("cold_l", "hot_l", "of_cold", "of_hot"), [
    (None, 170.0, "cold_plumbing_l", "cold_plumbing_l"), (20.0, None, "", "hot_tank_l"),
    (None, None, "cold_plumbing_l", "cold_plumbing_l and hot_tank_l")])
def test_plumbing_that_nobody_enrolled_is_asked_for_by_name_and_no_litres_flush_it(cold_l, hot_l, of_cold, of_hot):
    for step, lacking in (("flush_cold", of_cold), ("flush_hot", of_hot)):
        told = {"flush_cold_l": cold_l, "flush_hot_l": hot_l, "flushes": [cold(500.0)]}
        first = f"first enrol how much there is to flush: {lacking}"
        metered, unmetered = found(step, metered_l=499.96, **told), found(step, **told)
        assert metered.done is not bool(lacking)
        if lacking:
            assert unmetered.done is False and unmetered.evidence == first
            assert metered.evidence == (
                f"{first}; 499.9 L metered since the last under-dosed litre, of how many is not known")


# Pieces of water


def intervals(*rows):
    """Begin and end [min], kind, most litres, lowest dose."""
    begin, end, kind, most_l, dose = zip(*rows, strict=True)
    return Intervals(
        [minute(one) for one in begin], [minute(one) for one in end], list(kind), [""] * len(rows),
        np.array(most_l) / 2, np.array(most_l, float), np.array(dose, float))


def test_intervals_that_touch_and_are_of_one_kind_are_one_piece():
    found_pieces = pieces_of(intervals(
        (0, 60, "dark", 4.0, 3.0), (60, 90, "dark", 2.0, 1.0), (90, 95, "weak", 1.0, 9.0),
        (96, 97, "weak", 1.0, math.nan), (97, 98, "weak", 1.0, 5.0)))
    assert [(one.start, one.end, one.underdosed_l, one.underdosed_l_upper, one.dose_low_mj_cm2)
            for one in found_pieces] == [
        (START, minute(90), 3.0, 6.0, 1.0), (minute(90), minute(95), 0.5, 1.0, 9.0),
        (minute(96), minute(98), 1.0, 2.0, None)]


def test_the_first_two_intervals_are_two_pieces_where_they_do_not_touch_and_no_interval_is_none():
    apart = intervals((0, 10, "dark", 4.0, 3.0), (20, 30, "dark", 2.0, 1.0))
    assert [one.underdosed_l_upper for one in pieces_of(apart)] == [4.0, 2.0]
    other = intervals((0, 10, "dark", 4.0, 3.0), (10, 30, "weak", 2.0, 1.0))
    assert [one.kind for one in pieces_of(other)] == ["dark", "weak"]
    assert pieces_of(Intervals([], [], [], [], *[np.empty(0)] * 3)) == ()


def test_what_ends_exactly_with_the_known_end_is_not_beyond_it():
    known = [piece(0, 30, 12.0)]
    assert more_beyond([piece(0, 30, 99.0)], known, minute(30)) == 0.0
    assert more_beyond([piece(0, 31, 13.0)], known, minute(30)) == 1.0
    # one piece that ends where the late one begins is not part of it
    assert more_beyond([piece(0, 30, 12.0), piece(30, 40, 2.0)], known, minute(30)) == 2.0
    assert more_beyond([], known, minute(30)) == 0.0


def test_of_several_late_pieces_the_known_litres_since_the_first_of_them_are_taken_off():
    known = [piece(0, 30, 12.0), piece(30, 40, 2.0)]
    assert more_beyond([piece(0, 42, 15.0), piece(45, 50, 3.0)], known, minute(40)) == 4.0
    assert more_beyond([piece(0, 30, 12.0), piece(30, 42, 2.5), piece(45, 50, 3.0)], known, minute(40)) == 3.5


def test_lit_water_is_as_bad_as_its_share_of_the_target_and_unheard_and_dark_are_worse():
    kinds = ["weak", "weak", "warming", "weak", "unheard", "dark"]
    from_ = {"marginal_from_mj_cm2": [35.0] * 6, "under_treated_from_mj_cm2": [20.0] * 6}
    assert badness(kinds, [20.0, 19.75, 20.0, math.nan, 40.0, 40.0], **from_).tolist() == [1, 2, 1, 2, 3, 4]
    assert badness(kinds, [35.0, 34.75, 40.0, 0.0, 0.0, 0.0], **from_).tolist() == [0, 1, 0, 2, 3, 4]


def is_answered(now_l, *, known_l=12.0, rank=2, known_rank=2, beyond=False):
    rows = pd.DataFrame({"underdosed_l_upper": [now_l], "badness": [rank]})
    pairs = pd.DataFrame({
        "row": [0], "piece": [0], "lift": [0], "overlap_s": [60.0], "piece_l_upper": [known_l],
        "piece_badness": [known_rank], "beyond": [beyond]})
    return bool(answered(rows, pairs)[0])


@pytest.mark.parametrize(("now_l", "told", "holds"), [
    (12.5, {}, True), (12.75, {}, False), (0.0, {}, True),
    (11.5, {"beyond": True}, True), (11.25, {"beyond": True}, False), (12.75, {"beyond": True}, False),
    (12.0, {"rank": 3}, False), (12.0, {"rank": 1}, True),
    (5.0, {"known_l": math.inf, "beyond": True}, True)])
def test_a_lift_answers_water_while_it_is_no_more_than_half_a_litre_more_and_no_worse(now_l, told, holds):
    assert is_answered(now_l, **told) is holds


def test_an_interval_belongs_to_the_piece_that_it_overlaps_most():
    rows = pd.DataFrame({"underdosed_l_upper": [12.0], "badness": [2]})
    pairs = pd.DataFrame({
        "row": [0, 0], "piece": [0, 1], "lift": [0, 0], "overlap_s": [60.0, 59.0], "piece_l_upper": [1.0, 12.0],
        "piece_badness": [2, 2], "beyond": [False, False]})
    assert answered(rows, pairs).tolist() == [False]
    assert answered(rows, pairs.assign(overlap_s=[59.0, 60.0])).tolist() == [True]
    assert answered(rows, pairs.assign(lift=[0, 1])).tolist() == [True]  # of two lifts, one is enough
    assert answered(rows, pairs.iloc[:0]).tolist() == [False]


def silences(*rows):
    """Cabin, begin and end [min], kind."""
    return pd.DataFrame([
        {"cabin": cabin, "unit": "main", "start": pd.Timestamp(minute(begin)), "end": pd.Timestamp(minute(end)),
         "kind": kind} for cabin, begin, end, kind in rows])


def test_a_silence_is_in_grace_until_a_quarter_of_an_hour_after_its_end():
    rows = silences(("heron-point", 0, 30, "unheard"))
    assert in_grace(rows, minute(45) - TICK).tolist() == [True]
    assert in_grace(rows, minute(45)).tolist() == [False]


def test_a_silence_that_is_stored_in_pieces_is_in_grace_as_one_and_no_other_is_drawn_along():
    rows = silences(
        ("heron-point", 0, 60, "unheard"), ("heron-point", 60, 120, "unheard"),  # one silence
        ("loon-bay", 0, 59, "unheard"), ("loon-bay", 60, 120, "unheard"),  # heard of in between
        ("otter-cove", 0, 60, "unheard"), ("otter-cove", 60, 120, "dark"),
        ("pike-bay", 0, 60, "unheard"), ("teal-bay", 60, 120, "unheard"))
    assert in_grace(rows, minute(121)).tolist() == [True, True, False, True, False, False, False, True]
    assert in_grace(rows[:2].assign(unit=["main", "sauna"]), minute(121)).tolist() == [False, True]


def test_a_reading_ends_a_silence_though_another_follows_at_once():
    rows = silences(
        ("heron-point", 0, 60, "unheard"), ("heron-point", 60, 120, "unheard"), ("loon-bay", 0, 60, "unheard"),
        ("loon-bay", 60, 120, "unheard"))
    heard = pd.DatetimeIndex([minute(60), minute(60), None, None]).tz_localize(None).to_numpy()
    assert in_grace(rows, minute(121), heard).tolist() == [False, True, True, True]
    heard = pd.DatetimeIndex([minute(60) - TICK] * 4).tz_localize(None).to_numpy()
    assert in_grace(rows, minute(121), heard).tolist() == [True] * 4


def test_intervals_of_a_whole_fleet_are_parted_by_cabin_and_by_unit_in_order_of_their_start():
    rows = silences(
        ("loon-bay", 0, 60, "dark"), ("heron-point", 60, 90, "dark"), ("heron-point", 0, 60, "weak"),
        ("heron-point", 5, 6, "unheard")).assign(
        unit=["main", "main", "main", "sauna"], cause="", underdosed_l=1.0, underdosed_l_upper=[1.0, 2.0, 3.0, 4.0],
        dose_low_mj_cm2=math.nan)
    parted = Intervals.by_unit(rows)
    assert {of: (list(one.kind), one.underdosed_l_upper.tolist(), one.start[0]) for of, one in parted.items()} == {
        ("heron-point", "main"): (["weak", "dark"], [3.0, 2.0], START),
        ("heron-point", "sauna"): (["unheard"], [4.0], minute(5)), ("loon-bay", "main"): (["dark"], [1.0], START)}
    assert Intervals.by_unit(rows.iloc[:0]) == {}


def test_the_intervals_of_a_later_unit_stay_together():
    rows = silences(*((cabin, begin, begin + 5, "dark") for cabin, begin in (
        ("heron-point", 0), ("heron-point", 10), ("heron-point", 20), ("loon-bay", 0), ("loon-bay", 10)))).assign(
        unit=["main", "sauna", "sauna", "main", "main"], cause="", underdosed_l=1.0, underdosed_l_upper=2.0,
        dose_low_mj_cm2=math.nan)
    assert {of: len(one) for of, one in Intervals.by_unit(rows).items()} == {
        ("heron-point", "main"): 1, ("heron-point", "sauna"): 2, ("loon-bay", "main"): 2}


@pytest.mark.parametrize(("before_live", "days", "litres", "plumbing_l", "noted"), [
    (True, 30.0, 2000.0, 200.0, True), (True, 29.75, 2000.0, 200.0, False), (True, 30.0, 1999.75, 200.0, False),
    (False, 99.0, 9999.0, 200.0, False), (True, 99.0, 9999.0, math.nan, False)])
def test_old_water_is_only_noted_once_30_dosed_days_and_ten_times_the_plumbing_have_followed(
        before_live, days, litres, plumbing_l, noted):
    assert only_to_note(
        before_live=np.array([before_live]), dosed_days=np.array([days]), dosed_l=np.array([litres]),
        plumbing_l=np.array([plumbing_l])).tolist() == [noted]
