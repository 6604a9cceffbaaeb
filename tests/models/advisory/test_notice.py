"""The words at the tap and in the messages: true, complete, short, and never more than is known."""

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from models.advisory import (
    FLUSH_STEPS,
    Exposure,
    Flush,
    Lifted,
    Proof,
    SampleFailed,
    StepRecorded,
    advance,
    exposure_event,
    proofs,
)
from models.advisory.notice import litres, messages, notice, what_happened
from models.fleet import Cabin, Contact, Role, Unit
from tests.work_mentions import bare

UNIT = Unit(slug="main", reactor="annular-40", uvt_pct=82.0, peak_flow_l_min=28.0, cold_plumbing_l=18.0)
CABIN = Cabin(
    slug="heron-point", name="Heron Point", time_zone="America/Toronto", latitude=45.4, longitude=-79.2,
    altitude_m=320.0, units=(UNIT,),
)
START = datetime(2026, 7, 4, 7, 10, tzinfo=UTC)  # 03:10 in Toronto, daylight time
CUT = Exposure(
    cause="power-cut", start=START, end=START + timedelta(minutes=35), underdosed_l=41.0, underdosed_l_upper=41.3
)
PEOPLE = (
    Contact(name="Ann Marsh", role=Role.MANAGER, phone="+1 555 0100"),
    Contact(name="Lakes Health Unit", role=Role.HEALTH_AUTHORITY, phone="+1 555 0199"),
    Contact(name="Someone Elsewhere", role=Role.MANAGER, cabins=("other-cabin",)),
)


def raised(exposure=CUT):
    event = exposure_event(None, exposure, at=START + timedelta(minutes=36), hot_tank_l=150.0, by="Ann Marsh")
    return event, advance(None, event)


def page(exposure=CUT, **more):
    given = {"unit": "main", "printed_at": START + timedelta(hours=2), "contacts": PEOPLE, **more}
    return notice(raised(exposure)[1], given.pop("cabin", CABIN), **given)


def test_the_notice_tells_what_happened_in_the_cabins_own_time():
    made = page()
    assert made.title == "Boil water before drinking"
    assert made.place == "Heron Point"
    assert made.what_happened[0] == (
        "Between 03:10 EDT and 03:45 EDT on 04 Jul 2026 water was drawn while the power was off and the lamp that "
        "disinfects it was dark."
    )
    assert made.what_happened[1] == "About 42 L of water reached the pipes without full disinfection."
    assert made.printed == "Printed 04 Jul 2026 05:10 EDT"
    assert made.raised == "In force since 04 Jul 2026 03:46 EDT"


def test_an_hour_that_comes_twice_is_told_apart_by_the_zones_name():
    # Clocks in Toronto go back on 1 Nov 2026 at 06:00 UTC: 01:30 comes at 05:30 UTC and again at 06:30 UTC.
    start = datetime(2026, 11, 1, 5, 30, tzinfo=UTC)
    first, *_ = what_happened(replace(CUT, start=start, end=start + timedelta(hours=1)), CABIN)
    assert "Between 01:30 EDT and 01:30 EST on 01 Nov 2026" in first


def test_an_exposure_over_midnight_names_both_days():
    first, *_ = what_happened(replace(CUT, start=START - timedelta(hours=5)), CABIN)
    assert first.startswith("Between 03 Jul 2026 22:10 EDT and 04 Jul 2026 03:45 EDT")


def test_an_exposure_that_goes_on_is_not_said_to_be_over():
    first, *_ = what_happened(replace(CUT, end=None), CABIN)
    assert first.startswith("Since 04 Jul 2026 03:10 EDT")


def test_water_that_may_have_passed_is_not_said_to_have():
    text = " ".join(what_happened(replace(CUT, underdosed_l=None, underdosed_l_upper=60.0), CABIN))
    assert "may have been drawn" in text and "Up to 60 L of water may have reached" in text


# central, upper, words
@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (41.0, 41.3, "About 42 L"), (40.0, 40.0, "About 40 L"), (10.4, 55.2, "Between 10 and 56 L"),
        (None, 25.0, "Up to 25 L"), (0.0, 25.0, "Up to 25 L"), (None, 0.4, "Up to 1 L"),
        (None, None, "An unknown amount"), (12.0, None, "At least 12 L"), (0.0, None, "An unknown amount"),
    ],
)
def test_litres_are_never_told_smaller_or_surer_than_they_are(low, high, words):
    assert litres(replace(CUT, underdosed_l=low, underdosed_l_upper=high)).startswith(f"{words} of water")


# EPA: 1 min, 3 min at 1,524 m (Dorris et al., Emerging Infectious Diseases 31(8), 2025, Table; seen).
@pytest.mark.parametrize(("altitude_m", "minutes"), [(320.0, 1), (1600.0, 3)])
def test_the_minutes_follow_the_cabins_altitude_and_say_whose_rule_it_is(altitude_m, minutes):
    made = page(cabin=replace(CABIN, altitude_m=altitude_m))
    assert made.boil_minutes == minutes
    assert f"{minutes} minute" in made.what_to_do[0]
    assert "Environmental Protection Agency" in made.boil_authority
    assert f"{altitude_m:,.0f} m" in made.boil_authority


