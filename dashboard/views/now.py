"""The first page: which cabins need me now, why, and who has it in hand? A line a unit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import streamlit as st

from dashboard.access import FleetNow, get_fleet, present, reader_units, week
from dashboard.charts.margin_line import SMALL, data_uri, picture
from dashboard.text import lines, markup, shared
from dashboard.text import verdicts as words
from dashboard.text.margins import NOTHING, margin_words
from dashboard.views.frame import care, caution, empty, guarded, live
from dashboard.views.narrowed import narrowed
from ingest.db import held
from ingest.evaluation.shared import SPAN, events_since
from ingest.in_hand import in_hand
from ingest.queries import UnitStatus
from ingest.store import Client
from ingest.wire import sessions
from models.advisory.shared_event import SharedEvent, concerns
from models.advisory.work_cautions import Work
from models.verdict import Word

DRAWN = "now-drawn"


@guarded
def now(store: Client) -> None:
    """Every unit, worst first."""
    clocks(store)
    verdicts(store)
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
    """Headline, tallies that filter, search, shared events, lines, map.

    Each part is one element whose text stays the same while nothing changes, so that a browser leaves it alone.
    """
    found = present(store)
    if not found.statuses:
        empty()
        return
    st.html(markup.headline(words.headline(found.statuses)))
    asked = narrowed(found.statuses)
    caution()
    shown = [one for one in found.statuses if asked.takes(one)]
    aside = [one for one in shown if one.verdict.verdict is Word.CLEAR and Word.CLEAR not in asked.show]
    listed = [one for one in shown if one not in aside] if aside else shown
    left, right = st.columns([5, 1], gap="small")
    with left:
        events(store, found)
        if not shown:
            st.html(markup.box("No cabin fits this filter", ["Take a verdict, the trip or the search away above."]))
        drawn = _drawn(store, found, shown, listed, aside)
        st.html(drawn.lines)
        if listed:
            st.html(lines.legend())
    with right:
        st.html(drawn.map)
        st.html(markup.small(f"Judged {found.at:%H:%M} UTC; this page keeps itself up to date."))
    care(frozenset[Work]().union(*(one.verdict.works for one in listed)))


@dataclass(frozen=True, slots=True)
class _Drawn:
    """The lines and the map, and what they were drawn of."""

    of: tuple[Any, ...]
    lines: str
    map: str


def _drawn(
    store: Client, found: FleetNow, shown: Sequence[UnitStatus], listed: Sequence[UnitStatus],
    aside: Sequence[UnitStatus],
) -> _Drawn:
    """Drawn anew only where something else is known, asked for or measured in than a moment ago."""
    margins = week(store)
    of = (found, margins, reader_units(), [id(one) for one in shown], [id(one) for one in aside])
    kept: _Drawn | None = st.session_state.get(DRAWN)
    if kept is None or kept.of[0] is not found or kept.of[1] is not margins or kept.of[2:] != of[2:]:
        text = lines.lines(_lines(store, found, listed), found.at) + lines.clear_line(aside)
        kept = _Drawn(of, text, lines.place_map(shown))
        st.session_state[DRAWN] = kept
    return kept


def _lines(store: Client, found: FleetNow, listed: Sequence[UnitStatus]) -> list[lines.Line]:
    """What each line shows."""
    margins, units = week(store), reader_units()
    hands = in_hand(store, [one.standing for one in listed if one.standing is not None])
    out = []
    for one in listed:
        mine = margins.get((one.cabin.slug, one.unit.slug))
        seen = NOTHING if mine is None else margin_words(mine, units)
        hand, standing = None, one.standing
        if standing is not None:
            hand = hands.get(standing.id)
        out.append(lines.Line(
            status=one, picture="" if mine is None else data_uri(picture(mine, SMALL, seen)), seen=seen,
            in_hand=lines.hand_words(one, hand, found.at), waits=lines.until_words(one)))
    return out


def events(store: Client, found: FleetNow) -> None:
    """What several cabins share, as lines that open."""
    standing = [(one, one.standing.advisory.raised_at) for one in found.statuses if one.standing is not None]
    if not standing:
        return
    fleet = get_fleet(store)
    told = []
    for event in shared_events(store, found.at):
        mine = [one for one, raised_at in standing if concerns(event, one.cabin.slug, raised_at)]
        if mine:
            told.append(lines.event_line(
                f"{shared.event_title(event, fleet)}: {len(mine)} open", mine, event.id))
    if told:
        st.html("".join(told))


def shared_events(store: Client, at: datetime) -> tuple[SharedEvent, ...]:
    """Those of late, newest first; worked out anew only every ten seconds."""
    kept: tuple[datetime, tuple[SharedEvent, ...]] | None = st.session_state.get("events-known")
    if kept is None or not timedelta(0) <= at - kept[0] < timedelta(seconds=10):
        kept = (at, events_since(store, get_fleet(store), at, at - SPAN)[::-1])
        st.session_state["events-known"] = kept
    return kept[1]
