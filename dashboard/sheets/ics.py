"""Dates as iCalendar (RFC 5545): what a lamp or a trip looks like in somebody's own calendar."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from dashboard.text.lamps import clear_lines
from dashboard.text.verdicts import TAKE_CARE
from ingest.outlook.lamps import Lamp
from ingest.outlook.visits import Visits
from models.advisory.work_cautions import Work, sentences

if TYPE_CHECKING:
    import icalendar

CAUTION_NOTE = "Advice only: your local health authority, local codes and licensed practice decide."


def lamps_calendar(lamps: tuple[Lamp, ...], now: datetime) -> bytes:
    """One all-day event per lamp that has to be seen to, on its last sensible day."""
    out = _calendar()
    for lamp in lamps:
        if lamp.act_by is None or lamp.action is None:
            continue
        name = lamp.cabin.name if len(lamp.cabin.units) == 1 else f"{lamp.cabin.name}, {lamp.unit.slug}"
        event = _event(f"lamp/{lamp.cabin.slug}/{lamp.unit.slug}", now)
        event.add("SUMMARY", f"{name}: {lamp.action} by today")
        event.add("DTSTART", lamp.act_by)
        event.add("DTEND", lamp.act_by + timedelta(days=1))
        event.add("DESCRIPTION", "\n".join([lamp.evidence, *_care(lamp.works), CAUTION_NOTE]))
        event.add("LOCATION", lamp.cabin.name)
        event.add("GEO", (lamp.cabin.latitude, lamp.cabin.longitude))
        event.add("TRANSP", "TRANSPARENT")  # a date to keep, no time that is taken
        out.add_component(event)
    return bytes(out.to_ical())


def visits_calendar(plan: Visits, now: datetime) -> bytes:
    """One event per trip, from leaving to being back, with stops and parts, and when its advisories can be over."""
    out = _calendar()
    for trip in plan.trips:
        event = _event("trip/" + "/".join([trip.day.isoformat(), *(stop.cabin.slug for stop in trip.stops)]), now)
        event.add("SUMMARY", f"Visit {', '.join(stop.cabin.name for stop in trip.stops)}")
        event.add("DTSTART", trip.leave.astimezone(UTC))
        event.add("DTEND", trip.back.astimezone(UTC))
        lines = [
            f"{stop.arrive:%H:%M} {stop.cabin.name}: {', '.join(stop.tasks)}" for stop in trip.stops]
        parts = ", ".join(f"{number} x {part}" for part, number in sorted(trip.parts.items())) or "none"
        event.add("DESCRIPTION", "\n".join(
            [*lines, *clear_lines(plan, [stop.cabin.slug for stop in trip.stops]), f"Parts: {parts}",
             f"{trip.distance_km:.0f} km", *_care(trip.works), CAUTION_NOTE]))
        event.add("LOCATION", trip.stops[0].cabin.name)
        out.add_component(event)
    return bytes(out.to_ical())


def _care(works: Iterable[Work]) -> list[str]:
    """Cautions of what the entry asks for, a line each."""
    found = sentences(works)
    return [f"{TAKE_CARE}:", *(f"- {one}" for one in found)] if found else []


def _calendar() -> icalendar.Calendar:
    import icalendar  # three tenths of a second to load, and few who import this write one

    out = icalendar.Calendar()
    out.add("PRODID", "-//tarnlight//EN")
    out.add("VERSION", "2.0")
    return out


def _event(what: str, now: datetime) -> icalendar.Event:
    """An event whose UID stays the same as long as it is the same event."""
    import icalendar

    event = icalendar.Event()
    event.add("UID", f"{hashlib.sha256(what.encode()).hexdigest()[:32]}@tarnlight")
    event.add("DTSTAMP", now.astimezone(UTC))
    return event


