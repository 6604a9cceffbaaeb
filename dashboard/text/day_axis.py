"""One axis of days that several rows of HTML share."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta


@dataclass(frozen=True, slots=True)
class DayAxis:
    """So many days from the first one on; what lies beyond is drawn at the edge."""

    first: date
    days: int

    @property
    def last(self) -> date:
        """The day on which it ends."""
        return self.first + timedelta(days=self.days)

    def at(self, day: date, hours: float = 0.0) -> float:
        """Where an hour of a day lies. [%]"""
        share = ((day - self.first).days + hours / 24.0) / self.days
        return 100.0 * min(max(share, 0.0), 1.0)

    @staticmethod
    def drawn(ticks: Iterable[tuple[float, str]]) -> str:
        """Words along it, each at its place in per cent."""
        marks = "".join(f'<span style="left:{left:.1f}%">{word}</span>' for left, word in ticks)
        return f'<div class="tl-t-axis">{marks}</div>'
