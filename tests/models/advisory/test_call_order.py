"""Who is told of what, and when. Times of day by the time zone database."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest

from models.advisory import (
    Exposed,
    Exposure,
    Lifted,
    Proof,
    Raised,
    Remeasured,
    SampleFailed,
    Step,
    StepRecorded,
)
from models.advisory.call_order import Told, after_quiet, first_tellings, follow_up
from models.advisory.notices_due import NoticeKind, Policy, hearing, notices_due
from models.fleet import Cabin, Contact, Role, Unit
from tests.work_mentions import bare

START = datetime(2026, 11, 25, 4, tzinfo=UTC)  # 23:00 in Toronto
MIN = timedelta(minutes=1)
UNIT = Unit(slug="main", reactor="annular-40", uvt_pct=82.0, peak_flow_l_min=19.0)
CABIN = Cabin(slug="heron-point", name="Heron Point", time_zone="America/Toronto", latitude=45.4, longitude=-79.2,
              units=(UNIT,), altitude_m=320.0)
QUIET = {"quiet_from": "22:00", "quiet_until": "06:30"}
FIRST = Contact(name="Maren", role=Role.MANAGER, channels=("A",), **QUIET)
SECOND = Contact(name="Idris", role=Role.MANAGER, channels=("B",), order=2, **QUIET)
THIRD = Contact(name="Sol", role=Role.MANAGER, channels=("C",), order=3, **QUIET)
OWNER = Contact(name="Owner", role=Role.OWNER, cabins=("heron-point",), channels=("D", "E"), **QUIET)
GUEST = Contact(name="Guest", role=Role.GUEST, cabins=("heron-point",), channels=("F",), **QUIET)
SERVICE = Contact(name="Tolly", role=Role.SERVICE, channels=("G",), **QUIET)
AUTHORITY = Contact(name="Desk", role=Role.HEALTH_AUTHORITY, channels=("H",))
EVERYBODY = (FIRST, SECOND, THIRD, OWNER, GUEST, SERVICE, AUTHORITY)


def exposure(end_min: float | None = 0.0, cause: str = "power-cut", litres: float = 12.0) -> Exposure:
    return Exposure(
        cause=cause, start=START - 10 * MIN, end=None if end_min is None else START + end_min * MIN,
        underdosed_l=litres, underdosed_l_upper=litres)


def raised(**options) -> Raised:
    return Raised(at=START, exposure=exposure(**options), severity="untreated",
                  steps=(Step.POWER_STABLE, Step.FLUSH_COLD, Step.DISINFECT, Step.NOTICE_REMOVED), by="Ann")


def exposed(at_min: float) -> Exposed:
    return Exposed(at=START + at_min * MIN, exposure=exposure(at_min), severity="untreated",
                   steps=(Step.POWER_STABLE, Step.FLUSH_COLD, Step.DISINFECT, Step.NOTICE_REMOVED))


def proof(at_min: float, step: Step, done: bool | None = True) -> Proof:
    return Proof(at=START + at_min * MIN, step=step, done=done, evidence="measured")


def news(*events, after=0):
    return notices_due("a1", CABIN, "main", list(enumerate(events, start=1)), after=after)


def told(due, delivered: datetime | None = None) -> list[Told]:
    return [Told(event=one.event, contact=one.contact, role=one.role, channel=one.channel, number=one.number,
                 due_at=one.due_at, delivered_at=delivered) for one in due]


def readers(due) -> list[tuple[str, str]]:
    return [(one.contact, one.channel) for one in due]


def test_an_advisory_that_is_raised_is_told_to_the_first_of_each_and_to_all_guests_in_the_middle_of_the_night():
    (one,) = news(raised())
    due = first_tellings(one, EVERYBODY, told=(), now=START)
    assert readers(due) == [("Maren", "A"), ("Owner", "D"), ("Owner", "E"), ("Guest", "F")]
    assert {each.due_at for each in due} == {START}  # 23:00 in Toronto, and all have quiet hours
    assert all(each.urgent for each in due)


@pytest.mark.parametrize(("cause", "hears"), [
    ("lamp-failure", True), ("low-dose", True), ("power-cut", False), ("unheard", False), ("manual", False)])
def test_the_service_firm_hears_of_an_advisory_where_the_lamp_is_to_blame(cause, hears):
    due = first_tellings(news(raised(cause=cause))[0], EVERYBODY, told=(), now=START)
    assert (("Tolly", "G") in readers(due)) is hears


@pytest.mark.parametrize("cause", ["lamp-failure", "low-dose"])
def test_the_service_firm_hears_the_cautions_of_the_work_with_it_in_three_text_messages(cause):
    due = first_tellings(news(raised(cause=cause))[0], EVERYBODY, told=(), now=START)
    (said,) = [one.body for one in due if one.contact == "Tolly"]
    assert "unplugged" in said and "lit lamp" in said and "mercury" in said
    assert bare(said) == [] and len(said) <= 480


def test_readings_that_only_change_the_figures_are_no_news():
    growing = [
        Remeasured(at=START + n * MIN, exposure=exposure(None, litres=12.0 + n), severity="untreated",
                   steps=(Step.FLUSH_COLD,)) for n in range(1, 50)]
    assert [one.kind for one in news(raised(end_min=None), *growing)] == [NoticeKind.RAISED]


def test_words_about_a_standing_advisory_use_the_litres_that_are_known_now():
    late = Remeasured(at=START + MIN, exposure=exposure(0.0, litres=77.0), severity="untreated",
                      steps=(Step.FLUSH_COLD,))
    (one,) = news(raised(), late)
    assert "77 L" in first_tellings(one, (FIRST,), told=(), now=START + MIN)[0].body


def test_many_draws_past_a_dark_lamp_are_one_word_every_half_hour_and_the_last_is_never_lost():
    draws = [exposed(n) for n in range(1, 100)]
    found = news(raised(), *draws)
    assert [one.kind for one in found] == [NoticeKind.RAISED] + [NoticeKind.EXPOSED] * (len(found) - 1)
    words = [one.not_before or one.at for one in found]
    assert all(b - a >= 30 * MIN for a, b in pairwise(words))
    assert words[-1] >= draws[-1].at  # a word comes after the last draw


def test_a_proof_that_unticks_and_ticks_again_is_told_once():
    steps = (proof(1, Step.POWER_STABLE), proof(2, Step.FLUSH_COLD))
    flapping = [proof(n, Step.FLUSH_COLD, bool(n % 2)) for n in range(3, 20)]
    found = news(raised(), *steps, *flapping)
    assert [one.kind for one in found] == [NoticeKind.RAISED, NoticeKind.NEEDS_PEOPLE]


def test_all_steps_done_is_told_once_and_says_that_it_still_stands():
    found = news(
        raised(), proof(1, Step.POWER_STABLE), proof(2, Step.FLUSH_COLD),
        StepRecorded(at=START + 3 * MIN, step=Step.DISINFECT, by="Ann"), proof(4, Step.FLUSH_COLD, False),
        proof(5, Step.FLUSH_COLD))
    assert [one.kind for one in found] == [NoticeKind.RAISED, NoticeKind.NEEDS_PEOPLE, NoticeKind.READY]
    due = first_tellings(found[-1], (FIRST,), told=(), now=START + 3 * MIN)
    assert "stands until a named person lifts it" in due[0].body
    assert due[0].due_at == datetime(2026, 11, 25, 11, 30, tzinfo=UTC)  # 06:30 in Toronto


def test_the_end_is_told_to_whoever_was_told_of_the_beginning_and_not_at_night():
    record = (raised(), Lifted(at=START + 60 * MIN, by="Ann", reason="tested"))
    began = told(first_tellings(news(record[0])[0], EVERYBODY, told=(), now=START))
    called = [Told(event="a1:raised:1", contact="Idris", role="manager", channel="B", number=1,
                   due_at=START + 15 * MIN, delivered_at=None)]
    (end,) = news(*record, after=1)
    due = first_tellings(end, EVERYBODY, told=[*began, *called], now=START + 60 * MIN)
    assert readers(due) == [("Maren", "A"), ("Idris", "B"), ("Owner", "D"), ("Owner", "E"), ("Guest", "F")]
    assert {one.due_at for one in due} == {datetime(2026, 11, 25, 11, 30, tzinfo=UTC)}


def test_an_advisory_that_was_lifted_before_anybody_was_told_is_told_to_nobody():
    (only,) = news(raised(), Lifted(at=START + MIN, by="Ann", reason="an exercise"))
    assert only.kind is NoticeKind.LIFTED
    assert first_tellings(only, EVERYBODY, told=(), now=START + MIN) == ()


def test_the_next_in_order_is_called_after_a_quarter_of_an_hour_and_one_after_the_other():
    (one,) = news(raised())
    said = told(first_tellings(one, EVERYBODY, told=(), now=START), delivered=START)
    calls = {}
    for minute in range(0, 46):
        due = follow_up(one, EVERYBODY, told=said, confirmed_at=None, now=START + minute * MIN)
        calls |= {each.contact: minute for each in due if each.number == 1}
        said += told(due, delivered=START + minute * MIN)
    assert calls == {"Idris": 15, "Sol": 30}


def test_a_contact_without_a_channel_is_listed_and_the_next_is_called_at_once():
    mute = replace(FIRST, channels=())
    (one,) = news(raised())
    first = first_tellings(one, (mute, SECOND, THIRD), told=(), now=START)
    assert readers(first) == [("Maren", "")]
    then = follow_up(one, (mute, SECOND, THIRD), told=told(first), confirmed_at=None, now=START)
    assert readers(then) == [("Idris", "B")]


def test_it_is_said_again_every_half_hour_after_a_delivery_and_never_while_none_came_through():
    (one,) = news(raised())
    first = first_tellings(one, (FIRST,), told=(), now=START)
    late = START + timedelta(hours=5)
    assert follow_up(one, (FIRST,), told=told(first), confirmed_at=None, now=late) == ()
    said = told(first, delivered=START + 3 * MIN)
    assert follow_up(one, (FIRST,), told=said, confirmed_at=None, now=START + 32 * MIN) == ()
    (again,) = follow_up(one, (FIRST,), told=said, confirmed_at=None, now=START + 33 * MIN)
    assert again.number == 2
    assert again.title == "Not confirmed yet (2): Boil water: Heron Point"
    assert again.due_at == START + 33 * MIN


def test_a_confirmation_ends_repeats_and_calls_until_something_new_happens():
    (one, worse) = news(raised(), SampleFailed(at=START + 60 * MIN, by="Ann"))
    said = told(first_tellings(one, EVERYBODY, told=(), now=START), delivered=START)
    late = START + timedelta(hours=3)
    assert follow_up(one, EVERYBODY, told=said, confirmed_at=START + 5 * MIN, now=late) == ()
    said += told(first_tellings(worse, EVERYBODY, told=said, now=worse.at), delivered=worse.at)
    assert follow_up(worse, EVERYBODY, told=said, confirmed_at=START + 5 * MIN, now=late) != ()


def test_where_nobody_is_enrolled_that_itself_is_listed():
    (one,) = news(raised())
    (due,) = first_tellings(one, (AUTHORITY, replace(OWNER, cabins=("otter-ledge",))), told=(), now=START)
    assert (due.contact, due.channel) == ("", "")


def test_a_contact_of_another_cabin_hears_nothing():
    (one,) = news(raised())
    due = first_tellings(one, (FIRST, replace(OWNER, cabins=("otter-ledge",))), told=(), now=START)
    assert readers(due) == [("Maren", "A")]


def silence(age_min: float, *, listening_min: float = 600.0, open_silence: str | None = None):
    return hearing(CABIN, UNIT, last_heard=START - age_min * MIN, listening_since=START - listening_min * MIN,
                   open_silence=open_silence, now=START)


def test_silence_is_told_after_half_an_hour_of_listening_and_never_for_a_short_loss():
    assert silence(29.0) is None
    assert silence(30.0).kind is NoticeKind.SILENT
    assert silence(300.0, listening_min=5.0) is None  # the collector itself has only just begun to listen
    assert silence(300.0, open_silence="20261125T000000Z") is None  # told already
    assert "boil" in silence(30.0).messages[0].body.lower()
    assert bare(silence(30.0).messages[0].body) == []


def test_heard_again_is_told_once_it_is_heard_now_and_claims_nothing_of_the_time_between():
    mark = silence(45.0).mark
    assert silence(4.0, open_silence=mark) is None  # a backlog that ends 4 min ago: still not heard now
    again = silence(1.0, open_silence=mark)
    assert (again.kind, again.mark) == (NoticeKind.HEARD, mark)
    assert "until that is explained, boil" in again.messages[0].body


@pytest.mark.parametrize(("at", "quiet", "then"), [
    ("2026-11-25T02:59:00Z", ("22:00", "06:30"), "2026-11-25T02:59:00Z"),  # 21:59 EST
    ("2026-11-25T03:00:00Z", ("22:00", "06:30"), "2026-11-25T11:30:00Z"),  # 22:00 EST
    ("2026-11-25T11:29:59Z", ("22:00", "06:30"), "2026-11-25T11:30:00Z"),
    ("2026-11-25T11:30:00Z", ("22:00", "06:30"), "2026-11-25T11:30:00Z"),
    ("2026-11-25T18:00:00Z", ("12:00", "14:00"), "2026-11-25T19:00:00Z"),  # 13:00 EST
    ("2026-11-25T05:00:00Z", ("", ""), "2026-11-25T05:00:00Z"),
    ("2026-11-25T05:00:00Z", ("07:00", "07:00"), "2026-11-25T05:00:00Z"),  # never all day
    # Clocks go back on 1 November 2026, 06:00 UTC: 01:10 comes twice (IANA time zone database).
    ("2026-11-01T05:10:00Z", ("22:00", "01:30"), "2026-11-01T05:30:00Z"),
    ("2026-11-01T06:10:00Z", ("22:00", "01:30"), "2026-11-01T06:30:00Z"),
    # Clocks go forward on 8 March 2026, 07:00 UTC: 06:30 EDT is an hour earlier in UTC than the day before.
    ("2026-03-08T04:00:00Z", ("22:00", "06:30"), "2026-03-08T10:30:00Z"),
])
def test_quiet_hours_end_by_the_clock_on_the_cabins_wall(at, quiet, then):
    contact = replace(FIRST, quiet_from=quiet[0], quiet_until=quiet[1])
    assert after_quiet(contact, datetime.fromisoformat(at), CABIN.zone) == datetime.fromisoformat(then)


@pytest.mark.parametrize("name", ["repeat_min", "escalate_min", "silent_min", "exposed_gap_min"])
@pytest.mark.parametrize("value", [0.0, -1.0, float("nan"), 1441.0])
def test_a_policy_that_would_never_or_always_speak_is_refused(name, value):
    with pytest.raises(ValueError, match=name):
        Policy(**{name: value})


def test_water_that_turns_out_worse_is_told_at_once_although_no_more_of_it_passed():
    steps = (Step.POWER_STABLE, Step.FLUSH_COLD, Step.NOTICE_REMOVED)
    mild = Raised(at=START, exposure=exposure(cause="low-dose"), severity="marginal", steps=steps)
    worse = Remeasured(
        at=START + MIN, exposure=exposure(cause="low-dose"), severity="under-treated", steps=steps)
    (due,) = news(mild, worse, after=1)
    assert due.kind == "exposed"
    assert due.not_before is None
    body = next(one.body for one in due.messages if one.role is Role.OWNER)
    assert "worse than known: under-treated now" in body
    assert "Keep boiling" in body
    same = Remeasured(at=START + MIN, exposure=exposure(cause="low-dose"), severity="marginal", steps=steps)
    assert news(mild, same, after=1) == ()
