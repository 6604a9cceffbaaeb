"""The fleet's margins out of a real store: against the same hours by hand, and at any length of history."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pandas as pd
import pytest

from ingest.actions import transaction
from ingest.db.intake import keep
from ingest.db.schema import rounded
from ingest.evaluation.evaluate import evaluate, owe
from ingest.in_hand import in_hand
from ingest.margins import margins
from ingest.queries import status
from ingest.store import Store
from models.margin import Stretch

HOUR = timedelta(hours=1)


def send(store: Store, rows: pd.DataFrame) -> None:
    """Rows as a logger's would come."""
    def work() -> None:
        owe(store.con, keep(store.con, rows=rounded(rows), refused=pd.DataFrame(), arrived=store.now()).touched)

    transaction(store.con, work)
    evaluate(store.con, store.now())


@pytest.fixture
def lived(held: Store) -> Store:
    """Heron Point: six hours lit, one of them dark with 5 L/min; then nothing for the last two."""
    end = pd.Timestamp(held.now()).floor("h") - 2 * HOUR
    at = pd.date_range(end - 6 * HOUR, end, freq="60s", tz="UTC")
    dark = (at >= end - 4 * HOUR) & (at < end - 3 * HOUR)
    send(held, pd.DataFrame({
        "cabin": "heron-point", "unit": "main", "at": at, "lamp_on": ~dark, "power_on": True,
        "intensity_w_m2": np.where(dark, 0.0, 58.0), "flow_l_min": np.where(dark, 5.0, 0.0),
        "total_l": 100.0 + 5.0 * np.cumsum(dark)}))
    return held


def test_margins_are_the_peaks_lower_bound_less_the_target_with_dark_and_silence_marked(lived: Store) -> None:
    found = margins(lived, lived.now(), span=timedelta(hours=12), slot=HOUR)
    assert set(found) == {("heron-point", "main"), ("otter-cove", "main"), ("otter-cove", "annex")}
    mine = found["heron-point", "main"]
    state = lived.ask("SELECT dose_low_at_peak_mj_cm2 AS low FROM present")["low"][0]
    lit = mine.margin_mj_cm2[~np.isnan(mine.margin_mj_cm2) & (mine.share[Stretch.DARK] == 0)]
    assert len(lit) >= 4 and lit == pytest.approx(state - 40.0)  # constant light: each hour is as the last one
    assert mine.seconds(Stretch.DARK) == pytest.approx(3600, abs=120)
    assert np.nansum(mine.underdosed_l) == pytest.approx(300, abs=6)  # 5 L/min for an hour
    assert mine.share[Stretch.UNHEARD][-2:].min() > 0.9  # nothing was heard since
    assert not found["otter-cove", "annex"].heard


@pytest.mark.parametrize("dim_from", [0, 3])
def test_lit_time_whose_dose_nobody_can_tell_is_unknown_and_no_line(held: Store, dim_from: int) -> None:
    """A sensor that falls silent while the lamp stays lit: from the start, or after three hours."""
    end = pd.Timestamp(held.now()).floor("h")
    at = pd.date_range(end - 6 * HOUR, end, freq="60s", tz="UTC")
    told = at < end - (6 - dim_from) * HOUR
    send(held, pd.DataFrame({
        "cabin": "otter-cove", "unit": "main", "at": at, "lamp_on": True, "power_on": True,
        "intensity_w_m2": np.where(told, 58.0, np.nan), "flow_l_min": 0.0, "total_l": 100.0}))
    found = margins(held, held.now(), span=timedelta(hours=9), slot=HOUR)["otter-cove", "main"]
    known = [slot for slot in range(found.slots) if not np.isnan(found.margin_mj_cm2[slot])]
    assert len(known) == dim_from
    for slot in range(found.slots):
        if found.start(slot) >= (end - (6 - dim_from) * HOUR) and found.start(slot) < end:
            assert found.share[Stretch.UNKNOWN][slot] + found.share[Stretch.UNHEARD][slot] > 0.9, slot


def test_slots_stay_where_they_are_as_time_goes_on(lived: Store) -> None:
    now = lived.now().replace(minute=10, second=0)
    one, other = (
        margins(lived, at, span=timedelta(hours=12), slot=2 * HOUR, only=[("heron-point", "main")])
        ["heron-point", "main"] for at in (now, now + timedelta(minutes=3)))
    assert one.since == other.since and one.since.timestamp() % 7200 == 0
    assert one.margin_mj_cm2[:-1].tolist() == pytest.approx(other.margin_mj_cm2[:-1].tolist(), nan_ok=True)


def test_a_store_without_a_cabin_has_no_margins(store_path) -> None:
    store_path.parent.mkdir()
    store = Store(store_path)
    assert margins(store, store.now(), span=timedelta(days=7), slot=2 * HOUR) == {}
    store.close()


def test_an_advisory_is_in_the_hands_of_the_last_person_who_did_something(lived: Store) -> None:
    (one,) = [one for one in status(lived, lived.now()) if one.standing is not None]
    assert one.standing is not None and in_hand(lived, [one.standing]) == {}
    lived.act("confirm", {"advisory": one.standing.id, "by": "Ada Brook"})
    found = in_hand(lived, [one.standing])[one.standing.id]
    assert (found.who, found.did) == ("Ada Brook", False)
    lived.act("advisory-record", {"advisory": one.standing.id, "step": "power_stable", "by": "Kim Or"})
    (one,) = [one for one in status(lived, lived.now()) if one.standing is not None]
    assert one.standing is not None
    found = in_hand(lived, [one.standing])[one.standing.id]
    assert (found.who, found.did) == ("Kim Or", True)
