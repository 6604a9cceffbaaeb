"""Events of an advisory at the edges of what they allow: the last value that is taken, the first that is
refused."""

from __future__ import annotations

import math
from datetime import timedelta

import pytest

from models.advisory.events import (
    CLEANING_STEPS,
    FLUSH_STEPS,
    KNOWN_AT_ONCE,
    MOST_MINUTES,
    MOST_TIMES,
    PERSON_STEPS,
    SENSOR_STEPS,
    Cause,
    Exposed,
    Exposure,
    How,
    Lifted,
    NotAllowed,
    PlayedAnew,
    Proof,
    Raised,
    RecordWithdrawn,
    SampleFailed,
    Step,
    StepPolicy,
    StepRecorded,
    known_late,
    times_words,
)
from models.advisory.pieces import Piece
from models.shortfall import Severity
from tests.conftest import utc

AT = utc("2026-11-20T12:00:00")
BEFORE, AFTER = AT - timedelta(seconds=1), AT + timedelta(seconds=1)
NAIVE = AT.replace(tzinfo=None)
AMOUNTS = ("power_stable_min", "lamp_lit_min", "dose_back_min", "sample_gap_h", "marginal_h")


def exposure(cause: Cause = Cause.LOW_DOSE, **changes) -> Exposure:
    return Exposure(**{"cause": cause, "start": AT, "end": AT} | changes)


def recorded(step: Step = Step.FLUSH_HOT, **changes) -> StepRecorded:
    return StepRecorded(**{"at": AT, "step": step, "by": "Ada Brook"} | changes)


def raised(**changes) -> Raised:
    return Raised(**{
        "at": AT, "exposure": exposure(), "severity": Severity.UNTREATED, "steps": (Step.SAMPLE_1,)} | changes)


def test_which_steps_sensors_prove_which_people_record_and_which_clean():
    steps = tuple(Step)
    assert (steps[:5], steps[3:5], steps[3:6]) == (SENSOR_STEPS, FLUSH_STEPS, CLEANING_STEPS)
    assert set(PERSON_STEPS) == set(Step) - {Step.DOSE_BACK}


def test_the_policy_that_holds_where_nobody_has_another():
    policy = StepPolicy()
    assert policy.untreated == tuple(Step)
    assert policy.under_treated == tuple(one for one in Step if one not in (Step.DISINFECT, Step.SAMPLE_2))
    assert policy.marginal == (
        Step.POWER_STABLE, Step.LAMP_LIT, Step.DOSE_BACK, Step.SAMPLE_1, Step.NOTICE_REMOVED)
    assert (policy.marginal_at_once, policy.marginal_share, policy.marginal_h, policy.partial_share) == (
        False, pytest.approx(0.05), 24.0, 0.5)
    assert (policy.power_stable_min, policy.lamp_lit_min, policy.dose_back_min, policy.sample_gap_h) == (
        30.0, 10.0, 10.0, 24.0)


@pytest.mark.parametrize("good", [
    {"partial_share": 1.0}, {"partial_share": 1e-9}, {"marginal_share": 0.0}, {"marginal_share": 1.0},
    {"marginal_at_once": True}, {"untreated": (Step.SAMPLE_1,)}, {"untreated": (Step.SAMPLE_2, Step.SAMPLE_1)},
    *({name: 0.0} for name in AMOUNTS),
])
def test_the_last_that_a_policy_may_say(good):
    assert StepPolicy(**good)


@pytest.mark.parametrize("bad", [
    {"partial_share": 1.0 + 1e-9}, {"partial_share": 0.0},
    {"marginal_share": -1e-9}, {"marginal_share": 1.0 + 1e-9},
    {"marginal_at_once": 1}, {"untreated": ()}, {"under_treated": (Step.SAMPLE_2,)}, {"marginal": ("wash",)},
    *({name: bad} for name in AMOUNTS for bad in (-1e-9, math.inf)),
])
def test_the_first_that_it_may_not(bad):
    with pytest.raises(ValueError, match=next(iter(bad))):
        StepPolicy(**bad)


def test_steps_are_kept_in_the_order_of_work_whatever_order_they_are_given_in():
    policy = StepPolicy(untreated=("notice_removed", "sample_1", "power_stable"))
    assert policy.untreated == (Step.POWER_STABLE, Step.SAMPLE_1, Step.NOTICE_REMOVED)
    assert raised(steps=("sample_1", "lamp_lit")).steps == (Step.LAMP_LIT, Step.SAMPLE_1)
    with pytest.raises(ValueError, match="at least one"):
        raised(steps=())


