"""The demo's past: a manager of that past lifts only what the steps of the advisory allow."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pandas as pd
import pytest

from ingest import queries
from ingest.db.schema import QUANTITY_COLUMNS
from ingest.evaluation.backfill import SeenTo, take_in
from ingest.store import Store
from models.advisory import State

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
START = NOW - timedelta(days=6)


def past(dark_h: tuple[float, ...]) -> pd.DataFrame:
    """Readings a minute apart, with water through a dark lamp in those hours after the start."""
    at = pd.date_range(START, NOW, freq="60s", unit="us")
    out = pd.DataFrame(dict.fromkeys(QUANTITY_COLUMNS), index=range(len(at)))
    hours = (at - START) / pd.Timedelta(hours=1)
    dark = pd.Series(False, index=out.index)
    for one in dark_h:
        dark |= (hours >= one) & (hours < one + 0.5)
    return out.assign(
        at=at, lamp_on=~dark, power_on=~dark, intensity_w_m2=(~dark) * 60.0, flow_l_min=dark * 5.0)


@pytest.mark.parametrize(("dark_h", "stands"), [((24.0,), False), ((24.0, 72.0), True)])
def test_water_that_came_after_the_samples_is_not_lifted_by_them(
    held: Store, dark_h: tuple[float, ...], stands: bool
):
    links = pd.DataFrame({"at": pd.Series([], dtype="datetime64[us, UTC]"), "up": pd.Series([], dtype=bool)})
    nothing = pd.DataFrame(columns=["at", "kind", "who", "value", "note"])
    take_in(
        held, "heron-point", "main", readings=past(dark_h), links=links, service=nothing, now=NOW,
        seen_to=SeenTo(who="Ann"))
    found = queries.advisories(held, cabin="heron-point")
    assert found
    assert any(one.advisory.state is not State.LIFTED for one in found) is stands
    for one in found:
        if one.advisory.state is State.LIFTED:
            assert one.advisory.raised_at - one.advisory.happened_from == timedelta(minutes=1)  # the next reading
            assert one.advisory.undone_at_lift == ()  # the sensors had proven theirs by then
            assert {"power_stable", "lamp_lit", "dose_back"} <= {
                step.code for step in one.advisory.statuses if step.done}
