"""The advisory: the program raises, sensors and people prove, only a named person lifts."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from models.advisory import (
    Cause,
    Exposed,
    Exposure,
    Flush,
    Lifted,
    NotAllowed,
    Proof,
    Remeasured,
    SampleFailed,
    State,
    Step,
    StepPolicy,
    StepRecorded,
    advance,
    exposure_event,
    from_json,
    new_proofs,
    proofs,
    replay,
    to_json,
    unknown_proofs,
)
from models.advisory.pieces import Piece
from models.shortfall import Severity

START = datetime(2026, 5, 1, 3, 0, tzinfo=UTC)
CUT = Exposure(
    cause="power-cut", start=START, end=START + timedelta(minutes=30), underdosed_l=12.0, underdosed_l_upper=12.0
)


def minute(count):
    return START + timedelta(minutes=count)


def hour(count):
    return START + timedelta(hours=count)


def raised(exposure=CUT, *, hot_tank_l=150.0, at=None, policy=None):
    return advance(
        None, exposure_event(None, exposure, at=at or minute(31), hot_tank_l=hot_tank_l, policy=policy)
    )


def evidence(
    *, at, metered_l=200.0, cold_l=25.0, hot_l=175.0, heard=True, power_on=True, lamp_on=True, dose_ok_min=60.0,
    power_on_since=None, flush_cold_l=20.0,
):
    """All proofs of a unit whose power and lamp came back half an hour after the start."""
    return proofs(
        at=at, power_on=power_on, power_on_since=power_on_since or minute(30), lamp_on=lamp_on,
        lamp_on_since=minute(31), dose_ok_min=dose_ok_min, metered_l=metered_l, flush_cold_l=flush_cold_l,
        flush_hot_l=170.0, flushes=(
            Flush(step=Step.FLUSH_COLD, begun_at=minute(60), ended_at=minute(70), metered_l=cold_l, heard=heard),
            Flush(step=Step.FLUSH_HOT, begun_at=minute(70), ended_at=minute(115), metered_l=hot_l, heard=heard)),
    )


def after(advisory, *events):
    for event in events:
        advisory = advance(advisory, event)
    return advisory


def record(step, at, by="Ann Marsh", **more):
    return StepRecorded(at=at, step=step, by=by, **more)


def water_run(**told):
    """Somebody ran the cold taps from minute 60 to 70, the hot ones to minute 115; what the sensors say then."""
    return (
        record("flush_cold", hour(2), begun_at=minute(60), done_at=minute(70)),
        record("flush_hot", hour(2), begun_at=minute(70), done_at=minute(115)), *evidence(at=hour(2), **told))


def cleaned():
    """Sensors have proven theirs, the taps ran, the plumbing is disinfected at hour 4."""
    return after(raised(), *water_run(), record("disinfect", hour(4)))


def test_the_whole_way_from_a_cut_to_a_lifted_advisory():
    advisory = raised()
    assert advisory.state is State.RAISED
    assert advisory.open_steps == tuple(Step)
    advisory = after(advisory, *evidence(at=hour(2)))
    assert advisory.state is State.CLEARING
    # a meter cannot tell hot from cold, nor a tap from a hose: it ticks no flush by itself
    assert {Step.FLUSH_COLD, Step.FLUSH_HOT} <= set(advisory.open_steps)
    advisory = after(advisory, *water_run())
    assert advisory.open_steps == (Step.DISINFECT, Step.SAMPLE_1, Step.SAMPLE_2, Step.NOTICE_REMOVED)
    advisory = after(advisory, record("disinfect", hour(4)), record("sample_1", hour(20)))
    advisory = after(advisory, record("sample_2", hour(44)))
    assert advisory.open_steps == (Step.NOTICE_REMOVED,)
    assert advisory.state is State.CLEARING  # all done, and still nobody has lifted it
    lifted = advance(advisory, Lifted(at=hour(50), by="Ann Marsh"))
    assert lifted.state is State.LIFTED
    assert lifted.open_steps == () and lifted.undone_at_lift == ()


def test_evidence_is_shown_in_litres_and_minutes_against_what_is_needed():
    advisory = after(raised(), *water_run(cold_l=19.96, hot_l=170.0))
    words = {status.code: (status.done, status.evidence) for status in advisory.statuses}
    assert words[Step.POWER_STABLE] == (True, "30 min and more of power on")
    assert words[Step.LAMP_LIT] == (True, "10 min and more of lamp lit")
    assert words[Step.DOSE_BACK] == (True, "10 min and more of dose at or above target")
    # 19.96 L, never rounded up
    assert words[Step.FLUSH_COLD] == (False, "19.9 of 20 L metered in that time")
    assert words[Step.FLUSH_HOT] == (
        True, "Ann Marsh, 2026-05-01 04:10 UTC to 2026-05-01 04:55 UTC; 170 of 170 L metered in that time")
    waiting = after(raised(), *proofs(
        at=hour(2), power_on=True, power_on_since=START, lamp_on=True, lamp_on_since=START, dose_ok_min=60.0,
        metered_l=1200.0, flush_cold_l=20.0, flush_hot_l=170.0))
    told = {status.code: (status.done, status.evidence) for status in waiting.statuses}
    assert told[Step.FLUSH_HOT] == (
        False, "1200 of 170 L metered since the last under-dosed litre; record from when to when the taps ran")


def test_one_time_that_stands_for_both_flushes_has_to_bring_the_water_for_both():
    def of(litres):
        period = {"begun_at": minute(60), "ended_at": minute(90), "metered_l": litres, "heard": True}
        found = proofs(
            at=hour(2), power_on=True, power_on_since=START, lamp_on=True, lamp_on_since=START, dose_ok_min=60.0,
            metered_l=litres, flush_cold_l=20.0, flush_hot_l=170.0, flushes=(
                Flush(step=Step.FLUSH_COLD, **period), Flush(step=Step.FLUSH_HOT, **period)))
        return {proof.step: proof.done for proof in found if proof.step in (Step.FLUSH_COLD, Step.FLUSH_HOT)}

    assert of(189.9) == {Step.FLUSH_COLD: False, Step.FLUSH_HOT: False}
    assert of(190.0) == {Step.FLUSH_COLD: True, Step.FLUSH_HOT: True}


def test_a_flush_waits_for_the_readings_of_its_time_and_nobodys_word_replaces_them():
    waiting = after(raised(), *water_run(cold_l=0.0, heard=False))
    status = next(one for one in waiting.statuses if one.code is Step.FLUSH_COLD)
    assert (status.done, status.evidence) == (False, "0 of 20 L of that time heard of so far")
    heard = after(waiting, *evidence(at=hour(3)))
    assert Step.FLUSH_COLD not in heard.open_steps


def test_a_flush_without_its_time_or_of_unknown_plumbing_is_refused():
    with pytest.raises(NotAllowed, match="from when to when"):
        advance(raised(), record("flush_cold", hour(2)))
    with pytest.raises(NotAllowed, match="a flush ends after it began"):
        record("flush_cold", hour(2), begun_at=hour(2))
    with pytest.raises(NotAllowed, match="before the last exposure"):
        advance(raised(), record("flush_cold", hour(2), begun_at=minute(20)))
    unknown = after(raised(), *evidence(at=hour(1), flush_cold_l=None))
    with pytest.raises(NotAllowed, match="first enrol how much there is to flush: cold_plumbing_l"):
        advance(unknown, record("flush_cold", hour(2), begun_at=minute(60)))


def test_records_of_before_a_flush_had_a_time_go_on_by_the_meter_alone():
    old = from_json(to_json(exposure_event(None, CUT, at=minute(31), hot_tank_l=150.0)).replace(
        ', "metered_alone": false', ""))
    assert old.metered_alone
    found = proofs(
        at=hour(2), power_on=True, power_on_since=minute(30), lamp_on=True, lamp_on_since=minute(31),
        dose_ok_min=60.0, metered_l=200.0, flush_cold_l=20.0, flush_hot_l=170.0, metered_alone=True)
    advisory = after(advance(None, old), *found)
    assert advisory.open_steps == (Step.DISINFECT, Step.SAMPLE_1, Step.SAMPLE_2, Step.NOTICE_REMOVED)


def test_a_step_unticks_when_its_evidence_falls():
    advisory = after(raised(), *water_run())
    assert Step.FLUSH_COLD not in advisory.open_steps
    fallen = after(advisory, *evidence(at=hour(3), cold_l=5.0, hot_l=5.0, power_on=False))
    assert {Step.FLUSH_COLD, Step.FLUSH_HOT, Step.POWER_STABLE} <= set(fallen.open_steps)


def test_a_silent_hour_undoes_power_lamp_and_dose_but_no_litre_that_was_metered():
    advisory = after(cleaned(), record("sample_1", hour(5)))
    nothing = evidence(
        at=hour(6), power_on=None, lamp_on=None, dose_ok_min=None, metered_l=None, cold_l=None, hot_l=None)
    assert new_proofs(advisory, nothing) == ()  # that the sensors cannot tell for a while is no event
    assert unknown_proofs(advisory, nothing, Step.LAMP_LIT)[0].done is None
    assert unknown_proofs(advisory, nothing, Step.FLUSH_COLD) == ()
    silent = after(advisory, *nothing)
    assert {Step.POWER_STABLE, Step.LAMP_LIT, Step.DOSE_BACK} <= set(silent.open_steps)
    assert not {Step.FLUSH_COLD, Step.FLUSH_HOT, Step.SAMPLE_1} & set(silent.open_steps)
    with pytest.raises(NotAllowed, match="still undone"):
        advance(silent, Lifted(at=hour(7), by="Ann Marsh"))


def test_a_sample_does_not_outlive_the_flush_that_it_rested_on():
    advisory = after(cleaned(), record("sample_1", hour(5)))
    fallen = after(advisory, *evidence(at=hour(6), cold_l=5.0))
    assert Step.SAMPLE_1 in fallen.open_steps
    again = after(fallen, record("flush_cold", hour(7), begun_at=minute(400), done_at=minute(415)), *proofs(
        at=hour(7), power_on=True, power_on_since=minute(30), lamp_on=True, lamp_on_since=minute(31),
        dose_ok_min=60.0, metered_l=300.0, flush_cold_l=20.0, flush_hot_l=170.0, flushes=(Flush(
            step=Step.FLUSH_COLD, begun_at=minute(400), ended_at=minute(415), metered_l=21.0, heard=True),))[-2:-1])
    assert Step.FLUSH_COLD not in again.open_steps
    assert Step.SAMPLE_1 in again.open_steps  # flushed after the sample was taken
    assert "does not count" in next(one.evidence for one in again.statuses if one.code is Step.SAMPLE_1)


def test_a_second_cut_while_clearing_starts_everything_again():
    advisory = after(cleaned(), record("sample_1", hour(5)))
    second = replace(CUT, end=hour(6), underdosed_l=20.0, underdosed_l_upper=20.0)
    event = exposure_event(advisory, second, at=hour(6), hot_tank_l=150.0)
    assert isinstance(event, Exposed)
    again = advance(advisory, event)
    assert again.state is State.RAISED
    assert again.open_steps == tuple(Step)
    assert again.evidence_since == hour(6)
    with pytest.raises(NotAllowed, match="before the last exposure"):
        advance(again, record("disinfect", hour(7), done_at=hour(4)))


def test_late_data_that_only_corrects_the_litres_keeps_what_was_done():
    advisory = cleaned()
    less = replace(CUT, underdosed_l=9.0, underdosed_l_upper=9.0)
    event = exposure_event(advisory, less, at=hour(5), hot_tank_l=150.0)
    assert isinstance(event, Remeasured)
    corrected = advance(advisory, event)
    assert corrected.exposure.underdosed_l == 9.0
    assert corrected.open_steps == advisory.open_steps


def test_an_exposure_that_reaches_further_cannot_pass_as_a_correction():
    event = Remeasured(at=hour(5), exposure=replace(CUT, end=hour(4)), severity="untreated", steps=tuple(Step))
    with pytest.raises(NotAllowed, match="that is 'exposed'"):
        advance(cleaned(), event)


def test_nothing_counts_while_under_dosed_water_may_still_be_passing():
    going_on = raised(replace(CUT, end=None))
    with_proofs = after(going_on, *evidence(at=hour(1)))
    assert with_proofs.state is State.RAISED and with_proofs.open_steps == tuple(Step)
    with pytest.raises(NotAllowed, match="may still be passing"):
        advance(with_proofs, record("disinfect", hour(2)))
    ended = advance(with_proofs, exposure_event(with_proofs, CUT, at=hour(2), hot_tank_l=150.0))
    assert ended.evidence_since == CUT.end
    assert ended.open_steps == tuple(Step)  # what was proven before the end proves nothing after it


def test_samples_wait_for_flush_and_disinfection():
    flushed = after(raised(), *water_run())
    with pytest.raises(NotAllowed, match="comes after disinfect"):
        advance(flushed, record("sample_1", hour(3)))
    with pytest.raises(NotAllowed, match="comes after disinfect"):  # taken before, told after
        advance(cleaned(), record("sample_1", hour(5), done_at=hour(3)))
    with pytest.raises(NotAllowed, match="comes after flush_cold"):
        advance(raised(), record("sample_1", hour(5)))


# SOURCES.md section 6, "Lifting": two consecutive satisfactory sample sets about 24 h apart (from memory).
@pytest.mark.parametrize(("gap_h", "counts"), [(1, False), (23.99, False), (24, True), (30, True)])
def test_the_second_sample_is_taken_a_day_after_the_first(gap_h, counts):
    first = after(cleaned(), record("sample_1", hour(5)))
    second = record("sample_2", hour(5) + timedelta(hours=gap_h))
    if counts:
        assert Step.SAMPLE_2 not in advance(first, second).open_steps
    else:
        with pytest.raises(NotAllowed, match="24 h after a sample_1"):
            advance(first, second)


def test_a_second_sample_without_a_first_is_refused():
    with pytest.raises(NotAllowed, match="sample_1 that counts"):
        advance(cleaned(), record("sample_2", hour(40)))


def test_a_first_sample_taken_again_makes_the_second_wait_again():
    advisory = after(cleaned(), record("sample_1", hour(5)), record("sample_2", hour(30)))
    assert Step.SAMPLE_2 not in advisory.open_steps
    assert Step.SAMPLE_2 in advance(advisory, record("sample_1", hour(31))).open_steps


def test_a_failed_sample_starts_cleaning_and_sampling_again_and_asks_for_chlorine():
    dose = {"dose_low_mj_cm2": 30.0, "dose_target_mj_cm2": 40.0}
    mild = raised(replace(CUT, cause="low-dose", **dose))
    assert Step.DISINFECT not in mild.steps
    assert Step.SAMPLE_2 not in mild.steps
    sampled = after(mild, *water_run(), record("sample_1", hour(5)))
    told = {"at": hour(30), "by": "Ann Marsh", "done_at": hour(29), "note": "coliforms found"}
    of_before = advance(sampled, SampleFailed(**told))  # a record of before its steps were kept
    assert set(of_before.steps) == {*mild.steps, Step.DISINFECT}
    assert of_before.severity is Severity.UNDER_TREATED
    event = SampleFailed(**told, steps=StepPolicy().steps(Severity.UNTREATED, hot_tank_l=150.0))
    failed = advance(sampled, from_json(to_json(event)))
    assert failed.severity is Severity.UNTREATED
    assert {Step.DISINFECT, Step.FLUSH_COLD, Step.SAMPLE_1, Step.SAMPLE_2} <= set(failed.open_steps)
    assert failed.evidence_since == hour(29)
    assert Step.POWER_STABLE not in failed.open_steps


def test_lifting_with_steps_undone_needs_a_reason_which_is_kept():
    advisory = cleaned()
    with pytest.raises(NotAllowed, match="still undone: sample_1, sample_2"):
        advance(advisory, Lifted(at=hour(6), by="Ann Marsh", reason="  "))
    lifted = advance(advisory, Lifted(at=hour(6), by="Ann Marsh", reason="Health unit agreed by telephone"))
    assert lifted.lifted.reason == "Health unit agreed by telephone"
    assert lifted.undone_at_lift == (Step.SAMPLE_1, Step.SAMPLE_2)


@pytest.mark.parametrize("name", ["", "  ", "\t\n"])
def test_nobody_lifts_records_or_raises_without_a_name(name):
    with pytest.raises(NotAllowed, match="must name the person"):
        Lifted(at=hour(1), by=name, reason="all fine")
    with pytest.raises(NotAllowed, match="must name the person"):
        record("disinfect", hour(1), by=name)
    with pytest.raises(NotAllowed, match="must name the person"):
        exposure_event(None, replace(CUT, cause="manual"), at=hour(1), hot_tank_l=0.0, by=name)


def test_after_lifting_nothing_changes():
    lifted = advance(cleaned(), Lifted(at=hour(6), by="Ann Marsh", reason="agreed"))
    for event in (
        record("sample_1", hour(7)), Lifted(at=hour(7), by="Bo"), evidence(at=hour(7))[0],
        SampleFailed(at=hour(7), by="Bo"),
        Exposed(at=hour(7), exposure=CUT, severity="untreated", steps=tuple(Step)),
    ):
        with pytest.raises(NotAllowed, match="nothing changes any more"):
            advance(lifted, event)


def test_new_exposure_after_lifting_raises_a_new_advisory():
    lifted = advance(cleaned(), Lifted(at=hour(6), by="Ann Marsh", reason="agreed"))
    event = exposure_event(lifted, replace(CUT, start=hour(8), end=hour(9)), at=hour(9), hot_tank_l=150.0)
    assert advance(None, event).state is State.RAISED


def test_the_notice_comes_down_last():
    with pytest.raises(NotAllowed, match="it comes after sample_1"):
        advance(cleaned(), record("notice_removed", hour(5)))
    done = after(cleaned(), record("sample_1", hour(5)), record("sample_2", hour(29)))
    assert advance(done, record("notice_removed", hour(30))).open_steps == ()


def test_a_person_cannot_record_what_the_sensors_deny_nor_a_dose():
    dark = after(raised(), *evidence(at=hour(1), lamp_on=False))
    with pytest.raises(NotAllowed, match="cannot count yet: the evidence is: lamp is not lit"):
        advance(dark, record("lamp_lit", hour(2)))
    with pytest.raises(NotAllowed, match="nobody can see a dose"):
        advance(raised(), record("dose_back", hour(2)))


def test_without_a_meter_a_person_may_record_the_flush():
    told = {"metered_l": float("nan"), "cold_l": None, "hot_l": None}
    blind = after(raised(), *evidence(at=hour(1), **told))
    assert Step.FLUSH_COLD in blind.open_steps
    flushed = after(blind, record(
        "flush_cold", hour(2), begun_at=minute(60), done_at=minute(70), note="all taps for 5 min"))
    for one in (flushed, after(flushed, *evidence(at=hour(2), **told))):
        status = next(step for step in one.statuses if step.code is Step.FLUSH_COLD)
        assert status.done and "Ann Marsh" in status.evidence and "5 min" in status.evidence
        assert "not confirmed by a meter" in status.evidence


def test_a_dose_that_is_not_known_is_not_proven():
    blind = after(raised(), *evidence(at=hour(1), dose_ok_min=None))
    assert Step.DOSE_BACK in blind.open_steps


def test_power_whose_beginning_is_not_known_proves_nothing():
    found = proofs(
        at=hour(9), power_on=True, power_on_since=None, lamp_on=None, lamp_on_since=None, dose_ok_min=None,
        metered_l=None, flush_cold_l=20.0, flush_hot_l=170.0,
    )
    done = {proof.step: proof.done for proof in found}
    assert done == {Step.POWER_STABLE: False, Step.LAMP_LIT: None, Step.DOSE_BACK: None,
                    Step.FLUSH_COLD: None, Step.FLUSH_HOT: None}


def test_only_ticks_and_unticks_need_keeping():
    advisory = raised()
    advisory = after(advisory, *water_run(cold_l=1.0, hot_l=1.0)[:2])
    first = new_proofs(advisory, evidence(at=hour(2), cold_l=1.0, hot_l=1.0))
    assert {proof.step for proof in first} == set(Step) - {
        Step.DISINFECT, Step.SAMPLE_1, Step.SAMPLE_2, Step.NOTICE_REMOVED
    }
    advisory = after(advisory, *first)
    assert new_proofs(advisory, evidence(at=hour(2), cold_l=9.0, hot_l=9.0)) == ()
    assert [proof.step for proof in new_proofs(advisory, evidence(at=hour(3), hot_l=9.0))] == [Step.FLUSH_COLD]


# cause, lowest lower bound of dose, target, hot tank -> severity, is disinfection asked for, is the hot flush
TABLE = [
    ("power-cut", None, None, 150.0, Severity.UNTREATED, True, True),
    ("power-cut", 39.0, 40.0, 150.0, Severity.UNTREATED, True, True),
    ("lamp-failure", 0.0, 40.0, 150.0, Severity.UNTREATED, True, True),
    ("unheard", None, 40.0, 150.0, Severity.UNTREATED, True, True),
    ("warm-up-draw", None, 40.0, 150.0, Severity.UNTREATED, True, True),
    ("warm-up-draw", 25.0, 40.0, 150.0, Severity.UNDER_TREATED, False, True),
    ("low-dose", float("nan"), 40.0, 150.0, Severity.UNTREATED, True, True),
    ("low-dose", 19.9, 40.0, 150.0, Severity.UNTREATED, True, True),
    ("low-dose", 20.0, 40.0, 150.0, Severity.UNDER_TREATED, False, True),
    ("low-dose", 20.0, 40.0, 0.0, Severity.UNDER_TREATED, False, False),
    ("power-cut", None, None, 0.0, Severity.UNTREATED, True, False),
]


@pytest.mark.parametrize(("cause", "dose", "target", "hot_tank_l", "severity", "chlorine", "hot"), TABLE)
def test_the_steps_follow_from_the_exposure(cause, dose, target, hot_tank_l, severity, chlorine, hot):
    exposure = replace(CUT, cause=cause, dose_low_mj_cm2=dose, dose_target_mj_cm2=target)
    advisory = raised(exposure, hot_tank_l=hot_tank_l)
    assert advisory.severity is severity
    assert (Step.DISINFECT in advisory.steps) is chlorine
    assert (Step.FLUSH_HOT in advisory.steps) is hot
    assert (Step.SAMPLE_2 in advisory.steps) is chlorine
    assert {Step.SAMPLE_1, Step.FLUSH_COLD, Step.NOTICE_REMOVED} <= set(advisory.steps)


def test_the_worst_of_its_pieces_says_how_severe_an_exposure_is():
    def of(*severities, cause="low-dose"):
        pieces = tuple(
            Piece(start=minute(2 * i), end=minute(2 * i + 1), kind="weak", cause="none", underdosed_l=1.0,
                  underdosed_l_upper=1.0, dose_low_mj_cm2=36.0, severity=one) for i, one in enumerate(severities))
        return StepPolicy().severity(replace(
            CUT, cause=cause, pieces=pieces, dose_low_mj_cm2=36.0, dose_target_mj_cm2=40.0))

    assert of("marginal", "marginal") is Severity.MARGINAL
    assert of("marginal", "under-treated") is Severity.UNDER_TREATED
    assert of("untreated", "under-treated", "marginal") is Severity.UNTREATED
    assert of("marginal", "") is Severity.UNDER_TREATED  # one of before: by its lowest dose
    assert of("marginal", cause="laboratory") is Severity.UNTREATED


def test_marginal_water_asks_for_no_flush_and_one_sample():
    steps = StepPolicy().steps(Severity.MARGINAL, hot_tank_l=150.0)
    assert steps == (Step.POWER_STABLE, Step.LAMP_LIT, Step.DOSE_BACK, Step.SAMPLE_1, Step.NOTICE_REMOVED)


def test_a_fleet_may_change_the_table_and_old_advisories_keep_theirs():
    lenient = StepPolicy(untreated=("power_stable", "flush_cold", "sample_1"))
    event = exposure_event(None, CUT, at=hour(1), hot_tank_l=150.0, policy=lenient)
    assert event.steps == (Step.POWER_STABLE, Step.FLUSH_COLD, Step.SAMPLE_1)
    assert replay([from_json(to_json(event))]).steps == event.steps
    with pytest.raises(ValueError, match="sample_2 without sample_1"):
        StepPolicy(under_treated=("sample_2",))


def test_a_worse_second_exposure_adds_steps_and_a_milder_one_drops_none():
    mild = replace(CUT, cause="low-dose", dose_low_mj_cm2=30.0, dose_target_mj_cm2=40.0)
    advisory = raised(mild)
    worse = advance(
        advisory, exposure_event(advisory, replace(CUT, end=hour(2)), at=hour(2), hot_tank_l=150.0)
    )
    assert worse.severity is Severity.UNTREATED and Step.DISINFECT in worse.steps
    again = advance(worse, exposure_event(worse, replace(mild, end=hour(3)), at=hour(3), hot_tank_l=150.0))
    assert again.severity is Severity.UNTREATED and Step.DISINFECT in again.steps


def test_water_that_cannot_have_passed_raises_nothing_and_unknown_water_does():
    nothing = replace(CUT, underdosed_l=0.0, underdosed_l_upper=0.0)
    assert exposure_event(None, nothing, at=hour(1), hot_tank_l=0.0) is None
    unknown = replace(CUT, underdosed_l=None, underdosed_l_upper=None)
    assert exposure_event(None, unknown, at=hour(1), hot_tank_l=0.0) is not None


def test_the_same_exposure_told_again_is_no_event():
    assert exposure_event(raised(), CUT, at=hour(1), hot_tank_l=150.0) is None


def test_an_event_from_before_the_last_one_is_refused():
    with pytest.raises(NotAllowed, match="must not lie before the last event"):
        advance(raised(), record("disinfect", minute(30)))
    with pytest.raises(NotAllowed, match="must not lie after the record"):
        record("disinfect", minute(40), done_at=minute(41))


def test_a_record_begins_with_raised():
    with pytest.raises(NotAllowed, match="begins with 'raised'"):
        advance(None, record("disinfect", hour(1)))
    with pytest.raises(NotAllowed, match="no event"):
        replay([])


def test_a_naive_instant_and_litres_below_zero_are_refused_by_name():
    with pytest.raises(ValueError, match="start must be an instant"):
        replace(CUT, start=datetime(2026, 5, 1))
    with pytest.raises(ValueError, match="underdosed_l must be a finite number"):
        replace(CUT, underdosed_l=-1.0)
    with pytest.raises(ValueError, match="end must not lie before start"):
        replace(CUT, end=START - timedelta(seconds=1))


def test_every_event_survives_the_trip_through_text():
    unknown = replace(CUT, end=None, underdosed_l=float("nan"), underdosed_l_upper=None)
    events = [
        exposure_event(None, unknown, at=hour(1), hot_tank_l=150.0, by="Zoë"),
        Exposed(at=hour(2), exposure=CUT, severity="under-treated", steps=("sample_1",)),
        Remeasured(at=hour(2), exposure=CUT, severity="untreated", steps=tuple(Step)),
        Proof(at=hour(2), step="flush_cold", done=None, evidence="no metered flow"),
        record("sample_1", hour(3), done_at=hour(2), note="lab no. 12"),
        SampleFailed(at=hour(4), by="Bo"),
        Lifted(at=hour(5), by="Bo", reason="agreed"),
    ]
    assert [from_json(to_json(event)) for event in events] == events


@pytest.mark.parametrize(
    ("text", "message"),
    [('{"kind": "cleared"}', "kind must be one of"), ('{"kind": "lifted", "who": "x"}', "event 'lifted'.*who")],
)
def test_a_text_that_is_no_event_is_refused_by_name(text, message):
    with pytest.raises(ValueError, match=message):
        from_json(text)


def test_causes_and_steps_are_the_words_of_the_outside_contract():
    assert [step.value for step in Step] == [
        "power_stable", "lamp_lit", "dose_back", "flush_cold", "flush_hot", "disinfect", "sample_1", "sample_2",
        "notice_removed",
    ]
    assert {cause.value for cause in Cause} == {
        "power-cut", "lamp-failure", "warm-up-draw", "low-dose", "unheard", "manual",
        "laboratory",
    }


# The order of cleaning ---------------------------------------------------------------------------------------


def ran(step, begun, ended):
    return record(step, hour(6), begun_at=minute(begun), done_at=minute(ended))


def heated(ended=300, at=None, **more):
    return record(
        "flush_hot", at or hour(6), done_at=minute(ended), how="heated", degrees_c=71.0, minutes=30.0, **more)


def test_chlorine_comes_after_the_flushes():
    """It does not kill Cryptosporidium (SOURCES.md section 6, from memory)."""
    with pytest.raises(NotAllowed, match=r"comes after flush_cold .*Cryptosporidium"):
        advance(raised(), record("disinfect", hour(6)))
    cold = advance(raised(), ran("flush_cold", 60, 70))
    with pytest.raises(NotAllowed, match="comes after flush_hot"):
        advance(cold, record("disinfect", hour(6)))
    both = advance(cold, ran("flush_hot", 70, 115))
    with pytest.raises(NotAllowed, match="comes after flush_hot"):
        advance(both, record("disinfect", hour(6), done_at=minute(114)))
    assert Step.DISINFECT not in advance(both, record("disinfect", hour(6), done_at=minute(115))).open_steps


def test_chlorine_waits_for_flushes_whose_litres_are_still_to_be_heard_of():
    told = after(raised(), ran("flush_cold", 60, 70), ran("flush_hot", 70, 115))
    unheard = after(told, *evidence(at=hour(6), cold_l=3.0, hot_l=3.0, heard=False))
    waits = advance(unheard, record("disinfect", hour(6), done_at=hour(3)))
    assert {Step.FLUSH_COLD, Step.FLUSH_HOT, Step.DISINFECT} <= set(waits.open_steps)
    heard = after(waits, *evidence(at=hour(7)))
    assert not {Step.FLUSH_COLD, Step.FLUSH_HOT, Step.DISINFECT} & set(heard.open_steps)


def test_a_tank_is_heated_or_drained_after_the_cold_pipes_are_flushed():
    drained = record("flush_hot", hour(6), done_at=minute(300), how="drained", times=3)
    for one in (heated(), drained):
        with pytest.raises(NotAllowed, match=r"comes after flush_cold .*runs into the clean tank"):
            advance(raised(), one)
        assert Step.FLUSH_HOT not in after(raised(), ran("flush_cold", 60, 70), one).open_steps
    # what stands in the cold pipes while the heating goes on is drawn in with the first hot water
    with pytest.raises(NotAllowed, match="comes after flush_cold"):
        after(raised(), ran("flush_cold", 60, 275), heated(300))
    hasty = record("flush_hot", hour(6), done_at=minute(300), how="chlorinated")
    with pytest.raises(NotAllowed, match="chlorine takes 6 h at least"):
        advance(raised(), hasty)
    chlorinated = record("flush_hot", hour(9), done_at=hour(8), how="chlorinated")
    assert Step.FLUSH_HOT not in advance(raised(), chlorinated).open_steps  # the loop holds the cold pipes too


def test_only_a_persons_record_with_its_way_proves_a_heated_tank_and_its_words_say_how():
    found = after(raised(), ran("flush_cold", 60, 70), heated(note="both elements"))
    status = next(one for one in found.statuses if one.code is Step.FLUSH_HOT)
    assert status.done and status.since == minute(300)
    assert status.evidence.endswith("both elements; heated, 71 C at the hot tap for 30 min")
    short = proofs(
        at=hour(7), power_on=None, power_on_since=None, lamp_on=None, lamp_on_since=None, dose_ok_min=None,
        metered_l=9000.0, flush_cold_l=20.0, flush_hot_l=170.0, too_little="71 C is not enough")
    assert Step.FLUSH_HOT in after(found, short[-1]).open_steps  # more water became known, and more is asked
    again = advance(after(found, short[-1]), heated(320, hour(8)))  # and can be told anew
    assert Step.FLUSH_HOT not in again.open_steps


def test_a_flush_of_which_nothing_has_to_be_drawn_ticks_by_itself_until_something_has():
    def found(at, cold_l):
        return proofs(
            at=at, power_on=None, power_on_since=None, lamp_on=None, lamp_on_since=None, dose_ok_min=None,
            metered_l=0.0, flush_cold_l=cold_l, flush_hot_l=170.0, clean_since=minute(30))[-2]

    nothing = found(hour(3), 0.0)
    (kept,) = new_proofs(raised(), [nothing])
    done = advance(raised(), kept)
    status = next(one for one in done.statuses if one.code is Step.FLUSH_COLD)
    assert status.done and status.since == minute(30) and "nothing has to be drawn" in status.evidence
    assert new_proofs(done, [nothing]) == ()
    (more,) = new_proofs(done, [found(hour(4), 20.0)])  # the exposure turned out to be larger
    undone = advance(done, more)
    assert Step.FLUSH_COLD in undone.open_steps
    assert Step.FLUSH_COLD not in advance(undone, ran("flush_cold", 60, 70)).open_steps


def test_an_advisory_of_before_cleaning_was_sized_keeps_its_order_and_replays():
    event = replace(exposure_event(None, CUT, at=minute(31), hot_tank_l=150.0), sized=False)
    old = json.loads(to_json(event))
    del old["sized"]
    disinfect = json.loads(to_json(record("disinfect", hour(4))))
    for name in ("how", "degrees_c", "minutes", "times"):
        del disinfect[name]
    proof = json.loads(to_json(Proof(at=hour(2), step=Step.FLUSH_HOT, done=True, evidence="1060 of 1055 L")))
    del proof["alone"]
    read = [from_json(json.dumps(one)) for one in (old, proof, disinfect)]
    found = replay(read)
    assert not found.sized and Step.DISINFECT not in found.open_steps
