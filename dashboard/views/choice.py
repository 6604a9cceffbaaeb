"""Which unit a page is about: named by the address or picked by the reader."""

from __future__ import annotations

import streamlit as st

from dashboard import markup
from dashboard.access import present
from dashboard.views.frame import empty, link
from ingest.store import Client
from models.fleet import Fleet

CHOSEN = "chosen-unit"  # key in the session

Key = tuple[str, str]


def choice(store: Client, fleet: Fleet) -> Key | None:
    """The unit that the address or the reader names; None where it isn't enrolled, or nothing is: which is said."""
    keys = [(one.slug, unit.slug) for one in fleet.cabins for unit in one.units]
    if not keys:
        empty()
        return None
    asked = st.query_params.get("cabin")
    if asked is None:
        worst = present(store).statuses[0]
        wanted = st.session_state.get(CHOSEN, (worst.cabin.slug, worst.unit.slug))
    else:
        unit = st.query_params.get("unit")
        of_cabin = [key for key in keys if key[0] == asked and unit in (None, key[1])]
        wanted = of_cabin[0] if of_cabin else (asked, unit or "")
    if wanted not in keys:
        unknown(wanted, fleet)
        return None
    st.session_state[CHOSEN] = wanted
    names = {key: label(fleet, key) for key in keys}
    picked: Key = st.selectbox(
        "Cabin", keys, key=CHOSEN, format_func=names.__getitem__, on_change=follow, label_visibility="collapsed")
    return picked


def follow() -> None:
    """Keep the address in step with what the reader picked."""
    st.query_params["cabin"], st.query_params["unit"] = st.session_state[CHOSEN]


def label(fleet: Fleet, key: Key) -> str:
    """A unit's name in a list."""
    found = fleet.cabin(key[0])
    return found.name if len(found.units) == 1 else f"{found.name}, {key[1]}"


def unknown(wanted: Key, fleet: Fleet) -> None:
    """The address names a cabin or unit that isn't enrolled: where to go instead."""
    what = f"No cabin {wanted[0]!r} is enrolled"
    if any(one.slug == wanted[0] for one in fleet.cabins):
        what = f"Cabin {wanted[0]!r} has no unit {wanted[1]!r}"
    st.html(markup.box(what, [
        "The address of this page names something that is not enrolled here, so nothing can be said of its water: "
        "not known is never clear. Was the link mistyped, or the cabin renamed? These are enrolled:",
    ], tone="alarm"))
    for one in fleet.cabins:
        for unit in one.units:
            link("cabin", label(fleet, (one.slug, unit.slug)), cabin=one.slug, unit=unit.slug)
