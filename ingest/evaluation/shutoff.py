"""Which shut-off valves let water past while the lamp was dark, since somebody last looked at them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import pandas as pd

from ingest.db.engine import Asks, named
from models.exposure import past_valve
from models.exposure.shutoff import SHUT
from models.fleet import Fleet

VALVE_CHECKED = "valve-checked"
Key = tuple[str, str]

# One row a stretch of darkness with a valve that should have been closed. Costs a scan of a few columns of
# `segment`, and that only where a valve is enrolled.
_DARK = f"""
    WITH checked AS (
        SELECT cabin, unit, max("at") AS "at" FROM service_done
        WHERE kind = '{VALVE_CHECKED}' AND "at" <= $now GROUP BY ALL)
    SELECT s.cabin, s.unit, s.start, s."end", s.underdosed_l
    FROM segment AS s LEFT JOIN checked AS c ON c.cabin = s.cabin AND c.unit = s.unit
    WHERE s.kind = 'dark' AND s."end" <= $now AND contains(s.rests_on, $shut)
    AND list_contains($keys::VARCHAR[], s.cabin || '/' || s.unit) AND (c."at" IS NULL OR s.start >= c."at")
    ORDER BY s.cabin, s.unit, s.start
"""  # noqa: S608  (a kind of our own)


@dataclass(frozen=True, slots=True, kw_only=True)
class PastValve:
    """Water past a valve that should have been closed: since when, and at least how much. [L]"""

    since: datetime
    litres: float


def past_valves(store: Asks, fleet: Fleet, now: datetime) -> dict[Key, PastValve]:
    """Per unit with a valve at fault what passed it up to `now`, since the valve was last looked at."""
    peak = {
        f"{place.slug}/{unit.slug}": unit.peak_flow_l_min for place in fleet.cabins for unit in place.units
        if unit.shutoff is not None}
    if not peak:
        return {}
    dark = store.ask(_DARK, {"now": now, "shut": SHUT, "keys": list(peak)})
    if dark.empty:
        return {}
    key = dark["cabin"] + "/" + dark["unit"]
    number, names = pd.factorize(key)
    found = past_valve(dark.assign(unit_no=number, peak_flow_l_min=key.map(peak)))
    return {
        (cabin, unit): PastValve(since=row.since.to_pydatetime(), litres=float(row.litres))
        for row in named(found) for cabin, unit in [str(names[int(row.unit_no)]).split("/")]}
