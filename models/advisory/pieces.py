"""Which under-dosed water an advisory is about, and which a lift has answered.

Under-dosed water comes in pieces: stretches of time of one kind, each with its litres as they are known. An
advisory names its pieces; lifting it answers these, as they were then known, and no others. What turns up
afterwards, or turns out to be more or worse, was answered by nobody.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt
import pandas as pd

# Less than this more, in a piece that was over or that was lifted, is no more water: about two glasses. Common
# practice, no source.
AGAIN_L = 0.5
# By which an exposure that goes on has to grow to be recorded again: every reading makes it larger, and a record
# that each of them lengthens would be read by nobody. Its end is recorded exactly. Common practice, no source.
MORE_L, MORE_SHARE = 5.0, 0.1
# A gap in what was heard may still be explained by a logger's backlog, which comes minutes after the link; until
# then the verdict says so and no advisory is raised. Common practice, no source.
GRACE = timedelta(minutes=15)
# What was there before a unit was first heard live is only to be noted once so much has followed. Common practice,
# no source.
DOSED_DAYS_SINCE, PLUMBING_VOLUMES_SINCE = 30, 10.0

UNHEARD = "unheard"
LIT_KINDS = ("weak", "warming")


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """A stretch of under-dosed time of one kind and cause.

    Attributes
    ----------
    start, end : datetime
        Aware.
    kind, cause : str
        As of `models.exposure`.
    underdosed_l, underdosed_l_upper : float
        What passed at least, and at most. [L]
    dose_low_mj_cm2 : float or None
        Lowest lower bound of dose in it; None: not known. [mJ/cm2]
    severity : str
        As of `models.shortfall.Severity`; empty in records of before it was kept.
    """

    start: datetime
    end: datetime
    kind: str
    cause: str
    underdosed_l: float
    underdosed_l_upper: float
    dose_low_mj_cm2: float | None = None
    severity: str = ""


@dataclass(frozen=True, slots=True)
class Intervals:
    """Under-dosed intervals of one unit, in order of their start; columns of equal length.

    `start`, `end`: instants; `kind`, `cause`, `severity`: as of `models.exposure`; `underdosed_l`,
    `underdosed_l_upper` [L]; `dose_low_mj_cm2`, NaN where it is not known. [mJ/cm2]
    """

    start: Sequence[datetime]
    end: Sequence[datetime]
    kind: Sequence[str]
    cause: Sequence[str]
    underdosed_l: npt.NDArray[np.float64]
    underdosed_l_upper: npt.NDArray[np.float64]
    dose_low_mj_cm2: npt.NDArray[np.float64]
    severity: Sequence[str] = ()

    def __len__(self) -> int:
        return len(self.start)

    def first(self, count: int) -> Intervals:
        """The first so many of them."""
        return Intervals(
            self.start[:count], self.end[:count], self.kind[:count], self.cause[:count], self.underdosed_l[:count],
            self.underdosed_l_upper[:count], self.dose_low_mj_cm2[:count], self.severity[:count])

    @classmethod
    def by_unit(cls, rows: pd.DataFrame) -> dict[tuple[str, str], Intervals]:
        """Those of each unit, from rows with `cabin`, `unit` and the columns above."""
        if rows.empty:
            return {}
        rows = rows.sort_values(["cabin", "unit", "start", "end"], kind="stable")
        cabin, unit = rows["cabin"].to_numpy(object), rows["unit"].to_numpy(object)
        first = np.flatnonzero(np.concatenate([[True], (cabin[1:] != cabin[:-1]) | (unit[1:] != unit[:-1])]))
        # as a list of instants at once: one by one costs more than all that is done with them
        start, end = (pd.DatetimeIndex(rows[name]).to_pydatetime().tolist() for name in ("start", "end"))
        kind, cause = rows["kind"].tolist(), rows["cause"].tolist()
        severity = rows["severity"].fillna("").tolist() if "severity" in rows else [""] * len(rows)
        least, most, dose = (
            rows[name].to_numpy(float) for name in ("underdosed_l", "underdosed_l_upper", "dose_low_mj_cm2"))
        return {
            (str(cabin[i]), str(unit[i])): cls(
                start[i:j], end[i:j], kind[i:j], cause[i:j], least[i:j], most[i:j], dose[i:j],
                severity[i:j])
            for i, j in zip(first.tolist(), [*first[1:].tolist(), len(rows)], strict=True)}


def pieces_of(rows: Intervals) -> tuple[Piece, ...]:
    """Under-dosed intervals as pieces: those that touch and are of one kind, cause and severity are one."""
    if not len(rows):
        return ()
    severity = rows.severity or [""] * len(rows)
    of = list(zip(rows.kind, rows.cause, severity, strict=True))
    begins = [0, *(i for i in range(1, len(rows)) if rows.start[i] != rows.end[i - 1] or of[i] != of[i - 1])]
    out = []
    for i, j in zip(begins, [*begins[1:], len(rows)], strict=True):
        dose = float(rows.dose_low_mj_cm2[i:j].min())  # NaN if any is
        out.append(Piece(
            start=rows.start[i], end=rows.end[j - 1], kind=str(rows.kind[i]), cause=str(rows.cause[i]),
            underdosed_l=float(np.nansum(rows.underdosed_l[i:j])),
            underdosed_l_upper=float(rows.underdosed_l_upper[i:j].sum()),
            dose_low_mj_cm2=None if math.isnan(dose) else dose, severity=severity[i]))
    return tuple(out)


def badness(
    kind: npt.ArrayLike, dose_low_mj_cm2: npt.ArrayLike, *, marginal_from_mj_cm2: npt.ArrayLike,
    under_treated_from_mj_cm2: npt.ArrayLike,
) -> npt.NDArray[np.int64]:
    """How bad the water of an interval was, as a rank.

    0 lit and short by little, 1 lit with the stated share of its target, 2 lit with less or an unknown dose,
    3 unheard, 4 dark.

    By the dose alone, so that what was lifted before severities were kept is ranked as what is found now.
    """
    kinds, dose = np.asarray(kind, dtype=object), np.asarray(dose_low_mj_cm2, float)
    from_ = (np.asarray(marginal_from_mj_cm2), np.asarray(under_treated_from_mj_cm2))
    lit = np.select([dose >= one for one in from_], [0, 1], 2)
    return np.where(np.isin(kinds, LIT_KINDS), lit, np.where(kinds == UNHEARD, 3, 4)).astype(np.int64)


def answered(rows: pd.DataFrame, pairs: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Which under-dosed intervals a lift has answered.

    Parameters
    ----------
    rows : DataFrame
        All under-dosed intervals as they are known now: `underdosed_l_upper` and `badness`.
    pairs : DataFrame
        One row per interval and lifted piece of its unit that overlap in time: `row` (position in `rows`), `piece`
        and `lift` (which), `overlap_s`, `piece_l_upper`, `piece_badness`, `beyond` (it ends after that lift).

    Returns
    -------
    ndarray of bool
        True where some lift named it: an interval belongs to the piece that it overlaps most, and a piece answers
        its intervals while they hold no more water than was known, and none is worse. Where one of them reaches
        beyond the lift, they have to hold as much as was known, too: had that turned out to be less, what passed
        after the lift would hide in the difference.
    """
    out = np.zeros(len(rows), bool)
    if pairs.empty:
        return out
    mine = pairs.sort_values("overlap_s", kind="stable").drop_duplicates(["row", "lift"], keep="last")
    row = mine["row"].to_numpy(np.int64)
    litres = rows["underdosed_l_upper"].to_numpy(float)[row]
    worse = rows["badness"].to_numpy(np.int64)[row] > mine["piece_badness"].to_numpy(np.int64)
    by_piece = mine.assign(litres=litres, worse=worse).groupby("piece", sort=False)
    known_l, now_l = mine["piece_l_upper"].to_numpy(float), by_piece["litres"].transform("sum").to_numpy(float)
    less = by_piece["beyond"].transform("any").to_numpy(bool) & (now_l < known_l - AGAIN_L) & np.isfinite(known_l)
    holds = (now_l <= known_l + AGAIN_L) & ~less & ~by_piece["worse"].transform("any").to_numpy(bool)
    out[row[holds]] = True
    return out


