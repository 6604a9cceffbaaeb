"""How far open advisories have come since their record last changed, and where the under-dosed water stands.

The record keeps only what ticks or unticks a step (`ingest.watch`); the litres and minutes between are asked here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime

import pandas as pd

from ingest.engine import Asks, named
from ingest.watch import Kept, proofs_of
from models.advisory import State, advance
from models.exposure import UnitState
from models.fleet import Fleet

# One row per asked unit; segments since the unit's last under-dosed litre only, so it does not grow with history.
_SINCE = """
    WITH asked AS (
        SELECT unnest($cabins) AS cabin, unnest($units) AS unit, unnest($since) AS since)
    SELECT a.cabin, a.unit, max(s."end") FILTER (s.kind <> 'lit') AS bad_until,
        sum(s.drawn_l) FILTER (s.kind = 'lit' AND s.start >= a.since) AS metered_l
    FROM asked AS a LEFT JOIN segment AS s ON s.cabin = a.cabin AND s.unit = a.unit AND s."end" > a.since
    GROUP BY ALL
"""


def up_to_now(
    store: Asks, fleet: Fleet, kept: Mapping[tuple[str, str], Kept], carries: Mapping[tuple[str, str], UnitState],
    now: datetime,
) -> dict[tuple[str, str], Kept]:
    """Each unit's latest advisory, an open one with what the sensors say of its steps now; nothing is recorded.

    Parameters
    ----------
    kept : mapping
        The latest advisory per (cabin, unit), open or lifted.
    carries : mapping
        Each unit's state after its latest reading.
    """
    enrolled = {(cabin.slug, unit.slug) for cabin in fleet.cabins for unit in cabin.units}
    open_ = {
        key: one for key, one in kept.items()
        if one.advisory.state is not State.LIFTED and one.advisory.evidence_since is not None and key in carries
        and key in enrolled}  # an advisory outlives its unit's registration, and its record stays readable
    if not open_:
        return dict(kept)
    found = store.ask(_SINCE, {
        "cabins": [key[0] for key in open_], "units": [key[1] for key in open_],
        "since": [one.advisory.evidence_since for one in open_.values()]})
    out = dict(kept)
    for row in named(found):
        key = (row.cabin, row.unit)
        advisory = open_[key].advisory
        for proof in proofs_of(
            fleet, key, carries[key], advisory, now,
            bad_until=None if pd.isna(row.bad_until) else row.bad_until.to_pydatetime(),
            metered_l=None if pd.isna(row.metered_l) else float(row.metered_l),
        ):
            advisory = advance(advisory, proof)
        out[key] = replace(open_[key], advisory=advisory)
    return out
