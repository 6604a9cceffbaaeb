"""The simulator's ageing fleet in the arrays that the fit takes."""

from __future__ import annotations

import numpy as np
import pandas as pd

from models.lamp.daily_series import FleetDays, fleet_days
from simulated_feeds.synthetic_fleet import AgingFleet

FIRST_DAY = pd.Timestamp("2025-01-01")


def as_days(fleet: AgingFleet) -> FleetDays:
    """Through the long table and the events that were written down, as a collector would have them."""
    units, width = fleet.log_intensity.shape
    cabin = np.repeat([f"cabin-{unit:04d}" for unit in range(units)], width)
    daily = pd.DataFrame({
        "cabin": cabin, "unit": "main", "day": np.tile(FIRST_DAY + pd.to_timedelta(fleet.days, unit="D"), units),
        "intensity_w_m2": np.exp(fleet.log_intensity).ravel(), "lamp_hours": fleet.lamp_hours.ravel(),
        "clean_hours": fleet.hours_since_clean.ravel(), "uvt_pct": fleet.uvt_pct.ravel(),
        "water_temp_c": fleet.water_temp_c.ravel(),
    })
    written = fleet.events[fleet.events["recorded"]]
    events = pd.DataFrame({
        "cabin": [f"cabin-{unit:04d}" for unit in written["unit"]], "unit": "main",
        "kind": written["kind"].to_numpy(),
        "at": (FIRST_DAY + pd.to_timedelta(written["day"].to_numpy(), unit="D")).tz_localize("UTC"),
    })
    names = pd.MultiIndex.from_product([np.unique(cabin), ["main"]], names=["cabin", "unit"])
    return fleet_days(daily, kind=pd.Series("any", index=names), events=events)
