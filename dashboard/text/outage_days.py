"""Outages told by the day: a weak lamp makes one at every draw, and nobody reads six hundred lines."""

from __future__ import annotations

from datetime import tzinfo

import pandas as pd


def by_day(outages: pd.DataFrame, zone: tzinfo) -> pd.DataFrame:
    """Intervals of one unit, of one kind, cause and severity, that begin on one day, as one row.

    Parameters
    ----------
    outages : DataFrame
        One unit's rows of `ingest.queries.outages`.
    zone : tzinfo
        The cabin's; a day is one of its days.

    Returns
    -------
    DataFrame
        day, kind, cause, severity, start, end, times, drawn_l, drawn_l_upper, underdosed_l, underdosed_l_upper,
        rests_on (all grounds), oldest first. A volume is NaN where that of any interval is.
    """
    volumes = ["drawn_l", "drawn_l_upper", "underdosed_l", "underdosed_l_upper"]
    if outages.empty:
        return outages.assign(times=0)
    day = outages["start"].dt.tz_convert(zone).dt.date
    groups = outages.assign(day=day).groupby(["day", "kind", "cause", "severity"], sort=False, dropna=False)
    out = pd.concat([
        groups.agg(start=("start", "min"), end=("end", "max"), times=("start", "size"),
                   rests_on=("rests_on", _each_once)),
        groups[volumes].sum(skipna=False)], axis=1)
    return out.reset_index().sort_values("start", kind="stable").reset_index(drop=True)


def _each_once(grounds: pd.Series) -> str:
    """All that some intervals rest on, each witness once; neighbours that were joined have a semicolon between."""
    return ", ".join(dict.fromkeys(", ".join(grounds).replace("; ", ", ").split(", ")))
