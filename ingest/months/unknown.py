"""What nobody knows of a month: time not heard, water whose litres have no bound, readings not taken in."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pandas as pd

from ingest.db.engine import Asks, named
from ingest.months.calendar import Month
from ingest.months.water import Water

COLUMNS = ["cabin", "unit", "since", "until", "hours", "litres_most", "what"]
_FIRST = """
    SELECT cabin, unit, min(start) AS first FROM segment WHERE list_contains($cabins::VARCHAR[], cabin) GROUP BY ALL
"""
# One row per unit and reason; what came in that month, whatever time it told.
_REFUSED = """
    SELECT cabin, unit, min(coalesce(since, arrived_at)) AS since, max(arrived_at) AS until,
        sum(coalesce(times, 1))::BIGINT AS rows
    FROM quarantine WHERE list_contains($cabins::VARCHAR[], cabin) AND arrived_at >= $since AND arrived_at < $until
    GROUP BY cabin, unit ORDER BY cabin, unit
"""
_HELD = """
    SELECT cabin, unit, min("at") AS since, max("at") AS until, count(*) AS rows FROM held_reading
    WHERE list_contains($cabins::VARCHAR[], cabin) GROUP BY ALL ORDER BY cabin, unit
"""
_LOST = 'SELECT since, until FROM lost_session WHERE until > $since AND since < $until ORDER BY since'


def unknown_of(store: Asks, month: Month, water: Water, now: datetime) -> pd.DataFrame:
    """What is not known of a month, in order of unit and time.

    Returns
    -------
    DataFrame
        `cabin, unit, since, until, hours, litres_most` (that can have passed meanwhile; NaN: no bound is known, or
        it is not about water), `what` in words.
    """
    given = {"cabins": month.slugs, "since": month.since, "until": month.until}
    parts = [_unheard(water), _before(store, month, now), _ahead(month, now), _unbounded(water)]
    parts += [
        _of_rows(store.ask(_REFUSED, given), "came and were refused (tarnlight quarantine list)"),
        _of_rows(store.ask(_HELD, {"cabins": month.slugs}),
                 "are held until their time is known (tarnlight quarantine list)"),
        _lost(store, month)]
    found = pd.concat([one for one in parts if len(one)] or [pd.DataFrame(columns=COLUMNS)], ignore_index=True)
    known = [*month.keys, *((one, "") for one in month.slugs)]  # without a unit: of all of the cabin
    units = pd.MultiIndex.from_frame(found[["cabin", "unit"]]).isin(known)
    return found[units].sort_values(["cabin", "unit", "since"], kind="stable", ignore_index=True)


def _table(rows: list[tuple[object, ...]]) -> pd.DataFrame:
    found = pd.DataFrame(rows, columns=COLUMNS)
    for name in ("since", "until"):
        found[name] = pd.to_datetime(found[name], utc=True)
    return found


def _hours(since: datetime, until: datetime) -> float:
    return (until - since).total_seconds() / 3600.0


def _unheard(water: Water) -> pd.DataFrame:
    found = water.intervals
    return _table([
        (row.cabin, row.unit, row.start, row.end, _hours(row.start, row.end), row.drawn_l_upper,
         "not heard: whether the lamp was lit is not known") for row in named(found[found["kind"] == "unheard"])])


def _before(store: Asks, month: Month, now: datetime) -> pd.DataFrame:
    """The time before a unit was heard for the first time."""
    heard = {(row.cabin, row.unit): row.first.to_pydatetime()
             for row in named(store.ask(_FIRST, {"cabins": month.slugs}))}
    rows: list[tuple[object, ...]] = []
    end = min(month.until, now)
    for cabin, unit in month.keys:
        first = heard.get((cabin, unit))
        until = end if first is None else min(first, end)
        if until > month.since:
            rows.append((cabin, unit, month.since, until, _hours(month.since, until), np.nan,
                         "never heard" if first is None else "before the unit was first heard"))
    return _table(rows)


def _ahead(month: Month, now: datetime) -> pd.DataFrame:
    since = max(month.since, now)
    return _table([
        (cabin, unit, since, month.until, _hours(since, month.until), np.nan, "still ahead: the month is not over")
        for cabin, unit in month.keys if since < month.until])


def _unbounded(water: Water) -> pd.DataFrame:
    """Water of which not even the most is known."""
    found = water.stretches
    if found.empty:
        return _table([])
    most = found["drawn_l_upper"].to_numpy(dtype=float)
    found = found[~np.isfinite(most)]
    if found.empty:
        return _table([])
    group = found.groupby(["cabin", "unit"]).agg(since=("start", "min"), until=("end", "max"), s=("seconds", "sum"))
    return _table([
        (row.cabin, row.unit, row.since, row.until, row.s / 3600.0, np.nan, "litres drawn have no known bound")
        for row in named(group.reset_index())])


def _of_rows(found: pd.DataFrame, what: str) -> pd.DataFrame:
    return _table([
        (row.cabin, row.unit or "", row.since, row.until, np.nan, np.nan, f"{int(row.rows):,} records {what}")
        for row in named(found.astype({"unit": object}).where(found.notna(), None))])


def _lost(store: Asks, month: Month) -> pd.DataFrame:
    return _table([
        (cabin, "", row.since, row.until, _hours(row.since, row.until), np.nan,
         "messages that the broker held may be lost")
        for row in named(store.ask(_LOST, {"since": month.since, "until": month.until})) for cabin in month.slugs])
