"""What was done to a unit: a form to record it, and the list."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import streamlit as st

from dashboard.access import get_fleet
from dashboard.chosen import full_name
from dashboard.sheets.lists import service_list
from dashboard.text import markup, measures
from dashboard.text import verdicts as words
from dashboard.text.service import service_line, service_rows, withdrawn_words
from dashboard.views.frame import live
from dashboard.views.sample import came_to, once, sample_fields
from dashboard.views.taking import to_take
from ingest import queries
from ingest.actions import SERVICE_KINDS
from ingest.settings import BadInput
from ingest.store import Client
from models.advisory.work_cautions import RECORD_WORKS, sentences
from models.fleet import Cabin
from models.water_quality import meant_uvt_pct

DONE_SHOWN = 20


def record(store: Client, cabin: str, unit: str) -> None:
    """Somebody did something: what, when, who."""
    place = get_fleet(store).cabin(cabin)
    name = full_name(place, unit)
    st.header(markup.plain_label(f"Record what was done at {name}"))
    of = f"{cabin}-{unit}"  # in every key: what was typed for one unit is never sent for another
    day, clock = f"service-day-{of}", f"service-time-{of}"
    there = store.now().astimezone(place.zone)
    st.session_state.setdefault(day, there.date())
    st.session_state.setdefault(clock, there.time().replace(second=0, microsecond=0))
    with st.form(f"service-{of}", border=True):
        kind = st.selectbox(
            "What was done", SERVICE_KINDS, format_func=words.service_words, key=f"service-kind-{of}")
        with st.container(horizontal=True):
            date = st.date_input("Day", key=day)
            time = st.time_input(f"Time at the cabin ({there:%Z})", key=clock, step=60)
        who = st.text_input("Who did it (name)", key=f"service-who-{of}")
        value = st.number_input(
            "Value, where there is one (a water test: transmittance in %; a sensor check: duty over reference; a "
            "transmittance sensor's: points that it read above a sample)",
            value=None, format="%.2f", key=f"service-value-{of}")
        note = st.text_input("Note (a lamp's serial, where a sample was taken)", key=f"service-note-{of}")
        with st.expander("A water sample: what the laboratory found (day and time: when it was taken)"):
            found = sample_fields(of)
        sent = st.form_submit_button(markup.plain_label(f"Record for {name}"), type="primary")
    asked = f"service-asked-{of}"  # a water test that was likely meant otherwise, until it is answered
    if sent:
        at = datetime.combine(date, time, tzinfo=place.zone)
        body = {
            "kind": kind, "cabin": cabin, "unit": unit, "at": at.isoformat(), "who": who, "value": value,
            "note": note, **found}
        pct = meant_uvt_pct(value) if kind == "water-tested" and value is not None else None
        if pct is None:
            st.session_state.pop(asked, None)
            _send(store, place, name, body)
        else:
            st.session_state[asked] = body
    if asked in st.session_state:
        _ask(store, place, name, asked)


def _ask(store: Client, place: Cabin, name: str, asked: str) -> None:
    """A water test of 0 to 1 is likely a ratio: offer it as per cent, or as it stands."""
    body = st.session_state[asked]
    value = body["value"]
    pct = meant_uvt_pct(value)
    question = st.empty()
    with question.container():
        st.html(markup.box("Not recorded yet", [
            f"{value:g}: did you mean {pct:g} %? A water test is given in per cent."], tone="alarm"))
        with st.container(horizontal=True):
            meant = st.button(
                markup.plain_label(f"Record {pct:g} % for {name}"), key=f"{asked}-pct", type="primary")
            as_is = st.button(markup.plain_label(f"It really is {value:g} %"), key=f"{asked}-as-is")
    if meant or as_is:
        del st.session_state[asked]
        question.empty()
        _send(store, place, name, {**body, "is_pct": True, "value": pct if meant else value})


def _send(store: Client, place: Cabin, name: str, body: dict[str, Any]) -> None:
    """Hand a record to the collector; what it refuses is shown in its words."""
    try:
        told = store.act("record-service", once(body))
    except BadInput as error:
        st.html(markup.refused("Not recorded", error))
        return
    kind, at = str(body["kind"]), datetime.fromisoformat(body["at"])
    judged = [f"Duty sensor: {told['judged']}."] if told.get("judged") else []
    st.html(markup.box("Recorded", [
        f"{name}: {words.service_words(kind).lower()}, {measures.local(at, place.zone)}, by {body['who']}.",
        *judged, *came_to(told), *sentences(RECORD_WORKS.get(kind, frozenset()), afterwards=True)]))


@live("5s")
def done(store: Client, cabin: str, unit: str) -> None:
    """What was done, newest first; what was withdrawn is struck through and says so."""
    found = queries.service_events(store, cabin, unit, with_withdrawn=True).head(DONE_SHOWN)
    st.header("What was done")
    if found.empty:
        st.html(markup.small("Nothing is recorded yet."))
        return
    zone = get_fleet(store).cabin(cabin).zone
    rows = service_rows(found)
    st.html(markup.table(("When", "What", "Who", "Value", "Result", "Note"), [
        (measures.local(row["at"].to_pydatetime(), zone), words.service_words(row["kind"]), row["who"],
         words.plain(row["value"]), row["result"],
         row["note"] if row["withdrawn"] is None else withdrawn_words(row))
        for row in rows], struck={number for number, row in enumerate(rows) if row["withdrawn"] is not None}))


def take(store: Client, cabin: str, unit: str) -> None:
    """All of it as files, what was withdrawn too."""
    with st.container(horizontal=True):
        to_take(
            "service", lambda: service_list(queries.service_events(store, cabin, unit, with_withdrawn=True)),
            of=(cabin, unit), until=store.now().astimezone(get_fleet(store).cabin(cabin).zone).date())


def amend(store: Client, cabin: str, unit: str) -> None:
    """A record that was wrong: take it back, or put another value, time or note in its place."""
    rows = [row for row in service_rows(queries.service_events(store, cabin, unit)) if row["withdrawn"] is None]
    if not rows:
        return
    place = get_fleet(store).cabin(cabin)
    name, of = full_name(place, unit), f"{cabin}-{unit}"
    by_id = {row["id"]: row for row in rows}

    def line(number: str) -> str:
        row = by_id[number]
        return f"{measures.local(row['at'].to_pydatetime(), place.zone)}: {service_line(row)}"

    with st.expander("A record is wrong: withdraw or correct it"):
        with st.form(f"amend-{of}", border=False):
            st.html(markup.small(
                "It stays here to be read, struck through, and no longer counts. What rested on it is worked out "
                "again; an advisory that stands goes on standing until a named person lifts it."))
            number = st.selectbox(
                "Record", list(by_id), index=None, format_func=line, placeholder="Choose the record",
                key=f"amend-id-{of}")
            value = st.number_input(
                "The right value (empty: the record is withdrawn and nothing put in its place)", value=None,
                format="%.2f", key=f"amend-value-{of}")
            who = st.text_input("Your name", key=f"amend-who-{of}", max_chars=120)
            reason = st.text_input("Why", key=f"amend-reason-{of}", max_chars=300)
            sent = st.form_submit_button(markup.plain_label(f"Withdraw or correct, for {name}"))
        if not sent:
            return
        if number is None:
            st.html(markup.box("Nothing changed", ["Choose the record that is wrong."], tone="alarm"))
            return
        body = {"id": number, "by": who, "reason": reason}
        try:
            told = store.act("withdraw-service", body) if value is None else store.act(
                "correct-service", {**body, "value": value})
        except BadInput as error:
            st.html(markup.refused("Nothing changed", error))
            return
        st.html(markup.box("Withdrawn" if value is None else "Corrected", [
            f"{name}: {service_line(by_id[number])}; by {who}.",
            *([f"Advisory {told['advisory']}."] if told.get("advisory") else [])]))
