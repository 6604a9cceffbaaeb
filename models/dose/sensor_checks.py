"""Checks of a duty sensor against a reference: what one says, which doses it divides, when the next one is due.

A duty sensor that reads too high is the unsafe direction: every dose worked out from it is too high. Since when
nobody knows, so a check that fails speaks of all the time between the good checks on both sides of it.

A check that passes may still have found the sensor to read up to a fifth too high, which is more than the
uncertainty that a reactor states for it: from then on lower bounds of dose are divided by it, best estimates are
not. Dividing the dose is on the safe side of dividing the reading: the reduction equivalent dose is concave in the
reading and 0 at 0, so at a reading r times smaller it is at least its r-th part (with a report's own equation, if
its exponent of the reading is at most 1).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd

from models.exposure.instants import NEVER, Floats, Ints, microseconds
from models.fleet import SensorCheckPolicy

# Duty over reference sensor, at most: EPA UV Disinfection Guidance Manual (EPA 815-R-06-007), section 6.4.1, from
# memory. The manual sets no lower limit.
MOST_DUTY_OVER_REFERENCE = 1.2
LOW_DUTY_OVER_REFERENCE = 1 / MOST_DUTY_OVER_REFERENCE  # below it is worth a word; common practice, no source
STRETCH = ("unit_no", "from_us", "until_us", "ratio", "low_ratio", "checked_us", "who")
FOREVER_US = int(np.iinfo(np.int64).max // 4)


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorCheck:
    """What a duty sensor's check against a reference says."""

    ratio: float
    passes: bool
    words: str


def sensor_check(duty_over_reference: float) -> SensorCheck:
    """Judge a check: duty sensor's reading over the reference's.

    Parameters
    ----------
    duty_over_reference : float
        Above 0. [-]

    Raises
    ------
    ValueError
        If it is not a finite number above 0.

    References
    ----------
    .. [1] US EPA, Ultraviolet Disinfection Guidance Manual, EPA 815-R-06-007, 2006, section 6.4.1 (from memory).
    """
    if not (np.isfinite(duty_over_reference) and duty_over_reference > 0):
        raise ValueError(f"duty_over_reference must be a finite number above 0; got {duty_over_reference!r}")
    ratio = float(duty_over_reference)
    passes = ratio <= MOST_DUTY_OVER_REFERENCE
    limit = f"{MOST_DUTY_OVER_REFERENCE:g}"
    if not passes:
        words = (
            f"{ratio:.2f} of the reference, above the limit of {limit}: it reads {too_high_pct(ratio):.0f} % too "
            f"high, so every dose since the last good check is divided by {ratio:.3g}; replace or recalibrate it, "
            "and check it again")
    elif ratio < LOW_DUTY_OVER_REFERENCE:
        words = (
            f"{ratio:.2f} of the reference, within the limit of {limit}; it reads {100 * (1 - ratio):.0f} % too "
            "low, so the water gets more than is shown; doses stay as they are")
    else:
        words = f"{ratio:.2f} of the reference, within the limit of {limit}"
        if ratio > 1.0:
            words += f"; lower bounds of dose are divided by {ratio:.3g} until the next check"
    return SensorCheck(ratio=ratio, passes=bool(passes), words=words)


def too_high_pct(ratio: float) -> float:
    """By how much a sensor reads too high. [%]"""
    return 100.0 * (ratio - 1.0)


# Which doses are divided --------------------------------------------------------------------------