def test_the_notice_says_who_lifts_it_and_whom_to_call():
    made = page()
    assert "Ann Marsh, +1 555 0100" in made.who_lifts and "never the program" in made.who_lifts
    assert "Someone Elsewhere" not in made.who_lifts
    assert made.call == ("Local health authority: Lakes Health Unit, +1 555 0199",)
    assert "not recorded here" in page(contacts=()).call[0]


def test_the_notice_carries_the_usual_cautions_and_defers_to_the_health_authority():
    text = " ".join(page().cautions)
    for word in ("nitrate", "chemicals", "local health authority"):
        assert word in text


def test_a_lifted_advisory_has_no_notice():
    lifted = advance(raised()[1], Lifted(at=START + timedelta(hours=3), by="Ann Marsh", reason="agreed"))
    with pytest.raises(ValueError, match="no notice to print"):
        notice(lifted, CABIN, unit="main", printed_at=START + timedelta(hours=4))


def test_raising_tells_guest_owner_and_manager_at_once_what_to_do():
    event, advisory = raised()
    told = {one.role: one for one in messages(None, event, advisory, CABIN, unit="main")}
    assert set(told) == {Role.GUEST, Role.OWNER, Role.MANAGER}
    assert all(one.urgent for one in told.values())
    assert "1 minute at a rolling boil" in told[Role.GUEST].body
    assert "health authority" in told[Role.GUEST].body and "health authority" in told[Role.OWNER].body
    assert "About 42 L" in told[Role.OWNER].body
    assert "Next:" in told[Role.MANAGER].body and "Next:" not in told[Role.GUEST].body


def test_messages_are_short_enough_to_read_on_a_telephone():
    unknown = replace(CUT, cause="unheard", underdosed_l=None, underdosed_l_upper=None)
    event, advisory = raised(unknown)
    for one in messages(None, event, advisory, CABIN, unit="main"):
        assert len(one.body) <= 480, one  # three text messages of 160 characters
        assert len(one.subject) <= 60


def walk():
    """The whole way, with the advisory before and after each event."""
    event, advisory = raised()
    yield None, event, advisory
    later = START + timedelta(hours=2)
    sensors = {
        "power_on": True, "power_on_since": START + timedelta(minutes=35), "lamp_on": True,
        "lamp_on_since": START + timedelta(minutes=36), "dose_ok_min": 70.0, "metered_l": 400.0,
        "flush_cold_l": 40.0, "flush_hot_l": 300.0}
    ran = {"begun_at": later - timedelta(minutes=60), "ended_at": later}
    events = [
        *proofs(at=later, **sensors),
        *(StepRecorded(at=later, step=step, by="Bo Reed", begun_at=ran["begun_at"]) for step in FLUSH_STEPS),
        *proofs(at=later, **sensors, flushes=[
            Flush(step=step, metered_l=340.0, heard=True, **ran) for step in FLUSH_STEPS])[-2:],
        StepRecorded(at=later, step="disinfect", by="Bo Reed"),
        StepRecorded(at=later + timedelta(hours=20), step="sample_1", by="Bo Reed"),
        StepRecorded(at=later + timedelta(hours=45), step="sample_2", by="Bo Reed"),
        Lifted(at=later + timedelta(hours=50), by="Ann Marsh"),
    ]
    for one in events:
        before, advisory = advisory, advance(advisory, one)
        yield before, one, advisory


def test_one_message_for_each_event_and_none_for_each_reading():
    told = [(event.kind, [one.role for one in messages(before, event, after, CABIN, unit="main")])
            for before, event, after in walk()]
    everybody, people = [Role.GUEST, Role.OWNER, Role.MANAGER], [Role.OWNER, Role.MANAGER]
    assert told == [
        ("raised", everybody), *[("proof", [])] * 4, ("proof", people), *[("step-recorded", [Role.MANAGER])] * 2,
        *[("proof", [])] * 2, *[("step-recorded", [Role.MANAGER])] * 3, ("lifted", everybody),
    ]


def test_the_last_message_names_who_lifted_it():
    before, event, after = list(walk())[-1]
    for one in messages(before, event, after, CABIN, unit="main"):
        assert "Ann Marsh lifted the boil notice, 06 Jul 2026 07:10 EDT" in one.body


def test_lifting_with_steps_undone_tells_owner_and_manager_which_and_why():
    _, before = raised()
    lift = Lifted(at=START + timedelta(hours=3), by="Ann Marsh", reason="Health unit agreed")
    told = {one.role: one.body for one in messages(before, lift, advance(before, lift), CABIN, unit="main")}
    for role in (Role.OWNER, Role.MANAGER):
        assert "second water sample satisfactory" in told[role] and "Health unit agreed" in told[role]


