"""Stays of infants or people with weak immunity, as their bookings say, and which water they may have drunk."""

from __future__ import annotations

from datetime import datetime, time, timedelta

import numpy as np
import pandas as pd

from ingest.db.engine import Asks, named
from models.advisory.marginal import MARGINAL_DAYS
from models.fleet import Fleet

BEFORE = timedelta(days=1)  # what they find in pipes and tank on arrival; common practice, no source
_MARKED = """
    SELECT DISTINCT cabin, first_day, last_day FROM booking
    WHERE vulnerable AND last_day >= $since::DATE AND first_day <= $until::DATE ORDER BY ALL
"""


def marked_stays(store: Asks, fleet: Fleet, now: datetime) -> pd.DataFrame:
    """Marked stays of the last month and of the present.

    Returns
    -------
    DataFrame
        `cabin`, `from`, `to`: from a day before the arrival's until the end of the day of departure, at the cabin.
    """
    found = store.ask(_MARKED, {
        "since": (now - timedelta(days=MARGINAL_DAYS + 1)).date().isoformat(),
        "until": (now + 2 * BEFORE).date().isoformat()})
    zones = {one.slug: one.zone for one in fleet.cabins}
    rows = [
        (row.cabin,
         datetime.combine(pd.Timestamp(row.first_day).date() - BEFORE, time(), zones[row.cabin]),
         datetime.combine(pd.Timestamp(row.last_day).date() + timedelta(days=1), time(), zones[row.cabin]))
        for row in named(found) if row.cabin in zones]
    out = pd.DataFrame(rows, columns=["cabin", "from", "to"])
    return out.assign(**{name: pd.to_datetime(out[name], utc=True) for name in ("from", "to")})


def vulnerable_now(store: Asks, fleet: Fleet, now: datetime) -> frozenset[str]:
    """Cabins in which such a stay is, or begins within a day."""
    stays = marked_stays(store, fleet, now)
    at = pd.Timestamp(now)
    return frozenset(stays.loc[(stays["from"] <= at) & (stays["to"] > at), "cabin"])


def drunk_by_them(rows: pd.DataFrame, stays: pd.DataFrame) -> np.ndarray:
    """Which intervals (`cabin`, `start`, `end`) touch a marked stay (`marked_stays`).

    Returns
    -------
    ndarray of bool, shape (rows,)
    """
    out = np.zeros(len(rows), bool)
    if stays.empty or rows.empty:
        return out
    pairs = rows[["cabin", "start", "end"]].assign(row=np.arange(len(rows))).merge(stays, on="cabin")
    out[pairs.loc[(pairs["start"] < pairs["to"]) & (pairs["end"] > pairs["from"]), "row"].to_numpy()] = True
    return out