def between_good_checks(checks: pd.DataFrame, most: float) -> pd.DataFrame:
    """Stretches of time from one good check of a sensor to the next, with the worst that was found in each.

    Parameters
    ----------
    checks : DataFrame
        `unit_no`, `at` (aware), `found` (the higher the worse), `who`; in any order.
    most : float
        Up to which `found` a check is good.

    Returns
    -------
    DataFrame
        `unit_no`, `from_us`, `until_us`, `passed`, `worst`, `checked_us`, `who`; sorted by unit and instant.
        `from_us` is `NEVER` where no good check came before, `until_us` is `FOREVER_US` where none came since.
        `passed` is what the good check at its beginning found, NaN where there is none; `worst` the worst of the
        failed ones in between, with that one's instant and who made it; NaN, `NEVER` and "" where all was well.

    Notes
    -----
    The worst, because nobody knows when the sensor began to be so wrong. Of two checks of one instant that
    contradict each other the worse counts: the sensor was not shown to be good.
    """
    table = pd.DataFrame({
        "unit_no": checks["unit_no"].to_numpy(np.int64), "at_us": microseconds(checks["at"]),
        "found": checks["found"].to_numpy(dtype=float), "who": checks["who"].to_numpy(dtype=object)})
    table = table.sort_values(["unit_no", "at_us", "found", "who"])
    table = table.drop_duplicates(["unit_no", "at_us"], keep="last")
    good = table["found"] <= most
    table["stretch"] = good.groupby(table["unit_no"]).cumsum()
    starts = table.drop_duplicates(["unit_no", "stretch"])
    begins = good[starts.index].to_numpy(dtype=bool)
    out = starts[["unit_no", "stretch"]].assign(
        from_us=np.where(begins, starts["at_us"], NEVER), passed=np.where(begins, starts["found"], np.nan))
    out["until_us"] = out.groupby("unit_no")["from_us"].shift(-1, fill_value=FOREVER_US)
    worst = table[~good].sort_values(["unit_no", "stretch", "found", "at_us"], ascending=[True, True, False, True])
    worst = worst.drop_duplicates(["unit_no", "stretch"]).rename(columns={"at_us": "checked_us", "found": "worst"})
    out = out.merge(worst, on=["unit_no", "stretch"], how="left")
    return out.assign(
        checked_us=out["checked_us"].fillna(NEVER).astype(np.int64),
        who=out["who"].fillna("")).drop(columns="stretch")


def sensor_stretches(checks: pd.DataFrame) -> pd.DataFrame:
    """What each unit's doses are divided by, from when to when.

    Parameters
    ----------
    checks : DataFrame
        `unit_no`, `at` (aware), `ratio` (duty over reference; NaN: none was given), `who`; in any order.

    Returns
    -------
    DataFrame
        `STRETCH`, sorted by unit and instant, as of `between_good_checks`: `ratio` is the highest that a check in
        between found, with that check's instant and who made it; 1 where all was well. `low_ratio`, of lower bounds
        of dose: the highest of all checks that hold, that of the good one at the beginning too; at least 1. A check
        without a ratio says nothing.
    """
    known = checks[checks["ratio"] > 0].rename(columns={"ratio": "found"})
    if known.empty:
        return pd.DataFrame({
            **{name: np.zeros(0, np.int64) for name in STRETCH}, "ratio": np.zeros(0), "low_ratio": np.zeros(0),
            "who": np.zeros(0, dtype=object)})[list(STRETCH)]
    out = between_good_checks(known, MOST_DUTY_OVER_REFERENCE)
    ratio = out["worst"].fillna(1.0)
    return out.assign(
        ratio=ratio, low_ratio=np.maximum(np.maximum(ratio, out["passed"].fillna(1.0)), 1.0))[list(STRETCH)]


def first_change_us(
    before: pd.DataFrame, after: pd.DataFrame, names: tuple[str, ...] = ("ratio", "low_ratio"),
    otherwise: float = 1.0
) -> int | None:
    """From when on one unit's stretches say something else; `NEVER`: all of them, None: none. [us]

    Parameters
    ----------
    before, after : DataFrame
        As of `sensor_stretches`, each of one and the same unit.
    names : tuple of str
        What of them counts.
    otherwise : float
        What holds where no stretch does.
    """
    def said(stretches: pd.DataFrame, at_us: Ints) -> Floats:
        i = np.searchsorted(stretches["from_us"].to_numpy(np.int64), at_us, side="right") - 1
        return np.array([np.append(stretches[name].to_numpy(dtype=float), otherwise)[i] for name in names])

    found = np.unique(np.concatenate([[NEVER], before["from_us"], after["from_us"]]).astype(np.int64))
    other = found[(said(before, found) != said(after, found)).any(axis=0)]
    return int(other[0]) if other.size else None


