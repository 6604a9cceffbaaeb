"""How a lamp stands against what it needs, and which of a fleet's lamps comes first."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

SOON_DAYS = 30  # what has to be done within so many days is due; common practice, no source
LATE_SILENCE_DAYS = 3  # a unit not heard for so many whole days is a reason to go; common practice, no source


class Standing(StrEnum):
    """How a lamp stands, in the order in which it is seen to."""

    BELOW = "below"  # reads less than it needs, or no lamp would be enough
    DUE = "due"  # something has to be done soon
    UNKNOWN = "unknown"  # nobody can say what it reads now
    ABOVE = "above"


@dataclass(frozen=True, slots=True, kw_only=True)
class LampFigures:
    """What a lamp's place among the others is told by.

    Attributes
    ----------
    read_w_m2 : float or None
        Its last reading; None: not known. [W/m2]
    need_w_m2 : float or None
        The least intensity that still gives the target dose; None: not even a new lamp gives it. [W/m2]
    act_by : date or None
        None: nothing has to be done.
    last_heard : date or None
        The last day on which its unit was heard.
    """

    read_w_m2: float | None
    need_w_m2: float | None
    act_by: date | None
    last_heard: date | None

    @property
    def margin(self) -> float | None:
        """Its reading over its need, less 1; minus infinity where no reading would do; None: not known."""
        if self.need_w_m2 is None:
            return -math.inf
        return None if self.read_w_m2 is None else self.read_w_m2 / self.need_w_m2 - 1.0

    def standing(self, today: date) -> Standing:
        """How it stands on that day: what is below its need is below it whatever is foretold."""
        if self.margin is not None and self.margin < 0:
            return Standing.BELOW
        if self.act_by is not None and (self.act_by - today).days <= SOON_DAYS:
            return Standing.DUE
        silent = self.last_heard is None or (today - self.last_heard).days > LATE_SILENCE_DAYS
        return Standing.UNKNOWN if self.margin is None or silent else Standing.ABOVE

    def place(self, today: date) -> tuple[int, float, date]:
        """Sorts a fleet: by how they stand, then the least margin first, and before it one that is not known."""
        margin = -math.inf if self.margin is None else self.margin
        return list(Standing).index(self.standing(today)), margin, self.act_by or date.max
