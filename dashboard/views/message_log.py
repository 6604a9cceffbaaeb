"""Who was told of an advisory, over what, and whether it arrived; and the word that somebody has read it."""

from __future__ import annotations

from datetime import tzinfo

import pandas as pd
import streamlit as st

from dashboard.access import present, status_of
from dashboard.chosen import full_name
from dashboard.text import markup, measures
from dashboard.views.frame import live
from ingest import queries
from ingest.db.engine import named
from ingest.settings import BadInput
from ingest.store import Client

HEADERS = ("Due", "To", "Over", "Message", "How it went")
SHOWN = 12


def told(store: Client, cabin: str, unit: str) -> None:
    """Messages of the unit's open advisory, and the form to confirm it; nothing where none stands."""
    one = status_of(store, cabin, unit)
    if one is None or one.standing is None:
        return
    number = one.standing.id
    st.header("Who was told")
    messages(store, cabin, unit)
    whose = full_name(one.cabin, unit)
    with st.form(f"confirm-{number}", border=False):
        st.html(markup.form_heading(f"The advisory of {whose}: confirm that it was read"))
        name = st.text_input("I have read this advisory (your name)", max_chars=120, autocomplete="name")
        if st.form_submit_button(markup.plain_label(f"Confirm for {whose}, so that nobody else is called")):
            try:
                store.act("confirm", {"advisory": number, "by": name})
            except BadInput as error:
                st.html(markup.refused("Not confirmed", error))


@live("5s")
def messages(store: Client, cabin: str, unit: str) -> None:
    """What was sent, newest first, and who has read it."""
    one = status_of(store, cabin, unit)
    if one is None or one.standing is None:
        return
    number = one.standing.id
    found = queries.notifications(store, present(store).at, advisory=number, limit=SHOWN)
    if found.empty:
        st.html(markup.small("Nobody was told yet."))
    else:
        st.html(markup.table(HEADERS, message_rows(found, one.cabin.zone)))
    read = queries.confirmations(store, number)
    for row in named(read):
        st.html(markup.small(f"Read by {row.who}, {measures.local(row.at.to_pydatetime(), one.cabin.zone)}."))


def message_rows(found: pd.DataFrame, zone: tzinfo) -> list[tuple[str, str, str, str, str]]:
    """Rows of `queries.notifications` for people; a failure says why, and that it is tried again."""
    return [
        (measures.local(row.due_at.to_pydatetime(), zone), row.contact or "nobody", row.channel or "no channel",
         row.title, _state(row.state, row.error)) for row in named(found)]


def _state(state: str, error: str) -> str:
    """How a message does."""
    if state == "overtaken":
        return "not sent: worse was told since"
    if state == "forgotten":
        return "not sent: the guests' address is forgotten"
    return f"{state}: {error}; it is tried again" if error else state


@live("5s")
def undelivered(store: Client) -> None:
    """Messages that are due and did not arrive, per person and channel; nothing where all did."""
    found = queries.overdue_notifications(store, present(store).at)
    if found.empty:
        return
    st.html(markup.box("Messages that did not arrive", [
        f"{row.contact} over {row.channel}: {row.messages} since "
        f"{measures.local(row.since.to_pydatetime(), row.since.tzinfo)} after {row.failures} tries ({row.error}). "
        "They are kept and tried again; tell them another way meanwhile." for row in named(found)], tone="alarm"))
