"""Will a lamp be too weak before the next guests have left? Said once, while there is time to change it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

AHEAD_DAYS = 21  # of a stay that begins later nothing is said yet; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class WeakInStay:
    """A lamp that will likely be too weak before a stay is over; local dates, `leaves` the day of departure.

    Attributes
    ----------
    arrives, leaves : date
        The stay under way, or the next.
    likely, early : date
        The forecast's middle date, and the one that one chance in ten lies before.
    """

    arrives: date
    leaves: date
    likely: date
    early: date


def weak_in_stay(
    stays: Iterable[tuple[date, date]], *, likely: date | None, early: date | None, today: date
) -> WeakInStay | None:
    """Whether the forecast's middle date comes before the stay under way, or the next one after it, is over.

    Where guests follow guests, the next one is told of while the last ones are there: once it has begun, nobody can
    change the lamp before they come.

    Parameters
    ----------
    stays : iterable of (date, date)
        Days of arrival and departure, in any order.
    likely, early : date or None
        When half, and when a tenth, of the chance has passed that the lamp is too weak; None: nothing is foretold.
    today : date
        By the cabin's clock.

    Examples
    --------
    >>> weak_in_stay([(date(2026, 12, 5), date(2026, 12, 12))], likely=date(2026, 12, 10), early=date(2026, 12, 1),
    ...              today=date(2026, 11, 30)).arrives
    datetime.date(2026, 12, 5)
    """
    if likely is None:
        return None
    coming = sorted(
        one for one in stays if one[1] >= today and one[0] <= today + timedelta(days=AHEAD_DAYS))
    later = [one for one in coming if one[0] > today]
    asked = [one for one in coming if one[0] <= today] + later[:1]
    found = next((one for one in asked if likely <= one[1]), None)
    if found is None:
        return None
    arrives, leaves = found
    return WeakInStay(arrives=arrives, leaves=leaves, likely=likely, early=min(early or likely, likely))