def divided_words(ratio: float, since: datetime | None, checked: datetime, who: str) -> str:
    """Which doses are divided by what, and by whose check; days are UTC.

    Parameters
    ----------
    ratio : float
        Duty over reference. [-]
    since : datetime or None
        The last good check before; None: there is none, so all doses on record.
    """
    doses = "all doses on record are" if since is None else f"doses since {_day(since)} are"
    return (
        f"{doses} divided by {ratio:.3g}: the sensor read {too_high_pct(ratio):.0f} % too high at the check of "
        f"{_day(checked)} by {who}")


def low_divided_words(low_ratio: float, since: datetime) -> str:
    """Which lower bounds of dose are divided by what a check that passed found; days are UTC."""
    return (
        f"lower bounds of dose since {_day(since)} are divided by {low_ratio:.3g}: the check of that day passed, "
        f"and found the sensor to read {too_high_pct(low_ratio):.0f} % too high")


# When the next one is due ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorState:
    """What is known of a unit's duty sensor by its checks, as of an instant.

    Attributes
    ----------
    ratio : float
        Doses are divided by it; 1: by nothing.
    low_ratio : float
        Lower bounds of dose are divided by it; at least `ratio`.
    since, checked_at, checked_by
        Of a ratio above 1: the last good check before (None: there is none), and the check that found it.
    last_at, last_ratio
        The latest check with a ratio; None: there is none.
    due : date or None
        When the next check is due, a UTC day; None: the unit has no sensor of intensity, or was never heard.
    late_days : float or None
        Days since the last check, or since the unit was first heard, where that is long past; else None.
    kept : bool
        Whether checks are kept here at all: one is on record, or the fleet's registry says how often.
    """

    ratio: float = 1.0
    low_ratio: float = 1.0
    since: datetime | None = None
    checked_at: datetime | None = None
    checked_by: str = ""
    last_at: datetime | None = None
    last_ratio: float | None = None
    due: date | None = None
    late_days: float | None = None
    kept: bool = False

    @property
    def divided(self) -> str:
        """Which doses are divided, as a sentence; empty where none is."""
        if self.ratio <= 1.0 or self.checked_at is None:
            return ""
        words = divided_words(self.ratio, self.since, self.checked_at, self.checked_by)
        return f"{words[0].upper()}{words[1:]}."

    def due_words(self, now: datetime) -> str:
        """When the next check is due, and what the last one found; empty where none can be."""
        if self.due is None:
            return ""
        last = "none is on record" if self.last_at is None or self.last_ratio is None else (
            f"the last, on {_day(self.last_at)}, found {sensor_check(self.last_ratio).ratio:.2f} of the reference")
        late = "has been due since" if self.due < now.astimezone(UTC).date() else "is due on"
        return f"A check of the sensor against a reference {late} {_date(self.due)}; {last}."


def sensor_due(
    *, last_at: datetime | None, first_heard: datetime | None, has_sensor: bool, now: datetime,
    policy: SensorCheckPolicy | None, last_passed: bool = True,
) -> tuple[date | None, float | None]:
    """When the next check is due, and for how many days none was made where that is long past.

    Parameters
    ----------
    last_at : datetime or None
        The latest check with a ratio.
    first_heard : datetime or None
        Where there is none, time counts from here.
    has_sensor : bool
        Whether the unit ever sent an intensity.
    policy : SensorCheckPolicy or None
        The fleet's own; None: it has none, and the default says when a check is due.
    last_passed : bool
        After one that failed the next is due at once: the sensor is to be replaced or recalibrated.

    Notes
    -----
    How true a sensor is that nobody ever checked is not known, and what is not known is not clear: where no check
    is on record, time counts from when the unit was first heard, whether or not the fleet keeps checks. Between the
    due date and `watch_after_days` a date is shown, and no word said about the tap.
    """
    start = last_at or (first_heard if has_sensor else None)
    if start is None:
        return None, None
    rule = policy or SensorCheckPolicy()
    wait_days = rule.every_days if last_passed else 0.0
    due = (start + timedelta(days=wait_days)).astimezone(UTC).date()
    age_days = (now - start) / timedelta(days=1)
    return due, age_days if age_days > rule.watch_after_days else None


def _day(at: datetime) -> str:
    return _date(at.astimezone(UTC).date())


def _date(day: date) -> str:
    return f"{day.day} {day:%b %Y}"
