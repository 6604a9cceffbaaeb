"""Which months a record covers, by the clock of each cabin."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo

from models.fleet import Cabin

Key = tuple[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Month:
    """A month, or the part of one that is asked for, of all cabins on one clock.

    Attributes
    ----------
    name : str
        As 2026-10.
    since, until : datetime
        Its first instant and the one past its last.
    cabins : tuple of Cabin
        Those of that time zone.
    """

    name: str
    since: datetime
    until: datetime
    cabins: tuple[Cabin, ...]

    @property
    def zone(self) -> tzinfo:
        """The clock of its cabins."""
        return self.cabins[0].zone

    @property
    def slugs(self) -> list[str]:
        """Its cabins by name."""
        return [one.slug for one in self.cabins]

    @property
    def keys(self) -> list[Key]:
        """Its units."""
        return [(one.slug, unit.slug) for one in self.cabins for unit in one.units]


def months(cabins: Iterable[Cabin], first: date, last: date) -> Iterator[Month]:
    """The months from one day to another, both whole, oldest first; of each one part per time zone."""
    zones: dict[str, list[Cabin]] = {}
    for one in cabins:
        zones.setdefault(one.time_zone, []).append(one)
    begin = first
    while begin <= last:
        following = (begin.replace(day=1) + timedelta(days=32)).replace(day=1)
        end = min(following, last + timedelta(days=1))
        for place in zones.values():
            yield Month(
                name=f"{begin:%Y-%m}", since=_midnight(begin, place[0].zone), until=_midnight(end, place[0].zone),
                cabins=tuple(place))
        begin = following


def _midnight(day: date, zone: tzinfo) -> datetime:
    return datetime(day.year, day.month, day.day, tzinfo=zone)
