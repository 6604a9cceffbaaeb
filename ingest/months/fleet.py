"""The fleet at large: each unit's share in specification of a month so far, and when people were called."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

import pandas as pd

from ingest.db.engine import Asks, named
from ingest.months.calendar import Key, months
from ingest.months.water import Open, open_time
from models.dose.credit import specification_by
from models.fleet import Fleet

# Sums as `models.dose.credit.specification_by` makes them of single hours: the most that was under target is never
# less than the least.
_SUMS = """
    SELECT cabin, unit, sum(coalesce(volume_l, 0)) AS volume_l, sum(coalesce(volume_l_upper, 0)) AS volume_l_upper,
        sum(coalesce(in_spec_l, 0)) AS in_spec_l, sum(coalesce(underdosed_l, 0)) AS underdosed_l,
        sum(greatest(coalesce(underdosed_l_upper, 0), coalesce(underdosed_l, 0))) AS underdosed_l_upper
    FROM hourly WHERE list_contains($cabins::VARCHAR[], cabin) AND hour >= $since AND hour < $until GROUP BY ALL
"""
Share = tuple[float | None, float | None]


def month_shares(store: Asks, fleet: Fleet, now: datetime) -> Mapping[Key, Share]:
    """The least and the most per cent of this month's water that was in specification, of every unit.

    By each cabin's clock; (None, None) where no water was drawn. What holds since the latest reading counts.
    """
    known = open_time(store, fleet, now)
    out: dict[Key, Share] = {(one.slug, unit.slug): (None, None) for one in fleet.cabins for unit in one.units}
    for zone in {one.time_zone: one.zone for one in fleet.cabins}.values():
        today = now.astimezone(zone).date()
        for month in months((one for one in fleet.cabins if one.zone == zone), today.replace(day=1), today):
            parts = [store.ask(_SUMS, {"cabins": month.slugs, "since": month.since, "until": month.until})]
            parts.append(_since(known, month.slugs, month.since, list(parts[0].columns)))
            rows = pd.concat([one for one in parts if len(one)] or parts[:1], ignore_index=True)
            if rows.empty:
                continue
            group = rows.groupby(["cabin", "unit"], sort=True)
            found = specification_by(rows, group.ngroup().to_numpy())
            found.index = group.size().index
            for row in named(found.reset_index()):
                if (row.cabin, row.unit) in out and not pd.isna(row.share_pct):
                    out[row.cabin, row.unit] = (float(row.share_pct), float(row.share_most_pct))
    return out


def _since(known: Open, cabins: list[str], since: datetime, columns: list[str]) -> pd.DataFrame:
    """What no stored hour holds yet."""
    if known.hours.empty:
        return pd.DataFrame(columns=columns)
    hours = known.hours
    return hours[hours["cabin"].isin(cabins) & (hours["hour"] >= pd.Timestamp(since))][columns]


def raised_since(store: Asks, since: datetime) -> list[datetime]:
    """When advisories were raised, oldest first."""
    found = store.ask(
        "SELECT raised_at FROM advisory WHERE raised_at > $since ORDER BY raised_at", {"since": since})
    return [one.to_pydatetime() for one in found["raised_at"]]
