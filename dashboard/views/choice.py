"""Which unit a page is about: named by the address or picked by the reader, with its neighbours beside it."""

from __future__ import annotations

import streamlit as st

from dashboard.access import present
from dashboard.chosen import Asked, Key, addressed, full_name, unit_label, unknown_words, worse_words
from dashboard.text import markup
from dashboard.views.along import along, keep
from dashboard.views.frame import PAGES, empty, entitle, link, live
from ingest.store import Client
from models.fleet import Fleet

CHOSEN = "chosen-unit"  # key in the session
LISTED = 40


def choice(store: Client, fleet: Fleet, page: str) -> Key | None:
    """The unit that the address or the reader names; None where it isn't enrolled, or nothing is: which is said."""
    keys = [(one.slug, unit.slug) for one in fleet.cabins for unit in one.units]
    if not keys:
        empty()
        return None
    chosen = addressed(along(), fleet, present(store).statuses)
    if chosen is None:
        unknown(fleet, page)
        return None
    keep(Asked(*chosen))  # so that it stays this unit, whichever is the worst in a minute
    st.session_state[CHOSEN] = chosen
    names = {key: label(fleet, key) for key in keys}
    entitle(f"{names[chosen]} | {st.session_state[PAGES][page].title}")
    st.selectbox(
        "Cabin", keys, key=CHOSEN, format_func=names.__getitem__, on_change=follow, args=(CHOSEN,),
        label_visibility="collapsed")
    if len(fleet.cabin(chosen[0]).units) > 1:
        beside(store, *chosen, page)
    return chosen


def follow(key: str) -> None:
    """Keep the address in step with what the reader picked in the widget of that key."""
    picked: Key | None = st.session_state[key]
    if picked is not None:
        keep(Asked(*picked))


def label(fleet: Fleet, key: Key) -> str:
    """A unit's name in a list."""
    found = fleet.cabin(key[0])
    return found.name if len(found.units) == 1 else full_name(found, key[1])


def unknown(fleet: Fleet, page: str) -> None:
    """The address names a cabin or unit that isn't enrolled: where to go instead."""
    asked = along()
    st.html(markup.box(unknown_words(asked, fleet), [
        "The address of this page names something that is not enrolled here, so nothing can be said of its water: "
        "not known is never clear. Was the link mistyped, or the cabin renamed? These are enrolled:",
    ], tone="alarm"))
    same = [one for one in fleet.cabins if one.slug == asked.cabin and one.units]
    keys = [(one.slug, unit.slug) for one in same or fleet.cabins for unit in one.units]
    for cabin, unit in keys[:LISTED]:
        link(page, label(fleet, (cabin, unit)), cabin=cabin, unit=unit)
    if len(keys) > LISTED:
        st.html(markup.small(f"and {len(keys) - LISTED} more, on the pages Now and Cabins."))


@live("2s")
def beside(store: Client, cabin: str, unit: str, page: str) -> None:
    """All units of a cabin, each with its word; a warning where another one stands worse."""
    found = {one.unit.slug: one for one in present(store).statuses if one.cabin.slug == cabin}
    with st.container(horizontal=True, key="units-of-cabin", gap="small", vertical_alignment="center"):
        # in the registry's order: a row that changed its order would be pressed in the wrong place
        for one in sorted(found.values(), key=lambda one: one.cabin.units.index(one.unit)):
            word, slug = one.verdict.verdict, one.unit.slug
            with st.container(key=f"unit-{word}-{slug}", width="content"):
                if slug == unit:
                    st.html(markup.unit_here(unit_label(word, slug)))
                else:
                    link(page, unit_label(word, slug), cabin=cabin, unit=slug)
    here = found.get(unit)
    worse = worse_words(here, found.values()) if here is not None else ""
    if worse:
        st.html(markup.warning(worse))
