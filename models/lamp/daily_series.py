"""A fleet's daily figures as arrays of units by days: what the decay fit reads.

One row per unit, one column per day. A builder turns a long table (one row per unit and day) and the service
events into these arrays; nothing in it loops over units or days.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import pandas as pd

SWAP = "lamp-swapped"
CLEAN = "sleeve-cleaned"
RESET_HOURS = 24.0  # a counter that falls by more than this was reset: a lamp was swapped, recorded or not


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetDays:
    """Daily figures of many units. NaN is 'not known'; `n` units, `d` days in a row.

    Attributes
    ----------
    units : MultiIndex, length n
        (cabin, unit).
    kind : ndarray of int, shape (n,)
        Which of `kinds` (names of reactors) each unit is of.
    first_day : datetime64[D]
        Day of column 0.
    intensity_w_m2 : ndarray, shape (n, d)
        Median of the lit, warmed, flowing readings of the day. [W/m2]
    lamp_hours, clean_hours : ndarray, shape (n, d)
        Lit hours since the lamp was swapped and since the sleeve was cleaned; known on every day (days that
        nobody heard are filled between their neighbours). [h]
    uvt_pct : ndarray, shape (n, d)
        Transmittance of 1 cm where measured or tested. [%]
    water_temp_c : ndarray, shape (n, d)
        Water temperature. [C]
    lamp_number, clean_number : ndarray of int, shape (n, d)
        0 for the first lamp (sleeve cleaning) of the unit in this table, rising by one at each swap (cleaning).
    last_day : ndarray of int, shape (n,)
        Column of the last day with an intensity; -1 where there is none.
    """

    units: pd.MultiIndex
    kind: np.ndarray
    kinds: tuple[str, ...]
    first_day: np.datetime64
    intensity_w_m2: np.ndarray
    lamp_hours: np.ndarray
    clean_hours: np.ndarray
    uvt_pct: np.ndarray
    water_temp_c: np.ndarray
    lamp_number: np.ndarray
    clean_number: np.ndarray

    def __post_init__(self) -> None:
        shape = self.intensity_w_m2.shape
        if len(shape) != 2:
            raise ValueError(f"intensity_w_m2 must be units by days, got shape {shape}")
        for field in fields(self)[4:]:
            if getattr(self, field.name).shape != shape:
                raise ValueError(
                    f"{field.name} must have the shape of intensity_w_m2, {shape}; "
                    f"got {getattr(self, field.name).shape}"
                )
        if len(self.units) != shape[0] or self.kind.shape != (shape[0],):
            raise ValueError(
                f"units and kind must have {shape[0]} entries; got {len(self.units)} and {self.kind.shape}"
            )
        with np.errstate(invalid="ignore"):
            bad = np.argwhere(~(self.intensity_w_m2 > 0) & ~np.isnan(self.intensity_w_m2))
        if bad.size:
            row, column = bad[0]
            raise ValueError(
                f"intensity_w_m2 must be above 0 W/m2 or NaN; got {self.intensity_w_m2[row, column]!r} for unit "
                f"{self.units[row]} on {self.first_day + column}"
            )

    @property
    def last_day(self) -> np.ndarray:
        """Column of the last day with an intensity; -1 where there is none."""
        known = np.isfinite(self.intensity_w_m2)
        return np.where(known.any(axis=1), known.shape[1] - 1 - known[:, ::-1].argmax(axis=1), -1)

    def window(self, days: int) -> FleetDays:
        """The same fleet as it was after its first `days` days."""
        tables = {f.name: getattr(self, f.name)[:, :days] for f in fields(self)[4:]}
        return FleetDays(units=self.units, kind=self.kind, kinds=self.kinds, first_day=self.first_day, **tables)

    def select(self, rows: np.ndarray) -> FleetDays:
        """Only these units, by position or mask."""
        tables = {f.name: getattr(self, f.name)[rows] for f in fields(self)[4:]}
        return FleetDays(
            units=self.units[rows], kind=self.kind[rows], kinds=self.kinds, first_day=self.first_day, **tables
        )


def fleet_days(
    daily: pd.DataFrame, *, kind: pd.Series, events: pd.DataFrame | None = None
) -> FleetDays:
    """Arrays from a long table of days and the service events.

    Parameters
    ----------
    daily : DataFrame
        One row per unit and day: `cabin`, `unit`, `day` (date or UTC-midnight timestamp), `intensity_w_m2`,
        `lamp_hours` (since the swap) and, where there are any, `clean_hours` (since the sleeve was cleaned),
        `uvt_pct`, `water_temp_c`. Any order.
    kind : Series
        Name of the reactor, indexed by (cabin, unit).
    events : DataFrame, optional
        `cabin`, `unit`, `at` (or `day`), `kind`; only lamp-swapped and sleeve-cleaned count.

    Returns
    -------
    FleetDays
        Units in the order of (cabin, unit), days from the first to the last in `daily`. The day of a swap or a
        cleaning keeps no intensity: its median mixes before and after.

    Raises
    ------
    ValueError
        If a column is missing, a unit and day stand twice, or a unit has no kind.
    """
    needed = {"cabin", "unit", "day", "intensity_w_m2", "lamp_hours"}
    if missing := needed - set(daily.columns):
        raise ValueError(f"daily lacks the columns {sorted(missing)}; it needs {sorted(needed)}")
    row, names = pd.MultiIndex.from_frame(daily[["cabin", "unit"]]).factorize(sort=True)
    units = pd.MultiIndex.from_tuples(list(names), names=["cabin", "unit"])
    day = _day_number(daily["day"])
    if not len(day):
        raise ValueError("daily has no row: there is nothing to fit")
    first, count = day.min(), int(day.max() - day.min() + 1)
    column = (day - first).astype(int)
    if pd.Series(row * count + column).duplicated().any():
        twice = daily.iloc[int(np.argmax(pd.Series(row * count + column).duplicated()))]
        raise ValueError(f"unit ({twice['cabin']}, {twice['unit']}) has two rows on {twice['day']}; one a day")
    unknown_kind = ~units.isin(kind.index)
    if unknown_kind.any():
        raise ValueError(f"unit {units[unknown_kind][0]} has no kind; give the name of its reactor")
    kind_code, kinds = pd.factorize(kind.reindex(units), sort=True)

    def stacked(name: str) -> np.ndarray:
        filled = np.full((len(units), count), np.nan)
        if name in daily:
            filled[row, column] = daily[name].to_numpy(dtype=float)
        return filled

    swapped, cleaned = (_event_days(events, what, units, first, count) for what in (SWAP, CLEAN))
    counter = stacked("lamp_hours")
    lit_hours, reset = _lit_hours(counter)
    # A reset of the counter within a week of a recorded swap is that swap; elsewhere it is one of its own.
    swap_days = swapped | (reset & ~_within(swapped, 7))
    intensity = stacked("intensity_w_m2")
    intensity[swapped | cleaned | ~(intensity > 0)] = np.nan
    lamp_hours = _since(lit_hours, swap_days, start=_first_known(counter - lit_hours))
    given = stacked("clean_hours")
    clean_hours = (
        interpolated(given) if np.isfinite(given).any(axis=1).all()
        else _since(lit_hours, cleaned, start=np.zeros(len(units)))
    )
    return FleetDays(
        units=units, kind=kind_code, kinds=tuple(str(name) for name in kinds),
        first_day=np.datetime64(int(first), "D"), intensity_w_m2=intensity, lamp_hours=lamp_hours,
        clean_hours=clean_hours, uvt_pct=_above_0(stacked("uvt_pct")), water_temp_c=stacked("water_temp_c"),
        lamp_number=swap_days.cumsum(axis=1), clean_number=cleaned.cumsum(axis=1),
    )


def _above_0(uvt_pct: np.ndarray) -> np.ndarray:
    """Water that lets nothing through is a sensor that sees nothing."""
    return np.where(uvt_pct > 0, uvt_pct, np.nan)


def _day_number(day: pd.Series) -> np.ndarray:
    """Days since 1970 of dates or timestamps (aware ones in UTC)."""
    stamps = pd.to_datetime(day, utc=True)
    return np.asarray(stamps.dt.tz_localize(None)).astype("datetime64[D]").astype(np.int64)


def _event_days(
    events: pd.DataFrame | None, what: str, units: pd.MultiIndex, first: int, count: int
) -> np.ndarray:
    """Mask of the days on which `what` was done."""
    done = np.zeros((len(units), count), dtype=bool)
    if events is None or events.empty:
        return done
    chosen = events[events["kind"] == what]
    row = units.get_indexer(pd.MultiIndex.from_frame(chosen[["cabin", "unit"]]))
    column = _day_number(chosen["day" if "day" in chosen else "at"]) - first
    inside = (row >= 0) & (column >= 0) & (column < count)
    done[row[inside], column[inside]] = True
    return done


def _lit_hours(counter: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Lit hours since the first day, over all lamps, and the days on which the counter was seen reset."""
    known = np.isfinite(counter)
    before = _shifted(_previous_known(counter))
    step = np.where(known & np.isfinite(before), counter - before, 0.0)
    reset = step < -RESET_HOURS
    step = np.where(reset, counter, np.maximum(step, 0.0))
    total = np.where(known, np.cumsum(step, axis=1), np.nan)
    return interpolated(total), reset


