"""Is a unit set up as it should be, and what is to be done when its cabin is shut down and opened again?

`checklist` holds what is looked at (commissioning, shut-down, start-up) and reads the record of it; `feed_limits`
the limits that the water before this unit is held against; `capacity` asks whether the unit is large enough at its
supply's peak with a lamp at the end of its life; `first_reading` finds the intensity at 100 h that is kept as the
unit's own 100 %; `frost` what the water's temperature says of frost. Nothing here raises or lifts an advisory, and
none of it stands for the acceptance by a local authority.
"""

from models.commissioning.capacity import END_OF_LIFE_OUTPUT, Capacity, capacity
from models.commissioning.checklist import (
    CHECKLISTS,
    Entry,
    Facts,
    Item,
    ItemState,
    Line,
    Occasion,
    item_of,
    lines,
    standing_entries,
)
from models.commissioning.feed_limits import feed_limits
from models.commissioning.first_reading import FirstReading, first_reading, share_of_first_pct
from models.commissioning.frost import Frost, FrostRisk, frost_risk

__all__ = [
    "CHECKLISTS",
    "END_OF_LIFE_OUTPUT",
    "Capacity",
    "Entry",
    "Facts",
    "FirstReading",
    "Frost",
    "FrostRisk",
    "Item",
    "ItemState",
    "Line",
    "Occasion",
    "capacity",
    "feed_limits",
    "first_reading",
    "frost_risk",
    "item_of",
    "lines",
    "share_of_first_pct",
    "standing_entries",
]
