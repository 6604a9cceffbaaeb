"""What a calendar says: the bookings of an iCalendar feed (RFC 5545), with their repeats.

Another's text, which may hold guests' names: no message quotes any of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from ingest.bookings.addresses import CalendarUnreadable

MOST_REPEATS = 1000
LONGEST_SUMMARY = 200
VULNERABLE = "vulnerable"  # the category of a stay with infants or people with weak immunity


@dataclass(frozen=True, slots=True, kw_only=True)
class Booking:
    """One stay; local dates, the end being the day of departure. `vulnerable`: its category says so."""

    start: date
    end: date
    summary: str
    vulnerable: bool = False


def bookings_of(feed: bytes, zone: ZoneInfo, since: date, until: date) -> list[Booking]:
    """Bookings in a feed that touch the days from `since` to `until`, in order.

    Parameters
    ----------
    feed : bytes
        One or more VCALENDAR objects.
    zone : ZoneInfo
        The cabin's, which holds for times that carry none.

    Returns
    -------
    list of Booking
        The end is the day of departure: an all-day event's DTEND, which it does not include; a timed event's last
        day.

    Raises
    ------
    CalendarUnreadable
        If it is no iCalendar, or one of its events cannot be understood: a booking that is passed over would
        send somebody into a cabin that is taken.

    Notes
    -----
    Cancelled events and transparent ones take no day. RRULE, RDATE and EXDATE are followed; an event with a
    RECURRENCE-ID stands in for the repeat of that instant. A stay of the category `vulnerable` is marked so.

    References
    ----------
    .. [1] RFC 5545, sections 3.6.1, 3.8.2.7 (TRANSP), 3.8.1.2 (CATEGORIES), 3.8.1.11 (STATUS), 3.8.4.4 and 3.8.5.
    """
    import icalendar  # three tenths of a second to load

    try:
        calendars = icalendar.Calendar.from_ical(feed, multiple=True)
    except (ValueError, IndexError, KeyError, TypeError, AttributeError, RecursionError):
        raise CalendarUnreadable("what it holds is no iCalendar") from None
    if not calendars or any(one.name != "VCALENDAR" for one in calendars):
        raise CalendarUnreadable("what it holds is no iCalendar: there is no VCALENDAR")
    out: list[Booking] = []
    for calendar in calendars:
        for event in _repeated(calendar, zone, since, until):
            taken = str(event.get("STATUS", "")).upper() != "CANCELLED"
            if taken and str(event.get("TRANSP", "OPAQUE")).upper() != "TRANSPARENT":
                start, end = _span(event, zone)
                if end >= since and start <= until:
                    out.append(Booking(
                        start=start, end=end, summary=_one_line(str(event.get("SUMMARY", ""))),
                        vulnerable=VULNERABLE in _categories(event)))
    return sorted(out, key=lambda one: (one.start, one.end))


def _categories(event: Any) -> set[str]:
    """An event's categories, in small letters (RFC 5545, 3.8.1.2)."""
    return {str(one).strip().lower() for one in event.categories}


def _one_line(text: str) -> str:
    """A title without what would break a line or turn its direction."""
    return " ".join("".join(one if one.isprintable() else " " for one in text).split())[:LONGEST_SUMMARY]


def _repeated(calendar: Any, zone: ZoneInfo, since: date, until: date) -> list[Any]:
    """Events of a calendar with their repeats, near the days asked for."""
    import recurring_ical_events

    for number, event in enumerate(calendar.walk("VEVENT"), start=1):
        try:
            _refuse_what_is_no_booking(event)
            _span(event, zone)
        except CalendarUnreadable as error:
            raise CalendarUnreadable(f"its event {number} cannot be understood: {error}") from None
        except (KeyError, ValueError, AttributeError, TypeError, OverflowError):
            raise CalendarUnreadable(
                f"its event {number} cannot be understood: it has no start or end that is a date") from None
    # a day more on both sides: a zone may be half a day off
    first, last = (
        datetime.combine(day, time.min) for day in (since - timedelta(days=1), until + timedelta(days=2)))
    found = []
    try:
        for number, event in enumerate(recurring_ical_events.of(calendar).between(first, last)):
            if number >= MOST_REPEATS:
                raise CalendarUnreadable(f"it has {MOST_REPEATS} bookings or more within these days")
            found.append(event)
    except (KeyError, ValueError, AttributeError, TypeError, OverflowError, RecursionError):
        raise CalendarUnreadable("how its events repeat cannot be understood") from None
    return found


def _refuse_what_is_no_booking(event: Any) -> None:
    """Refuse a rule that repeats within the day or never gets on: following it would take for ever."""
    rules = event.get("RRULE", [])
    for rule in rules if isinstance(rules, list) else [rules]:
        often = str(rule.get("FREQ", [""])[0]).upper()
        if often not in ("DAILY", "WEEKLY", "MONTHLY", "YEARLY"):
            raise CalendarUnreadable(
                "a booking repeats DAILY, WEEKLY, MONTHLY or YEARLY; its rule says something else")
        if any(int(step) < 1 for step in rule.get("INTERVAL", [1])):
            raise CalendarUnreadable("its rule's INTERVAL must be at least 1")
        if any(name in rule for name in ("BYHOUR", "BYMINUTE", "BYSECOND")):
            raise CalendarUnreadable("its rule repeats within the day (BYHOUR, BYMINUTE or BYSECOND)")


def _span(event: Any, zone: ZoneInfo) -> tuple[date, date]:
    """First and last local day of an event, the last being the day of departure."""
    begins = event["DTSTART"].dt
    if "DTEND" in event:
        ends = event["DTEND"].dt
    elif "DURATION" in event:
        ends = begins + event["DURATION"].dt
    else:
        ends = begins if isinstance(begins, datetime) else begins + timedelta(days=1)
    if _day(ends, zone) < _day(begins, zone):
        raise CalendarUnreadable("it ends before it begins")
    return _day(begins, zone), _day(ends, zone)


def _wall(value: date | datetime, zone: ZoneInfo) -> datetime:
    """On the cabin's clock, without a zone."""
    if not isinstance(value, datetime):
        return datetime(value.year, value.month, value.day)
    return value.astimezone(zone).replace(tzinfo=None) if value.tzinfo else value


def _day(value: date | datetime, zone: ZoneInfo) -> date:
    return _wall(value, zone).date()
