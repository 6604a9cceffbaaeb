"""`outages` for people: of late, and it says so; for machines all there is."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pandas as pd
import pytest

from ingest import queries
from ingest.db.schema import rounded
from ingest.evaluation.evaluate import derive
from ingest.registry.tables import load_fleet
from ingest.store import Store
from tests.conftest import tarnlight_here
from tests.ingest.ingest_streams import commit

OLD_DAYS, LATE_DAYS = 100, 3


@pytest.fixture
def troubled(held, enrolled):
    """heron-point/main was dark for ten minutes long ago and of late; the other units were never heard."""
    for days in (OLD_DAYS, LATE_DAYS):
        start = pd.Timestamp(datetime.now(UTC) - timedelta(days=days)).floor("h")
        minutes = range(40)
        lamp = [not 10 <= minute < 20 for minute in minutes]
        commit(held, rounded(pd.DataFrame({
            "cabin": "heron-point", "unit": "main",
            "at": pd.Series([start + pd.Timedelta(minutes=one) for one in minutes]).astype("datetime64[us, UTC]"),
            "lamp_on": lamp, "power_on": lamp, "intensity_w_m2": [55.0 * one for one in lamp], "flow_l_min": 4.0})))
    derive(held.con, load_fleet(held))
    held.close()
    return enrolled


def dark(found):
    return [one for one in found if one["kind"] == "dark"]


def test_people_are_shown_what_is_of_late_and_told_so(troubled):
    done = tarnlight_here(troubled, "outages", "--cabin", "heron-point")
    first, *lines = done.stdout.splitlines()
    assert done.returncode == 0 and first.startswith("The last 30 days; --since")
    assert sum("dark" in one for one in lines) == 1
    since = (datetime.now(UTC) - timedelta(days=OLD_DAYS + 1)).isoformat()
    asked = tarnlight_here(troubled, "outages", "--cabin", "heron-point", "--since", since).stdout
    assert "The last 30 days" not in asked and sum("dark" in one for one in asked.splitlines()) == 2


def test_machines_are_given_all_there_is(troubled):
    found = json.loads(tarnlight_here(troubled, "outages", "--json").stdout)
    assert len(dark(found)) == 2


def test_units_that_were_never_heard_are_named_however_few_days_are_shown(troubled):
    told = tarnlight_here(troubled, "outages").stdout
    assert "otter-cove/main  never heard" in told and "otter-cove/annex  never heard" in told
    assert "heron-point/main  never heard" not in told


def test_what_was_lit_is_left_out_and_changes_nothing_of_the_rest(troubled):
    store = Store(troubled)
    now = store.now()
    whole = queries.outages(store, now, with_lit=True)
    assert (whole["kind"] == "lit").any()
    rest = whole[whole["kind"] != "lit"].reset_index(drop=True)
    pd.testing.assert_frame_equal(queries.outages(store, now), rest)
    store.close()
