"""Which supply batteries will not last the night, by what is stored: looked at once an hour, kept for whoever
asks."""

from __future__ import annotations

from datetime import datetime, timedelta

import duckdb
import numpy as np
import pandas as pd

from ingest.db import past
from ingest.db.engine import Asks, Local, named, transaction
from ingest.evaluation.judging import Key
from models.battery import PAST_H, Outlook, foresee
from models.exposure import instants, microsecond
from models.exposure.instants import US_PER_H
from models.fleet import Fleet

FRESH = timedelta(hours=2)  # an outlook older than this says nothing: two looks were missed

# A row per unit and hour before now: what the battery's voltage was, and whether the supply was on in all of it.
_HOURS = """
    SELECT cabin, unit, CAST(floor((epoch_us($now) - epoch_us("at")) / 3600000000) AS INTEGER) AS ago,
        median(battery_v) AS volts, bool_and(power_on IS DISTINCT FROM FALSE) AS powered
    FROM whole_reading WHERE "at" > $since AND "at" <= $now AND battery_v > 0 GROUP BY ALL
"""
_KEPT = 'SELECT * FROM battery_outlook WHERE "at" <= $now AND "at" > $since AND likely > $now'


def look(con: duckdb.DuckDBPyConnection, fleet: Fleet, now: datetime) -> dict[Key, Outlook]:
    """Look at every battery, and keep what came of it in the place of the last look."""
    since = now - timedelta(hours=PAST_H)
    hours = past.ask(Local(con), _HOURS, {"now": now, "since": since}, since=since, until=now)
    units = hours[["cabin", "unit"]].drop_duplicates()
    keys = [key for key in zip(units["cabin"], units["unit"], strict=True) if fleet.has_unit(*key)]
    enrolled = pd.DataFrame(keys, columns=["cabin", "unit"]).assign(unit_no=np.arange(len(keys)))
    hours = hours.merge(enrolled, on=["cabin", "unit"])
    found = pd.DataFrame({"likely_us": []})
    if keys:
        places = [fleet.cabin(cabin) for cabin, _ in keys]
        north, east = (
            np.array([getattr(one, side) for one in places], float) for side in ("latitude", "longitude"))
        found = foresee(hours, north, east, microsecond(now))
    found = found[found["likely_us"].notna()]
    table = None if found.empty else pd.DataFrame({
        "cabin": [keys[one][0] for one in found["unit_no"]], "unit": [keys[one][1] for one in found["unit_no"]],
        "at": pd.Series([pd.Timestamp(now)] * len(found), dtype="datetime64[us, UTC]"),
        **{name: found[name].to_numpy(float) for name in ("volts", "let_go_v", "fall_v_h")},
        **{name: _times(found[f"{name}_us"]) for name in ("earliest", "likely", "latest")}})

    def write() -> None:
        con.execute("DELETE FROM battery_outlook")
        if table is not None:
            con.register("looked", table)
            con.execute("INSERT INTO battery_outlook BY NAME SELECT * FROM looked")
            con.unregister("looked")

    transaction(con, write)
    return outlooks(Local(con), now)


def _times(us: pd.Series) -> pd.Series:
    """Instants, NaT where there is none, to the minute."""
    known, minute = us.notna().to_numpy(), US_PER_H // 60
    whole = np.where(known, np.nan_to_num(us.to_numpy(float)), 0.0).astype(np.int64) // minute * minute
    return instants(whole).where(pd.Series(known)).reset_index(drop=True)


def outlooks(store: Asks, now: datetime) -> dict[Key, Outlook]:
    """The batteries that will not last, by the last look; none where that is too old."""
    return {
        (row.cabin, row.unit): Outlook(
            volts=float(row.volts), let_go_v=float(row.let_go_v), fall_v_h=float(row.fall_v_h),
            earliest=row.earliest.to_pydatetime(), likely=row.likely.to_pydatetime(),
            latest=None if pd.isna(row.latest) else row.latest.to_pydatetime())
        for row in named(store.ask(_KEPT, {"now": now, "since": now - FRESH}))}