@pytest.mark.parametrize(("cause", "dose", "target", "found"), [
    (Cause.LOW_DOSE, 20.0, 40.0, Severity.UNDER_TREATED), (Cause.LOW_DOSE, 19.999, 40.0, Severity.UNTREATED),
    (Cause.WARM_UP_DRAW, 20.0, 40.0, Severity.UNDER_TREATED), (Cause.POWER_CUT, 39.0, 40.0, Severity.UNTREATED),
    (Cause.LOW_DOSE, None, 40.0, Severity.UNTREATED), (Cause.LOW_DOSE, 39.0, None, Severity.UNTREATED),
])
def test_without_pieces_cause_and_dose_say_how_bad_it_was(cause, dose, target, found):
    assert StepPolicy().severity(exposure(cause, dose_low_mj_cm2=dose, dose_target_mj_cm2=target)) is found


def piece(severity: str) -> Piece:
    return Piece(
        start=AT, end=AT, kind="weak", cause="", underdosed_l=1.0, underdosed_l_upper=1.0, dose_low_mj_cm2=39.0,
        severity=severity)


@pytest.mark.parametrize(("cause", "pieces", "found"), [
    (Cause.LOW_DOSE, ("marginal",), Severity.MARGINAL),
    (Cause.LOW_DOSE, ("marginal", "under-treated"), Severity.UNDER_TREATED),
    (Cause.LOW_DOSE, ("under-treated", "untreated", "marginal"), Severity.UNTREATED),
    (Cause.LOW_DOSE, ("marginal", ""), Severity.UNTREATED),  # one of before severities were kept
    (Cause.LABORATORY, ("marginal",), Severity.UNTREATED), (Cause.MANUAL, ("marginal",), Severity.UNTREATED),
])
def test_the_worst_of_its_pieces_says_how_bad_it_was(cause, pieces, found):
    assert StepPolicy().severity(exposure(cause, pieces=tuple(map(piece, pieces)))) is found


@pytest.mark.parametrize(("litres", "asked"), [(None, True), (0.0, False), (0.001, True)])
def test_a_hot_tank_is_flushed_unless_there_is_none(litres, asked):
    assert (Step.FLUSH_HOT in StepPolicy().steps(Severity.UNTREATED, hot_tank_l=litres)) is asked


@pytest.mark.parametrize(("cause", "kind"), [
    (Cause.UNHEARD, "unheard"), (Cause.LOW_DOSE, "weak"), (Cause.WARM_UP_DRAW, "warming"),
    (Cause.POWER_CUT, "dark"), (Cause.LAMP_FAILURE, "dark")])
def test_a_record_of_before_pieces_stands_for_its_whole_span(cause, kind):
    found = exposure(cause, end=None, underdosed_l=None, underdosed_l_upper=None).known_pieces
    assert [(one.kind, one.start, one.end, one.underdosed_l, one.underdosed_l_upper) for one in found] == [
        (kind, AT, AT, 0.0, math.inf)]
    [later] = exposure(
        cause, end=AFTER, underdosed_l=2.0, underdosed_l_upper=3.0, dose_low_mj_cm2=1.0).known_pieces
    assert (later.end, later.dose_low_mj_cm2) == (AFTER, 1.0)
    assert (later.underdosed_l, later.underdosed_l_upper) == (2.0, 3.0)


@pytest.mark.parametrize("one", [
    exposure(Cause.MANUAL), exposure(Cause.LABORATORY), exposure(underdosed_l_upper=0.0)])
def test_what_is_of_no_litre_has_no_piece(one):
    assert one.known_pieces == ()


def test_an_exposure_is_known_late_only_past_half_an_hour():
    assert timedelta(minutes=30) == KNOWN_AT_ONCE
    assert not known_late(exposure(), AT + KNOWN_AT_ONCE)
    assert known_late(exposure(), AT + KNOWN_AT_ONCE + timedelta(seconds=1))


