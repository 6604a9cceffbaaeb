"""Bookings from iCalendar feeds: whole days, hours, repeats, and what must not be passed over."""

from __future__ import annotations

import re
import time
from datetime import date
from zoneinfo import ZoneInfo

import pytest

from ingest.bookings.addresses import CalendarUnreadable
from ingest.bookings.calendar import bookings_of

ZONE = ZoneInfo("America/New_York")
EVER = (date(1990, 1, 1), date(2000, 1, 1))


def feed(*events: str) -> bytes:
    """A calendar of these events, with the line ends of RFC 5545."""
    body = "".join(
        f"BEGIN:VEVENT\nUID:{number}@test\n{one.strip()}\nEND:VEVENT\n" for number, one in enumerate(events)
    )
    return f"BEGIN:VCALENDAR\nVERSION:2.0\nPRODID:-//test//EN\n{body}END:VCALENDAR\n".replace("\n", "\r\n").encode()


def spans(*events: str, within: tuple[date, date] = EVER) -> list[tuple[date, date]]:
    return [(one.start, one.end) for one in bookings_of(feed(*events), ZONE, *within)]


def test_a_stay_of_whole_days_ends_on_the_day_of_departure() -> None:
    """RFC 5545 section 3.6.1, multi-day event: DTSTART 20070628, DTEND 20070709, inclusive of 28 June to 8 July."""
    found = spans(
        "DTSTART;VALUE=DATE:20070628\nDTEND;VALUE=DATE:20070709", within=(date(2007, 1, 1), date(2008, 1, 1))
    )
    assert found == [(date(2007, 6, 28), date(2007, 7, 9))]


@pytest.mark.parametrize(("line", "marked"), [
    ("CATEGORIES:VULNERABLE", True), ("CATEGORIES:FAMILY,Vulnerable", True),
    ("CATEGORIES:FAMILY\nCATEGORIES:vulnerable", True), ("CATEGORIES:FAMILY", False),
    ("SUMMARY:vulnerable", False), ("CATEGORIES:", False)])
def test_a_category_marks_a_stay(line: str, marked: bool) -> None:
    """RFC 5545 section 3.8.1.2 (from memory): a list after commas, and more than one such line."""
    (found,) = bookings_of(feed(f"DTSTART;VALUE=DATE:19970903\n{line}"), ZONE, *EVER)
    assert found.vulnerable is marked


@pytest.mark.parametrize(
    ("lines", "days"),
    [
        ("DTSTART;VALUE=DATE:19970903", (3, 4)),  # no end: the one day (RFC 5545 section 3.6.1)
        ("DTSTART:19970903T163000\nDTEND:19970905T110000", (3, 5)),  # the cabin's own clock
        ("DTSTART:19970904T030000Z\nDTEND:19970905T150000Z", (3, 5)),  # 23:00 the evening before in New York
        ("DTSTART;TZID=Europe/Paris:19970904T030000\nDURATION:P1D", (3, 4)),  # 21:00 the evening before
        ("DTSTART:19970903T163000", (3, 3)),
    ],
)
def test_times_are_days_on_the_cabins_clock(lines: str, days: tuple[int, int]) -> None:
    assert spans(lines) == [(date(1997, 9, days[0]), date(1997, 9, days[1]))]


# RFC 5545 section 3.8.5.3 (from memory): each rule starts 2 September 1997, 9:00 in New York.
@pytest.mark.parametrize(
    ("rule", "days"),
    [
        ("FREQ=DAILY;COUNT=10", [(9, day) for day in range(2, 12)]),
        (
            "FREQ=WEEKLY;COUNT=10",
            [(9, 2), (9, 9), (9, 16), (9, 23), (9, 30), (10, 7), (10, 14), (10, 21), (10, 28), (11, 4)],
        ),
        ("FREQ=DAILY;INTERVAL=10;COUNT=5", [(9, 2), (9, 12), (9, 22), (10, 2), (10, 12)]),
        (
            "FREQ=WEEKLY;UNTIL=19971007T000000Z;WKST=SU;BYDAY=TU,TH",
            [(9, 2), (9, 4), (9, 9), (9, 11), (9, 16), (9, 18), (9, 23), (9, 25), (9, 30), (10, 2)],
        ),
    ],
)
def test_repeats_are_those_of_the_standard(rule: str, days: list[tuple[int, int]]) -> None:
    found = spans(
        f"DTSTART;TZID=America/New_York:19970902T090000\nDTEND;TZID=America/New_York:19970902T100000\nRRULE:{rule}"
    )
    assert [start for start, _ in found] == [date(1997, month, day) for month, day in days]


def test_a_rule_without_end_is_followed_into_the_days_asked_for() -> None:
    found = spans(
        "DTSTART;VALUE=DATE:19900105\nDTEND;VALUE=DATE:19900107\nRRULE:FREQ=WEEKLY",
        within=(date(2026, 11, 1), date(2026, 11, 14)),
    )
    # 5 January 1990 was a Friday; the stay from 30 October is over before, that of 6 and 13 November is not
    assert found == [
        (date(2026, 10, 30), date(2026, 11, 1)),
        (date(2026, 11, 6), date(2026, 11, 8)),
        (date(2026, 11, 13), date(2026, 11, 15)),
    ]


