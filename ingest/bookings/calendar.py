"""When cabins are taken: bookings from an iCalendar feed per cabin (RFC 5545), a file or an address."""

from __future__ import annotations

import urllib.error
import urllib.request
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import pandas as pd

from models.fleet import Cabin, Fleet

MOST_BYTES = 5 * 2**20  # a feed of bookings is some kB
WITHIN_S = 10.0
MOST_REPEATS = 1000


class CalendarUnreadable(Exception):
    """A cabin's calendar could not be had or understood; the message says which and why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Occupancy:
    """Bookings of the cabins, and of which cabins nothing is known.

    Attributes
    ----------
    bookings : DataFrame
        `cabin`, `start`, `end`, `summary`: local dates, the end being the day of departure.
    unread : dict
        Cabins whose calendar could not be read, and why.
    without : tuple of str
        Cabins that have no calendar: nobody can say when they are taken.
    """

    bookings: pd.DataFrame
    unread: dict[str, str]
    without: tuple[str, ...]


def occupancy(fleet: Fleet, since: date, until: date) -> Occupancy:
    """Bookings of every cabin that touch the days from `since` to `until`."""
    rows: list[dict[str, Any]] = []
    unread: dict[str, str] = {}
    for place in fleet.cabins:
        if not place.calendar:
            continue
        try:
            rows += bookings_of(place, fetched(place.calendar), since, until)
        except CalendarUnreadable as error:
            unread[place.slug] = str(error)
    return Occupancy(
        bookings=pd.DataFrame(rows, columns=["cabin", "start", "end", "summary"]), unread=unread,
        without=tuple(place.slug for place in fleet.cabins if not place.calendar))


def fetched(source: str) -> bytes:
    """The feed's bytes: `http://` or `https://`, else a file.

    Raises
    ------
    CalendarUnreadable
        If it cannot be had, or is larger than any list of bookings.
    """
    try:
        if source.startswith(("http://", "https://")):
            with urllib.request.urlopen(source, timeout=WITHIN_S) as answer:
                found: bytes = answer.read(MOST_BYTES + 1)
        else:
            with Path(source).expanduser().open("rb") as file:
                found = file.read(MOST_BYTES + 1)
    except (OSError, ValueError, urllib.error.URLError) as error:
        raise CalendarUnreadable(f"calendar {source} cannot be read: {error}") from error
    if len(found) > MOST_BYTES:
        raise CalendarUnreadable(f"calendar {source} is larger than {MOST_BYTES} bytes")
    return found


def bookings_of(place: Cabin, feed: bytes, since: date, until: date) -> list[dict[str, Any]]:
    """Bookings in a feed that touch the days from `since` to `until`.

    Parameters
    ----------
    place : Cabin
        Its time zone holds for times that carry none.
    feed : bytes
        One or more VCALENDAR objects.

    Returns
    -------
    list of dict
        `cabin`, `start`, `end` (day of departure: an all-day event's DTEND, which it does not include; a timed
        event's last day), `summary`.

    Raises
    ------
    CalendarUnreadable
        If it is no iCalendar, or one of its events cannot be understood: a booking that is passed over would
        send somebody into a cabin that is taken.

    Notes
    -----
    Cancelled events and transparent ones take no day. RRULE, RDATE and EXDATE are followed; an event with a
    RECURRENCE-ID stands in for the repeat of that instant.

    References
    ----------
    .. [1] RFC 5545, sections 3.6.1, 3.8.2.7 (TRANSP), 3.8.1.11 (STATUS), 3.8.4.4 and 3.8.5.
    """
    import icalendar  # three tenths of a second to load, and most commands read no feed

    try:
        calendars = icalendar.Calendar.from_ical(feed, multiple=True)
    except ValueError as error:
        raise CalendarUnreadable(f"calendar of {place.slug} is no iCalendar: {error}") from error
    if not calendars or any(one.name != "VCALENDAR" for one in calendars):
        raise CalendarUnreadable(f"calendar of {place.slug} is no iCalendar: it holds no VCALENDAR")
    out: list[dict[str, Any]] = []
    for calendar in calendars:
        for event in _repeated(calendar, place, since, until):
            taken = str(event.get("STATUS", "")).upper() != "CANCELLED"
            if taken and str(event.get("TRANSP", "OPAQUE")).upper() != "TRANSPARENT":
                start, end = _span(event, place)
                if end >= since and start <= until:
                    out.append({"cabin": place.slug, "start": start, "end": end,
                                "summary": str(event.get("SUMMARY", ""))})
    return sorted(out, key=lambda one: (one["start"], one["end"]))


def _repeated(calendar: Any, place: Cabin, since: date, until: date) -> list[Any]:
    """Events of a calendar with their repeats, near the days asked for."""
    import recurring_ical_events

    for event in calendar.walk("VEVENT"):
        try:
            _refuse_what_is_no_booking(event)
            _span(event, place)
        except (KeyError, ValueError, AttributeError, TypeError, OverflowError) as error:
            raise CalendarUnreadable(
                f"calendar of {place.slug}: the event {str(event.get('SUMMARY') or event.get('UID'))!r} cannot be "
                f"understood: {error}") from error
    # a day more on both sides: a zone may be half a day off
    first, last = (
        datetime.combine(day, time.min) for day in (since - timedelta(days=1), until + timedelta(days=2)))
    found = []
    try:
        for number, event in enumerate(recurring_ical_events.of(calendar).between(first, last)):
            if number >= MOST_REPEATS:
                raise CalendarUnreadable(
                    f"calendar of {place.slug} has {MOST_REPEATS} bookings or more within these days")
            found.append(event)
    except (KeyError, ValueError, AttributeError, TypeError, OverflowError) as error:
        raise CalendarUnreadable(f"calendar of {place.slug} cannot be understood: {error}") from error
    return found


def _refuse_what_is_no_booking(event: Any) -> None:
    """Refuse a rule that repeats within the day or never gets on: following it would take for ever."""
    rules = event.get("RRULE", [])
    for rule in rules if isinstance(rules, list) else [rules]:
        often = str(rule.get("FREQ", [""])[0]).upper()
        if often not in ("DAILY", "WEEKLY", "MONTHLY", "YEARLY"):
            raise ValueError(f"a booking repeats DAILY, WEEKLY, MONTHLY or YEARLY; its rule says {often!r}")
        if any(int(step) < 1 for step in rule.get("INTERVAL", [1])):
            raise ValueError(f"its rule repeats every {rule['INTERVAL'][0]}; at least 1 is allowed")
        if any(name in rule for name in ("BYHOUR", "BYMINUTE", "BYSECOND")):
            raise ValueError("its rule repeats within the day (BYHOUR, BYMINUTE or BYSECOND)")


def _span(event: Any, place: Cabin) -> tuple[date, date]:
    """First and last local day of an event, the last being the day of departure."""
    begins = event["DTSTART"].dt
    if "DTEND" in event:
        ends = event["DTEND"].dt
    elif "DURATION" in event:
        ends = begins + event["DURATION"].dt
    else:
        ends = begins if isinstance(begins, datetime) else begins + timedelta(days=1)
    if _day(ends, place) < _day(begins, place):
        raise ValueError(f"it ends ({ends}) before it begins ({begins})")
    return _day(begins, place), _day(ends, place)


def _wall(value: date | datetime, place: Cabin) -> datetime:
    """On the cabin's clock, without a zone."""
    if not isinstance(value, datetime):
        return datetime(value.year, value.month, value.day)
    return value.astimezone(place.zone).replace(tzinfo=None) if value.tzinfo else value


def _day(value: date | datetime, place: Cabin) -> date:
    return _wall(value, place).date()
