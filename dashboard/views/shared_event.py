"""One shared event: its cabins and their steps at a glance, and a form to record or confirm for several at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

import streamlit as st

from dashboard.access import ask_anew, get_fleet, present
from dashboard.chosen import EVENT, LONGEST_SHOWN
from dashboard.text import markup, shared
from dashboard.views.frame import care, caution, empty, guarded, link, live
from ingest import queries
from ingest.evaluation.shared import SPAN, events_since
from ingest.record.advisory_log import KeptAdvisory
from ingest.settings import BadInput
from ingest.store import Client
from models.advisory import STEP_WORDS, Step
from models.advisory.events import FLUSH_STEPS, PERSON_STEPS
from models.advisory.shared_event import SharedEvent, find
from models.advisory.work_cautions import works_of_steps
from models.fleet import Fleet

CONFIRM = "confirm"  # in place of a step: it was read
ACTS = (CONFIRM, *(step for step in PERSON_STEPS if step is not Step.NOTICE_REMOVED))  # that one goes with a lift
SHOWN = "event-shown"  # key in the session: id and name of each cabin that the page drew a box for
PRESSES = "event-presses"  # key: how often something was recorded here
TOLD = "event-told"  # key in the session: what came of each cabin at the last press


@guarded
def shared_event(store: Client) -> None:
    """The event that the address names; without one, those that have an open advisory."""
    fleet = get_fleet(store)
    if not any(one.units for one in fleet.cabins):
        empty()
        return
    asked = st.query_params.get(EVENT, "")
    now = store.now()
    event = find(events_since(store, fleet, now, now - SPAN), asked) if asked else None
    if event is None:
        _listed(store, asked)
        return
    st.html(markup.headline(shared.event_title(event, fleet), "Only a named person lifts an advisory."))
    table(store, asked)
    found = queries.open_of_event(store, event)
    if found:
        act_together(store, event, found, fleet)
    caution()


def _listed(store: Client, asked: str) -> None:
    """Which events there are, where the address names none of them."""
    if asked:
        st.html(markup.box(f"No shared event {asked[:2 * LONGEST_SHOWN]!r}", [
            f"None of that name in the last {SPAN.days} days: not known is never clear."], tone="alarm"))
    st.html(markup.headline("Trouble that several cabins share", f"Of the last {SPAN.days} days, with open ones."))
    shared_links(store)
    link("advisories", "All advisories →")


@live("10s")
def shared_links(store: Client) -> None:
    """A link to each shared event of which an advisory is open; nothing where none is."""
    if not any(one.standing is not None for one in present(store).statuses):
        return
    now, fleet = store.now(), get_fleet(store)
    for event in events_since(store, fleet, now, now - SPAN)[::-1]:
        if number := len(queries.open_of_event(store, event)):
            link("shared-event", f"{shared.event_title(event, fleet)}: {number} open, see to them together →",
                 event=event.id)


@live("5s")
def table(store: Client, asked: str) -> None:
    """Cabins by steps, as they stand."""
    fleet, now = get_fleet(store), store.now()
    event = find(events_since(store, fleet, now, now - SPAN), asked)
    found = [] if event is None else queries.with_proofs_now(store, queries.open_of_event(store, event), now)
    if not found:
        st.html(markup.small("No advisory of this event is open any more."))
        return
    steps = shared.step_headers(found)
    st.html(markup.table(shared.headers(steps), [shared.event_row(one, steps, fleet) for one in found]))
    care(works_of_steps(step for one in found for step in one.advisory.open_steps))


def act_together(store: Client, event: SharedEvent, found: Sequence[KeptAdvisory], fleet: Fleet) -> None:
    """Tick cabins, say what was done and who did it; each is recorded or refused by itself.

    Nobody's box is ticked beforehand, and only a box that this page has drawn can be: a cabin that joins the event
    in the meantime is not acted on.
    """
    st.header("For several cabins at once")
    of = event.id
    act = st.selectbox(
        "What was done", ACTS, key=f"event-act-{of}",
        format_func=lambda one: "I have read it" if one == CONFIRM else STEP_WORDS[Step(one)])
    zone = fleet.cabin(event.members[0].cabin).zone
    there = store.now().astimezone(zone).replace(second=0, microsecond=0, tzinfo=None)
    with st.form(f"event-{of}-{act}", border=True):
        st.html(markup.form_heading("For which cabins"))
        # after each press the boxes are new and empty
        boxes = f"event-{of}-{act}-{st.session_state.get(PRESSES, 0)}"
        drawn = st.session_state.get(SHOWN, {})
        ticked = {
            one.id: shared.place_words(one, fleet) for one in found
            if st.checkbox(markup.plain_label(shared.place_words(one, fleet)), key=f"{boxes}-{one.id}-")}
        # one that was lifted since it was ticked has no box any more: it is refused in words, not passed over
        ticked |= {id: name for id, name in drawn.items() if st.session_state.get(f"{boxes}-{id}-")}
        st.session_state[SHOWN] = {one.id: shared.place_words(one, fleet) for one in found}
        times: dict[str, Any] = {}
        if act != CONFIRM:
            name = f"{store.now().astimezone(zone):%Z}"
            if act in FLUSH_STEPS:
                began = there - timedelta(hours=1)
                times["from"] = _at(f"The taps ran from ({name})", f"event-from-{of}-{act}", began)
            label = "Until" if act in FLUSH_STEPS else "Done at"
            times["at"] = _at(f"{label} ({name})", f"event-at-{of}-{act}", there)
        who = st.text_input("Your name", max_chars=120, autocomplete="name", key=f"event-who-{of}-{act}")
        sent = st.form_submit_button("Record for the ticked cabins", type="primary")
    # Of a button that is pressed twice in a row nothing is ticked the second time, and what came of the first has
    # yet to be told.
    if sent and (ticked or st.session_state.get(TOLD, ("", []))[0] != of):
        st.session_state[PRESSES] = st.session_state.get(PRESSES, 0) + 1
        body = {name: at.replace(tzinfo=zone).isoformat() for name, at in times.items()}
        st.session_state[TOLD] = (of, _each(store, ticked, act, who, body))
        ask_anew()
        st.rerun()  # the table and the boxes are of before
    told_of, told = st.session_state.pop(TOLD, ("", []))
    if told_of == of:
        refused = any("refused" in line for line in told)
        st.html(markup.box("What came of it", told, tone="alarm" if refused else "plain"))


def _at(label: str, key: str, default: datetime) -> datetime:
    st.session_state.setdefault(key, default)
    picked: datetime = st.datetime_input(label, key=key, step=60, format="YYYY-MM-DD", required=True)
    return picked


def _each(
    store: Client, ticked: Mapping[str, str], act: str, who: str, times: dict[str, str]
) -> list[str]:
    """A line for each: recorded, or refused with its reason."""
    if not ticked:
        return ["Nothing was recorded, refused: tick at least one cabin."]
    out, done = [], 0
    for id, name in ticked.items():
        try:
            if act == CONFIRM:
                store.act("confirm", {"advisory": id, "by": who})
            else:
                store.act("advisory-record", {"advisory": id, "step": str(act), "by": who, **times})
        except BadInput as error:
            out.append(f"{name}: refused: {error}")
        else:
            done += 1
            out.append(f"{name}: {'read' if act == CONFIRM else 'recorded'} by {who}")
    return [*out, f"{done} of {len(ticked)} done."]
