"""The collector's side of what a cabin's two collectors tell each other: cheap where there is no other."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Mapping
from datetime import datetime

import duckdb

from ingest.counterpart.records import (
    SET_ASIDE,
    do_next,
    keep_incoming,
    lift_what_is_answered,
    unsent,
    was_sent,
)
from ingest.counterpart.words import keep_words, words_of
from ingest.db.engine import transaction
from ingest.db.intake import Message
from ingest.settings import BadInput
from models.counterpart import Place
from models.verdict import Verdict

logger = logging.getLogger(__name__)

MOST_BYTES = 1_000_000  # of a message: a lift names all pieces of water that it answered
AT_ONCE = 20  # records on their way that the broker has not acknowledged
LOOK_S = 30.0  # between two looks at what is to be sent, if nothing tells of something
Publish = Callable[[str, str, bool], Callable[[], bool]]


class Exchange:
    """Verdicts and records to and from the other collector of each cabin that has two.

    Parameters
    ----------
    con : DuckDBPyConnection
        The store's.
    place : Place
        Where this collector stands.
    publish : callable
        Sends a text to a topic at QoS 1, retained or not; what it gives says whether the broker has it.
    now : callable
        The store's time.
    """

    def __init__(
        self, con: duckdb.DuckDBPyConnection, place: Place, publish: Publish, now: Callable[[], datetime],
    ) -> None:
        self._con, self._place, self._publish, self._now = con, place, publish, now
        self._way = "up" if place is Place.CABIN else "down"
        self._underway: dict[str, Callable[[], bool]] = {}
        self._look_due = 0.0
        self._waits = True  # records that came before the last stop
        self._lifts = True
        self._cabins: list[str] | None = None

    def forget(self) -> None:
        """The registry or a record is another now."""
        self._cabins, self._look_due = None, 0.0

    def heard(self) -> None:
        """Verdicts may be others: a lift that waited may hold."""
        self._lifts = True

    @property
    def cabins(self) -> list[str]:
        """The cabins that another collector judges too."""
        if self._cabins is None:
            table = "cabin" if self._place is Place.CABIN else "counterpart_verdict"
            column = "slug" if self._place is Place.CABIN else "cabin"
            self._cabins = [name for (name,) in self._con.execute(
                f"SELECT DISTINCT {column} FROM {table} ORDER BY ALL").fetchall()]  # noqa: S608  (names of our own)
        return self._cabins

    def tell(self, cabin: str, own: Mapping[str, Verdict]) -> None:
        """Publish a cabin's own verdicts, if somebody else judges it."""
        if cabin in self.cabins:
            self._publish(f"tarnlight/{cabin}/{self._way}/verdict", words_of(own, self._now()), True)

    def take(self, messages: list[Message]) -> bool:
        """Keep what the other collectors told, before it is acknowledged; whether a verdict may be another now."""
        changed = False
        for one in messages:
            cabin, what = one.topic.split("/")[1], one.topic.rsplit("/", 1)[1]
            try:
                if len(one.payload) > MOST_BYTES:
                    raise BadInput(f"{len(one.payload):,} bytes; at most {MOST_BYTES:,} are taken")
                if (cabin,) not in self._con.execute("SELECT slug FROM cabin").fetchall():
                    raise BadInput("this cabin is not enrolled here")
                if what == "verdict":
                    self._verdicts(cabin, one.payload)
                    changed = True
                else:
                    transaction(self._con, lambda c=cabin, p=one.payload: keep_incoming(  # type: ignore[misc]
                        self._con, c, p, self._now()))
                    self._waits = True
            except BadInput as error:
                logger.warning("what came on %s was not taken: %s", one.topic, error)
                self._set_aside(one, str(error))
        return changed

    def _verdicts(self, cabin: str, payload: bytes) -> None:
        transaction(self._con, lambda: keep_words(self._con, cabin, self._place.other, payload, self._now()))
        if cabin not in self.cabins:
            self.forget()

    def _set_aside(self, message: Message, reason: str) -> None:
        self._con.execute(SET_ASIDE, {
            "now": self._now(), "source": message.topic, "cabin": None, "payload": message.payload[:10_000],
            "reason": reason})

    def turn(self, *, connected: bool) -> bool:
        """Do what came, send what is new; whether a verdict may be another now."""
        changed = False
        if self._waits:
            told = do_next(self._con, self._place.other, self.cabins, self._now())
            self._waits = told is not None
            if told is not None:
                logger.info("from %s, %s", self._place.other.collector, told)
                changed, self._lifts = True, True
        elif self._lifts:
            self._lifts = False
            for told in lift_what_is_answered(self._con, self._place.other, self._now()):
                logger.info("%s", told)
                changed = True
        if connected:
            self._send()
        return changed

    def _send(self) -> None:
        done = [number for number, has in self._underway.items() if has()]
        for number in done:
            was_sent(self._con, number, self._now())
            del self._underway[number]
        if not done and time.monotonic() < self._look_due:
            return
        self._look_due = time.monotonic() + LOOK_S
        if not self.cabins:
            return
        for one in unsent(self._con, self.cabins, AT_ONCE):
            if one.id not in self._underway:
                self._underway[one.id] = self._publish(
                    f"tarnlight/{one.cabin}/{self._way}/record", one.payload, False)
