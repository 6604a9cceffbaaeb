"""This month's shares of all units at once are those of each unit by itself."""

from __future__ import annotations

from datetime import timedelta

from ingest import queries
from ingest.months.fleet import month_shares, raised_since
from ingest.registry.tables import load_fleet
from ingest.store import Store
from tests.ingest.test_margins import lived

__all__ = ["lived"]


def test_all_units_at_once_are_as_each_by_itself(lived: Store) -> None:
    now, fleet = lived.now(), load_fleet(lived)
    found = month_shares(lived, fleet, now)
    assert len(found) == 3
    for (cabin, unit), share in found.items():
        zone = fleet.cabin(cabin).zone
        first = now.astimezone(zone).replace(day=1, hour=0, minute=0, second=0, microsecond=0)
        # the month's end is not here yet: one past today holds it all
        one = queries.in_specification(lived, cabin, unit, "this", first, now + timedelta(days=1), now)
        assert share == (one["share_pct"], one["share_most_pct"]), (cabin, unit)
    assert found["otter-cove", "annex"] == (None, None)


def test_when_people_were_called_is_when_advisories_were_raised(lived: Store) -> None:
    found = raised_since(lived, lived.now() - timedelta(days=1))
    kept = queries.advisories(lived)
    assert found == [one.advisory.raised_at for one in kept] and len(found) == 1
    assert raised_since(lived, lived.now()) == []
