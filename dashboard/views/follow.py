"""Links within our own HTML that change the page without loading it anew.

They are ordinary links, which work without this too: then the browser opens the page from its address.
"""

from __future__ import annotations

from urllib.parse import parse_qs, urlsplit

import streamlit as st

from dashboard.text.lines import FOLLOWED
from dashboard.views.frame import PAGES

# A plain press is taken; with Ctrl, Shift or another button the browser does what it always does. One listener for
# the page's life, whichever part of it draws itself anew.
_SCRIPT = f"""
export default function({{ setTriggerValue }}) {{
  const press = (event) => {{
    const link = event.target.closest && event.target.closest("a.{FOLLOWED}");
    if (!link || event.defaultPrevented || event.button || event.ctrlKey || event.metaKey || event.shiftKey
        || event.altKey) return;
    event.preventDefault();
    setTriggerValue("pressed", link.getAttribute("href"));
  }};
  document.addEventListener("click", press);
  return () => document.removeEventListener("click", press);
}}
"""
_FOLLOW = "follow-links"


def follow_links() -> None:
    """Go where the reader pressed; to be called once, before the page is drawn."""
    with st.container(key="follow", height="content", gap=None):
        found = st.components.v2.component(_FOLLOW, js=_SCRIPT)(key=_FOLLOW, on_pressed_change=_nothing, height=1)
    address = getattr(found, "pressed", None)
    if isinstance(address, str):
        go_to(address)


def go_to(address: str) -> None:
    """The page of ours that an address names; any other address leads nowhere."""
    parts = urlsplit(address)
    page = st.session_state[PAGES].get(parts.path.strip("/") or "now")
    if page is not None and not parts.netloc and not parts.scheme:
        st.switch_page(page, query_params={name: values[-1] for name, values in parse_qs(parts.query).items()})


def _nothing() -> None:
    """The value is read where the component stands."""
