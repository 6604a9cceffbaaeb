"""What the power-cut page says: the one next step, never ahead of the evidence."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from dashboard.charts.after_cut import cut_figure
from dashboard.charts.readings import Span
from dashboard.text.measures import Units
from dashboard.text.recovery import (
    NextStep,
    Waits,
    drawing_since,
    event_row,
    happened,
    lifted_words,
    measured_share,
    next_step,
    open_headline,
    share_words,
    standing_words,
    waits_words,
    way_label,
    way_lines,
    whom_to_call,
    with_litres,
)
from models.advisory import (
    FLUSH_STEPS,
    Exposure,
    Flush,
    Lifted,
    SampleFailed,
    StepRecorded,
    advance,
    exposure_event,
    proofs,
)
from models.advisory.cleaning import cleaning_of
from models.advisory.plumbing import StillThere
from models.fleet import Cabin, Contact, Role, Unit

CABIN = Cabin(
    slug="heron-point", name="Heron Point", time_zone="America/Toronto", latitude=45.4, longitude=-79.2,
    altitude_m=320.0, units=(Unit(slug="main", reactor="annular-40", uvt_pct=82.0, peak_flow_l_min=28.0),))
START = datetime(2026, 7, 4, 7, 10, tzinfo=UTC)
CUT = Exposure(
    cause="power-cut", start=START, end=START + timedelta(minutes=35), underdosed_l=41.0, underdosed_l_upper=41.3)
LATER = START + timedelta(hours=2)


def raised(exposure=CUT):
    return advance(None, exposure_event(None, exposure, at=START + timedelta(minutes=36), hot_tank_l=150.0))


def ran(advisory, step, *, litres, **figures):
    """The taps of that step ran for half an hour and brought these litres."""
    begun, ended = LATER - timedelta(minutes=40), LATER - timedelta(minutes=10)
    told = StepRecorded(at=LATER, step=step, by="Bo Reed", begun_at=begun, done_at=ended)
    return proven(advance(advisory, told), **figures, flushes=[
        Flush(step=step, begun_at=begun, ended_at=ended, metered_l=litres, heard=True)])


def flushed():
    """Everything but chlorine and samples is done."""
    advisory = proven(raised())
    for step in FLUSH_STEPS:
        advisory = advance(advisory, StepRecorded(
            at=LATER, step=step, by="Bo Reed", begun_at=LATER - timedelta(minutes=60)))
    return proven(advisory, flushes=[
        Flush(step=step, begun_at=LATER - timedelta(minutes=60), ended_at=LATER, metered_l=336.0, heard=True)
        for step in FLUSH_STEPS])


def proven(advisory, *, at=LATER, **figures):
    given = {
        "power_on": True, "power_on_since": START + timedelta(minutes=35), "lamp_on": True,
        "lamp_on_since": START + timedelta(minutes=36), "dose_ok_min": 70.0, "metered_l": 400.0,
        "flush_cold_l": 36.0, "flush_hot_l": 300.0, **figures}
    for proof in proofs(at=at, **given):
        advisory = advance(advisory, proof)
    return advisory


def test_while_under_dosed_water_passes_nothing_is_to_be_done_but_to_draw_none():
    found = next_step(raised(replace(CUT, end=None)))
    assert (found.waits, found.title, found.button) == (Waits.END, "Draw no water to drink", "")


@pytest.mark.parametrize(("figures", "title", "share"), [
    ({"power_on": False}, "Keep the power on", None),
    ({"power_on_since": LATER - timedelta(minutes=12)}, "Keep the power on", 12 / 30),
    ({"lamp_on": False}, "Wait until the lamp is warm", None),
    ({"dose_ok_min": 4.0}, "Wait for the full dose", 4 / 10),
    ({"dose_ok_min": None}, "Wait for the full dose", None),  # nobody can record a dose
])
def test_what_the_sensors_have_to_prove_has_progress_and_no_button(figures, title, share):
    found = next_step(proven(raised(), **figures))
    assert (found.waits, found.title, found.button) == (Waits.SENSORS, title, "")
    assert found.share is None if share is None else found.share == pytest.approx(share)


@pytest.mark.parametrize(("taps", "title", "share"), [
    (None, "Run every cold tap", 12 / 36), ("flush_cold", "Clean the hot tank", 12 / 300)])
def test_a_flush_shows_the_litres_so_far_and_asks_for_its_time(taps, title, share):
    advisory = proven(raised(), metered_l=12.0)
    if taps:
        advisory = ran(advisory, taps, litres=36.0, metered_l=12.0)
    found = next_step(advisory)
    assert (found.waits, found.title) == (Waits.PERSON, title)
    assert found.button.startswith("Record: ") and found.share == pytest.approx(share)
    assert found.evidence.startswith("12 of ") and "record from when to when the taps ran" in found.evidence


def test_taps_that_ran_too_little_are_run_and_recorded_again():
    found = next_step(ran(proven(raised()), "flush_cold", litres=30.0))
    assert (found.waits, found.step) == (Waits.PERSON, "flush_cold")
    assert found.evidence == "30 of 36 L metered in that time" and found.share == pytest.approx(30 / 36)


def test_before_any_proof_the_sensors_are_waited_for_and_no_person_is_asked():
    assert next_step(raised()).waits is Waits.SENSORS


def test_what_no_sensor_can_tell_a_person_may_record():
    found = next_step(proven(raised(), metered_l=None))
    assert (found.waits, found.button) == (Waits.PERSON, "Record: cold pipes flushed")


def test_the_way_from_disinfection_to_lifting():
    advisory = flushed()
    for step, hours, button in (
        ("disinfect", 0, "Record: plumbing disinfected with chlorine"), ("sample_1", 20, "Record the first sample"),
        ("sample_2", 45, "Record the second sample"),
    ):
        found = next_step(advisory)
        assert (found.waits, found.step, found.button) == (Waits.PERSON, step, button)
        advisory = advance(advisory, StepRecorded(at=LATER + timedelta(hours=hours), step=step, by="Bo Reed"))
    found = next_step(advisory)
    assert (found.waits, found.step, found.button) == (Waits.LIFT, None, "Lift the notice")
    failed = advance(advisory, SampleFailed(at=LATER + timedelta(hours=46), by="Bo Reed"))
    assert next_step(failed).step == "flush_cold"


@pytest.mark.parametrize(("words", "share"), [
    ("12 of 36 L metered", 1 / 3), ("90.1 of 30 min of power on", 1.0), ("0 of 0 L metered", 1.0),
    ("power is not on", None), ("not recorded yet", None), ("Bo Reed, 2026-07-04", None)])
def test_progress_is_read_from_a_proofs_own_words(words, share):
    assert measured_share(words) == (share if share is None else pytest.approx(share))


def test_three_sentences_with_times_of_the_cabin_and_litres_or_gallons():
    metric, us = (happened(raised(), CABIN, units) for units in Units)
    assert len(metric) == len(us) == 3
    assert "Between 03:10 EDT and 03:45 EDT on 04 Jul 2026" in metric[0]
    assert metric[1].startswith("About 42 L of water reached")
    # 231 cubic inches to the gallon (NIST SP 811, from memory): 41.0 L = 10.83 gal, 41.3 L = 10.91 gal, rounded up
    assert us[1].startswith("About 11 gal of water reached")


def test_where_the_water_stands_is_never_called_clean_beyond_what_the_meter_saw():
    moving = StillThere(cold_tap=1.0, pipe_l=6.0, tank_l=1.9, tank_l_upper=8.0)
    text = " ".join(standing_words(moving, Units.METRIC))
    assert "up to 6.0 L" in text and "the next glass" in text and "up to 8.0 L" in text
    flushed = StillThere(cold_tap=0.0, pipe_l=0.0, tank_l=0.0, tank_l_upper=0.0)
    gone = " ".join(standing_words(flushed, Units.METRIC))
    assert "none, by the meter" in gone and "may still hold some" in gone and "hot tank" not in gone
    assert "not known" in standing_words(None, Units.METRIC)[0]


def test_the_health_authority_comes_first_and_one_that_is_missing_is_said_to_be():
    people = (
        Contact(name="Ann Marsh", role=Role.MANAGER, phone="+1 555 0100"),
        Contact(name="Lakes Health Unit", role=Role.HEALTH_AUTHORITY, phone="+1 555 0199"),
        Contact(name="Somebody Else", role=Role.MANAGER, cabins=("other",)))
    authority, manager = whom_to_call(people, "heron-point")
    assert authority == "Local health authority (it decides): Lakes Health Unit, +1 555 0199"
    assert manager == "Manager: Ann Marsh, +1 555 0100"
    assert "not among the contacts" in whom_to_call((), "heron-point")[0]


def test_the_managers_line_says_whom_each_advisory_waits_for():
    assert "passes now, or may" in waits_words(raised(replace(CUT, end=None)))
    flushing = waits_words(proven(raised(), metered_l=12.0))
    assert flushing.startswith("Somebody who opens the taps, for cold pipes flushed (12 of 36 L")
    assert waits_words(proven(raised(), dose_ok_min=4.0)).startswith("The sensors, for dose back above its target")
    assert waits_words(flushed()) == "A person, for plumbing disinfected with chlorine, then 2 more."
    assert open_headline([]) == "No boil advisory stands."
    assert open_headline([proven(raised(), metered_l=12.0)]) == (
        "One boil advisory stands; one waits for a person now.")
    assert open_headline([raised(), flushed()]) == "2 boil advisories stand; one waits for a person now."


def test_lifting_tells_who_when_and_what_was_left():
    end = Lifted(at=LATER, by="Ann Marsh", reason="Health unit agreed")
    told = lifted_words(advance(proven(raised()), end), CABIN)
    assert told.startswith("Lifted by Ann Marsh, 04 Jul 2026 05:10 EDT.")
    assert "first water sample satisfactory" in told and "Health unit agreed" in told
    with pytest.raises(ValueError, match="nobody lifted it"):
        lifted_words(raised(), CABIN)


def test_every_kind_of_event_has_a_row_with_who_and_on_what():
    first = exposure_event(None, CUT, at=LATER, hot_tank_l=0.0)
    assert event_row(first, CABIN, Units.METRIC)[1:3] == ("Raised", "the program")
    step = StepRecorded(at=LATER, step="disinfect", by="Bo Reed", done_at=START, note=" 6 % bleach ")
    assert event_row(step, CABIN, Units.METRIC)[2:] == ("Bo Reed", "done 04 Jul 2026 03:10 EDT; 6 % bleach")
    bad = SampleFailed(at=LATER, by="Bo Reed")
    assert event_row(bad, CABIN, Units.METRIC)[1] == "Water sample not satisfactory"
    assert event_row(Lifted(at=LATER, by="Ann Marsh"), CABIN, Units.METRIC)[1:3] == ("Lifted", "Ann Marsh")


def test_the_drawing_begins_before_the_cut_and_at_most_a_month_back():
    assert drawing_since(raised(), START + timedelta(days=2)) == START - timedelta(hours=6)
    assert drawing_since(raised(), START + timedelta(days=90)) == START + timedelta(days=60)
    assert drawing_since(None, LATER) == LATER - timedelta(days=3)


def test_the_drawing_puts_each_kind_in_its_lane_and_marks_what_people_did():
    stamps = pd.to_datetime([START - timedelta(hours=1), CUT.start, CUT.end, LATER]).as_unit("us")
    intervals = pd.DataFrame({
        "kind": ["lit", "dark", "lit"], "start": stamps[:3], "end": stamps[1:], "underdosed_l": [0.0, 41.0, 0.0],
        "underdosed_l_upper": [0.0, 41.3, 0.0]})
    advisory = advance(flushed(), StepRecorded(at=LATER, step="disinfect", by="Bo Reed"))
    span = Span(since=START - timedelta(minutes=30), until=LATER, zone=CABIN.zone)
    lanes = {trace.name: trace for trace in cut_figure(intervals, advisory, span=span, units=Units.METRIC).data}
    assert list(lanes["Dark"].x) == [35 * 60_000.0]
    assert "41 to 42 L" in lanes["Dark"].customdata[0] and "Sat 04 Jul 03:10" in lanes["Dark"].customdata[0]
    np.testing.assert_allclose(list(lanes["Lit"].x), [30 * 60_000.0, 85 * 60_000.0])  # cut at the drawing's edge
    assert "disinfected" in lanes["People"].customdata[-1] and len(lanes["People"].x) == 3
    assert not len(lanes["Not heard"].x)


UNIT = Unit(slug="main", reactor="annular-40", uvt_pct=82.0, peak_flow_l_min=28.0, cold_plumbing_l=18.0,
            hot_tank_l=150.0)


def asked_of(place=CABIN, **unit):
    advisory = advance(None, exposure_event(
        None, replace(CUT, underdosed_l_upper=10.0), at=START + timedelta(minutes=36), hot_tank_l=150.0))
    asked = cleaning_of(advisory, replace(UNIT, **unit), place)
    return lambda step: with_litres(step, asked, place, 28.0)


def test_the_next_step_names_its_litres_its_minutes_and_where_they_may_run():
    cold = asked_of()(next_step(proven(raised())))
    assert "until the meter has seen 50 L: about 2 min" in cold.how and "septic" not in cold.how
    slow = replace(CABIN, well_l_min=5.0, septic_l_day=40.0)
    found = asked_of(slow)(next_step(proven(raised())))
    assert "about 10 min" in found.how and "50 L is more than the septic bed takes in a day (40 L)" in found.how


def test_all_that_the_meter_has_to_see_is_no_step_done():
    seen = NextStep(waits=Waits.PERSON, step=None, title="", how="", share=1.0)
    assert share_words(seen) == "100 % of what the sensors have to see; now a person records it"
    assert share_words(replace(seen, share=0.997)) == "99 % of what the sensors have to see"
    assert share_words(replace(seen, share=0.5)) == "50 % of what the sensors have to see"
    assert share_words(replace(seen, waits=Waits.SENSORS)) == "100 % of what the sensors have to see"


def test_the_hot_step_says_what_to_do_by_the_way_that_is_offered():
    hot = next_step(ran(proven(raised()), "flush_cold", litres=60.0))
    assert hot.title == "Clean the hot tank"
    drained = asked_of()(hot)
    assert "drain the hot tank and refill it, 4 times (600 L)" in drained.how
    heated = asked_of(hot_max_c=75.0)(hot)
    assert "70 C or more at a hot tap, keep it so for 30 min" in heated.how
    assert asked_of(hot_tank_l=None)(hot) == hot  # nobody knows how much there is


def test_a_way_says_what_proves_it_its_source_and_why_it_is_not_offered():
    asked = cleaning_of(raised(), UNIT)
    do, runs, prove, source = way_lines(asked.way("heated"), CABIN)
    assert do.endswith("Not offered here: how hot its heater makes the tank is not enrolled (hot_max_c).")
    assert way_label(asked.way("heated")).endswith("(not offered here)")
    assert not runs and "for how many minutes" in prove and "WHO/FWC/WSH/15.02" in source
    _, runs, _, _ = way_lines(asked.way("chlorinated"), CABIN)
    assert "Take the chlorine out of it first" in runs
    assert way_label(asked.way("drained")).startswith("Drain and refill it 4 times: ")
