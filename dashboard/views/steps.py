"""The steps of a unit's open advisory, each with its evidence."""

from __future__ import annotations

import streamlit as st

from dashboard import markup, measures, words
from dashboard.access import present, reader_units
from dashboard.views.frame import live
from ingest.store import Client
from models.advisory import State


@live("2s")
def steps(store: Client, cabin: str, unit: str) -> None:
    """What has to happen before a named person may lift the advisory; nothing where none stands."""
    found = present(store)
    one = next(
        (one for one in found.statuses if (one.cabin.slug, one.unit.slug) == (cabin, unit)), None)
    if one is None or one.advisory is None or one.advisory.advisory.state is State.LIFTED:
        return
    advisory = one.advisory.advisory
    st.subheader(f"Boil advisory, {advisory.state}")
    raised = measures.local(advisory.raised_at, one.cabin.zone)
    water = words.exposure_words(advisory, found.at, one.cabin.zone, reader_units(), heard=one.heard)
    st.html(markup.small(
        f"Raised {raised} because of {words.cause_words(advisory.cause)}. {water} Only a named person lifts it."))
    st.html(markup.steps(
        (step.done, words.step_words(step.code), words.step_evidence(step, found.at, one.cabin.zone))
        for step in advisory.statuses))
