"""Between two ticks of a step the record stays as it is, but the status tells the litres and minutes of now."""

from __future__ import annotations

from datetime import datetime, timedelta

import pandas as pd
import pytest

from ingest import queries
from ingest.db.engine import transaction
from ingest.db.intake import keep
from ingest.db.schema import rounded
from ingest.evaluation.evaluate import evaluate, owe
from ingest.record.advisories import record_step
from ingest.store import Store
from models.advisory.plumbing import StillThere
from tests.conftest import count, utc

CUT = utc("2026-11-25T07:00:00")
LIT = {"lamp_on": True, "power_on": True, "intensity_w_m2": 55.0, "uvt_pct": 86.0}
DARK = {"lamp_on": False, "power_on": False, "intensity_w_m2": 0.0, "uvt_pct": 86.0}
KEY = ("heron-point", "main")


def put(store: Store, now: datetime, *found: tuple[float, float, dict[str, object]]) -> None:
    """Readings as (minute after the cut, L/min, state), worked out as of `now`."""
    frame = pd.DataFrame(
        [
            {
                "cabin": KEY[0],
                "unit": KEY[1],
                "at": pd.Timestamp(CUT + timedelta(minutes=minute)),
                "flow_l_min": flow,
                **state,
            }
            for minute, flow, state in found
        ]
    )
    rows = rounded(frame.assign(at=frame["at"].astype("datetime64[us, UTC]")))

    def work() -> None:
        owe(store.con, keep(store.con, rows=rows, arrived=now).touched)

    transaction(store.con, work)
    evaluate(store.con, now)


def status(store: Store, now: datetime, **more: bool):
    return next(one for one in queries.status(store, now, **more) if (one.cabin.slug, one.unit.slug) == KEY)


def evidence(one, step: str) -> str:
    return next(each.evidence for each in one.advisory.advisory.statuses if each.code == step)


@pytest.fixture
def after_cut(held: Store) -> Store:
    """10 L past a dark lamp (2 min x 5 L/min), then power for an hour and 4 L drawn."""
    put(
        held,
        CUT + timedelta(minutes=62),
        *((minute, 0.0, LIT) for minute in range(-30, 0)),
        (0, 5.0, DARK),
        (1, 5.0, DARK),
        *((minute, 0.0, LIT) for minute in range(2, 61)),
        (61, 4.0, LIT),
        (62, 0.0, LIT),
    )
    return held


def test_litres_drawn_since_show_without_an_event_in_the_record(after_cut):
    now = CUT + timedelta(minutes=62)
    assert evidence(status(after_cut, now), "flush_cold").startswith("4 of 50 L metered")
    events = count(after_cut, "advisory_event")
    put(after_cut, now + timedelta(minutes=2), (63, 6.0, LIT), (64, 0.0, LIT))
    assert count(after_cut, "advisory_event") == events  # nothing ticked
    assert evidence(status(after_cut, now + timedelta(minutes=2)), "flush_cold").startswith("10 of 50 L metered")


def test_the_tick_itself_is_recorded_and_the_status_agrees(after_cut):
    now = CUT + timedelta(minutes=68)
    put(after_cut, now, *((minute, flow, LIT) for minute, flow in (
        (63, 14.0), (64, 18.0), (65, 18.0), (66, 18.0), (67, 0.0), (68, 0.0))))
    one = status(after_cut, now)
    assert evidence(one, "flush_cold").startswith("72 of 50 L metered since")
    # the meter alone ticks no flush: a person names the time, and the meter confirms it
    assert not next(each.done for each in one.advisory.advisory.statuses if each.code == "flush_cold")
    record_step(after_cut.con, {
        "advisory": one.advisory.id, "step": "flush_cold", "by": "Ann Lund",
        "from": (CUT + timedelta(minutes=60)).isoformat(), "at": now.isoformat()}, now, after_cut.path)
    one = status(after_cut, now)
    # by flow readings alone: the lesser of each two, 14 + 18 + 18 L
    assert "50 of 50 L metered in that time" in evidence(one, "flush_cold")
    assert next(each.done for each in one.advisory.advisory.statuses if each.code == "flush_cold")
    assert count(after_cut, "advisory_event", "body LIKE '%flush_cold%' AND body LIKE '%\"done\": true%'") == 1


def test_what_was_metered_is_not_told_of_a_unit_that_fell_silent(after_cut):
    assert "no metered flow" in evidence(status(after_cut, CUT + timedelta(minutes=90)), "flush_cold")


def test_a_question_about_the_past_is_answered_from_the_record_of_then(after_cut):
    now = CUT + timedelta(minutes=64)
    put(after_cut, now, (63, 6.0, LIT), (64, 0.0, LIT))
    assert "10 of 50" not in evidence(status(after_cut, CUT + timedelta(minutes=62), as_of=True), "flush_cold")


def test_where_the_water_stands_follows_the_meter(after_cut):
    # 10 L dark, then 4 L: the slug lies 4 to 14 L into 18 L of pipe; after 4 more its front is at the tap
    since = CUT
    found = queries.still_standing(after_cut, CUT + timedelta(minutes=62), cabin=KEY[0], unit=KEY[1], since=since)
    assert found == StillThere(cold_tap=0.0, pipe_l=10.0, tank_l=0.0, tank_l_upper=10.0)
    put(after_cut, CUT + timedelta(minutes=64), (63, 9.0, LIT), (64, 0.0, LIT))
    found = queries.still_standing(after_cut, CUT + timedelta(minutes=64), cabin=KEY[0], unit=KEY[1], since=since)
    assert (found.cold_tap, found.pipe_l) == (1.0, pytest.approx(5.0))  # 13 L since: 5 of the 10 are left