def test_a_second_exposure_and_a_failed_sample_are_urgent_and_no_all_clear():
    _, before = raised()
    more = replace(CUT, end=START + timedelta(hours=6), underdosed_l=60.0, underdosed_l_upper=60.0)
    second = exposure_event(before, more, at=START + timedelta(hours=6), hot_tank_l=150.0)
    failed = SampleFailed(at=START + timedelta(hours=7), by="Bo Reed")
    for event in (second, failed):
        told = messages(before, event, advance(before, event), CABIN, unit="main")
        assert {one.role for one in told} == {Role.OWNER, Role.MANAGER}
        assert all(one.urgent and "Keep boiling" in one.body for one in told)


def test_a_correction_that_changes_no_litre_is_not_told():
    _, before = raised()
    same = exposure_event(before, replace(CUT, dose_low_mj_cm2=3.0), at=START + timedelta(hours=1),
                          hot_tank_l=150.0, exactly=True)
    assert messages(before, same, advance(before, same), CABIN, unit="main") == ()
    less = exposure_event(before, replace(CUT, underdosed_l=9.0, underdosed_l_upper=9.0),
                          at=START + timedelta(hours=1), hot_tank_l=150.0)
    told = messages(before, less, advance(before, less), CABIN, unit="main")
    assert [one.role for one in told] == [Role.MANAGER] and "About 9 L" in told[0].body


def test_a_unit_without_a_meter_does_not_wait_for_the_meter_before_people_are_asked():
    _, advisory = raised()
    told = []
    for proof in proofs(
        at=START + timedelta(hours=2), power_on=True, power_on_since=START + timedelta(minutes=35), lamp_on=True,
        lamp_on_since=START + timedelta(minutes=36), dose_ok_min=70.0, metered_l=None, flush_cold_l=40.0,
        flush_hot_l=300.0,
    ):
        before, advisory = advisory, advance(advisory, proof)
        told += messages(before, proof, advisory, CABIN, unit="main")
    assert [one.role for one in told] == [Role.OWNER, Role.MANAGER]
    assert "Next: cold pipes flushed" in told[0].body


def test_a_cabin_with_two_units_names_the_one():
    two = replace(CABIN, units=(UNIT, replace(UNIT, slug="sauna")))
    event, advisory = raised()
    assert notice(advisory, two, unit="sauna", printed_at=START).place == "Heron Point, unit sauna"
    assert "unit sauna" in messages(None, event, advisory, two, unit="sauna")[0].body


def test_a_manual_notice_says_that_a_person_decided():
    manual = Exposure(cause="manual", start=START, end=START)
    assert "decided so" in page(manual).what_happened[0]


def test_a_failed_sample_is_told_with_what_was_found_also_when_more_water_passes_later():
    start = datetime(2026, 11, 20, 19, 0, tzinfo=UTC)
    found = "E. coli 12, total coliforms 30 per 100 mL"
    sample = Exposure(cause="laboratory", start=start, end=start, finding=found)
    assert what_happened(sample, CABIN)[0] == (
        f"A sample of this water was not satisfactory: taken 20 Nov 2026 14:00 EST, {found}.")
    dark = replace(sample, cause="lamp-failure", end=start + timedelta(hours=1), underdosed_l_upper=9.0)
    assert what_happened(dark, CABIN)[2].endswith(f" A sample of it was not satisfactory, {found}.")
    assert "laboratory" not in " ".join(what_happened(replace(dark, finding=""), CABIN))


def test_unticking_is_not_announced_as_progress():
    _, advisory = raised()
    down = Proof(at=START + timedelta(hours=2), step="lamp_lit", done=False, evidence="lamp is not lit")
    assert messages(advisory, down, advance(advisory, down), CABIN, unit="main") == ()


def test_several_stretches_over_days_are_not_told_as_one_long_power_cut():
    first, *_ = what_happened(replace(CUT, start=START - timedelta(days=18)), CABIN)
    assert first.startswith("At times between 16 Jun 2026 03:10 EDT and 04 Jul 2026 03:45 EDT water was drawn")
    assert "without full disinfection, at worst while the power was off" in first


def test_no_message_asks_for_a_work_without_its_cautions():
    _, before = raised()
    failed = SampleFailed(at=START + timedelta(hours=7), by="Bo Reed")
    scenes = [*walk(), (before, failed, advance(before, failed))]
    told = [one for scene in scenes for one in messages(*scene, CABIN, unit="main")]
    # what Bo Reed has done already is a record, and asks for nothing
    assert [bad for one in told for bad in bare(re.sub(r"\w[^:.]* \(Bo Reed, [^)]*\)", "", one.body))] == []
    assert any("scald" in one.body for one in told) and any("acids or ammonia" in one.body for one in told)
    assert all(len(one.body) <= 480 for one in told)


def test_the_notice_at_the_tap_asks_for_no_work_at_the_unit():
    made = page()
    assert bare(" ".join([*made.what_to_do, *made.cautions, *made.alternatives])) == []
