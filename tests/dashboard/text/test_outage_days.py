"""Outages told by the day."""

from __future__ import annotations

import math
from zoneinfo import ZoneInfo

import pandas as pd

from dashboard.text.outage_days import by_day

TORONTO = ZoneInfo("America/Toronto")


def interval(
    start: str, kind: str = "weak", litres: float = 2.0, cause: str = "none", severity: str = "under-treated"
) -> dict:
    at = pd.Timestamp(start, tz="UTC")
    return {
        "cabin": "heron-point", "unit": "main", "kind": kind, "cause": cause, "start": at,
        "end": at + pd.Timedelta(minutes=1), "drawn_l": litres, "drawn_l_upper": 3.0, "underdosed_l": litres,
        "underdosed_l_upper": 3.0, "rests_on": "dose under target", "severity": severity}


def test_draws_of_one_day_at_the_cabin_are_one_row_and_no_litre_is_lost():
    # 03:30 UTC is still the day before in Toronto (UTC-5 in November)
    found = by_day(pd.DataFrame([
        interval("2026-11-06T13:00"), interval("2026-11-06T20:00"), interval("2026-11-07T03:30"),
        interval("2026-11-07T13:00"), interval("2026-11-06T15:00", kind="dark", cause="no-power"),
        interval("2026-11-07T14:00", severity="marginal"),
    ]), TORONTO)
    assert found[["kind", "severity", "times", "underdosed_l", "underdosed_l_upper"]].values.tolist() == [
        ["weak", "under-treated", 3, 6.0, 9.0], ["dark", "under-treated", 1, 2.0, 3.0],
        ["weak", "under-treated", 1, 2.0, 3.0], ["weak", "marginal", 1, 2.0, 3.0]]
    assert found["end"].iloc[0] == pd.Timestamp("2026-11-07T03:31", tz="UTC")
    assert found["rests_on"].iloc[0] == "dose under target"


def test_one_unknown_volume_leaves_the_days_unknown():
    found = by_day(pd.DataFrame([
        interval("2026-11-06T13:00", kind="unheard"), interval("2026-11-06T20:00", kind="unheard", litres=math.nan),
    ]), TORONTO)
    assert math.isnan(found["underdosed_l"].iloc[0])
    assert found["underdosed_l_upper"].iloc[0] == 6.0


def test_no_outage_is_no_row():
    empty = pd.DataFrame([interval("2026-11-06T13:00")]).iloc[:0]
    assert by_day(empty, TORONTO).empty