@pytest.mark.parametrize("name", ["underdosed_l", "underdosed_l_upper", "dose_low_mj_cm2", "dose_target_mj_cm2"])
def test_an_amount_of_an_exposure_is_known_at_least_0_or_unknown(name):
    assert getattr(exposure(**{name: math.nan}), name) is None and getattr(exposure(**{name: 0.0}), name) == 0.0
    for bad in (-1e-9, math.inf):
        with pytest.raises(ValueError, match=f"{name} must be a finite number, at least 0"):
            exposure(**{name: bad})


def test_an_exposure_ends_with_its_beginning_at_the_earliest():
    with pytest.raises(ValueError, match="end must not lie before start"):
        exposure(end=BEFORE)


@pytest.mark.parametrize("make", [
    lambda: exposure(start=NAIVE), lambda: exposure(end=NAIVE), lambda: raised(at=NAIVE),
    lambda: raised(known_at=NAIVE), lambda: recorded(at=NAIVE), lambda: recorded(done_at=NAIVE),
    lambda: recorded(begun_at=NAIVE), lambda: Lifted(at=NAIVE, by="Ada Brook"),
    lambda: SampleFailed(at=NAIVE, by="Ada Brook"),
    lambda: RecordWithdrawn(at=NAIVE, by="Ada Brook", reason="x", service="y", what="z"),
    lambda: Proof(at=NAIVE, step=Step.LAMP_LIT, done=True, evidence=""),
    lambda: Proof(at=AT, step=Step.LAMP_LIT, done=True, evidence="", since=NAIVE),
    lambda: PlayedAnew(at=AT, raised_at=NAIVE, exposure=exposure(), severity="untreated", steps=(Step.SAMPLE_1,)),
    lambda: Exposed(at=NAIVE, exposure=exposure(), severity="untreated", steps=(Step.SAMPLE_1,)),
])
def test_every_instant_has_an_offset(make):
    with pytest.raises(ValueError, match="must be an instant with an offset from UTC"):
        make()


def test_a_record_of_before_a_rule_keeps_the_old_one():
    one = raised()
    assert (one.metered_alone, one.sized, one.sample_gap_h, one.known_at, one.by, one.after_lift) == (
        True, False, 24.0, None, "", "")


@pytest.mark.parametrize("make", [
    lambda by: raised(exposure=exposure(Cause.MANUAL), by=by), lambda by: recorded(by=by),
    lambda by: SampleFailed(at=AT, by=by), lambda by: Lifted(at=AT, by=by),
    lambda by: RecordWithdrawn(at=AT, by=by, reason="x", service="y", what="z"),
    lambda by: RecordWithdrawn(at=AT, by="Ada Brook", reason=by, service="y", what="z")])
def test_what_people_do_has_a_name_and_a_withdrawal_a_reason(make):
    assert make("Ada Brook")
    for nobody in ("", "  "):
        with pytest.raises(NotAllowed, match="by must name"):
            make(nobody)


def test_a_withdrawal_names_its_record():
    with pytest.raises(ValueError, match="service must be the id"):
        RecordWithdrawn(at=AT, by="Ada Brook", reason="x", service="", what="z")
    one = RecordWithdrawn(at=AT, by="Ada Brook", reason="wrong cabin", service="y", what="a check")
    assert one.as_reason == "withdrawn since: a check (by Ada Brook: wrong cabin)" and one.worse is False


def test_nothing_is_recorded_before_it_was_done_nor_proven_before_it_was():
    assert recorded(done_at=AT).when == AT == recorded().when
    assert SampleFailed(at=AT, by="Ada Brook", done_at=BEFORE).when == BEFORE
    assert Proof(at=AT, step=Step.LAMP_LIT, done=True, evidence="", since=AT).since == AT
    for make in (
            lambda: recorded(done_at=AFTER), lambda: SampleFailed(at=AT, by="Ada Brook", done_at=AFTER),
            lambda: Proof(at=AT, step=Step.LAMP_LIT, done=True, evidence="", since=AFTER)):
        with pytest.raises(ValueError, match="must not lie after the record"):
            make()


def test_a_proof_is_of_a_sensors_step_and_alone_of_a_flush():
    for step in FLUSH_STEPS:
        assert Proof(at=AT, step=step, done=True, evidence="", alone=True).alone
    with pytest.raises(ValueError, match="alone is said of"):
        Proof(at=AT, step=Step.LAMP_LIT, done=True, evidence="", alone=True)
    with pytest.raises(NotAllowed, match="is recorded by a person"):
        Proof(at=AT, step=Step.SAMPLE_1, done=True, evidence="")
    assert Proof(at=AT, step=Step.LAMP_LIT, done=True, evidence="").alone is False


