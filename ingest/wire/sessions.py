"""What a broker keeps for the collector while that is away: under which id, and when the broker had forgotten it.

A broker keeps a session by its client's id. Whoever connects with the same id takes it over, with all that waits in
it; so the id is a secret beside the store, unless the settings name one. On each connection the broker says whether
it still had the session. Where it did not, messages that it had acknowledged may be lost: the table `lost_session`
keeps from when to when.
"""

from __future__ import annotations

import re
import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial

import duckdb
import pandas as pd

from ingest import private_files
from ingest.db.engine import Asks, named, transaction
from ingest.db.schema import FUTURE_S
from ingest.settings import BadInput, Settings

SAID_FOR = timedelta(days=7)  # how long people are told of it
MOST_SAID = 3
# What every broker has to take: 23 letters and digits (MQTT 3.1.1, [MQTT-3.1.3-5]). 23 of 62 are 136 bits.
ID_LETTERS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"
ID_LENGTH = 23

_OF_BROKER = """
    SELECT since, heard_until FROM broker_session WHERE broker = $broker
"""
# A broker that is new to us, or another address of an old one: what we last heard anywhere.
_OF_ANY = """
    SELECT max(since), max(heard_until) FROM broker_session HAVING count(*) > 0
"""
_LONGER = """
    UPDATE lost_session SET until = $until WHERE broker = $broker AND since <= $since AND until >= $since
    RETURNING since
"""
_LOST = """
    SELECT broker, since, until FROM lost_session WHERE until > $since AND until <= $now ORDER BY until
"""


@dataclass(frozen=True, slots=True)
class Connection:
    """A connection to the broker: when, and whether the broker still had our session."""

    at: datetime
    session_present: bool


def client_id(settings: Settings) -> str:
    """The collector's client id: the settings', or a secret kept beside the store and made at its first use.

    Raises
    ------
    BadInput
        If the file cannot be read or written, or holds something else.
    """
    if settings.client_id:
        return settings.client_id
    path = settings.client_id_file
    try:
        if not path.exists():
            made = "".join(secrets.choice(ID_LETTERS) for _ in range(ID_LENGTH))
            private_files.write(path, f"{made}\n".encode("ascii"))
        found = path.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise BadInput(f"{path}, which holds the collector's client id, cannot be used: {error}") from error
    if not re.fullmatch(rf"[{ID_LETTERS}]{{{ID_LENGTH}}}", found):
        raise BadInput(f"{path} must hold the collector's client id, {ID_LENGTH} letters and digits, and does not: "
                       "remove it, and a new one is made (the broker then begins a new session)")
    return found


class Sessions:
    """Follows the session of one broker in the store.

    Up to when all is heard is told by the readings' own time: a broker hands on in the order in which it got, so
    what was published before a reading that is stored was handed on before it. A logger's clock may be `FUTURE_S`
    ahead.
    """

    def __init__(self, con: duckdb.DuckDBPyConnection, broker: str) -> None:
        self._con, self._broker = con, broker
        self._heard: datetime | None = None

    def connected(self, made: Iterable[Connection]) -> list[str]:
        """Take note of connections, in their order; the sentences about sessions that were lost."""
        told: list[str] = []
        for one in made:
            told += transaction(self._con, partial(self._connected, one))
        return told

    def _connected(self, one: Connection) -> list[str]:
        self.save()
        own = self._con.execute(_OF_BROKER, {"broker": self._broker}).fetchone()
        known = own or self._con.execute(_OF_ANY).fetchone()
        if own is not None and one.session_present:
            return []
        self._con.execute("DELETE FROM broker_session WHERE broker = $broker", {"broker": self._broker})
        self._con.execute("INSERT INTO broker_session VALUES ($broker, $at_, NULL)",
                          {"broker": self._broker, "at_": one.at})
        self._heard = None
        if known is None or one.session_present:
            return []
        began, heard = known
        since = began if heard is None else max(began, heard - timedelta(seconds=FUTURE_S))
        since = min(since, one.at)
        given = {"broker": self._broker, "since": since, "until": one.at}
        # one stretch, where a broker forgets at every connection or somebody fights over the session
        if not self._con.execute(_LONGER, given).fetchall():
            self._con.execute("INSERT INTO lost_session VALUES ($broker, $since, $until)", given)
        return [in_words(self._broker, since, one.at)]

    def heard(self, newest: datetime, now: datetime) -> None:
        """Readings up to that instant came from the broker and are stored."""
        newest = min(newest, now)
        self._heard = newest if self._heard is None else max(self._heard, newest)

    def save(self) -> None:
        """Keep up to when all is heard; the caller holds the transaction."""
        if self._heard is not None:
            self._con.execute(
                "UPDATE broker_session SET heard_until = greatest(heard_until, $heard) WHERE broker = $broker",
                {"heard": self._heard, "broker": self._broker})


def lost(store: Asks, now: datetime) -> pd.DataFrame:
    """When the broker had forgotten the collector, of the last `SAID_FOR`: broker, since, until; oldest first."""
    return store.ask(_LOST, {"since": now - SAID_FOR, "now": now})


def lost_in_words(store: Asks, now: datetime) -> list[str]:
    """The same, a sentence each; the latest `MOST_SAID` and how many more there were."""
    found = lost(store, now)
    told = [in_words(row.broker, row.since.to_pydatetime(), row.until.to_pydatetime())
            for row in named(found.tail(MOST_SAID))]
    more = len(found) - len(told)
    return [*told, f"{more} more such stretches in the last {SAID_FOR.days} days."] if more else told


OF_STORE = ""  # in a broker's place: the store itself had lost what was acknowledged


def store_lost(con: duckdb.DuckDBPyConnection, since: datetime, until: datetime) -> str:
    """Keep that the store lost what had come in that time; what it means, in a sentence."""
    transaction(con, lambda: con.execute("INSERT INTO lost_session VALUES ($broker, $since, $until)", {
        "broker": OF_STORE, "since": since, "until": until}))
    return in_words(OF_STORE, since, until)


def in_words(broker: str, since: datetime, until: datetime) -> str:
    """What it means that a broker had forgotten the collector, or that the store lost its log."""
    end = f"{until:%H:%M}" if since.date() == until.date() else f"{until:%Y-%m-%d %H:%M}"
    if broker == OF_STORE:
        return (f"From {since:%Y-%m-%d %H:%M} to {end} UTC what was stored may be lost: the log beside the store's "
                "file was cut short. Time of which no reading is there counts as unheard; look whether steps, "
                "samples and lifts of that time are on record.")
    return (f"From {since:%Y-%m-%d %H:%M} to {end} UTC messages may be lost: the broker {broker} had forgotten the "
            "collector. Time of which no reading came counts as unheard.")
