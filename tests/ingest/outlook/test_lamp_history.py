"""What each lamp read of its need: the days and the lives that were put in, by hand."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest

from ingest.outlook.lamp_history import HOURS_STEP_H, LAST_DAYS, lamp_histories
from ingest.outlook.lamps import lamp_outlook
from ingest.store import Store
from tests.ingest.outlook.test_lamps import HERON, NOW, decline, lamp_of, put_days, put_event


def test_the_last_days_are_shares_of_the_need_and_gaps_stay_gaps(held: Store) -> None:
    days = decline(60.0, 0.0005, 60, seed=1)
    days[50:55] = np.nan
    put_days(held, HERON, days)
    found = lamp_outlook(held, NOW)
    need = lamp_of(held).threshold_w_m2
    last = lamp_histories(found)[HERON].last
    assert need is not None and len(last) == LAST_DAYS and np.isnan(last[:30]).all()
    assert last[30:] == pytest.approx(days / need - 1.0, nan_ok=True)


def test_each_lamp_has_a_life_of_its_own_and_the_present_one_is_last(held: Store) -> None:
    put_event(held, HERON, "lamp-swapped", NOW - timedelta(days=20, hours=2))
    put_days(held, HERON, np.full(40, 50.0), hours=8000.0)
    put_days(held, HERON, np.full(0, 60.0))
    held.con.execute(
        "UPDATE daily SET lamp_hours = lamp_hours - 7520, intensity_w_m2 = 60 WHERE cabin = 'heron-point' "
        "AND day >= $day::DATE", {"day": (NOW - timedelta(days=20)).date()})
    need = lamp_of(held).threshold_w_m2
    assert need is not None
    old, new = lamp_histories(lamp_outlook(held, NOW))[HERON].lives
    assert old[1] == pytest.approx(np.full(len(old[1]), 50.0 / need - 1)) and old[0][0] > 7000
    assert new[1][-1] == pytest.approx(60.0 / need - 1) and new[0][-1] < 7000
    assert np.diff(new[0]) == pytest.approx(np.full(len(new[0]) - 1, HOURS_STEP_H))


def test_a_unit_without_days_has_no_history(held: Store) -> None:
    assert lamp_histories(lamp_outlook(held, NOW)) == {}
    put_days(held, HERON, decline(60.0, 0.0005, 60, seed=1))
    assert set(lamp_histories(lamp_outlook(held, NOW))) == {HERON}
