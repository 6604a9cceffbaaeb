"""Whose clock is wrong, the collector's own or a logger's? Decided from what was heard, and from how time passed.

Loggers have clocks of their own, and the collector's computer may start without one that kept the time. A reading
that lies ahead of its arrival says that one of the two is wrong and not which. Several units that do so at once
speak against the one clock that they have in common: ours. An unknown time is never taken for a right one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np
import numpy.typing as npt

TOLERANCE_S = 300.0  # by so much clocks may differ; common practice, no source
HEARD_WITHIN_S = 3600.0  # units heard within that time have a say; policy
LEAST_UNITS = 2  # one logger alone accuses nobody but itself
EARLIEST = datetime(2015, 1, 1, tzinfo=UTC)  # before it a clock was not set

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockEvidence:
    """What is known of our own clock.

    Attributes
    ----------
    now : datetime
        What it says, aware.
    stepped_s : float
        How far it has moved against a clock that nobody sets, since it was last known to be right; above 0:
        forward. [s]
    ahead_s : ndarray, shape (n,)
        Per unit heard within `HEARD_WITHIN_S`, how far its freshest reading lay ahead of its arrival by what our
        clock says now; below 0: behind. [s]
    enrolled : int
        Units that could be heard.
    known_until : datetime or None
        The latest instant that is known to have been: of the newest reading stored, of the latest act recorded, of
        when the clock was last right; None: the store is empty.
    """

    now: datetime
    stepped_s: float = 0.0
    ahead_s: Floats = field(default_factory=lambda: np.zeros(0))
    enrolled: int = 0
    known_until: datetime | None = None

    def __post_init__(self) -> None:
        if self.now.utcoffset() is None:
            raise ValueError(f"now must be an instant with an offset from UTC; got {self.now!r}")
        if self.ahead_s.ndim != 1:
            raise ValueError(f"ahead_s must have one value a unit; got shape {self.ahead_s.shape}")
        if not np.isfinite(self.ahead_s).all() or not np.isfinite(self.stepped_s):
            raise ValueError("ahead_s and stepped_s must be finite")


def borne_out(evidence: ClockEvidence) -> bool:
    """Whether the loggers agree with our clock: over half of the units heard, and two where there are two."""
    agree = int(np.count_nonzero(np.abs(evidence.ahead_s) <= TOLERANCE_S))
    return 2 * agree > len(evidence.ahead_s) and agree >= min(LEAST_UNITS, max(evidence.enrolled, 1))


def doubts(evidence: ClockEvidence) -> str:
    """Why our own clock cannot be right, in half a sentence; empty: nothing speaks against it.

    Notes
    -----
    Agreement of the loggers outweighs what the clock did and what the store holds: a clock that was set right moves
    too. Nothing outweighs most loggers being ahead.
    """
    return next(_found(evidence), "")


def _found(evidence: ClockEvidence) -> Iterator[str]:
    now, units = evidence.now, len(evidence.ahead_s)
    if now < EARLIEST:
        yield f"it says {now.astimezone(UTC):%Y-%m-%d}, as a clock does that was never set"
    ahead = evidence.ahead_s[evidence.ahead_s > TOLERANCE_S]
    if len(ahead) >= LEAST_UNITS and 2 * len(ahead) > units:
        yield (f"{len(ahead)} of {units} units heard within the last hour are ahead of it at once, by about "
               f"{lasting(float(np.median(ahead)))}")
    if borne_out(evidence):
        return
    if abs(evidence.stepped_s) > TOLERANCE_S:
        way = "forward" if evidence.stepped_s > 0 else "back"
        yield f"it jumped {way} by {lasting(abs(evidence.stepped_s))}, and too few loggers bear that out"
    known = evidence.known_until
    if known is not None and (known - now).total_seconds() > TOLERANCE_S:
        yield (f"it says {now.astimezone(UTC):%Y-%m-%d %H:%M UTC}, and the store already knows of "
               f"{known.astimezone(UTC):%Y-%m-%d %H:%M UTC}")


def lasting(seconds: float) -> str:
    """A length of time in the unit that suits it."""
    for unit, size in (("days", 86_400.0), ("h", 3600.0)):
        if seconds >= 2 * size or (unit == "h" and seconds >= 0.95 * size):
            return f"{seconds / size:.1f} {unit}".replace(".0 ", " ")
    return f"{seconds / 60.0:.0f} min"
