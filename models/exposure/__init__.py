"""What was a unit's time for the water that passed in it: lit, warming, weak, dark or unheard, and how many litres?

Each unit's time is cut at every reading and event. `witnesses` weighs what these say of lamp and power, `water_use`
bounds the litres, `intervals` joins both into pieces and keeps the state to take up from (`resume`); `tail` is the
time since the latest reading; `segments` merges pieces for the store and for people and sums them by the hour;
`shutoff` says whether water passed a valve that should have been closed. All of it works on the columns of many
units at once.
"""

from models.exposure.instants import instants, microsecond, microseconds
from models.exposure.intervals import exposure
from models.exposure.resume import STATE_QUANTITIES, UnitState, no_states
from models.exposure.rows import PROFILE, WORSE_VALUE, Rows, covered_s, profile, rows_of
from models.exposure.segments import cut, dose_by_volume, hourly, join, period_us, segments
from models.exposure.shutoff import past_valve
from models.exposure.tail import open_tail
from models.exposure.witnesses import DARK_SHARE
from models.exposure.words import IntervalKind, IntervalReason

__all__ = [
    "DARK_SHARE", "PROFILE", "STATE_QUANTITIES", "WORSE_VALUE", "IntervalKind", "IntervalReason", "Rows",
    "UnitState", "covered_s", "cut", "dose_by_volume", "exposure", "hourly", "instants", "join", "microsecond",
    "microseconds", "no_states", "open_tail", "past_valve", "period_us", "profile", "rows_of", "segments",
]
