"""Intervals as columns: the first of them, each with all that was said of it."""

from __future__ import annotations

from datetime import timedelta

import numpy as np

from models.advisory.pieces import Intervals
from tests.conftest import utc

START = utc("2026-11-20T12:00:00")
HOUR = timedelta(hours=1)


def test_the_first_of_some_intervals_keep_all_that_is_said_of_them():
    rows = Intervals(
        start=[START, START + HOUR, START + 2 * HOUR], end=[START + HOUR, START + 2 * HOUR, START + 3 * HOUR],
        kind=["dark", "weak", "unheard"], cause=["no-power", "", "no-link"], underdosed_l=np.array([1.0, 2.0, 3.0]),
        underdosed_l_upper=np.array([4.0, 5.0, 6.0]), dose_low_mj_cm2=np.array([0.0, 39.0, np.nan]),
        severity=["untreated", "marginal", ""])
    found = rows.first(2)
    assert len(found) == 2 and len(rows.first(0)) == 0
    assert (found.start, found.end) == ([START, START + HOUR], [START + HOUR, START + 2 * HOUR])
    assert (found.kind, found.cause) == (["dark", "weak"], ["no-power", ""])
    assert found.severity == ["untreated", "marginal"]
    assert found.underdosed_l.tolist() == [1.0, 2.0] and found.underdosed_l_upper.tolist() == [4.0, 5.0]
    assert found.dose_low_mj_cm2.tolist() == [0.0, 39.0]
