"""The state of a unit's timeline after one reading, to take up again from; its words and its instants."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

QUANTITIES = (
    "intensity_w_m2", "flow_l_min", "total_l", "uvt_pct", "water_temp_c", "battery_v", "lamp_hours",
    "dose_low_mj_cm2", "dose_low_at_peak_mj_cm2",
)
INSTANTS = ("at", "power_since", "stated_since", "lit_from", "lamp_since", "intensity_w_m2_same_since",
            "lamp_hours_same_since", *(f"{name}_at" for name in QUANTITIES))
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
NEVER = np.iinfo(np.int64).min // 4  # an instant before all others that can be subtracted without overflow

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


class Kind(StrEnum):
    """What a stretch of time was for the water."""

    LIT = "lit"
    WARMING = "warming"
    WEAK = "weak"
    DARK = "dark"
    UNHEARD = "unheard"


class Cause(StrEnum):
    """Why it was not lit."""

    NONE = "none"
    NO_POWER = "no-power"
    NO_LAMP = "no-lamp"
    NO_LINK = "no-link"
    NO_LOGGER = "no-logger"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Carry:
    """The state after one reading: all that the time after it depends on.

    Instants are aware UTC datetimes; None is unknown. A quantity stands with the instant at which it was measured.
    """

    at: datetime
    intensity_w_m2: float | None = None
    intensity_w_m2_at: datetime | None = None
    flow_l_min: float | None = None
    flow_l_min_at: datetime | None = None
    total_l: float | None = None
    total_l_at: datetime | None = None
    uvt_pct: float | None = None
    uvt_pct_at: datetime | None = None
    water_temp_c: float | None = None
    water_temp_c_at: datetime | None = None
    battery_v: float | None = None
    battery_v_at: datetime | None = None
    lamp_hours: float | None = None
    lamp_hours_at: datetime | None = None
    dose_low_mj_cm2: float | None = None
    dose_low_mj_cm2_at: datetime | None = None
    dose_low_at_peak_mj_cm2: float | None = None
    dose_low_at_peak_mj_cm2_at: datetime | None = None
    power_on: bool | None = None
    power_since: datetime | None = None  # start of the present state of `power_on`
    lamp_on: bool | None = None  # as stated; None also where a power cut came after the statement
    lamp_void: bool = False  # the lamp went dark with the power and nothing has shown it since
    stated_since: datetime | None = None  # start of the present state of `lamp_on`
    stated_fresh: bool = False  # it was known to be dark just before `stated_since`
    lit: bool | None = None  # all signals weighed: True burning, False dark, None unknown
    lit_from: datetime | None = None  # burning at least since
    lamp_since: datetime | None = None  # it came on then; None: unknown when
    intensity_w_m2_same_since: datetime | None = None  # the sensor has shown this very value since
    lamp_hours_same_since: datetime | None = None
    metered_since_total_l: float = 0.0
    metered_since_moved_l: float = 0.0  # by the flow sensor, since the running total last moved
    drawdown_used_l: float = 0.0  # what the pressure tank may have given, unmetered, in the present cut
    settled: bool = True  # False: a gap just before may still be explained by the next total; resume earlier

    def __post_init__(self) -> None:
        for name in INSTANTS:
            value = getattr(self, name)
            if value is not None and value.tzinfo is None:
                raise ValueError(f"{name} must carry a time zone; got {value!r}")

    def to_row(self) -> dict[str, str | float | bool | None]:
        """Plain values for JSON or a table: instants as ISO 8601 text in UTC, unknown as None."""
        row: dict[str, str | float | bool | None] = {}
        for name in _FIELDS:
            value = getattr(self, name)
            row[name] = value.astimezone(UTC).isoformat() if isinstance(value, datetime) else value
        return row

    @classmethod
    def from_row(cls, row: Mapping[str, Any]) -> Carry:
        """From `to_row` or a row of `carries`; names that are no field (cabin, unit, hour) are passed over.

        Raises
        ------
        ValueError
            If `at` is missing or an instant has no time zone.
        """
        values: dict[str, Any] = {}
        for name, kind in _FIELDS.items():
            value = row.get(name)
            if value is None or value is pd.NaT or value is pd.NA or value != value:
                continue
            if kind == "instant":
                instant = datetime.fromisoformat(value) if isinstance(value, str) else value
                if isinstance(instant, pd.Timestamp):
                    instant = instant.to_pydatetime()
                if instant.tzinfo is None:
                    raise ValueError(f"{name} must carry a time zone; got {value!r}")
                values[name] = instant.astimezone(UTC)
            elif kind == "bool":
                values[name] = bool(value)
            else:
                values[name] = float(value)
        if "at" not in values:
            raise ValueError(f"a carry needs the instant `at`; got a row with {sorted(row)}")
        return cls(**values)


# Each field and what it holds.
_FIELDS = {
    field.name: "instant" if field.name in INSTANTS else "bool" if str(field.type).startswith("bool") else "float"
    for field in fields(Carry)}


def plain_rows(carries: pd.DataFrame) -> list[dict[str, str | float | bool | None]]:
    """`Carry.from_row(row).to_row()` of each row of `carries`, a column at a time.

    A late backlog may reach years back, with a state for each hour: row by row that takes seconds.

    Raises
    ------
    ValueError
        If a row has no instant `at`, or a column of instants has no time zone.
    """
    if "at" not in carries or carries["at"].isna().any():
        raise ValueError(f"a carry needs the instant `at`; got rows with {sorted(carries.columns)}")
    columns: dict[str, list[Any]] = {}
    texts: dict[int, str] = {}  # most quantities of a row were measured at one instant
    for field in fields(Carry):
        default = None if field.name == "at" else field.default
        if field.name not in carries:
            columns[field.name] = [default] * len(carries)
            continue
        values = carries[field.name]
        known = values.notna().to_numpy()
        kind = _FIELDS[field.name]
        if kind == "instant" and known.any():
            told = np.full(len(carries), None, dtype=object)
            told[known] = [
                texts.get(us) or texts.setdefault(us, (EPOCH + timedelta(microseconds=us)).isoformat())
                for us in microseconds(values[known]).tolist()]
            columns[field.name] = told.tolist()
            continue
        out = np.full(len(carries), default, dtype=object)
        if known.any():
            out[known] = values[known].astype(bool if kind == "bool" else float).tolist()
        columns[field.name] = out.tolist()
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def microseconds(instants: pd.Series) -> Ints:
    """Instants as whole microseconds since 1970 in UTC; a naive column is refused."""
    if not isinstance(instants.dtype, pd.DatetimeTZDtype):
        raise ValueError(f"{instants.name or 'instants'} must be instants with a time zone; got {instants.dtype}")
    return instants.dt.tz_convert("UTC").dt.as_unit("us").astype("int64").to_numpy()


def instants(us: Ints) -> pd.Series:
    """The way back from `microseconds`; `NEVER` becomes NaT."""
    stamps = us.astype("datetime64[us]")
    stamps[us == NEVER] = np.datetime64("NaT")
    return pd.Series(stamps).dt.tz_localize("UTC")


def microsecond(instant: datetime | None) -> int:
    """One instant as of `microseconds`; `NEVER` for None."""
    return int(NEVER) if instant is None else (instant - EPOCH) // timedelta(microseconds=1)