def test_left_out_and_moved_repeats_are_followed() -> None:
    weekly = "DTSTART;VALUE=DATE:19970905\nDTEND;VALUE=DATE:19970907\nRRULE:FREQ=WEEKLY;COUNT=3"
    assert spans(f"{weekly}\nEXDATE;VALUE=DATE:19970912") == [
        (date(1997, 9, 5), date(1997, 9, 7)),
        (date(1997, 9, 19), date(1997, 9, 21)),
    ]
    moved = feed(
        weekly, "DTSTART;VALUE=DATE:19970913\nDTEND;VALUE=DATE:19970915\nRECURRENCE-ID;VALUE=DATE:19970912"
    )
    moved = moved.replace(b"UID:1@test", b"UID:0@test")
    assert sorted(one.start.day for one in bookings_of(moved, ZONE, *EVER)) == [5, 13, 19]


def test_cancelled_and_transparent_events_take_no_day() -> None:
    day = "DTSTART;VALUE=DATE:19970903"
    assert spans(f"{day}\nSTATUS:CANCELLED", f"{day}\nTRANSP:TRANSPARENT", f"{day}\nSTATUS:TENTATIVE") == [
        (date(1997, 9, 3), date(1997, 9, 4))
    ]


@pytest.mark.parametrize(
    ("found", "why"),
    [
        (b"<html>Please log in</html>", "is no iCalendar"),
        (b"", "is no iCalendar"),
        (feed("SUMMARY:no start at all"), "event 1 cannot be understood: it has no start"),
        (
            feed("DTSTART;VALUE=DATE:19970903\nDTEND;VALUE=DATE:19970901\nSUMMARY:backwards"),
            "event 1 cannot be understood: it ends before it begins",
        ),
        (feed("DTSTART:19970903T090000Z\nRRULE:FREQ=SECONDLY\nSUMMARY:mad"), "event 1 .*a booking repeats DAILY"),
    ],
)
def test_what_cannot_be_understood_is_refused_and_never_taken_for_free(found: bytes, why: str) -> None:
    with pytest.raises(CalendarUnreadable, match=why) as told:
        bookings_of(found, ZONE, *EVER)
    assert not re.search("no start at all|backwards|mad|log in", str(told.value))  # it may be a guest's name


def test_a_title_is_one_line_and_turns_no_direction() -> None:
    title = "Ann\\nWRONG broker: down\u202eevil\x07" + "x" * 500
    (one,) = bookings_of(feed(f"DTSTART;VALUE=DATE:19970903\nSUMMARY:{title}"), ZONE, *EVER)
    assert one.summary.startswith("Ann WRONG broker: down evil x") and len(one.summary) == 200


@pytest.mark.parametrize(("lines", "why"), [
    ("DTSTART:20200101T000000Z\nRRULE:FREQ=SECONDLY", "its rule says something else"),
    ("DTSTART:20200101T000000Z\nRRULE:FREQ=DAILY;BYSECOND=0,1,2", "within the day"),
    ("DTSTART;VALUE=DATE:19970902\nRRULE:FREQ=DAILY;INTERVAL=0", "INTERVAL must be at least 1"),
    ("DTSTART;VALUE=DATE:99991230\nDURATION:P20D", "cannot be understood"),
])
def test_a_feed_that_would_take_for_ever_is_refused_at_once(lines: str, why: str) -> None:
    began = time.monotonic()
    with pytest.raises(CalendarUnreadable, match=why):
        bookings_of(feed(lines), ZONE, *EVER)
    assert time.monotonic() - began < 2.0


def test_a_repeat_that_is_replaced_twice_is_taken_once() -> None:
    """RFC 5545 section 3.8.4.4: an instance is named by its RECURRENCE-ID; here two stand in for one."""
    body = "".join(
        f"BEGIN:VEVENT\nUID:a@test\n{one}\nEND:VEVENT\n" for one in (
            "DTSTART;VALUE=DATE:19970902\nDTEND;VALUE=DATE:19970904\nRRULE:FREQ=WEEKLY;COUNT=2",
            "RECURRENCE-ID;VALUE=DATE:19970909\nDTSTART;VALUE=DATE:19970910\nDTEND;VALUE=DATE:19970912",
            "RECURRENCE-ID;VALUE=DATE:19970909\nDTSTART;VALUE=DATE:19970911\nDTEND;VALUE=DATE:19970912"))
    whole = f"BEGIN:VCALENDAR\nVERSION:2.0\nPRODID:x\n{body}END:VCALENDAR\n".replace("\n", "\r\n")
    found = bookings_of(whole.encode(), ZONE, *EVER)
    assert (date(1997, 9, 2), date(1997, 9, 4)) in [(one.start, one.end) for one in found]
    assert {one.start.day for one in found} <= {2, 10, 11} and len(found) in (2, 3)
