"""The cabin and unit that go along, in the address, from page to page."""

from __future__ import annotations

import streamlit as st

from dashboard.chosen import Asked

ALONG = "along"  # key in the session: what the address named last


def carry() -> None:
    """Give the address the cabin and unit that the page before had, unless it names its own.

    To be called before `st.navigation`. Streamlit's own links to pages carry no parameters; those given before a
    page's path is entered in the browser's history are entered with it. Given later they would be an entry of their
    own, and one press of the browser's back would seem to do nothing.
    """
    asked = Asked.of(st.query_params)
    keep(asked if asked.parameters else along())


def keep(asked: Asked) -> None:
    """Have the address name this, here and on the pages that follow."""
    if asked.parameters:
        st.session_state[ALONG] = asked
        st.query_params.update(asked.parameters)  # both at once: each change is an entry in the browser's history


def along() -> Asked:
    """What goes along."""
    found: Asked = st.session_state.get(ALONG, Asked())
    return found