HEATED = {"how": "heated", "degrees_c": 70.0, "minutes": 30.0}


@pytest.mark.parametrize("good", [
    HEATED | {"degrees_c": 100.0}, HEATED | {"degrees_c": 0.5}, HEATED | {"minutes": 7 * 24 * 60.0},
    HEATED | {"minutes": 0.5}, {"how": "drained", "times": 1}, {"how": "drained", "times": 20},
    {"how": "chlorinated"}, {"how": "flushed"}, {"how": ""}, {"how": "flushed", "begun_at": BEFORE},
])
def test_the_last_that_may_be_said_of_a_way(good):
    assert recorded(**good).how == good["how"]


@pytest.mark.parametrize(("bad", "told"), [
    (HEATED | {"degrees_c": 100.1}, "degrees_c must be above 0 and at most 100 .degrees Celsius.; got 100.1"),
    (HEATED | {"degrees_c": 0.0}, "degrees_c must be above 0"),
    (HEATED | {"minutes": 7 * 24 * 60.0 + 0.1}, "minutes must be above 0 and at most 10080; got"),
    (HEATED | {"minutes": 0.0}, "minutes must be above 0"), (HEATED | {"minutes": None}, "minutes is missing"),
    (HEATED | {"degrees_c": None}, "degrees_c is missing"), (HEATED | {"times": 2}, "times says nothing of a step"),
    ({"how": "drained", "times": 0}, "times must be a whole number from 1 to 20; got 0"),
    ({"how": "drained", "times": 21}, "got 21"), ({"how": "drained", "times": 2.0}, "got 2.0"),
    ({"how": "drained"}, "drained is proven by times; times is missing"), ({"how": "boiled"}, "how must be one of"),
    ({"degrees_c": 70.0}, "degrees_c says nothing of a step that was done by its taps"),
    ({"how": "chlorinated", "minutes": 5.0}, "minutes says nothing of a step that was chlorinated"),
    *((way | {"begun_at": BEFORE}, "from is when taps began to run") for way in (
        HEATED, {"how": "drained", "times": 2}, {"how": "chlorinated"})),
    ({"begun_at": AT}, "a flush ends after it began"), ({"begun_at": AFTER}, "a flush ends after it began"),
])
def test_the_first_that_may_not(bad, told):
    with pytest.raises(NotAllowed, match=told):
        recorded(**bad)


def test_a_way_is_said_of_the_hot_tank_alone():
    with pytest.raises(NotAllowed, match="how is said of flush_hot alone; got 'flushed' of flush_cold"):
        recorded(Step.FLUSH_COLD, how="flushed")
    assert (MOST_MINUTES, MOST_TIMES) == (7 * 24 * 60.0, 20)


def test_when_a_step_began_as_far_as_that_was_told():
    assert recorded().began == AT and recorded(begun_at=BEFORE).began == BEFORE
    assert recorded(**HEATED).began == AT - timedelta(minutes=30)
    assert recorded(done_at=BEFORE, how="drained", times=1).began == BEFORE


def test_only_taps_that_ran_can_be_confirmed_by_a_meter():
    for ran, one in (
            (True, recorded()), (True, recorded(how="flushed")), (True, recorded(Step.FLUSH_COLD)),
            (False, recorded(**HEATED)), (False, recorded(how="drained", times=2)),
            (False, recorded(Step.DISINFECT))):
        assert one.ran_taps is ran


@pytest.mark.parametrize(("way", "words"), [
    ({}, ""), ({"how": "flushed"}, ""), ({"how": "drained", "times": 1}, "drained and refilled once"),
    ({"how": "drained", "times": 3}, "drained and refilled 3 times"),
    (HEATED, "heated, 70 C at the hot tap for 30 min"),
    ({"how": "chlorinated"}, "chlorinated with the tank in the loop (chlorine does not kill Cryptosporidium)")])
def test_a_way_in_words(way, words):
    assert recorded(**way).how_words == words
    assert [times_words(number) for number in (0, 1, 2, 3)] == ["0 times", "once", "twice", "3 times"]
    assert [str(one) for one in How] == ["flushed", "drained", "heated", "chlorinated"]
