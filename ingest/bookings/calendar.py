"""When cabins are taken: bookings from an iCalendar feed per cabin (RFC 5545), a file or an address."""

from __future__ import annotations

import urllib.error
import urllib.request
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import islice, takewhile
from pathlib import Path
from typing import Any

import icalendar
import pandas as pd
from dateutil.rrule import rrulestr

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
    try:
        calendars = icalendar.Calendar.from_ical(feed, multiple=True)
    except ValueError as error:
        raise CalendarUnreadable(f"calendar of {place.slug} is no iCalendar: {error}") from error
    if not calendars or any(one.name != "VCALENDAR" for one in calendars):
        raise CalendarUnreadable(f"calendar of {place.slug} is no iCalendar: it holds no VCALENDAR")
    events: list[Any] = [event for one in calendars for event in one.walk("VEVENT")]
    replaced = {
        (str(event.get("UID")), _day(event["RECURRENCE-ID"].dt, place)) for event in events
        if "RECURRENCE-ID" in event}
    out: list[dict[str, Any]] = []
    for event in events:
        try:
            spans = _spans(event, place, since, until)
        except (KeyError, ValueError, AttributeError, TypeError) as error:
            raise CalendarUnreadable(
                f"calendar of {place.slug}: the event {str(event.get('SUMMARY') or event.get('UID'))!r} cannot be "
                f"understood: {error}") from error
        if str(event.get("STATUS", "")).upper() == "CANCELLED":
            continue
        if str(event.get("TRANSP", "OPAQUE")).upper() == "TRANSPARENT":
            continue
        for start, end in spans:
            stood_in_for = "RECURRENCE-ID" not in event and (str(event.get("UID")), start) in replaced
            if not stood_in_for and end >= since and start <= until:
                out.append({"cabin": place.slug, "start": start, "end": end,
                            "summary": str(event.get("SUMMARY", ""))})
    return out


def _spans(event: Any, place: Cabin, since: date, until: date) -> list[tuple[date, date]]:
    """First and last local day of the event, and of each of its repeats that touches the days asked for."""
    begins = event["DTSTART"].dt
    if "DTEND" in event:
        ends = event["DTEND"].dt
    elif "DURATION" in event:
        ends = begins + event["DURATION"].dt
    else:
        ends = begins if isinstance(begins, datetime) else begins + timedelta(days=1)
    if _day(ends, place) < _day(begins, place):
        raise ValueError(f"it ends ({ends}) before it begins ({begins})")
    length = _day(ends, place) - _day(begins, place)
    starts = [_day(begins, place)]
    if "RRULE" in event:
        # on the cabin's wall clock, as RFC 5545 section 3.3.10 has it; dates as midnights
        local = _wall(begins, place)
        rule = rrulestr(_without_zone(event["RRULE"], place), dtstart=local)
        first = datetime.combine(since - length, datetime.min.time())
        last = datetime.combine(until, datetime.max.time())
        coming = takewhile(lambda one: one <= last, rule.xafter(max(local, first), inc=True))
        starts = [one.date() for one in islice(coming, MOST_REPEATS)]
        if len(starts) == MOST_REPEATS:
            raise ValueError(f"its rule repeats {MOST_REPEATS} times or more within these days")
    starts += [_day(one.dt[0] if isinstance(one.dt, tuple) else one.dt, place) for one in _dates(event, "RDATE")]
    left_out = {_day(one.dt, place) for one in _dates(event, "EXDATE")}
    return [(start, start + length) for start in sorted(set(starts)) if start not in left_out]


def _without_zone(rule: Any, place: Cabin) -> str:
    """A rule whose UNTIL is on the cabin's wall clock, as its start is."""
    parts = dict(rule)
    if parts.get("UNTIL"):
        parts["UNTIL"] = [_wall(parts["UNTIL"][0], place)]
    return str(icalendar.vRecur(parts).to_ical().decode())  # type: ignore[no-untyped-call]  # its library's gap


def _dates(event: Any, name: str) -> list[Any]:
    """All values of a property that may stand more than once and hold more than one."""
    found = event.get(name, [])
    return [one for part in (found if isinstance(found, list) else [found]) for one in part.dts]


def _wall(value: date | datetime, place: Cabin) -> datetime:
    """On the cabin's clock, without a zone."""
    if not isinstance(value, datetime):
        return datetime(value.year, value.month, value.day)
    return value.astimezone(place.zone).replace(tzinfo=None) if value.tzinfo else value


def _day(value: date | datetime, place: Cabin) -> date:
    return _wall(value, place).date()
