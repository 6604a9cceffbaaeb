"""The steps of a unit's open advisory, each with its evidence."""

from __future__ import annotations

import streamlit as st

from dashboard.access import present, reader_units, status_of
from dashboard.text import markup
from dashboard.text import verdicts as words
from dashboard.views.frame import live
from ingest.store import Client


@live("2s")
def steps(store: Client, cabin: str, unit: str) -> None:
    """What has to happen before a named person may lift the advisory; nothing where none stands."""
    found = present(store)
    one = status_of(store, cabin, unit)
    if one is None or one.standing is None:
        return
    advisory = one.standing.advisory
    st.header(f"Boil advisory, {advisory.state}")
    water = words.exposure_words(advisory, found.at, one.cabin.zone, reader_units(), heard=one.heard)
    st.html(markup.small(
        f"It stands {words.advisory_since(advisory, found.at, one.cabin.zone)} because of "
        f"{words.cause_words(advisory.cause)}. {water} Only a named person lifts it."))
    st.html(markup.steps(
        (step.done, words.step_words(step.code), words.step_evidence(step, found.at, one.cabin.zone))
        for step in advisory.statuses))
