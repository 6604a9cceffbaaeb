"""Bookings as the store keeps them: written when a calendar was read, asked by pages and commands."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import duckdb
import pandas as pd

from ingest.bookings.addresses import Allowed, name_of
from ingest.bookings.readings import Feed, Reading, readings
from ingest.db.engine import Asks, Local, transaction
from models.advisory.marginal import MARGINAL_DAYS
from models.fleet import Cabin, Fleet

PAST_DAYS, COMING_DAYS = 400, 120  # around the present, whose bookings are kept
EVERY = timedelta(minutes=15)
KNOWN_FOR = timedelta(hours=6)  # bookings read longer ago say nothing of the present; common practice, no source
COMMAND_WITHIN_S = 60.0  # all calendars together, where somebody waits for them


_SAME_STAY = """old.cabin = new.cabin AND old.first_day = new.first_day::DATE
    AND old.last_day = new.last_day::DATE AND old.summary = new.summary"""
# A stay that was kept since it is over, and is marked only now, stays one stay.
_MARK = f"""
    UPDATE booking AS old SET vulnerable = TRUE FROM known_bookings AS new
    WHERE {_SAME_STAY} AND new.vulnerable::BOOLEAN
"""  # noqa: S608  (our own words)
_ADD = f"""
    INSERT INTO booking BY NAME
    SELECT cabin, first_day::DATE AS first_day, last_day::DATE AS last_day, summary,
        bool_or(vulnerable::BOOLEAN) AS vulnerable
    FROM known_bookings AS new WHERE NOT EXISTS (FROM booking AS old WHERE {_SAME_STAY}) GROUP BY ALL
"""  # noqa: S608


@dataclass(frozen=True, slots=True, kw_only=True)
class Occupancy:
    """Bookings of the cabins, and of which cabins nothing is known.

    Attributes
    ----------
    bookings : DataFrame
        `cabin`, `start`, `end`, `summary`: local dates, the end being the day of departure. Of a cabin whose
        calendar could not be read, those that were known before.
    unread : dict
        Cabins of which it is not known when they are taken, and why.
    without : tuple of str
        Cabins that have no calendar: nobody can say when they are taken.
    """

    bookings: pd.DataFrame
    unread: dict[str, str]
    without: tuple[str, ...]


def window(now: datetime) -> tuple[date, date]:
    """First and last day whose bookings are kept."""
    return now.date() - timedelta(days=PAST_DAYS), now.date() + timedelta(days=COMING_DAYS)


def feeds_of(fleet: Fleet) -> list[Feed]:
    """Every cabin's calendar."""
    return [
        Feed(cabin=one.slug, calendar=one.calendar, time_zone=one.time_zone)
        for one in fleet.cabins if one.calendar]


def mark_of(feed: Feed) -> str:
    """What tells a feed from another without being its address; a zone moves its days."""
    return hashlib.sha256(f"{feed.time_zone} {feed.calendar}".encode()).hexdigest()


def keep(con: duckdb.DuckDBPyConnection, found: Reading, now: datetime, days: tuple[date, date]) -> None:
    """Keep what came of reading a calendar; a stay that is over is kept though its feed forgets it."""
    feed, given = found.feed, {"cabin": found.feed.cabin, "mark": mark_of(found.feed)}
    was = con.execute("SELECT feed FROM booking_feed WHERE cabin = $cabin", {"cabin": feed.cabin}).fetchone()
    known = pd.DataFrame(
        [(feed.cabin, one.start, one.end, one.summary, one.vulnerable) for one in found.bookings],
        columns=["cabin", "first_day", "last_day", "summary", "vulnerable"], dtype=object)

    def work() -> None:
        if was is not None and was[0] != given["mark"]:
            con.execute("DELETE FROM booking WHERE cabin = $cabin", {"cabin": feed.cabin})
            con.execute("DELETE FROM booking_feed WHERE cabin = $cabin", {"cabin": feed.cabin})
        if was is None or was[0] != given["mark"]:
            con.execute("INSERT INTO booking_feed VALUES ($cabin, $mark, $now, NULL, NULL, NULL, '')",
                        given | {"now": now})
        con.execute("UPDATE booking_feed SET tried_at = $now, trouble = $trouble WHERE cabin = $cabin",
                    {"now": now, "trouble": found.trouble, "cabin": feed.cabin})
        if found.trouble:
            return
        con.execute(
            "UPDATE booking_feed SET read_at = $now, since = $since, until = $until WHERE cabin = $cabin",
            {"now": now, "since": days[0], "until": days[1], "cabin": feed.cabin})
        marked = _marked(con, feed.cabin)
        con.execute(
            "DELETE FROM booking WHERE cabin = $cabin AND (last_day >= $yesterday OR last_day < $since)",
            {"cabin": feed.cabin, "yesterday": now.date() - timedelta(days=1), "since": days[0]})
        if len(known):
            con.register("known_bookings", known)
            con.execute(_MARK)
            con.execute(_ADD)
            con.unregister("known_bookings")
        _weigh_anew(con, feed.cabin, _marked(con, feed.cabin) - marked, now)

    transaction(con, work)


