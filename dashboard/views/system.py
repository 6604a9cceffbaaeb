"""How the program itself does: the collector, its broker, and what was refused."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from datetime import UTC, timedelta
from typing import Any

import pandas as pd
import streamlit as st

from dashboard.access import get_settings
from dashboard.sheets.lists import Listed, frame_list
from dashboard.text import markup, measures
from dashboard.views.frame import guarded, live
from dashboard.views.message_log import undelivered
from dashboard.views.taking import to_take
from ingest import queries
from ingest.db import flood, held, quarantine
from ingest.evaluation import faults
from ingest.store import Client
from ingest.wire import aside, sessions

REFUSED_SHOWN, REFUSED_AT_FIRST = 100, 10
REFUSED_TAKEN = 100_000  # rows of a file, the newest


@guarded
def system(store: Client) -> None:
    """Collector and quarantine."""
    st.html(markup.headline("System", "How the program itself does; times on this page are UTC."))
    collector(store)
    undelivered(store)
    st.header("Refused records")
    st.html(markup.table(("What", "How it is"), [
        ("Quarantine", quarantine.tally(store).in_words),
        ("Floods", " ".join(flood.in_words(store).values()) or f"none in the last {flood.TOLD_FOR.days} days"),
        ("Messages that were too much", aside.tally(get_settings().aside).in_words(get_settings().aside)),
    ]))
    refused(store)
    refused_files(store)


@live("2s")
def collector(store: Client) -> None:
    """The collector's own account."""
    row = queries.collector(store)
    if row is None:
        st.html(markup.box("No collector has held this store yet", ["Start one:"], ["tarnlight collect"]))
        return
    started = row["started_at"].to_pydatetime()
    age_s, up_s = queries.sign_of_life_s(store), queries.up_for_s(store)
    trouble = f"not connected: {row['trouble'] or 'no reason given'}"
    st.html(markup.table(("What", "How it is"), [
        ("Collector", f"process {row['pid']}, up for {lasted(up_s)}, since {measures.local(started, UTC)}"),
        ("Last sign of life", "not known" if age_s is None else f"{lasted(age_s)} ago"),
        ("Clocks", " ".join(held.in_words(store, store.now())) or "nothing speaks against them"),
        ("Broker", f"{row['broker']}, {'connected' if row['connected'] else trouble}"),
        ("Kept while away", " ".join(sessions.lost_in_words(store, store.now()))
         or f"no broker has forgotten the collector in the last {sessions.SAID_FOR.days} days"),
        ("Since it started", f"{row['messages']:,} messages, {row['rows_kept']:,} readings kept, "
         f"{row['refused']:,} records refused"),
        ("Evaluation", faults.in_words(store) or "every unit can be worked out"),
        ("Store", get_settings().store),
    ]))


def lasted(seconds: float | None) -> str:
    """A length of time, where it is known."""
    return "a time not known" if seconds is None else measures.duration(timedelta(seconds=seconds))


@live("5s")
def refused(store: Client) -> None:
    """What could not be used, and why; the rest of each message was kept."""
    found = queries.quarantined(store, REFUSED_SHOWN)
    if found.empty:
        st.html(markup.small("Nothing was refused."))
        return
    refused_table(found, "source")


def refused_files(store: Client, cabin: str | None = None, unit: str | None = None) -> None:
    """What was refused, and readings that were set aside for their time, as files."""
    of = tuple(one for one in (cabin, unit) if one is not None)
    today = store.now().date()

    def set_aside() -> Listed:
        found = held.set_aside(store)
        return frame_list("quarantine", found if cabin is None else found[
            (found["cabin"] == cabin) & (found["unit"] == unit)])

    with st.container(horizontal=True):
        to_take("refused", lambda: frame_list("refused", queries.quarantined(
            store, REFUSED_TAKEN, cabin=cabin, unit=unit)), of=of, until=today, title="Refused records")
        to_take("quarantine", set_aside, of=of, until=today, title="Set aside for their time")


def refused_words(row: Mapping[Hashable, Any]) -> str:
    """Why it was refused, how often in that message, and where the whole message lies."""
    times = f" ({row['times']:,} records of one message)" if row["times"] > 1 else ""
    if not pd.isna(row["since"]):
        times = (f" ({row['times']:,} like it from this topic since {row['since']:%Y-%m-%d %H:%M:%S}; this is the "
                 "last)")
    whole = f". All of it: {row['file']}" if isinstance(row["file"], str) else ""
    return f"{row['reason']}{times}{whole}"


def refused_table(found: pd.DataFrame, *more: str) -> None:
    """Rows of `queries.quarantined`, newest first; what a device sent is shown as plain text."""
    headers = ("Arrived", *(name.capitalize() for name in more), "Why it was refused", "What it said (start)")
    rows = [
        (measures.local(row["arrived_at"].to_pydatetime(), UTC), *(row[name] for name in more), refused_words(row),
         row["payload"])
        for row in found.to_dict("records")]
    st.html(markup.table(headers, rows[:REFUSED_AT_FIRST]))
    if len(rows) > REFUSED_AT_FIRST:
        with st.expander(f"{len(rows) - REFUSED_AT_FIRST} older ones"):
            st.html(markup.table(headers, rows[REFUSED_AT_FIRST:]))
