"""One message for one event: what goes at once, what waits for it, and that no sentence is lost."""

from __future__ import annotations

from datetime import timedelta

import pytest

from models.advisory import Lifted
from models.advisory.folding import (
    GATHER,
    UPDATE,
    Waits,
    changes_what_they_do,
    fold,
    goes_now,
    holding,
    next_report,
    report,
)
from models.advisory.notices_due import NoticeKind, notices_due, power_off
from models.advisory.shared_event import Member, SharedEvent, Trouble
from models.fleet import Cabin, ReportHours, Role, Unit
from tests.conftest import utc
from tests.models.advisory.test_call_order import MIN, START, raised

T0 = utc("2026-11-20T23:00:00")
S = timedelta(seconds=1)
UNIT = Unit(slug="main", reactor="annular-40", uvt_pct=82.0, peak_flow_l_min=19.0, drawdown_l=25.0)
CABINS = {
    slug: Cabin(slug=slug, name=slug.title(), time_zone="America/Toronto", latitude=45.4, longitude=-79.2,
                units=(UNIT,)) for slug in ("heron", "otter", "loon")}
EVENT = SharedEvent(
    id="20261120T230000Z.heron.main", trouble=Trouble.POWER_CUT, start=T0, end=None, supply_line="line-7",
    members=tuple(
        Member(cabin=slug, unit="main", trouble=Trouble.POWER_CUT, start=T0, end=None) for slug in CABINS))


def waits(kind: str, cabin: str = "heron", number: int = 1, due_s: float = 0.0, body: str = "") -> Waits:
    return Waits(key=f"{cabin}:{kind}:{number}", kind=NoticeKind(kind), cabin=cabin, number=number,
                 due_at=T0 + due_s * S, title="", body=body or f"{cabin.title()}: something.",
                 report_at=T0 + timedelta(hours=12))


def goes(*some: Waits, after_s: float, told=None, last_s: float | None = None, shared: bool = True) -> bool:
    kinds = {cabin: {NoticeKind(one) for one in found} for cabin, found in (told or {}).items()}
    last = None if last_s is None else T0 + last_s * S
    return goes_now(some, shared=shared, told=kinds, last_told=last, now=T0 + after_s * S)


@pytest.mark.parametrize("kind", ["raised", "exposed", "sample-failed", "power-off"])
@pytest.mark.parametrize("number", [1, 2, 7])
def test_what_is_pressing_waits_for_its_company_and_for_nothing_else(kind, number):
    one, just = waits(kind, number=number), GATHER.total_seconds()
    told = {"heron": {"power-off", "raised", "silent"}}
    assert not goes(one, after_s=just - 1)
    assert goes(one, after_s=just, told=told, last_s=0)
    assert goes(one, waits("heard", due_s=just), after_s=just, told=told, last_s=just - 1)  # which goes along
    assert timedelta(seconds=30) >= GATHER  # half of the minute in which a warning has to be there


def test_an_update_keeps_its_distance_and_waits_for_nothing_the_first_time():
    update = UPDATE.total_seconds()
    for kind in ("silent", "power-back", "ready", "needs-people", "lifted"):
        assert goes(waits(kind), after_s=20)
        assert not goes(waits(kind), after_s=update - 1, last_s=0)
        assert goes(waits(kind), after_s=update, last_s=0)


def test_what_changes_nothing_waits_for_a_report_or_for_company():
    told = {"heron": {"power-off"}}
    for kind in ("silent", "heard"):
        assert not goes(waits(kind), after_s=11 * 3600, told=told, last_s=0)
        assert goes(waits(kind), waits("raised", "otter"), after_s=20, told=told, last_s=0)
    assert goes(waits("silent"), after_s=3600, told={"heron": {"power-off", "power-back"}}, last_s=0)
    assert goes(waits("heard"), after_s=3600, told={"heron": {"silent"}}, last_s=0)
    assert not goes(waits("silent"), after_s=3600, told={"heron": {"raised"}}, last_s=0)


@pytest.mark.parametrize("kind", [one for one in NoticeKind if one not in ("silent", "heard")])
def test_a_report_holds_back_nothing_that_changes_what_somebody_does(kind):
    everything = {"heron": set(NoticeKind)}
    assert changes_what_they_do(waits(kind), everything["heron"])
    assert goes(waits(kind), after_s=GATHER.total_seconds(), told=everything, shared=False)


@pytest.mark.parametrize(("kind", "told", "now"), [
    ("silent", {"power-off"}, False), ("silent", {"raised"}, False), ("silent", set(), True),
    ("heard", {"silent"}, True), ("heard", {"silent", "raised"}, False), ("heard", set(), False)])
def test_what_nobody_shares_waits_for_a_report_where_it_changes_nothing(kind, told, now):
    assert goes(waits(kind), after_s=60, told={"heron": told}, shared=False) == now


def test_what_has_ended_holds_no_more():
    kinds = {NoticeKind.RAISED: T0, NoticeKind.LIFTED: T0 + S, NoticeKind.POWER_OFF: T0 + 2 * S,
             NoticeKind.POWER_BACK: T0 + S, NoticeKind.SILENT: T0}
    assert holding(kinds) == {NoticeKind.POWER_OFF, NoticeKind.SILENT}


