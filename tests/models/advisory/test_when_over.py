"""When it is over, worked out by hand; incubation, opening hours, taps and contact are common practice, no source.

The cabin of `test_cleaning`: pipes of 18 L, a tank of 150 L, 28 L/min at most; after 10 L of untreated water its
cold pipes take 50 L, its tank 65 L heated, 650 L drained, 959 L flushed or chlorinated (worked out there).
Friday 27 Nov 2026, 18:00 in Toronto is 23:00 UTC; the laboratory opens at 08:00 and shuts at 16:00.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.advisory import (
    Advisory,
    Exposure,
    Lifted,
    Proof,
    Step,
    StepPolicy,
    StepRecorded,
    advance,
    advanced,
    exposure_event,
)
from models.advisory.guests import next_arrival
from models.advisory.laboratory import WEEKDAYS, LaboratoryPolicy
from models.advisory.when_over import SamplePlan, WhenOver, against, message_words, over_words, when_over
from tests.models.advisory.test_cleaning import CABIN, UNIT

TORONTO = ZoneInfo("America/Toronto")
FRIDAY = datetime(2026, 11, 27, 18, 0, tzinfo=TORONTO)
CUT_ENDS = FRIDAY - timedelta(hours=2)
SENSORS = (Step.POWER_STABLE, Step.LAMP_LIT, Step.DOSE_BACK)
ONE_SAMPLE = StepPolicy(untreated=(*SENSORS, Step.SAMPLE_1, Step.NOTICE_REMOVED))
MIN = timedelta(minutes=1)


def at(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=TORONTO)


def advisory(*, policy: StepPolicy | None = None, ends: datetime | None = CUT_ENDS) -> Advisory:
    """10 L past a dark lamp, on the evening of a Friday."""
    cut = Exposure(cause="power-cut", start=CUT_ENDS - timedelta(hours=1), end=ends, underdosed_l=10.0,
                   underdosed_l_upper=10.0, dose_target_mj_cm2=40.0)
    return advance(None, exposure_event(None, cut, at=CUT_ENDS, hot_tank_l=150.0, policy=policy))


def proven(one: Advisory) -> Advisory:
    """Power, light and dose are back."""
    return advanced(one, [Proof(at=CUT_ENDS + 40 * MIN, step=step, done=True, evidence="") for step in SENSORS])


def asked(one: Advisory, *, now: datetime = FRIDAY, **changes: object) -> WhenOver:
    given = {"unit": UNIT, "cabin": CABIN, **changes}
    return when_over(one, now=now, **given)


def test_a_sample_of_friday_evening_is_planned_with_the_laboratorys_monday():
    found = asked(proven(advisory(policy=ONE_SAMPLE)))
    # 62 h until Monday 08:00, and it may travel 24: so not before Sunday 08:00; a day in the incubator
    assert found.samples == (SamplePlan(
        step=Step.SAMPLE_1, take_from=at("2026-11-29T08:00"), at_laboratory=at("2026-11-30T08:00"),
        result=at("2026-12-01T08:00"), travels_h=24.0),)
    assert found.earliest == at("2026-12-01T08:00")
    assert found.likely == at("2026-12-01T16:00")  # in by Monday 16:00
    assert over_words(found)[:2] == (
        "At the earliest Tuesday 01 Dec 08:00 EST, if the work begins now; more likely Tuesday 01 Dec 16:00 "
        "EST, with one tap open at a time and the laboratory's usual round.",
        "The first sample is for the laboratory's Monday 30 Nov: take it from Sunday 29 Nov 08:00 EST on, for "
        "it may travel 24 h.")


def test_one_that_may_travel_for_three_days_is_taken_at_once():
    found = asked(proven(advisory(policy=ONE_SAMPLE)), laboratory=LaboratoryPolicy(laboratory_hours=72))
    assert [one.take_from for one in found.samples] == [FRIDAY]
    assert found.earliest == at("2026-12-01T08:00")


def test_a_laboratory_that_works_on_saturdays_has_it_two_days_sooner():
    days = LaboratoryPolicy(laboratory_days=("mon", "sat"))
    assert asked(proven(advisory(policy=ONE_SAMPLE)), laboratory=days).earliest == at("2026-11-29T08:00")


def test_within_its_hours_the_laboratory_takes_it_an_hour_later_and_after_them_on_the_next_day():
    one = proven(advisory(policy=ONE_SAMPLE))
    for now, result in (("2026-11-30T10:30", "2026-12-01T11:30"), ("2026-11-30T15:00", "2026-12-01T16:00"),
                        ("2026-11-30T15:01", "2026-12-02T08:00"), ("2026-11-30T06:00", "2026-12-01T08:00")):
        assert asked(one, now=at(now)).earliest == at(result)


def test_all_steps_from_a_friday_evening_on():
    found = asked(proven(advisory()))
    # cold 50 / 28 = 1.8 min; drained 650 / 28 = 23.2 min is the quickest; 6 h of chlorine: Saturday 00:25.
    # Sample 1 from Sunday 08:00 for Monday 08:00; sample 2 a day later, Monday 08:00, is there at 09:00.
    assert [(one.take_from, one.at_laboratory) for one in found.samples] == [
        (at("2026-11-29T08:00"), at("2026-11-30T08:00")), (at("2026-11-30T08:00"), at("2026-11-30T09:00"))]
    assert found.earliest == at("2026-12-01T09:00")
    # One tap, 6 L/min: cold 8.3 min; heated, as offered, 10.8 + 30 min + 6 h; chlorine 12 h + 959 / 6 = 160 min:
    # 21.5 h, Saturday. Monday by 16:00; the second from Tuesday 15:00 on, so with Wednesday; a day: Thursday 16:00.
    assert found.likely == at("2026-12-03T16:00")
    assert not found.not_known


def test_without_samples_the_minutes_of_taps_heater_and_chlorine_count():
    some = (*SENSORS, Step.FLUSH_COLD, Step.FLUSH_HOT, Step.DISINFECT, Step.NOTICE_REMOVED)
    found = asked(proven(advisory(policy=StepPolicy(untreated=some))))
    assert found.earliest == FRIDAY + timedelta(minutes=50 / 28 + 650 / 28, hours=6)
    assert found.likely == FRIDAY + timedelta(minutes=50 / 6 + 65 / 6 + 30 + 959 / 6, hours=6 + 12)
    # a well of 5 L/min holds all taps to that
    slow = asked(proven(advisory(policy=StepPolicy(untreated=some))), cabin=replace(CABIN, well_l_min=5.0))
    # heated is the quickest now: 65 / 5 + 30 = 43 min, against 650 / 5 = 130
    assert slow.earliest == FRIDAY + timedelta(minutes=50 / 5 + 65 / 5 + 30, hours=6)
    # 115 L, where the septic bed takes 60 in a day: two days; at the earliest a hose leads it away
    bed = asked(proven(advisory(policy=StepPolicy(untreated=some))), cabin=replace(CABIN, septic_l_day=60.0))
    assert (bed.earliest, bed.likely) == (found.earliest, found.likely + timedelta(days=1))


def only(*steps: Step) -> StepPolicy:
    """These steps, once power, light and dose are back."""
    return StepPolicy(untreated=(*SENSORS, *steps, Step.NOTICE_REMOVED))


@pytest.mark.parametrize(("steps", "septic_l_day", "days"), [
    ((Step.FLUSH_COLD, Step.FLUSH_HOT), 115.0, 0), ((Step.FLUSH_COLD, Step.FLUSH_HOT), 114.0, 1),
    ((Step.FLUSH_COLD,), 50.0, 0), ((Step.FLUSH_COLD,), 49.0, 1), ((Step.FLUSH_COLD,), 16.0, 3),
    ((Step.FLUSH_HOT,), 65.0, 0), ((Step.FLUSH_HOT,), 64.0, 1), ((Step.DISINFECT,), 1.0, 0),
])
def test_the_septic_bed_takes_what_runs_in_a_day_and_the_rest_on_others(steps, septic_l_day, days):
    one = proven(advisory(policy=only(*steps)))
    free, held = asked(one), asked(one, cabin=replace(CABIN, septic_l_day=septic_l_day))
    assert held.likely == free.likely + timedelta(days=days)


def test_without_a_tank_chlorine_is_rinsed_from_the_pipes_and_a_tank_that_is_not_hot_enough_is_drained():
    none = asked(proven(advisory(policy=only(Step.FLUSH_COLD, Step.DISINFECT))), unit=replace(UNIT, hot_tank_l=0.0))
    assert none.likely == FRIDAY + timedelta(minutes=50 / 6 + 50 / 6, hours=12)
    drained = asked(proven(advisory(policy=only(Step.FLUSH_HOT))), unit=replace(UNIT, hot_max_c=60.0))
    assert drained.likely == FRIDAY + timedelta(minutes=650 / 6)
    # a twentieth of a litre: nothing in the tank has to go (`test_cleaning`)
    little = Exposure(cause="power-cut", start=CUT_ENDS - timedelta(hours=1), end=CUT_ENDS, underdosed_l=0.02,
                      underdosed_l_upper=0.02, dose_target_mj_cm2=40.0)
    one = proven(advance(None, exposure_event(
        None, little, at=CUT_ENDS, hot_tank_l=150.0, policy=only(Step.FLUSH_HOT))))
    assert asked(one, cabin=replace(CABIN, septic_l_day=0.5)).likely == FRIDAY


@pytest.mark.parametrize(("evidence", "lacks_min", "known"), [
    ("0 of 10 min of dose at or above target", 10, False), ("0.5 of 10 min of dose at or above target", 9.5, True),
    ("dose not known", 10, False), ("12 of 10 min of dose at or above target", 0, True),
])
def test_a_dose_that_has_not_begun_to_come_back_comes_nobody_knows_when(evidence, lacks_min, known):
    one = advance(proven(advisory(policy=only())), Proof(
        at=FRIDAY, step=Step.DOSE_BACK, done=False, evidence=evidence))
    found = asked(one)
    assert found.earliest == FRIDAY + lacks_min * MIN and (found.likely is not None) is known


@pytest.mark.parametrize(("step", "least_min", "known"), [
    (Step.DOSE_BACK, 0, False), (Step.POWER_STABLE, 0, True), (Step.LAMP_LIT, 0, True)])
def test_what_no_sensor_measures_a_person_may_record_but_no_dose(step, least_min, known):
    one = advance(proven(advisory(policy=only())), Proof(at=FRIDAY, step=step, done=None, evidence="not known"))
    found = asked(one)
    assert found.earliest == FRIDAY + least_min * MIN and (found.likely is not None) is known
    if known:
        assert found.likely == FRIDAY + (30 if step is Step.POWER_STABLE else 10) * MIN


def test_while_water_still_passes_only_the_dose_has_all_of_its_minutes_before_it():
    for steps, least_min in (((Step.POWER_STABLE,), 0), ((Step.LAMP_LIT,), 0), ((Step.DOSE_BACK,), 10)):
        one = advisory(policy=StepPolicy(untreated=(*steps, Step.NOTICE_REMOVED)), ends=None)
        assert asked(one).earliest == FRIDAY + least_min * MIN


def test_more_litres_than_asked_leave_none_to_run():
    one = advance(proven(advisory(policy=only(Step.FLUSH_COLD, Step.SAMPLE_1))), Proof(
        at=FRIDAY, step=Step.FLUSH_COLD, done=None, evidence="60 of 50 L metered since the last under-dosed litre"))
    (plan,) = asked(one, laboratory=LaboratoryPolicy(laboratory_hours=72)).samples
    assert plan.take_from == FRIDAY


def test_as_people_work_the_second_sample_goes_by_the_first_and_by_the_water():
    samples = (Step.SAMPLE_1, Step.SAMPLE_2)
    # sixteen hours apart: the first on its way at 15:00, the second from 07:00 on, in by the next day's end
    policy = StepPolicy(untreated=(*SENSORS, *samples, Step.NOTICE_REMOVED), sample_gap_h=16.0)
    one = proven(advisory(policy=policy))
    assert asked(one, now=at("2026-12-01T08:00")).likely == at("2026-12-03T16:00")  # at 08:00 sharp: that very day
    assert asked(one, now=at("2026-12-01T08:01")).likely == at("2026-12-04T16:00")
    first = advance(one, StepRecorded(
        at=at("2026-12-01T09:00"), step=Step.SAMPLE_1, by="Ann Lund", done_at=at("2026-11-30T10:00")))
    # long since apart: by the present, Wednesday's round
    assert asked(first, now=at("2026-12-01T12:00")).likely == at("2026-12-03T16:00")
    assert asked(first, now=at("2026-12-01T12:00")).earliest == at("2026-12-02T13:00")


def test_litres_that_have_run_are_not_asked_for_again_and_chlorine_alone_stands_its_hours():
    some = StepPolicy(untreated=(*SENSORS, Step.FLUSH_COLD, Step.NOTICE_REMOVED))
    one = advance(proven(advisory(policy=some)), Proof(
        at=FRIDAY, step=Step.FLUSH_COLD, done=None, evidence="22 of 50 L metered since the last under-dosed litre"))
    assert asked(one).earliest == FRIDAY + MIN  # 28 L at 28 L/min
    no_drain = replace(UNIT, hot_max_c=None, hot_tank_heel_l=149.0, peak_flow_l_min=959.0)
    tank = StepPolicy(untreated=(*SENSORS, Step.FLUSH_HOT, Step.NOTICE_REMOVED))
    assert asked(proven(advisory(policy=tank)), unit=no_drain).earliest == FRIDAY + MIN  # flushed, no chlorine


def test_minutes_of_power_light_and_dose_go_on_while_the_taps_run():
    some = StepPolicy(untreated=(*SENSORS, Step.NOTICE_REMOVED))
    one = advanced(advisory(policy=some), [
        Proof(at=FRIDAY, step=Step.POWER_STABLE, done=False, evidence="12.5 of 30 min of power on"),
        Proof(at=FRIDAY, step=Step.LAMP_LIT, done=True, evidence=""),
        Proof(at=FRIDAY, step=Step.DOSE_BACK, done=False, evidence="4 of 10 min of dose at or above target")])
    found = asked(one, now=FRIDAY + 2 * MIN)
    assert found.earliest == found.likely == FRIDAY + timedelta(minutes=17.5)
    assert over_words(found)[0] == (
        "At the earliest Friday 27 Nov 18:17 EST, if the work begins now.")


def test_what_nobody_can_foretell_is_said_and_then_there_is_no_later_end():
    some = StepPolicy(untreated=(*SENSORS, Step.NOTICE_REMOVED))
    dark = advanced(advisory(policy=some), [
        Proof(at=FRIDAY, step=Step.POWER_STABLE, done=False, evidence="power is not on"),
        Proof(at=FRIDAY, step=Step.LAMP_LIT, done=False, evidence="lamp is not lit"),
        Proof(at=FRIDAY, step=Step.DOSE_BACK, done=False, evidence="0 of 10 min of dose at or above target")])
    found = asked(dark)
    assert found.earliest == FRIDAY + 30 * MIN and found.likely is None
    assert found.not_known == ("when the power is back",)  # light and dose come after it
    assert "Nobody can say when the power is back." in over_words(found)
    lit = advance(dark, Proof(at=FRIDAY, step=Step.POWER_STABLE, done=True, evidence="30 min and more of power on"))
    assert asked(lit).not_known == ("when the lamp is lit again",)
    goes_on = asked(advisory(ends=None))
    assert goes_on.likely is None and goes_on.not_known == ("when the last under-dosed water has passed",)


@pytest.mark.parametrize(("changes", "said"), [
    ({"cold_plumbing_l": None}, "how much they hold is not enrolled"),
    ({"hot_tank_l": None}, "how much it holds is not enrolled"),
])
def test_plumbing_that_nobody_enrolled_takes_nobody_knows_how_long(changes, said):
    found = asked(proven(advisory()), unit=replace(UNIT, **changes))
    assert found.likely is None and any(said in one for one in found.not_known)
    assert found.not_known[-1].startswith("how long the chlorine's rinse takes")


def test_a_second_sample_waits_for_its_day_after_the_first():
    one = advance(proven(advisory(policy=StepPolicy(
        untreated=(*SENSORS, Step.SAMPLE_1, Step.SAMPLE_2, Step.NOTICE_REMOVED)))), StepRecorded(
            at=at("2026-12-01T10:00"), step=Step.SAMPLE_1, by="Ann Lund", done_at=at("2026-11-30T12:00")))
    found = asked(one, now=at("2026-12-01T10:05"))
    # taken Monday 12:00: the second from Tuesday 12:00 on, there at 13:00
    assert [one.at_laboratory for one in found.samples] == [at("2026-12-01T13:00")]
    assert found.earliest == at("2026-12-02T13:00") and found.likely == at("2026-12-03T16:00")


def test_hours_are_hours_where_the_clocks_change():
    # Toronto's clocks go back on Sunday 1 Nov 2026 at 02:00: 48 h before Monday 08:00 EST is Saturday 09:00 EDT
    friday = datetime(2026, 10, 30, 18, 0, tzinfo=TORONTO)
    one = advanced(advance(None, exposure_event(None, Exposure(
        cause="power-cut", start=friday - timedelta(hours=3), end=friday - timedelta(hours=2), underdosed_l=10.0,
        underdosed_l_upper=10.0), at=friday - timedelta(hours=2), hot_tank_l=150.0, policy=ONE_SAMPLE)), [
            Proof(at=friday - timedelta(hours=1), step=step, done=True, evidence="") for step in SENSORS])
    (plan,) = asked(one, now=friday, laboratory=LaboratoryPolicy(laboratory_hours=48)).samples
    assert plan.take_from == at("2026-10-31T09:00")
    assert plan.words.endswith("take it from Saturday 31 Oct 09:00 EDT on, for it may travel 48 h.")


def test_where_only_the_lifting_is_left_no_time_is_told_and_after_it_none_is_asked():
    one = proven(advisory(policy=StepPolicy(untreated=(*SENSORS, Step.NOTICE_REMOVED))))
    found = asked(one)
    assert found.only_lift and message_words(found) == ""
    assert over_words(found) == ("Every step is done: it is over when a named person lifts it.",)
    with pytest.raises(ValueError, match="it is over"):
        asked(advance(one, Lifted(at=FRIDAY, by="Ann Lund")))


@pytest.mark.parametrize(("arrival", "said"), [
    ("2026-11-28T16:00", "Not before the guests of Saturday 28 Nov 16:00 EST come: tell them, and have"),
    ("2026-12-02T16:00", "Perhaps not before the guests of Wednesday 02 Dec 16:00 EST come: tell them before"),
    ("2026-12-04T16:00", "Likely before the guests of Friday 04 Dec 16:00 EST come; while it stands,"),
])
def test_it_is_held_against_the_next_guests(arrival, said):
    found = asked(proven(advisory()))  # Tuesday 09:00 to Thursday 16:00
    assert against(found, at(arrival)).startswith(said)
    assert said in message_words(found, arrival=at(arrival)) and "no promise" in message_words(found)


def test_guests_who_come_at_the_very_hour_come_too_soon():
    found = asked(proven(advisory()))
    assert against(found, found.earliest).startswith("Not before")
    assert against(found, found.likely).startswith("Perhaps not before")
    assert against(found, None) == ""


def test_what_is_told_ends_with_what_may_still_come_and_a_telephone_gets_it_short():
    found = asked(proven(advisory()))
    assert over_words(found)[-1] == (
        "An estimate and no promise: a sample may fail, one that is on its way already is not counted here, and "
        "only a named person lifts the notice.")
    assert message_words(found) == (
        "Over at the earliest Tuesday 01 Dec 09:00 EST, more likely Thursday 03 Dec 16:00 EST, if the work begins "
        "now: an estimate, no promise.")
    taps = asked(proven(advisory(policy=only(Step.FLUSH_COLD))))
    # 1.8 min, so 18:01 and on; 8.3 min, so by 18:09
    assert over_words(taps) == (
        "At the earliest Friday 27 Nov 18:01 EST, if the work begins now; more likely Friday 27 Nov 18:09 EST, "
        "with one tap open at a time.",
        "An estimate and no promise: more water may have to be drawn, and only a named person lifts the notice.")


def test_a_later_end_that_nobody_knows_is_never_before_guests():
    found = asked(advisory(ends=None))
    assert against(found, at("2027-01-01T16:00")).startswith("Perhaps not before")


def test_the_next_guests_are_those_who_are_not_there_yet():
    bookings = pd.DataFrame({
        "cabin": ["heron-point", "heron-point", "heron-point", "elsewhere"],
        "start": [datetime(2026, 11, day).date() for day in (27, 20, 30, 28)],
        "end": [datetime(2026, 12, 1).date()] * 4, "summary": [""] * 4})
    # Friday's came at 16:00, two hours ago
    assert next_arrival(bookings, CABIN, FRIDAY, 16 * 60) == at("2026-11-30T16:00")
    assert next_arrival(bookings, CABIN, FRIDAY - timedelta(hours=3), 16 * 60) == at("2026-11-27T16:00")
    assert next_arrival(bookings, CABIN, at("2026-12-24T12:00"), 16 * 60) is None


@pytest.mark.parametrize(("given", "said"), [
    ({"laboratory_days": ()}, "laboratory_days must be a list of at least one of mon, tue"),
    ({"laboratory_days": ("Monday",)}, "got ['Monday']"),
    ({"laboratory_hours": 1.0}, "laboratory_hours must be above 1 and at most 72 h"),
    ({"laboratory_hours": True}, "got True"), ({"laboratory_hours": float("nan")}, "got nan"),
])
def test_a_laboratory_that_takes_nothing_is_refused(given, said):
    with pytest.raises(ValueError) as refused:
        LaboratoryPolicy(**given)
    assert said in str(refused.value)


STEPS = st.sets(st.sampled_from([step for step in Step if step is not Step.SAMPLE_2])).map(
    lambda some: (*some, Step.NOTICE_REMOVED))
LABORATORIES = st.builds(
    LaboratoryPolicy, laboratory_hours=st.floats(1.5, 72),
    laboratory_days=st.sets(st.sampled_from(WEEKDAYS), min_size=1).map(tuple))


@given(steps=STEPS, second=st.booleans(), hours=st.floats(0, 24 * 40), laboratory=LABORATORIES,
       gap_h=st.sampled_from([0.0, 16.0, 24.0, 48.0]), known=st.booleans())
def test_no_estimate_breaks_a_rule_of_the_samples_or_ends_before_it_begins(
        steps, second, hours, laboratory, gap_h, known):
    more = (Step.SAMPLE_2,) if second and Step.SAMPLE_1 in steps else ()
    one = advisory(policy=StepPolicy(untreated=(*steps, *more), sample_gap_h=gap_h))
    one = proven(one) if known else one
    now = FRIDAY + timedelta(hours=hours)  # over the year's end, and no change of clocks
    found = asked(one, now=now, laboratory=laboratory)
    assert found.earliest >= now and (found.likely is None or found.likely >= found.earliest)
    assert (found.likely is None) == bool(found.not_known)
    travel = timedelta(hours=laboratory.laboratory_hours)
    for plan in found.samples:
        there = plan.at_laboratory.astimezone(UTC)
        assert timedelta(hours=1) <= there - plan.take_from.astimezone(UTC) <= travel and plan.take_from >= now
        assert WEEKDAYS[plan.at_laboratory.weekday()] in laboratory.laboratory_days
        assert 8 <= plan.at_laboratory.hour <= 16 and plan.result <= found.earliest
    if len(found.samples) == 2:
        first, second_one = found.samples
        assert second_one.take_from - first.take_from >= timedelta(hours=gap_h)
    every = replace(laboratory, laboratory_days=WEEKDAYS)
    assert asked(one, now=now, laboratory=every).earliest <= found.earliest  # more days end nothing later
