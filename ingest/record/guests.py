"""Stays that an advisory's water touched before anybody knew, from the cabin's calendar."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from ingest.bookings.kept import occupancy
from ingest.db.engine import Asks
from ingest.record.advisory_log import KeptAdvisory
from models.advisory.guests import Stay, stays_touched
from models.fleet import Fleet


@dataclass(frozen=True, slots=True, kw_only=True)
class TouchedStays:
    """The stays of one advisory.

    Attributes
    ----------
    late : bool
        Whether its water became known late: only then guests may have drunk it untold.
    stays : tuple of Stay
    unknown : str
        Why nobody can say which stays there were; empty where the calendar was read.
    """

    late: bool
    stays: tuple[Stay, ...] = ()
    unknown: str = ""


def touched_stays(store: Asks, fleet: Fleet, kept: KeptAdvisory, now: datetime) -> TouchedStays:
    """The stays that an advisory touches; asks for bookings only where it became known late."""
    advisory = kept.advisory
    if not advisory.known_late or not fleet.has_cabin(kept.cabin):
        return TouchedStays(late=False)
    cabin = fleet.cabin(kept.cabin)
    since, until = (
        at.astimezone(cabin.zone).date() for at in (advisory.exposure.start, advisory.known_at))
    found = occupancy(
        store, replace(fleet, cabins=(cabin,)), since - timedelta(days=1), until + timedelta(days=1), now)
    if cabin.slug in found.without:
        return TouchedStays(
            late=True, unknown="this cabin has no calendar of bookings, so nobody here knows who stayed")
    if cabin.slug in found.unread:
        return TouchedStays(
            late=True, unknown="the calendar of this cabin cannot be read; `tarnlight doctor` says why")
    return TouchedStays(late=True, stays=stays_touched(
        found.bookings, cabin, advisory.exposure, advisory.known_at))
