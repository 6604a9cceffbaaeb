"""What a valid reading is: the one definition."""

from __future__ import annotations

import pandas as pd
import pandera.pandas as pa

EARLIEST = pd.Timestamp("2015-01-01", tz="UTC")  # before it a clock was not set


class Reading(pa.DataFrameModel):
    """One row per unit and instant; an empty cell means 'not measured', never zero."""

    cabin: str = pa.Field(str_matches=r"^[a-z0-9][a-z0-9-]{0,62}$")
    unit: str = pa.Field(str_matches=r"^[a-z0-9][a-z0-9-]{0,62}$")
    at: pd.DatetimeTZDtype = pa.Field(dtype_kwargs={"unit": "us", "tz": "UTC"}, ge=EARLIEST)
    lamp_on: pd.BooleanDtype = pa.Field(nullable=True)
    power_on: pd.BooleanDtype = pa.Field(nullable=True)
    intensity_w_m2: float = pa.Field(ge=0, le=5000, nullable=True)
    flow_l_min: float = pa.Field(ge=0, le=100_000, nullable=True)
    total_l: float = pa.Field(ge=0, lt=1e12, nullable=True)
    uvt_pct: float = pa.Field(gt=0, le=100, nullable=True)
    water_temp_c: float = pa.Field(ge=-40, le=120, nullable=True)
    battery_v: float = pa.Field(ge=0, le=1000, nullable=True)
    lamp_hours: float = pa.Field(ge=0, lt=1e7, nullable=True)

    class Config:
        strict = True  # an unknown column is a renamed sensor until someone says otherwise
        coerce = True
