"""Which cabins on which trip, in which order?

`routing` plans the trips (days, stops, what one trip is worth), `travel` gives the ways between cabins,
`access_windows` when nobody is in, `policy_comparison` a year of the fleet under this plan and under the rule of
every lamp on its anniversary.
"""

from models.visits.access_windows import open_windows
from models.visits.policy_comparison import LampStates, YearScore, anniversary_year, margin_to_stay, planned_year
from models.visits.routing import Stop, Van, VisitPlan, visit_plan
from models.visits.travel import Travel, great_circle_travel, table_travel

__all__ = [
    "LampStates", "Stop", "Travel", "Van", "VisitPlan", "YearScore", "anniversary_year", "great_circle_travel",
    "margin_to_stay", "open_windows", "planned_year", "table_travel", "visit_plan",
]
