"""The first page: which cabins need me now, why, and what do I do?"""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from dashboard.access import FleetNow, present, reader_units
from dashboard.text import markup
from dashboard.text import verdicts as words
from dashboard.views.frame import care, caution, empty, guarded, link, live
from dashboard.views.shared_event import shared_links
from ingest.db import held
from ingest.queries import UnitStatus
from ingest.store import Client
from ingest.wire import sessions
from models.advisory.work_cautions import Work

ALL_TRIPS = "All trips"
MOST_CARDS = 40  # more would not be read, and would be drawn anew every two seconds


@guarded
def now(store: Client) -> None:
    """Every cabin, worst first."""
    clocks(store)
    verdicts(store)
    shared_links(store)
    lost_messages(store)


@live("10s")
def clocks(store: Client) -> None:
    """Whose clock cannot be right, and what waits for it; nothing where all are."""
    told = held.in_words(store, store.now())
    if told:
        st.html(markup.box("A clock is wrong", told, ["tarnlight doctor"]))


@live("10s")
def lost_messages(store: Client) -> None:
    """When a broker had forgotten the collector, so that messages may be lost; nothing where none had."""
    told = sessions.lost_in_words(store, store.now())
    if told:
        st.html(markup.box("Messages may be lost", told, ["tarnlight doctor"]))


@live("2s")
def verdicts(store: Client) -> None:
    """Headline, counts, filter, cards."""
    found = present(store)
    if not found.statuses:
        empty()
        return
    when = f"Judged {found.at:%H:%M:%S} UTC; this page keeps itself up to date."
    st.html(markup.headline(words.headline(found.statuses), when))
    st.html(markup.tally(list(words.counts(found.statuses).items())))
    caution()
    shown = filtered(found.statuses)
    if not shown:
        st.html(markup.box("No cabin fits this filter", ["Take a verdict or the trip out of the filter above."]))
    for one in shown[:MOST_CARDS]:
        card(one, found)
    if len(shown) > MOST_CARDS:
        st.html(markup.small(
            f"{len(shown) - MOST_CARDS} more, none worse than these; filter by trip or verdict to see them."))
    care(frozenset[Work]().union(*(one.verdict.works for one in shown[:MOST_CARDS])))


def filtered(found: Sequence[UnitStatus]) -> list[UnitStatus]:
    """What the reader asked for: a trip, some verdicts."""
    trips = sorted({one.cabin.trip for one in found if one.cabin.trip})
    with st.expander("Filter by verdict or trip"), st.container(horizontal=True, vertical_alignment="bottom"):
        picked = st.pills(
            "Show only", words.WORST_FIRST, selection_mode="multi", key="filter-verdict",
            format_func=lambda word: f"{words.FACES[word].shape} {words.FACES[word].word}")
        trip = st.selectbox("Trip", [ALL_TRIPS, *trips], key="filter-trip", width=200) if trips else ALL_TRIPS
    return [
        one for one in found
        if (not picked or one.verdict.verdict in picked) and trip in (ALL_TRIPS, one.cabin.trip)
    ]


def card(one: UnitStatus, found: FleetNow) -> None:
    """One unit: what, since when, why, what to do, and the way to its page."""
    extra = ""
    if one.standing is not None:
        extra = words.exposure_words(
            one.standing.advisory, found.at, one.cabin.zone, reader_units(), heard=one.heard)
    word = one.verdict.verdict
    since = words.since_words(one.verdict.since, found.at, one.cabin.zone)
    with st.container(border=True, key=f"card-{word}-{one.cabin.slug}-{one.unit.slug}", gap="xsmall"):
        st.html(markup.card(
            word=word, name=words.unit_name(one), reasons=words.reasons(one), action=one.verdict.next_action,
            since=f"{words.FACES[word].word} {since}", extra=extra))
        link("cabin", f"Open {words.unit_name(one)} →", cabin=one.cabin.slug, unit=one.unit.slug)
