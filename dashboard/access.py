"""How the pages reach the store: through the collector that holds it, never through the file itself."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pandas as pd
import streamlit as st

from dashboard.text.measures import Units
from dashboard.text.verdicts import beat_words
from ingest import queries
from ingest.db.engine import read_address
from ingest.margins import margins
from ingest.months.fleet import Share, month_shares
from ingest.queries import BEAT_WITHIN_S, UnitStatus, mark, status
from ingest.registry.tables import load_fleet
from ingest.settings import Settings, StoreUnavailable, settings
from ingest.store import Client
from models.fleet import Fleet
from models.margin import Key, Margins

PAGE_WITHIN_S = 6.0  # a page that waits longer shows old words as if they were new
JUDGED_S = 20.0  # what time alone changes, as that a logger is overdue, is seen no later
ASKED_AT_ONCE = 8
UNITS = "units"  # key of the reader's choice in the session


class Patient(Client):
    """A client whose patience ends: a collector that hangs is as good as none, and the page must say so."""

    def __init__(self, address: str, token: str, *, bell: Path) -> None:
        self._waiting = ThreadPoolExecutor(ASKED_AT_ONCE, thread_name_prefix="ask")
        super().__init__(address, token, bell=bell)

    def ask(self, sql: str, parameters: Mapping[str, Any] | None = None) -> pd.DataFrame:
        answer = self._waiting.submit(super().ask, sql, parameters)
        try:
            return answer.result(PAGE_WITHIN_S)
        except TimeoutError:
            answer.cancel()
            raise StoreUnavailable(f"the collector has not answered for {PAGE_WITHIN_S:g} s") from None


@st.cache_resource(show_spinner=False)
def get_settings() -> Settings:
    """The settings that the command line left in the environment."""
    return settings({})


def get_store() -> Client:
    """The running collector's store, shared by all sessions; a collector started anew is found at once.

    Raises
    ------
    StoreUnavailable
        If no collector runs.
    """
    own = get_settings()
    found = read_address(own.address_file)
    if found is None:
        raise StoreUnavailable(f"no collector holds {own.store}")
    return _connected(*found)


# A collector leaves a new port and token at each start, so they name the connection.
@st.cache_resource(show_spinner="Asking the collector ...", max_entries=2)
def _connected(address: str, token: str) -> Client:
    return Patient(address, token, bell=get_settings().address_file)


def ask_anew() -> None:
    """Something was recorded: what is known of the fleet is another now."""
    _mark.clear()
    _judged.clear()


def forget() -> None:
    """Let go of what is known of the collector, so that the next question finds out."""
    _connected.clear()
    ask_anew()
    week.clear()
    stretch_of_time.clear()
    month_now.clear()
    get_fleet.clear()


@dataclass(frozen=True, slots=True)
class FleetNow:
    """Every unit's verdict, worst first, and the store's instant that it holds for."""

    at: datetime
    statuses: tuple[UnitStatus, ...]


def present(store: Client) -> FleetNow:
    """What the first page shows: judged anew once something else is known, and every `JUDGED_S`."""
    return _judged(store, _mark(store))


# One second: all readers together cost the collector one small question a second.
@st.cache_resource(show_spinner=False, ttl=1.0, max_entries=4)
def _mark(_store: Client) -> str:
    return mark(_store)


# Frozen values can be shared by all readers.
@st.cache_resource(show_spinner=False, ttl=JUDGED_S, max_entries=4)
def _judged(_store: Client, known: str) -> FleetNow:
    now = _store.now()
    return FleetNow(now, tuple(status(_store, now)))


# A minute: hours change slowly, and what is wrong now is said in words every second.
@st.cache_resource(show_spinner=False, ttl=60.0, max_entries=4)
def week(_store: Client) -> dict[Key, Margins]:
    """Each unit's margin to target over the last seven days, by two hours."""
    return margins(_store, _store.now(), span=timedelta(days=7), slot=timedelta(hours=2))


@st.cache_resource(show_spinner=False, ttl=30.0, max_entries=8)
def stretch_of_time(_store: Client, days: int, hours: int) -> dict[Key, Margins]:
    """Each unit's margin to target over the last days, by slots of so many hours."""
    return margins(_store, _store.now(), span=timedelta(days=days), slot=timedelta(hours=hours))


@st.cache_resource(show_spinner=False, ttl=60.0, max_entries=4)
def month_now(_store: Client) -> Mapping[Key, Share]:
    """Each unit's share in specification of this month so far: the least and the most."""
    return month_shares(_store, load_fleet(_store), _store.now())


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """Why what is shown may be old: a title, what it means, what to type."""

    title: str
    lines: tuple[str, ...]
    commands: tuple[str, ...] = ()
    old: bool = False  # what is shown is as old as the collector's last sign of life


def collector_trouble(store: Client) -> Trouble | None:
    """Whether the collector has stopped moving, or hears nothing; None where all is well."""
    row = queries.collector(store)
    if row is None:
        return None
    age_s = queries.sign_of_life_s(store)
    if age_s is None or age_s > BEAT_WITHIN_S:
        return Trouble(title="What you see is old", commands=("tarnlight doctor",), old=True, lines=(
            beat_words(row["beat_at"].to_pydatetime(), age_s), "What is not known is never clear."))
    until_then = "ntil then cabins fall silent here whatever they do."
    if not row["connected"]:
        why = f" ({row['trouble']})" if row["trouble"] else ""
        return Trouble(title="No messages can arrive", lines=(
            f"The collector has no connection to its broker {row['broker']}{why}. It keeps trying; u{until_then}",))
    if full := queries.held_back(row):
        return Trouble(title="Nothing is taken in", lines=(f"{full[0].upper()}{full[1:]}.", f"U{until_then}"))
    return None


def status_of(store: Client, cabin: str, unit: str) -> UnitStatus | None:
    """One unit of what the store says now; None where it was just taken away."""
    return next(
        (one for one in present(store).statuses if (one.cabin.slug, one.unit.slug) == (cabin, unit)), None)


@st.cache_resource(show_spinner=False, ttl=2.0, max_entries=4)
def get_fleet(_store: Client) -> Fleet:
    """What is enrolled."""
    return load_fleet(_store)


def reader_units() -> Units:
    """The units that the reader chose; at first those of the settings."""
    return Units(st.session_state.get(UNITS) or get_settings().units)
