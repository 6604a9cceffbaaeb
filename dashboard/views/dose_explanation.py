"""How this dose was reached: for whoever wants to follow it by hand."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import streamlit as st

from dashboard.access import present, status_of
from dashboard.text import markup
from dashboard.text.dose_explanation import INPUT_HEADERS, STEP_HEADERS, input_rows, month_words, step_rows, summary
from dashboard.views.frame import live
from ingest import queries
from ingest.queries import UnitStatus
from ingest.store import Client
from models.dose.explain import DoseStep, divided_by_check, explain


@live("10s")
def reckoning(store: Client, cabin: str, unit: str) -> None:
    """Result, inputs with age and source, each factor, the bound, and the month's share in specification."""
    st.header("How this dose was reached")
    now = present(store)
    one = status_of(store, cabin, unit)
    if one is None:
        return
    st.html(markup.small(summary(one)))
    local = now.at.astimezone(one.cabin.zone)
    first = local.replace(day=1, hour=0, minute=0, second=0, microsecond=0)
    following = (first + timedelta(days=32)).replace(day=1)
    month = f"{first:%Y-%m}"
    st.html(markup.small(month_words(
        queries.in_specification(store, cabin, unit, month, first, following, now.at), month)))
    tests = queries.service_events(store, cabin, unit)
    with st.expander("Inputs, each factor, and the bound (metric, to be followed by hand)"):
        st.html(markup.table(
            INPUT_HEADERS, input_rows(one, tests[tests["kind"] == "water-tested"], now.at)))
        found = steps_of(one)
        if found:
            st.html(markup.table(STEP_HEADERS, step_rows(found)))
        else:
            st.html(markup.small("Without a reading that still speaks there is nothing to reckon."))


def steps_of(one: UnitStatus) -> list[DoseStep]:
    """The reckoning of what the verdict rests on; none where nothing is heard."""
    state = one.state
    if state is None or not one.heard:
        return []
    return divided_by_check(one.reactor, explain(
        one.reactor, intensity_w_m2=np.nan if state.intensity_w_m2 is None else state.intensity_w_m2,
        flow_l_min=np.nan if state.flow_l_min is None else state.flow_l_min, uvt_pct=one.uvt_pct,
        uvt_live=one.uvt_live, lamp_on=state.lit, warm=one.warm, peak_flow_l_min=one.unit.peak_flow_l_min,
        uvt_test_points=one.water.points),
        one.sensor.ratio, one.trust.low_ratio)
