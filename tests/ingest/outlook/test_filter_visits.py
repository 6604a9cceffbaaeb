"""From a store's readings to a filter on the parts list, by the flow that it has cost."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from ingest.outlook.lamps import lamp_outlook
from ingest.outlook.visit_tasks import stops_of
from ingest.store import Store

NOW = datetime(2027, 1, 10, 12, tzinfo=UTC)
CHANGED = NOW - timedelta(days=120)
HERON = ("heron-point", "main")


def put_draws(store: Store, clean_l_min: float, now_l_min: float) -> None:
    """Twenty draws a day from the change on, the flow falling in a straight line."""
    days = np.arange(1, 120)
    at = np.repeat(pd.Timestamp(CHANGED).floor("D") + pd.to_timedelta(days, unit="D"), 20) + pd.to_timedelta(
        np.tile(np.arange(20), len(days)) * 40, unit="m")
    flow = np.repeat(clean_l_min + (now_l_min - clean_l_min) * days / days[-1], 20)
    rows = pd.DataFrame({"cabin": HERON[0], "unit": HERON[1], "at": at, "lamp_on": True, "flow_l_min": flow})
    store.con.register("rows", rows)
    store.con.execute("INSERT INTO reading BY NAME SELECT * FROM rows")
    store.con.unregister("rows")


def put_change(store: Store) -> None:
    store.con.execute(
        """INSERT INTO service_event
        VALUES (uuid(), $cabin, $unit, $at_, 'filter-changed', 'Ann Lund', NULL, '', $at_)""",
        {"cabin": HERON[0], "unit": HERON[1], "at_": CHANGED})
    # heard yesterday, so that silence is no reason of its own to go
    store.con.execute(
        """INSERT INTO daily (cabin, unit, day, readings, fault, fault_evidence)
        VALUES ($cabin, $unit, $day, 0, '', '')""",
        {"cabin": HERON[0], "unit": HERON[1], "day": (NOW - timedelta(days=1)).date()})


@pytest.mark.parametrize(("now_l_min", "due"), [(9.0, True), (17.0, False)])
def test_a_filter_that_took_half_of_the_flow_goes_on_the_list_and_one_that_took_little_does_not(
    held: Store, now_l_min: float, due: bool
) -> None:
    put_draws(held, 18.0, now_l_min)
    put_change(held)
    found = lamp_outlook(held, NOW)
    one = next(lamp for lamp in found.lamps if (lamp.cabin.slug, lamp.unit.slug) == HERON)
    told = one.to_json()
    assert told["filter_due_by_flow"] is due and told["filter_flow_loss_pct"] > 0
    [*stops] = [stop for stop in stops_of(found, NOW.date() + timedelta(days=1)) if stop.cabin == HERON[0]]
    assert [("change filter" in stop.tasks, dict(stop.parts)) for stop in stops] == (
        [(True, {"filter": 1})] if due else [])


def test_without_a_recorded_change_nothing_is_said_of_the_filter(held: Store) -> None:
    put_draws(held, 18.0, 9.0)
    told = next(
        lamp for lamp in lamp_outlook(held, NOW).lamps if (lamp.cabin.slug, lamp.unit.slug) == HERON).to_json()
    assert told["filter_flow_loss_pct"] is None and told["filter_due_by_flow"] is False
