"""The first page's search and filter, which the address keeps (`?find=pike&show=boil.silent&trip=north`)."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import streamlit as st

from dashboard.text import verdicts as words
from ingest.queries import UnitStatus
from models.verdict import Word

FIND, SHOW, TRIP = "find", "show", "trip"  # names in the address
ALL_TRIPS = "All trips"
LONGEST = 80
SEEN = "narrowed"  # key: what the address named when the controls were last set by it
TOLD_AT = "narrowed-at"  # key: when the reader's last press was told to the address
ON_ITS_WAY_S = 5.0
KEYS = {FIND: "narrow-find", SHOW: "narrow-show", TRIP: "narrow-trip"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Narrowed:
    """What the reader asked for; empty: all."""

    find: str = ""
    show: tuple[Word, ...] = ()
    trip: str = ""

    @classmethod
    def of(cls, parameters: Mapping[str, str]) -> Narrowed:
        """What an address asks for; a verdict that there is not is passed over."""
        asked = parameters.get(SHOW, "").split(".")
        return cls(
            find=parameters.get(FIND, "")[:LONGEST].strip(), trip=parameters.get(TRIP, ""),
            show=tuple(word for word in words.WORST_FIRST if word in asked))

    @property
    def parameters(self) -> dict[str, str]:
        """What the address says of it."""
        told = {FIND: self.find, SHOW: ".".join(self.show), TRIP: self.trip}
        return {name: value for name, value in told.items() if value}

    def takes(self, one: UnitStatus) -> bool:
        """Whether a unit is asked for: its words hold all that is searched, in any case and order."""
        searched = " ".join((
            one.cabin.name, one.cabin.slug, one.unit.slug, one.cabin.trip, one.cabin.supply_line, one.unit.reactor,
            *one.verdict.reasons)).casefold()
        return ((not self.show or one.verdict.verdict in self.show) and self.trip in ("", one.cabin.trip)
                and all(word in searched for word in self.find.casefold().split()))


def narrowed(found: Sequence[UnitStatus]) -> Narrowed:
    """Draw the controls, and say what they ask for."""
    _follow_address()
    listed = [one.verdict.verdict for one in found]
    numbers = {word: listed.count(word) for word in words.WORST_FIRST}
    trips = sorted({one.cabin.trip for one in found if one.cabin.trip})
    with st.container(horizontal=True, vertical_alignment="center", key="narrow", gap="small"):
        st.pills(
            "Show only", words.WORST_FIRST, selection_mode="multi", key=KEYS[SHOW], label_visibility="collapsed",
            format_func=lambda word: f"{words.FACES[word].shape} {words.FACES[word].word} {numbers[word]}",
            on_change=_tell)
        st.text_input(
            "Search", key=KEYS[FIND], placeholder="Search name or reason", label_visibility="collapsed",
            type="search", max_chars=LONGEST, on_change=_tell, width=184)
        if trips:
            if st.session_state.get(KEYS[TRIP]) not in (ALL_TRIPS, *trips):
                st.session_state[KEYS[TRIP]] = ALL_TRIPS
            st.selectbox("Trip", [ALL_TRIPS, *trips], key=KEYS[TRIP], width=145, label_visibility="collapsed",
                         on_change=_tell)
    return _asked()


def _follow_address() -> None:
    """Set the controls by the address where it has changed by itself: a reload, a link, the browser's back."""
    asked = Narrowed.of(st.query_params)
    there = KEYS[FIND] in st.session_state and KEYS[SHOW] in st.session_state
    # a part that draws itself anew brings the browser's address, which may be of just before the last press
    on_its_way = time.monotonic() - st.session_state.get(TOLD_AT, 0.0) < ON_ITS_WAY_S
    if there and (st.session_state.get(SEEN) == asked or on_its_way):
        return
    st.session_state[SEEN] = asked
    st.session_state[KEYS[FIND]] = asked.find
    st.session_state[KEYS[SHOW]] = list(asked.show)
    st.session_state[KEYS[TRIP]] = asked.trip or ALL_TRIPS


def _asked() -> Narrowed:
    trip = st.session_state.get(KEYS[TRIP], ALL_TRIPS)
    picked = st.session_state.get(KEYS[SHOW]) or ()
    return Narrowed(
        find=(st.session_state.get(KEYS[FIND]) or "").strip(), trip="" if trip == ALL_TRIPS else trip,
        show=tuple(word for word in words.WORST_FIRST if word in picked))


def _tell() -> None:
    """Keep the address in step with what the reader asks for."""
    asked = _asked()
    st.session_state[SEEN] = asked
    st.session_state[TOLD_AT] = time.monotonic()
    kept = {name: value for name, value in st.query_params.items() if name not in KEYS}
    st.query_params.from_dict({**kept, **asked.parameters})