def _marked(con: duckdb.DuckDBPyConnection, cabin: str) -> set[tuple[date, date]]:
    """First and last days of a cabin's stays with infants or people with weak immunity."""
    rows = con.execute(
        "SELECT first_day, last_day FROM booking WHERE cabin = $cabin AND vulnerable", {"cabin": cabin})
    return set(rows.fetchall())


def _weigh_anew(
    con: duckdb.DuckDBPyConnection, cabin: str, marked: set[tuple[date, date]], now: datetime
) -> None:
    """Owe a cabin's units the time since the earliest stay that was marked or moved now: its water asks for more.

    A stay begins a day before its first, and far east of Greenwich most of another day before that.
    """
    if not marked or min(marked)[0] > now.date() + timedelta(days=2):
        return
    first = datetime.combine(min(marked)[0], time(), UTC)
    since = max(first - timedelta(days=2), now - timedelta(days=MARGINAL_DAYS))
    con.execute("INSERT INTO pending SELECT cabin, slug, $since, $since FROM unit WHERE cabin = $cabin", {
        "cabin": cabin, "since": since})


def forget_others(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> None:
    """Let go of the bookings of cabins that have no calendar any more: they hold guests' names."""
    kept = {one.cabin for one in feeds_of(fleet)}
    for (cabin,) in con.execute("SELECT cabin FROM booking_feed").fetchall():
        if cabin not in kept:
            def work(cabin: str = cabin) -> None:
                con.execute("DELETE FROM booking WHERE cabin = $cabin", {"cabin": cabin})
                con.execute("DELETE FROM booking_feed WHERE cabin = $cabin", {"cabin": cabin})

            transaction(con, work)


def read_now(store: Asks, fleet: Fleet, allowed: Allowed, now: datetime, *, cabin: str | None = None) -> None:
    """Read what is due where this process holds the store itself; a collector does it by its own clock.

    `cabin` is the only one whose calendar is wanted; None: all.
    """
    if not isinstance(store, Local):
        return
    days = window(now)
    forget_others(store.con, fleet)
    wanted = [one for one in due(store, fleet, now) if cabin in (None, one.cabin)]
    for found in readings(wanted, allowed, *days, all_within_s=COMMAND_WITHIN_S):
        keep(store.con, found, now, days)


def due(store: Asks, fleet: Fleet, now: datetime) -> list[Feed]:
    """Calendars that were not tried of late; those that gave trouble at the last try come last."""
    told = store.ask("SELECT cabin, feed, tried_at, trouble FROM booking_feed")
    rows: dict[str, Any] = {str(row.cabin): row for row in told.itertuples()}

    def is_due(feed: Feed) -> bool:
        row = rows.get(feed.cabin)
        return row is None or row.feed != mark_of(feed) or not now - EVERY < row.tried_at <= now

    found = [one for one in feeds_of(fleet) if is_due(one)]
    return sorted(found, key=lambda one: one.cabin in rows and bool(rows[one.cabin].trouble))


def occupancy(store: Asks, fleet: Fleet, since: date, until: date, now: datetime) -> Occupancy:
    """Bookings of these cabins that touch the days from `since` to `until`, as they are known now."""
    feeds = {one.cabin: one for one in feeds_of(fleet)}
    told: dict[str, Any] = {str(row.cabin): row for row in store.ask("SELECT * FROM booking_feed").itertuples()}
    unread = {}
    for cabin, feed in feeds.items():
        if why := _unknown(feed, told.get(cabin), since, until, now):
            unread[cabin] = why
    rows = store.ask(
        'SELECT cabin, first_day AS start, last_day AS "end", summary FROM booking '
        "WHERE last_day >= $since::DATE AND first_day <= $until::DATE ORDER BY ALL",
        {"since": since.isoformat(), "until": until.isoformat()})
    current = {cabin for cabin, feed in feeds.items() if cabin in told and told[cabin].feed == mark_of(feed)}
    rows = rows[rows["cabin"].isin(current)].reset_index(drop=True)
    for name in ("start", "end"):
        rows[name] = pd.Series([pd.Timestamp(one).date() for one in rows[name]], index=rows.index, dtype=object)
    return Occupancy(bookings=rows, unread=unread, without=_without(fleet.cabins))


def _without(cabins: Iterable[Cabin]) -> tuple[str, ...]:
    return tuple(one.slug for one in cabins if not one.calendar)


def _unknown(feed: Feed, row: Any, since: date, until: date, now: datetime) -> str:
    """Why it is not known when a cabin is taken in these days; empty where it is."""
    name = name_of(feed.calendar)
    if row is None or row.feed != mark_of(feed):
        return f"its calendar ({name}) was not read yet; the collector reads it"
    if row.trouble:
        return f"its calendar ({name}) cannot be read: {row.trouble}"
    if not now - KNOWN_FOR <= row.read_at <= now + EVERY:
        return f"its calendar ({name}) was last read {row.read_at:%Y-%m-%d %H:%M} UTC; the collector reads it"
    first, last = (pd.Timestamp(one).date() for one in (row.since, row.until))
    if since < first or until > last:
        return f"its calendar ({name}) was read for {first} to {last} alone"
    return ""


def in_words(store: Asks, fleet: Fleet, now: datetime) -> list[str]:
    """A sentence for each calendar whose bookings are not known today."""
    found = occupancy(store, fleet, now.date(), now.date(), now)
    return [f"{cabin}: {why}" for cabin, why in found.unread.items()]
