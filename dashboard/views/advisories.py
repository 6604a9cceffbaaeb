"""The manager's list: every boil advisory that stands with what it waits for; lifted ones with their record."""

from __future__ import annotations

import streamlit as st

from dashboard.access import ask_anew, get_fleet, present, reader_units
from dashboard.chosen import addressed, full_name, unknown_words
from dashboard.text import markup, recovery
from dashboard.text import verdicts as words
from dashboard.views.along import along
from dashboard.views.choice import follow
from dashboard.views.frame import care, caution, empty, guarded, link, live
from dashboard.views.shared_event import shared_links
from ingest import queries
from ingest.record.advisory_log import KeptAdvisory
from ingest.settings import BadInput
from ingest.store import Client
from models.advisory import State, from_json
from models.advisory.work_cautions import works_of_steps
from models.fleet import Fleet

RAISED = "raise-for"  # key in the session
LIFTED_SHOWN = 30  # `tarnlight advisory list --all` lists every one


@guarded
def advisories(store: Client) -> None:
    """Open ones, the longest standing first; lifted ones below."""
    fleet = get_fleet(store)
    if not any(one.units for one in fleet.cabins):
        empty()
        return
    standing(store)
    shared_links(store)
    caution()
    by_hand(store, fleet)
    st.header("Lifted")
    lifted(store)


@live("2s")
def standing(store: Client) -> None:
    """What stands, and what each waits for."""
    found = present(store)
    open_ = [(one, one.standing) for one in found.statuses if one.standing is not None]
    open_.sort(key=lambda pair: pair[1].advisory.happened_from)
    st.html(markup.headline(
        recovery.open_headline(kept.advisory for _, kept in open_), "Only a named person lifts an advisory."))
    for one, kept in open_:
        with st.container(border=True, key=f"advisory-{kept.id}", gap="xsmall"):
            st.html(markup.card(
                word=one.verdict.verdict, name=words.unit_name(one),
                since=words.advisory_since(kept.advisory, found.at, one.cabin.zone),
                reasons=recovery.happened(kept.advisory, one.cabin, reader_units())[:2],
                action=f"Waits for: {recovery.waits_words(kept.advisory)}"))
            link("after-cut", f"Steps, notice and lifting of {words.unit_name(one)} →", cabin=one.cabin.slug,
                 unit=one.unit.slug)
    care(works_of_steps(step for _, kept in open_ for step in kept.advisory.open_steps))


def by_hand(store: Client, fleet: Fleet) -> None:
    """A person knows more than the sensors: raise one by hand."""
    names = {(one.slug, unit.slug): full_name(one, unit.slug) for one in fleet.cabins for unit in one.units}
    asked = along()
    if asked.parameters or len(names) == 1:
        st.session_state[RAISED] = addressed(asked, fleet, present(store).statuses)
    if asked.parameters and st.session_state[RAISED] is None:
        st.html(markup.box(unknown_words(asked, fleet), [
            "The address of this page names something that is not enrolled here. To raise an advisory by hand, "
            "choose a tap below."], tone="alarm"))
    with st.expander("Raise one by hand"):
        # outside the form, so that heading and button follow what is picked
        key = st.selectbox("Which tap", list(names), index=None, placeholder="Choose a tap", key=RAISED,
                           format_func=names.__getitem__, on_change=follow, args=(RAISED,))
        if key is None:
            return
        with st.form(f"raise-{key[0]}-{key[1]}", border=False):
            st.html(markup.form_heading(f"A boil advisory for {names[key]}"))
            who = st.text_input("Your name", max_chars=120, autocomplete="name", key=f"raise-who-{key[0]}-{key[1]}")
            if not st.form_submit_button(markup.plain_label(f"Raise a boil advisory for {names[key]}")):
                return
        try:
            store.act("advisory-raise", {"cabin": key[0], "unit": key[1], "by": who})
        except BadInput as error:
            st.html(markup.refused("Not raised", error))
        else:
            ask_anew()
            st.rerun()


@live("10s")
def lifted(store: Client) -> None:
    """Those that a person ended, newest first, each with its whole record."""
    fleet = get_fleet(store)
    enrolled = {one.slug for one in fleet.cabins}
    found = [one for one in queries.advisories(store)
             if one.advisory.state is State.LIFTED and one.cabin in enrolled]
    if not found:
        st.html(markup.small("None yet."))
        return
    found.sort(key=lambda one: one.advisory.updated_at if one.advisory.lifted is None else one.advisory.lifted.at,
               reverse=True)
    shown = found[:LIFTED_SHOWN]
    records = dict(list(queries.advisory_records(store, [one.id for one in shown]).groupby("advisory")))
    for one in shown:
        _record(one, fleet, list(records[one.id]["body"]))
    if len(found) > len(shown):
        st.html(markup.small(
            f"{len(found) - len(shown)} older ones; `tarnlight advisory list --all` lists every one."))


def _record(one: KeptAdvisory, fleet: Fleet, bodies: list[str]) -> None:
    """One lifted advisory: how it ended, and its record in order."""
    cabin = fleet.cabin(one.cabin)
    with st.expander(markup.plain_label(f"{cabin.name}, {one.unit}: {recovery.lifted_words(one.advisory, cabin)}")):
        st.html(markup.table(
            recovery.EVENT_HEADERS,
            [recovery.event_row(from_json(body), cabin, reader_units()) for body in bodies]))
