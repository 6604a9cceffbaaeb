"""What the pages say: sentences, ages, local times and converted numbers, without Streamlit."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from dashboard.text import lamps as lamp_words
from dashboard.text import markup, measures
from dashboard.text import verdicts as words
from dashboard.text.measures import Units
from dashboard.text.recovery import happened
from ingest.outlook.lamps import Lamp
from ingest.queries import UnitStatus, worst_first
from models.advisory import Exposure, advance, exposure_event
from models.dose.water_band import Water
from models.exposure import UnitState
from models.fleet import Cabin, Contact, Reactor, Role, Unit
from models.verdict import Present, Verdict, Word, verdict

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
TORONTO = ZoneInfo("America/Toronto")
REACTOR = Reactor(
    name="annular-40", chamber_inner_radius_cm=4.4, sleeve_outer_radius_cm=1.2, arc_length_cm=42.0, lamp_uvc_w=13.0,
    sleeve_transmittance=0.92, mixing_tanks=4, test_flow_l_min=30.0, test_uvt_pct=75.0, test_intensity_w_m2=41.0,
    test_red_mj_cm2=40.0, challenge_k_cm2_mj=0.115, alarm_intensity_w_m2=29.0)


def status(name: str, word: Word, *units: str) -> UnitStatus:
    """A unit with that verdict; more units of its cabin may be named."""
    made = tuple(Unit(slug=one, reactor="annular-40", uvt_pct=82, peak_flow_l_min=19) for one in units or ("main",))
    cabin = Cabin(slug=name.lower().replace(" ", "-"), name=name, time_zone="America/Toronto", latitude=45.0,
                  longitude=-79.0, units=made)
    said = Verdict(verdict=word, since=None, reasons=("a reason",), next_action="an action")
    return UnitStatus(
        cabin=cabin, unit=made[0], reactor=REACTOR, verdict=said, state=None, water=Water(uvt_pct=82.0, points=4.0),
        red_mj_cm2=None, red_low_mj_cm2=None, judged_flow_l_min=None, heard=False, advisory=None,
        link_down_since=None)


def test_times_in_a_sentence_are_said_on_the_cabins_clock():
    said = measures.on_the_clock(
        "Since 2026-11-25 03:48 UTC, at 40.000 mJ/cm2; known since 2026-07-01 12:00 UTC.", TORONTO)
    assert said == "Since 2026-11-24 22:48 EST, at 40.000 mJ/cm2; known since 2026-07-01 08:00 EDT."


@pytest.mark.parametrize(("found", "sentence"), [
    ([], "No cabin is enrolled yet."),
    ([("A", Word.CLEAR), ("B", Word.CLEAR)], "No cabin needs you now: 2 clear."),
    ([("A", Word.WATCH), ("B", Word.CLEAR)], "No cabin needs you now: 1 to watch and 1 clear."),
    ([("A", Word.BOIL)], "The one cabin needs you now: A (boil)."),
    ([("A", Word.BOIL), ("B", Word.CLEAR)], "1 of 2 cabins needs you now: A (boil)."),
    ([("A", Word.SILENT), ("B", Word.BOIL), ("C", Word.BOIL)],
     "3 of 3 cabins need you now: B and C (boil); A (silent)."),
    ([(name, Word.BOIL) for name in "ABCD"] + [("E", Word.SILENT), ("F", Word.CLEAR)],
     "5 of 6 cabins need you now: 4 boil, 1 silent."),
])
def test_headline_says_how_many_cabins_need_somebody_and_why(found, sentence):
    assert words.headline([status(*one) for one in found]) == sentence


def test_a_cabin_counts_once_by_its_worst_unit():
    boil, clear = status("Jetty", Word.BOIL, "main", "annex"), status("Jetty", Word.CLEAR, "annex", "main")
    assert words.counts([clear, boil]) == {Word.BOIL: 1, Word.SILENT: 0, Word.WATCH: 0, Word.CLEAR: 0}
    assert words.unit_name(boil) == "Jetty, main"


def test_a_silent_cabin_is_never_counted_as_fine():
    assert "silent" in words.headline([status("A", Word.SILENT)])


# Length of an hour, a day and the IANA time zone database (America/Toronto: UTC-4 in summer, UTC-5 in winter).
@pytest.mark.parametrize(("at", "told"), [
    ("2026-07-01T12:00:00+00:00", "Wed 1 Jul 2026, 08:00 EDT"),
    ("2026-12-24T23:30:00+00:00", "Thu 24 Dec 2026, 18:30 EST"),
    ("2026-11-01T05:30:00+00:00", "Sun 1 Nov 2026, 01:30 EDT"),  # the hour that comes twice: which one is said
    ("2026-11-01T06:30:00+00:00", "Sun 1 Nov 2026, 01:30 EST"),
])
def test_times_are_on_the_cabins_clock_with_its_letters(at, told):
    assert measures.local(datetime.fromisoformat(at), TORONTO) == told


def test_the_year_is_left_out_only_within_the_readers_year():
    assert measures.local(NOW - timedelta(days=1), TORONTO, NOW) == "Tue 24 Nov, 07:00 EST"
    assert "2025" in measures.local(NOW - timedelta(days=365), TORONTO, NOW)


@pytest.mark.parametrize(("seconds", "told"), [
    (0, "0 s"), (59.9, "59 s"), (119, "119 s"), (120, "2 min"), (3600, "1 h"), (5400, "1 h 30 min"),
    (86400 + 3600, "25 h"), (2 * 86400, "2 days"), (3 * 86400 + 7200, "3 days 2 h"), (-5, "0 s"),
])
def test_durations_are_told_in_two_parts_at_most(seconds, told):
    assert measures.duration(timedelta(seconds=seconds)) == told


def test_an_age_says_so_when_a_reading_is_still_to_come():
    assert measures.age(None, NOW) == "never"
    assert measures.age(NOW - timedelta(minutes=12), NOW) == "12 min ago"
    assert measures.age(NOW + timedelta(hours=3), NOW) == "3 h ahead of this clock"


# One US gallon is 231 cubic inches, 3.785 411 784 L; t/degF = 1.8 t/degC + 32 (NIST SP 811, B.8; from memory).
@pytest.mark.parametrize(("volume_l", "told"), [
    (3.785411784, "1.0 gal"), (378.5411784, "100 gal"), (0.0, "0 gal"), (None, "not known"),
    (math.nan, "not known"),
])
def test_litres_become_us_gallons(volume_l, told):
    assert measures.volume(volume_l, Units.US) == told


@pytest.mark.parametrize(("temp_c", "told"), [(0.0, "32.0 °F"), (100.0, "212.0 °F"), (-40.0, "-40.0 °F")])
def test_degrees_celsius_become_fahrenheit(temp_c, told):
    assert measures.temperature(temp_c, Units.US) == told


def test_flow_in_gallons_a_minute_and_what_a_form_gives_goes_back_to_litres():
    assert measures.flow(37.85411784, Units.US) == "10.0 gpm"
    assert measures.flow(37.85411784, Units.METRIC) == "37.9 L/min"
    assert measures.from_volume(10.0, Units.US) == pytest.approx(37.85411784, rel=1e-12)
    assert measures.from_volume(10.0, Units.METRIC) == 10.0


@pytest.mark.parametrize(("low", "upper", "told"), [
    (5.0, 7.61, "5.0 to 7.7 L"), (36.2, 38.4, "36 to 39 L"), (36.8, 39.4, "36 to 40 L"),
    (12.0, 12.0, "12 L"), (0.0, 0.0, "0 L"),
    (math.nan, 4028.2, "up to 4,029 L"), (None, None, "an unknown amount"), (3.0, None, "at least 3.0 L"),
])
def test_an_upper_bound_of_water_is_never_rounded_down_and_unknown_is_never_zero(low, upper, told):
    assert measures.between(low, upper, Units.METRIC) == told


# Nobody heard it, and its supply can deliver 12 L/min: 17,280 L (4,564.9 gal) a day, 432,000 L in 25 days.
@pytest.mark.parametrize(("low", "upper", "days", "told"), [
    (0.0, 432_000.0, 25, "up to 17,280 L a day"), (None, 432_000.0, 25, "up to 17,280 L a day"),
    (30.0, 432_000.0, 25, "at least 30 L, and up to 17,280 L a day"),
    (0.0, 103_680.0, 6, "0 to 103,680 L"),  # less than a week: the sum
    (0.0, 100.0, 16, "0 to 100 L"),  # the meter bounds all of it
    (30_000.0, 31_000.0, 20, "30,000 to 31,000 L"),  # this did flow
    (0.0, None, 25, "at least 0 L"),
])
def test_what_could_have_flowed_in_weeks_is_told_by_the_day_and_what_did_flow_as_a_sum(low, upper, days, told):
    assert measures.between(low, upper, Units.METRIC, length=timedelta(days=days)) == told


def test_litres_by_the_day_become_gallons_rounded_up():
    told = measures.between(0.0, 432_000.0, Units.US, length=timedelta(days=25))
    assert told == "up to 4,565 gal a day"


@pytest.mark.parametrize("dose", [39.99, 39.96, 40.0, 0.04])
def test_a_lower_bound_of_dose_is_never_rounded_up(dose):
    assert float(measures.dose_low(dose).split()[0]) <= dose


def test_standing_lit_water_has_no_limit_and_an_unknown_dose_is_no_number():
    assert measures.dose(math.inf) == "no limit while water stands"
    assert measures.dose(None) == measures.dose(math.nan) == "not known"


def test_latest_readings_say_how_old_each_is_and_leave_out_what_was_never_read():
    state = UnitState(at=NOW - timedelta(seconds=20), lit=True, intensity_w_m2=52.3, water_temp_c=10.0,
                  intensity_w_m2_at=NOW - timedelta(seconds=20), water_temp_c_at=NOW - timedelta(hours=2))
    rows = words.latest_readings(replace(status("A", Word.CLEAR), state=state), NOW, Units.US)
    assert ("UV intensity", "52.3 W/m²", "20 s ago") in rows
    assert ("Water temperature", "50.0 °F", "2 h ago") in rows
    assert ("Transmittance (UVT)", "82.0 %", "from the latest water test") in rows
    assert not any(name in ("Battery", "Flow") for name, _, _ in rows)


def test_outages_are_told_on_the_cabins_clock_and_what_reaches_up_to_now_goes_on():
    found = pd.DataFrame({
        "start": [pd.Timestamp(NOW) - pd.Timedelta(hours=3), pd.Timestamp(NOW) - pd.Timedelta(hours=1)],
        "end": [pd.Timestamp(NOW) - pd.Timedelta(hours=2), pd.Timestamp(NOW)], "kind": ["dark", "unheard"],
        "cause": ["no-power", "no-link"], "underdosed_l": [5.0, np.nan], "underdosed_l_upper": [5.0, 100.0],
        "drawn_l": [5.0, np.nan], "drawn_l_upper": [5.0, 100.0],
        "rests_on": ["power report, lamp status", "no reading, peak flow"], "severity": "untreated",
        "seconds": [3600.0, 3600.0]})
    first, second = words.outage_rows(found, NOW, TORONTO, Units.METRIC)
    assert first[:5] == ("Wed 25 Nov, 04:00 EST", "Wed 25 Nov, 05:00 EST", "1 h", "Dark, no power", "5.0 L")
    assert second[1] == "goes on" and second[4] == "up to 100 L"
    assert words.outages_summary(found, Units.METRIC) == (
        "2 times in this time, 2 h in all; water drawn in it without a full dose: 5.0 to 105 L.")


def test_a_silence_of_weeks_is_told_by_the_day_in_tables_and_notices_and_not_as_a_sum():
    start = NOW - timedelta(days=25)
    found = pd.DataFrame({
        "start": [pd.Timestamp(start)], "end": [pd.Timestamp(NOW)], "kind": ["unheard"], "cause": ["no-logger"],
        "underdosed_l": [0.0], "underdosed_l_upper": [432_000.0], "drawn_l": [0.0], "drawn_l_upper": [432_000.0],
        "rests_on": ["no reading, peak flow"], "severity": "untreated", "seconds": [25 * 86400.0]})
    (row,) = words.outage_rows(found, NOW, TORONTO, Units.METRIC)
    assert row[:2] == ("Sat 31 Oct, 08:00 EDT", "goes on")
    assert row[4:6] == ("up to 17,280 L a day", "up to 17,280 L a day")
    assert "25 days in all; water drawn in it without a full dose: up to 17,280 L a day." in (
        words.outages_summary(found, Units.METRIC))
    whole = Exposure(cause="unheard", start=start, end=NOW, underdosed_l=0.0, underdosed_l_upper=432_000.0)
    advisory = advance(None, exposure_event(None, whole, at=NOW, hot_tank_l=150.0))
    assert "up to 17,280 L a day, from Sat 31 Oct, 08:00 EDT" in words.exposure_words(
        advisory, NOW, TORONTO, Units.METRIC, heard=True)
    for units, most in ((Units.METRIC, "17,280 L"), (Units.US, "4,565 gal")):
        _, amount, _ = happened(advisory, status("A", Word.BOIL).cabin, units)
        assert amount == (
            f"Up to {most} of water a day, on average, may have reached the pipes without full disinfection.")


def test_a_lamp_dark_for_weeks_without_a_meter_is_told_by_what_the_supply_can_deliver_a_day():
    present = Present(
        last_heard=NOW, cadence_s=60.0, dose_target_mj_cm2=40.0, peak_flow_l_min=12.0, lamp_on=False,
        underdosed_since=NOW - timedelta(days=25), underdosed_l=0.0, underdosed_l_upper=432_000.0)
    told = " ".join(verdict(present, now=NOW).reasons)
    assert "Up to 17,280 L of water a day since 2026-10-31 12:00 UTC may have reached the taps" in told
    short = verdict(replace(present, underdosed_l_upper=120_960.0), now=NOW)  # a week of it: the sum
    assert "Up to 120960 L of water may" in " ".join(short.reasons)


def test_the_health_authority_is_named_and_its_absence_is_said():
    desk = Contact(name="Quillet desk", role=Role.HEALTH_AUTHORITY, phone="+1 555 0150")
    assert words.whom_to_call([desk]) == "The local health authority decides: Quillet desk, +1 555 0150."
    assert "not among the contacts" in words.whom_to_call([])


def test_every_verdict_has_a_shape_and_a_word_of_its_own():
    assert set(words.FACES) == set(Word)
    assert len({face.shape for face in words.FACES.values()}) == 4
    assert len({face.word for face in words.FACES.values()}) == 4


def test_what_a_device_or_a_person_said_never_becomes_markup():
    nasty = '<img src=x onerror="alert(1)">'
    for made in (
        markup.table(("A",), [(nasty,)]), markup.box(nasty, [nasty], [nasty]), markup.headline(nasty, nasty),
        markup.card(word=Word.BOIL, name=nasty, since=nasty, reasons=[nasty], action=nasty, extra=nasty),
        markup.verdict(word=Word.BOIL, name=nasty, since=nasty, reasons=[nasty], action=nasty, extra=nasty),
        markup.steps([(True, nasty, nasty)]), markup.registry_entry(nasty, nasty, [nasty]),
    ):
        assert "<img" not in made and "&lt;img" in made


def lamp(intensity_w_m2: float, threshold_w_m2: float) -> Lamp:
    """A lamp that the fit sees above its threshold until the end of the year."""
    one = status("Loon Shallows", Word.BOIL)
    day = date(2026, 11, 24)
    return Lamp(
        cabin=one.cabin, unit=one.unit, reactor=REACTOR, lamp_hours=4992.0, lamp_loss_pct_per_1000h=2.0,
        sleeve_loss_pct_per_1000h=3.0, intensity_w_m2=intensity_w_m2, intensity_day=day,
        threshold_w_m2=threshold_w_m2, crosses_p10=date(2026, 12, 15), crosses_p50=date(2026, 12, 25),
        crosses_p90=date(2027, 1, 16), rated_life_on=None, cause="lamp", action="clean sleeve",
        act_by=date(2026, 12, 15), swap_wins_days=77.0, clean_wins_days=11.0, lamp_loss_pct=12.0,
        sleeve_loss_pct=3.0, water_loss_pct=0.0, evidence="", uvt_pct=83.0, days_known=29, last_heard=day,
        lamp_swapped_on=None, sleeve_cleaned_on=None, filter_changed_on=None, faults=())


def test_a_lamp_that_reads_below_its_threshold_is_not_told_to_fall_below_it_some_day():
    assert lamp_words.crossing_words(lamp(31.26, 37.52)) == "below now: 31.2, needs 37.6 W/m²"
    assert "about Fri 25 Dec 2026" in lamp_words.crossing_words(lamp(42.9, 37.5))


def test_among_equal_verdicts_a_dark_or_unheard_cabin_comes_before_one_that_only_waits_for_its_steps():
    lit = UnitState(at=NOW, lit=True)
    found = [
        replace(status("A", Word.BOIL), state=lit, heard=True, warm=True),
        replace(status("B", Word.BOIL), state=replace(lit, lit=False), heard=True),
        replace(status("C", Word.BOIL), state=lit, heard=False, warm=True),
        status("D", Word.SILENT),
    ]
    assert [one.cabin.name for one in worst_first(found)] == ["B", "C", "A", "D"]


def test_the_water_of_an_advisory_is_not_told_as_all_of_it_where_the_unit_is_not_heard_now():
    short = Exposure(
        cause="low-dose", start=NOW - timedelta(days=2), end=NOW - timedelta(days=1), underdosed_l=21.0,
        underdosed_l_upper=21.0)
    advisory = advance(None, exposure_event(None, short, at=NOW - timedelta(days=1), hot_tank_l=150.0))
    told = [words.exposure_words(advisory, NOW, TORONTO, Units.METRIC, heard=one) for one in (True, False)]
    assert "21 L" in told[0] and "not known" not in told[0]
    assert "21 L" in told[1] and "since the unit was last heard is not known" in told[1]