def in_grace(
    rows: pd.DataFrame, now: datetime, heard: npt.NDArray[np.datetime64] | None = None
) -> npt.NDArray[np.bool_]:
    """Which intervals belong to a silence that a backlog may still explain.

    Parameters
    ----------
    rows : DataFrame
        `cabin, unit, start, end, kind`, sorted by these three. Stored intervals end with each hour, a silence does
        not.
    heard : ndarray of datetime64, optional
        Of each row in UTC, its unit's latest reading of longer ago than the grace; NaT: none. A reading ends a
        silence though another may follow at once: those of a unit that is heard too seldom are many, not one.
    """
    unheard = rows["kind"] == UNHEARD
    after = rows.shift(-1)
    goes_on = unheard & (after["kind"] == UNHEARD) & (after["start"] == rows["end"]) & (
        after["cabin"] == rows["cabin"]) & (after["unit"] == rows["unit"])
    silence = (~goes_on.shift(1, fill_value=False)).cumsum()
    ends = rows["end"].groupby(silence).transform("max")
    graced = (unheard & (ends > pd.Timestamp(now - GRACE))).to_numpy(bool)
    if heard is None:
        return graced
    ended: npt.NDArray[np.bool_] = rows["end"].dt.tz_convert("UTC").dt.tz_localize(None).to_numpy() <= heard
    return graced & ~ended


def only_to_note(
    *, before_live: npt.NDArray[np.bool_], dosed_days: npt.NDArray[np.float64], dosed_l: npt.NDArray[np.float64],
    plumbing_l: npt.NDArray[np.float64],
) -> npt.NDArray[np.bool_]:
    """Which intervals of before a unit was first heard live are only to be noted as seen.

    Parameters
    ----------
    before_live : ndarray of bool
        Whether it ended before the unit was first heard live.
    dosed_days, dosed_l : ndarray
        Days with fully dosed water since, and its litres. [1], [L]
    plumbing_l : ndarray
        What stands behind the unit; NaN: not enrolled, so nobody knows whether it was replaced. [L]
    """
    replaced = np.where(np.isnan(plumbing_l), False, dosed_l >= PLUMBING_VOLUMES_SINCE * plumbing_l)
    return before_live & (dosed_days >= DOSED_DAYS_SINCE) & replaced


def more_beyond(new: Sequence[Piece], old: Sequence[Piece], end: datetime) -> float:
    """Litres, at most, by which the water that may have passed after `end` has grown. [L]"""
    late = [one for one in new if one.end > end]
    since = min((one.start for one in late), default=end)
    known = sum(one.underdosed_l_upper for one in old if one.end > since)
    return sum(one.underdosed_l_upper for one in late) - known
