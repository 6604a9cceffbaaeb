"""The time that a store lives in: the wall clock, unless a demo runs faster; and whether it can be right."""

from __future__ import annotations

import contextlib
import time
import uuid
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from models.own_clock import HEARD_WITHIN_S, TOLERANCE_S, ClockEvidence, borne_out, doubts

FRESHEST_OF_S = 600.0  # a unit is as far ahead as the freshest message of that time: others are backlog


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


def monotonic_s() -> float:
    """Seconds that nobody sets, the same in all processes of this machine; what it slept through counts. [s]"""
    boot = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic() if boot is None else time.clock_gettime(boot)


def _boot() -> str:
    with contextlib.suppress(OSError):
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    return uuid.uuid4().hex  # seconds of another process then mean nothing here


BOOT = _boot()  # since when `monotonic_s` counts: two instants of it compare only where this is the same


class OwnClock:
    """The collector's clock, watched.

    It gives the store's time. Where the system's clock jumps, it goes on as before, until enough loggers bear the
    new time out or the system's clock is back: what is stamped meanwhile keeps its order.

    Parameters
    ----------
    clock : Clock
        The store's.
    known_until : datetime or None
        See `ClockEvidence`.
    basis_s : float or None
        What was to be added to `monotonic_s` when the clock was last right, if that was since `BOOT`. [s]
    doubted : str
        Why it could not be right when the last collector ended; stands until loggers bear it out.
    monotonic : callable
        Seconds that nobody sets.
    """

    def __init__(
        self, clock: Clock, *, known_until: datetime | None = None, basis_s: float | None = None,
        doubted: str = "", monotonic: Callable[[], float] = monotonic_s,
    ) -> None:
        self._clock, self._monotonic = clock, monotonic
        self._known_until = known_until
        self.basis_s = self._basis_now() if basis_s is None else basis_s  # our time less `_passed_s`
        self._units: dict[tuple[str, str], tuple[float, float]] = {}  # when heard; its time less `_passed_s` then
        self._doubted = "" if self.stepped else doubted  # a jump speaks for itself, and can be undone
        self.reason = ""
        self.suspect_since: datetime | None = None

    def _passed_s(self) -> float:
        return self._clock.speed * self._monotonic()

    def _basis_now(self) -> float:
        return self._clock.now().timestamp() - self._passed_s()

    @property
    def suspect(self) -> bool:
        """Whether it cannot be right."""
        return bool(self.reason)

    @property
    def stepped(self) -> bool:
        """Whether the system's clock has left the time that we go by."""
        return abs(self._basis_now() - self.basis_s) > TOLERANCE_S

    def now(self) -> datetime:
        """The time that we go by, to the millisecond."""
        said = self._clock.now()
        kept_s = self._passed_s() + self.basis_s
        if not self.suspect and abs(said.timestamp() - kept_s) <= TOLERANCE_S:
            return said
        kept = datetime.fromtimestamp(kept_s, UTC)
        return kept.replace(microsecond=kept.microsecond // 1000 * 1000)

    def heard(self, newest: Mapping[tuple[str, str], datetime]) -> None:
        """Units heard now, and the newest time that each of them bears by its own clock."""
        passed_s = self._passed_s()
        for key, at in newest.items():
            found = (passed_s, at.timestamp() - passed_s)
            kept = self._units.get(key)
            if kept is None or found[1] >= kept[1] or passed_s - kept[0] > FRESHEST_OF_S:
                self._units[key] = found

    def judge(self, enrolled: int) -> bool:
        """See anew whether it can be right; whether that, or the time that we go by, is another than before."""
        passed_s, basis_s = self._passed_s(), self._basis_now()
        stepped_s = basis_s - self.basis_s
        if not self.suspect:  # a doubt does not end because everybody fell silent
            self._units = {key: one for key, one in self._units.items() if passed_s - one[0] <= HEARD_WITHIN_S}
        # each unit's time less the seconds that nobody sets: what it says of our clock holds when that is set, too
        ahead_s = np.array([basis for _, basis in self._units.values()], dtype=float) - basis_s
        evidence = ClockEvidence(
            now=self._clock.now(), stepped_s=stepped_s, ahead_s=ahead_s, enrolled=enrolled,
            known_until=self._known_until)
        right = borne_out(evidence)
        self._doubted = "" if right else self._doubted
        was, self.reason = self.suspect, doubts(evidence) or self._doubted
        if self.suspect:
            if not was:
                self.suspect_since = self.now()
            return not was
        if right:
            self._known_until = None  # a time that is still to come was written by a clock that ran ahead
        self.basis_s, self.suspect_since = basis_s, None
        return was or abs(stepped_s) > 1.0
