"""Made-up readings for tests of the evaluation: no physics, every kind of trouble."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import pandas as pd

from ingest.db.engine import transaction
from ingest.db.intake import keep
from ingest.db.schema import rounded
from ingest.evaluation.evaluate import owe
from ingest.store import Store


def troubled(
    start: datetime, minutes: int, seed: int, cabin: str = "heron-point", unit: str = "main"
) -> pd.DataFrame:
    """A reading a minute with power cuts, lamp failures, dips, gaps, missing cells and a running total."""
    rng = np.random.default_rng(seed)
    at = pd.date_range(start, periods=minutes, freq="60s").astype("datetime64[us, UTC]")
    flow = np.where(rng.random(minutes) < 0.3, rng.uniform(1, 18, minutes), 0.0)
    power, lamp = np.ones(minutes, bool), np.ones(minutes, bool)
    lost = np.zeros(minutes, bool)
    for _ in range(max(1, minutes // 200)):
        begin, length = int(rng.integers(minutes)), int(rng.integers(2, 40))
        (power, lamp, lost, lost)[int(rng.integers(4))][begin : begin + length] ^= True
    lamp &= power
    intensity = np.where(lamp, rng.normal(41, 1.5, minutes), 0.05)
    intensity = np.where(rng.random(minutes) < 0.03, intensity * 0.4, intensity)
    frame = pd.DataFrame(
        {
            "cabin": cabin,
            "unit": unit,
            "at": at,
            "lamp_on": pd.array(lamp, dtype="boolean"),
            "power_on": pd.array(power, dtype="boolean"),
            "intensity_w_m2": intensity,
            "flow_l_min": flow,
            "total_l": np.cumsum(flow),
            "lamp_hours": np.cumsum(lamp) / 60.0,
        }
    )
    for column in ("lamp_on", "power_on", "intensity_w_m2", "flow_l_min", "total_l", "lamp_hours"):
        frame[column] = frame[column].mask(rng.random(minutes) < 0.15)
    return rounded(frame[~lost].reset_index(drop=True))


def steady(
    start: datetime, minutes: int, cabin: str = "heron-point", unit: str = "main", **values: float
) -> pd.DataFrame:
    """A reading a minute, lit and well; `values` replace."""
    at = pd.date_range(start, periods=minutes, freq="60s").astype("datetime64[us, UTC]")
    given = {"lamp_on": True, "power_on": True, "intensity_w_m2": 60.0, "flow_l_min": 6.0, **values}
    return rounded(pd.DataFrame({"cabin": cabin, "unit": unit, "at": at, **given}))


def commit(store: Store, rows: pd.DataFrame, now: datetime | None = None) -> None:
    """Keep rows and note what is owed for them; evaluated by the caller."""

    def work() -> None:
        kept = keep(store.con, rows=rows.reset_index(drop=True), arrived=now or datetime.now().astimezone())
        owe(store.con, kept.touched)

    if len(rows):
        transaction(store.con, work)


def minutes(n: float) -> timedelta:
    return timedelta(minutes=n)
