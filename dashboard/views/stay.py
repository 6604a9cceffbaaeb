"""How the guests of a stay are reached: typed by a named person, shown without the address, forgotten on demand."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from typing import Any

import streamlit as st

from dashboard.access import get_fleet
from dashboard.text import markup
from dashboard.text.lamps import date_words
from dashboard.views.frame import caution
from ingest import queries
from ingest.notification.stays import KEPT_AFTER, MAIL, PHONE
from ingest.settings import BadInput
from ingest.store import Client
from models.wording import LANGUAGES

OVER: Mapping[str, str] = {MAIL: "mail", PHONE: "telephone"}
LANGUAGE_WORDS = {"": "The cabin's", "en": "English", "fr": "French", "de": "German", "es": "Spanish"}
DONE = "stay-done"  # key in the session: what was just recorded, said after the form is empty again
HEADERS = ("Arrives", "Leaves", "Reached over", "Language", "Typed by")


def stays(store: Client, cabin: str, unit: str) -> None:
    """Stays whose guests are told, a form for one more, and a way to forget one."""
    place = get_fleet(store).cabin(cabin)
    st.subheader(markup.plain_label(f"Guests of {place.name}"))
    st.html(markup.small(
        "Guests who are there are told at once what they must not drink, and when it is over. The address shows "
        f"nowhere and is forgotten {KEPT_AFTER.days} days after they leave; a telephone number is written to, not "
        "called."))
    rows = queries.stay_contacts(store, cabin=cabin).to_dict("records")
    if rows:
        st.html(markup.table(HEADERS, [_row(one) for one in rows]))
    else:
        st.html(markup.small("No stay has an address: where nobody there is reached, managers are told to call."))
    _add(store, cabin, place.name)
    said = st.session_state.pop(DONE, None)  # below the button that was pressed, or it lies out of sight on a phone
    if said is not None and said[0] == cabin:
        st.html(markup.box(said[1], said[2]))
    _forget(store, cabin, {str(one["contact"]): one for one in rows})
    caution()


def _row(one: Mapping[Any, Any]) -> tuple[str, ...]:
    return (date_words(one["arrives"]), date_words(one["leaves"]), OVER.get(one["channel"], one["channel"]),
            LANGUAGE_WORDS.get(one["language"], one["language"]), one["by"])


def _add(store: Client, cabin: str, name: str) -> None:
    """The form; what was typed stays until it is taken, and goes when it is."""
    today = store.now().astimezone(get_fleet(store).cabin(cabin).zone).date()
    of = f"{cabin}-{st.session_state.get(f'stay-number-{cabin}', 0)}"  # a new form's fields are empty
    with st.form(f"stay-{cabin}", border=True):
        st.html(markup.form_heading(f"Guests of {name}: how they are reached"))
        with st.container(horizontal=True):
            arrives = st.date_input("Day of arrival", today, key=f"stay-arrives-{of}")
            leaves = st.date_input("Day of departure", today + timedelta(days=1), key=f"stay-leaves-{of}")
        address = st.text_input(
            "Mail address, or telephone number with its country (+1 555 0100 123)", key=f"stay-address-{of}",
            max_chars=254, autocomplete="off")
        language = st.selectbox(
            "Language", ["", *LANGUAGES], format_func=LANGUAGE_WORDS.__getitem__, key=f"stay-language-{of}")
        by = st.text_input("Typed by (a name)", key=f"stay-by-{of}", max_chars=120, autocomplete="name")
        sent = st.form_submit_button(markup.plain_label(f"Keep it for {name}"), type="primary")
    if not sent:
        return
    try:
        told = store.act("stay-contact", {
            "cabin": cabin, "arrives": str(arrives), "leaves": str(leaves), "address": address,
            "language": language, "by": by})
    except BadInput as error:
        st.html(markup.refused("Not kept", error))
        return
    st.session_state[f"stay-number-{cabin}"] = st.session_state.get(f"stay-number-{cabin}", 0) + 1
    st.session_state[DONE] = (cabin, "Kept", [
        f"The guests of {name} are told over {OVER.get(told['channel'], told['channel'])} while they are there, "
        f"from {date_words(arrives)} to {date_words(leaves)}."])
    st.rerun()


def _forget(store: Client, cabin: str, known: Mapping[str, Mapping[Any, Any]]) -> None:
    """Take an address out before its time."""
    if not known:
        return
    with st.expander("Forget an address"), st.form(f"stay-forget-{cabin}", border=False):
        name = st.selectbox(
            "Stay", list(known), index=None, placeholder="Choose the stay", key=f"stay-which-{cabin}",
            format_func=lambda one: ", ".join(_row(known[one])))
        sent = st.form_submit_button("Forget it: these guests are told nothing more")
    if not sent:
        return
    if name is None:
        st.html(markup.box("Nothing changed", ["Choose the stay."], tone="alarm"))
        return
    try:
        store.act("stay-forget", {"contact": name})
    except BadInput as error:
        st.html(markup.refused("Nothing changed", error))
        return
    st.session_state[DONE] = (cabin, "Forgotten", ["These guests are told nothing more."])
    st.rerun()
