"""The time that a store lives in: the wall clock, unless a demo runs faster than it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """Time as `store_start + speed x (wall - wall_start)`; the default is the wall clock itself."""

    wall_start: datetime = datetime(2000, 1, 1, tzinfo=UTC)
    store_start: datetime = datetime(2000, 1, 1, tzinfo=UTC)
    speed: float = 1.0

    def __post_init__(self) -> None:
        if not self.speed > 0:
            raise ValueError(f"speed must be above 0; got {self.speed!r}")

    def at(self, wall: datetime) -> datetime:
        """The store's instant at an instant of the wall clock."""
        return self.store_start + timedelta(seconds=self.speed * (wall - self.wall_start).total_seconds())

    def now(self) -> datetime:
        """The store's present instant, to the millisecond."""
        now = self.at(datetime.now(UTC))
        return now.replace(microsecond=now.microsecond // 1000 * 1000)

    @property
    def is_wall(self) -> bool:
        """Whether this is the wall clock."""
        return self.speed == 1.0 and self.wall_start == self.store_start
