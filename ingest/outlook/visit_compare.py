"""The plan against 'every lamp on its anniversary': a year of the fleet as its own fit has it, under both rules."""

from __future__ import annotations

from dataclasses import dataclass

from ingest.outlook.lamp_states import rows_by_trip, some, states
from ingest.outlook.lamps import LampOutlook
from ingest.outlook.trip_settings import Terms, middle_of, travel_of
from ingest.settings import BadInput
from models.fleet import Fleet
from models.visits.policy_comparison import LampStates, YearScore, anniversary_year, planned_year
from models.visits.travel import Travel

PLENTY = 99  # of each part: stock is not what is compared


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """Both rules over the same year; `units` were played, `left_out` have no forecast."""

    planned: YearScore
    anniversary: YearScore
    units: int
    left_out: int


def compared(found: LampOutlook, fleet: Fleet, terms: Terms | None = None) -> Compared:
    """Play a year of both rules.

    Notes
    -----
    What happens is the fit's middle; what the plan believes is its cautious end (10 %), corrected at each visit. So
    a forecast that is wrong altogether is not in these figures; the back-test says how often that is. Each trip of
    the registry is driven by itself, as in the plan; sums are over all.

    Raises
    ------
    BadInput
        If no unit has a forecast.
    """
    terms = terms or Terms()
    fitted = found.fitted
    groups = rows_by_trip(found, fleet)
    if fitted is None or not groups:
        raise BadInput("no lamp has a forecast yet, so there is nothing to compare; load more days of readings")
    truth, believed = states(found, fitted)
    keys = list(fitted.days.units)
    scores = [
        _group(truth, believed, rows, [keys[at][0] for at in rows],
               travel_of(fleet, terms.base or middle_of(fleet, trip), terms), terms)
        for trip, rows in groups.items()]
    units = sum(map(len, groups.values()))
    return Compared(
        planned=_sum([one for one, _ in scores]), anniversary=_sum([one for _, one in scores]), units=units,
        left_out=len(found.lamps) - units)


def _group(
    truth: LampStates, believed: LampStates, rows: list[int], places: list[str], travel: Travel, terms: Terms
) -> tuple[YearScore, YearScore]:
    """One trip's units under both rules."""
    mine, think = (some(one, rows) for one in (truth, believed))
    van = terms.van({"lamp": PLENTY})
    planned = planned_year(mine, think, tuple(places), travel, van=van, rounds=30, seconds=0.5)
    return planned, anniversary_year(mine, tuple(places), travel)


def _sum(scores: list[YearScore]) -> YearScore:
    return YearScore(**{name: sum(getattr(one, name) for one in scores) for name in YearScore.__slots__})