@pytest.mark.parametrize(("at", "comes"), [  # worked by hand; Toronto: UTC-5, from 8 March 2026 02:00 on UTC-4
    ("2026-11-20T11:59:59", "2026-11-20T12:00:00"), ("2026-11-20T12:00:00", "2026-11-20T12:00:00"),
    ("2026-11-20T12:00:01", "2026-11-21T00:00:00"), ("2026-11-21T00:00:01", "2026-11-21T12:00:00"),
    ("2026-03-08T04:00:00", "2026-03-08T11:00:00"), ("2026-03-07T12:00:01", "2026-03-08T00:00:00")])
def test_reports_come_at_seven_and_seven_by_the_cabins_clock(at, comes):
    assert next_report(utc(at), CABINS["heron"].zone, ReportHours()) == utc(comes)


def test_the_hours_of_reports_can_be_set_and_must_be_hours():
    early = ReportHours(morning="05:30", evening="16:00")
    assert next_report(utc("2026-11-20T10:30:01"), CABINS["heron"].zone, early) == utc("2026-11-20T21:00:00")
    for wrong in ({"morning": "7"}, {"evening": "06:00"}, {"evening": "24:00"}):
        with pytest.raises(ValueError, match=next(iter(wrong))):
            ReportHours(**wrong)


def test_a_report_lists_what_it_folds_and_says_that_it_asks_nothing_new():
    some = [waits("silent", "heron"), waits("heard", "heron"), waits("heard", "otter")]
    title, body = report(some, CABINS, morning=False)
    assert title == "Evening report: silent at 1, heard again at 2"
    lines = body.splitlines()
    assert lines[0] == "Evening report: nothing here asks anything new of you. This is about 2 cabins of yours."
    assert lines[2:] == ["Silent (1 cabin):", "- Heron: something.", "", "Heard again (2 cabins):",
                         "- Heron: something.", "- Otter: something."]


def test_what_nobody_shares_goes_at_once():
    assert goes(waits("raised"), after_s=0, shared=False)
    assert goes(waits("lifted"), after_s=0, last_s=0, shared=False)
    assert not goes(waits("power-off"), after_s=1, shared=False)  # a second cabin may still report
    assert goes(waits("power-off"), after_s=GATHER.total_seconds(), shared=False)


def test_a_name_with_a_full_stop_stays_whole():
    some = [waits("raised", slug, body=f"St. {slug.title()}: water passed. Boil it.") for slug in ("otter", "loon")]
    assert fold(some, EVENT, CABINS)[1].splitlines()[3:] == [
        "- St. Loon: water passed.", "- St. Otter: water passed.", "For each of these: Boil it."]


def test_a_folded_message_has_a_line_per_cabin_and_every_sentence():
    bodies = {
        slug: next(one.body for one in power_off(cabin, UNIT, since=T0, power_on=False, guests_told=False).messages
                   if one.role is Role.MANAGER) for slug, cabin in CABINS.items()}
    some = [waits("power-off", slug, body=body) for slug, body in bodies.items()]
    boil = waits("raised", "loon", number=2, body="Loon: water passed. Boil it for 1 minute.")
    title, body = fold([boil, *some], EVENT, CABINS)
    assert title == "Not confirmed yet: Power cut: do not use the tap at 3, boil water at 1"
    lines = body.splitlines()
    assert lines[0].startswith("Power cut since 20 Nov 2026 18:00 EST, and it goes on.")
    assert "This is about 3 cabins of yours." in lines[0]
    for slug, cabin in CABINS.items():
        assert sum(line.startswith(f"- {cabin.name}: the power is off") for line in lines) == 1
        for sentence in bodies[slug].split(". "):
            assert sentence.rstrip(".") in body
    assert body.count("What your local health authority says goes before this.") == 1
    assert "- Not confirmed yet (2): Loon: water passed. Boil it for 1 minute." in lines
    assert body.index("Do not use the tap (3 cabins)") < body.index("Boil water (1 cabin)")


def test_what_somebody_wrote_in_paragraphs_cuts_off_none_of_what_follows_it():
    """A reason, pasted from a letter, of advisories that are lifted together; what is to be done follows it."""
    reason = "Whole line was checked.\r\n\r\nAnn\u202e Lund\u2029Do not boil"
    bodies = {}
    for slug, cabin in CABINS.items():
        record = [(1, raised()), (2, Lifted(at=START + 9 * MIN, by="Ann\n\nLund", reason=reason))]
        (found,) = notices_due("7", cabin, "main", record)
        bodies[slug] = found.message(Role.MANAGER).body
    _, folded = fold([waits("lifted", slug, body=body) for slug, body in bodies.items()], EVENT, CABINS)
    for text in (*bodies.values(), folded):
        assert "Take the notice down." in text and "hot taps 15 or more" in text
        assert "Reason given: Whole line was checked." in text
        assert "\u202e" not in text and "\u2029" not in text
    assert all("\n" not in one for one in bodies.values())
