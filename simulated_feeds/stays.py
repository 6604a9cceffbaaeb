"""Who booked when: the stays of the simulated people, as a calendar of bookings per cabin."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

from simulated_feeds.people import EPOCH, occupied
from simulated_feeds.scenario import sites


def booking_calendars(fleet: Mapping[str, Any], seed: int, first: date, last: date) -> dict[str, str]:
    """Each cabin's bookings as iCalendar (RFC 5545), an event a stay; nobody's name stands in it.

    Parameters
    ----------
    fleet : mapping
        A fleet.toml as tomllib reads it.
    seed : int
    first, last : date
        Stays that touch these days.

    Returns
    -------
    dict of str to str
        By cabin. A cabin where nobody comes has a calendar without events.
    """
    import icalendar  # three tenths of a second to load, and a feed needs none

    out: dict[str, str] = {}
    for site in sites(fleet, seed):
        if site.cabin in out:
            continue
        calendar = icalendar.Calendar()
        calendar.add("PRODID", "-//tarnlight//simulated bookings//EN")
        calendar.add("VERSION", "2.0")
        begins = (first - EPOCH).days + 3 - site.nature.changeover
        ends = (last - EPOCH).days + 3 - site.nature.changeover
        for week in range(begins // 7 - 1, ends // 7 + 1):
            arrival = 7 * week - 3 + site.nature.changeover
            if not occupied(site, seed, arrival + 1)[0]:  # the day after arrival belongs to this stay alone
                continue
            event = icalendar.Event()
            event.add("UID", f"{site.cabin}-{week}@bookings.invalid")
            event.add("SUMMARY", "Booked")
            event.add("DTSTART", EPOCH + timedelta(days=arrival))
            event.add("DTEND", EPOCH + timedelta(days=arrival + 7))
            calendar.add_component(event)
        out[site.cabin] = calendar.to_ical().decode()
    return out
