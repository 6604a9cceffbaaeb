"""How many calls do people get, and how long does what they were called for stand?

An alarm is what needs a response: here a boil advisory. The figures that it is held against were made for operators
of plants who watch all day; they are figures of reference.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

STEADY_MIN = 10.0  # one alarm in so long is the most in steady running
STALE_AFTER = timedelta(hours=24)
STALE_FEWER_THAN = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmLoad:
    """What was raised in a span of time, and what stands at its end.

    Attributes
    ----------
    raised : int
        In the span.
    per_day : float
    most_together : int
        The most that were raised within ten minutes.
    standing, stale : int
        What stands, and of that what has stood for more than a day.
    oldest, median_age : timedelta or None
        Of what stands.
    """

    raised: int
    per_day: float
    most_together: int
    standing: int
    stale: int
    oldest: timedelta | None
    median_age: timedelta | None

    @property
    def steady(self) -> bool:
        """Whether never more than one was raised within ten minutes."""
        return self.most_together <= 1

    @property
    def few_stale(self) -> bool:
        """Whether fewer stand for long than the figure of reference."""
        return self.stale < STALE_FEWER_THAN


def alarm_load(
    raised_at: Iterable[datetime], standing_since: Iterable[datetime], *, now: datetime, span: timedelta
) -> AlarmLoad:
    """The load of the span that ends now.

    References
    ----------
    .. [1] EEMUA 191 and ISA-18.2: models/SOURCES.md, section 14; the limit of stale ones from memory.

    Examples
    --------
    Three within four minutes and one a day later, of four days; one of them still stands:

    >>> from datetime import UTC
    >>> day = datetime(2026, 11, 1, tzinfo=UTC)
    >>> at = [day, day + timedelta(minutes=2), day + timedelta(minutes=4), day + timedelta(days=1)]
    >>> found = alarm_load(at, at[:1], now=day + timedelta(days=2), span=timedelta(days=4))
    >>> found.raised, found.per_day, found.most_together, found.stale
    (4, 1.0, 3, 1)
    """
    raised = sorted(at for at in raised_at if now - span < at <= now)
    ages = sorted(now - at for at in standing_since)
    return AlarmLoad(
        raised=len(raised), per_day=len(raised) / (span / timedelta(days=1)), most_together=_most(raised),
        standing=len(ages), stale=sum(one > STALE_AFTER for one in ages), oldest=ages[-1] if ages else None,
        median_age=ages[len(ages) // 2] if ages else None)


def _most(raised: Sequence[datetime]) -> int:
    """The most within ten minutes."""
    most, first = 0, 0
    for last, at in enumerate(raised):
        while at - raised[first] >= timedelta(minutes=STEADY_MIN):
            first += 1
        most = max(most, last - first + 1)
    return most