def _since(lit_hours: np.ndarray, done: np.ndarray, *, start: np.ndarray) -> np.ndarray:
    """Lit hours since the last day on which it was done; `start` is what had run on the first day."""
    at_event = np.where(done, lit_hours, np.nan)
    at_event[:, 0] = np.where(done[:, 0], lit_hours[:, 0], -start)
    since: np.ndarray = np.maximum(lit_hours - _previous_known(at_event), 0.0)
    return since


def _first_known(values: np.ndarray) -> np.ndarray:
    """First finite value of each row, 0 where there is none."""
    known = np.isfinite(values)
    first = values[np.arange(len(values)), known.argmax(axis=1)]
    return np.where(known.any(axis=1), first, 0.0)


def _previous_known(values: np.ndarray) -> np.ndarray:
    """Each row's last finite value up to and with each column; NaN before the first."""
    index = np.where(np.isfinite(values), np.arange(values.shape[1]), 0)
    return np.take_along_axis(values, np.maximum.accumulate(index, axis=1), axis=1)


def _shifted(values: np.ndarray) -> np.ndarray:
    """The value of the column before."""
    moved = np.full_like(values, np.nan)
    moved[:, 1:] = values[:, :-1]
    return moved


def interpolated(values: np.ndarray) -> np.ndarray:
    """Rows with their gaps filled linearly, ends held; a row without any value is 0."""
    columns = np.arange(values.shape[1])
    known = np.isfinite(values)
    left = np.maximum.accumulate(np.where(known, columns, -1), axis=1)
    right = np.minimum.accumulate(np.where(known, columns, len(columns))[:, ::-1], axis=1)[:, ::-1]
    left, right = np.where(left < 0, right, left), np.where(right >= len(columns), left, right)
    none = ~known.any(axis=1)
    left[none], right[none] = 0, 0
    at_left, at_right = (np.take_along_axis(values, side, axis=1) for side in (left, right))
    share = np.where(right > left, (columns - left) / np.maximum(right - left, 1), 0.0).astype(values.dtype)
    return np.where(none[:, None], 0.0, at_left + share * (at_right - at_left))


def _within(done: np.ndarray, days: int) -> np.ndarray:
    """Mask of the columns at most `days` from a column that is set."""
    near = done.copy()
    for shift in range(1, days + 1):
        near[:, shift:] |= done[:, :-shift]
        near[:, :-shift] |= done[:, shift:]
    return near
