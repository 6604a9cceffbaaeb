"""The collector's side of what a cabin's two collectors tell each other: cheap where there is no other."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta

import duckdb

from ingest.counterpart.lifts import lift_what_is_answered
from ingest.counterpart.records import SET_ASIDE, do_next, keep_incoming, unsent, was_sent
from ingest.counterpart.said import present_cabin
from ingest.counterpart.words import keep_words, words_of
from ingest.db.engine import Local, could_not_write, transaction
from ingest.db.intake import Message
from ingest.settings import BadInput
from models.counterpart import Place
from models.verdict import Verdict

logger = logging.getLogger(__name__)

MOST_BYTES = 1_000_000  # of a message: a lift names all pieces of water that it answered
AT_ONCE = 20  # records on their way that the broker has not acknowledged
LOOK_S = 30.0  # between two looks at what is to be sent, if nothing tells of something
TURN_S = 0.1  # of doing what came, before the loggers have their turn again
TAKE, TAKE_BYTES = 50, 4_000_000  # messages at once: each is a commit
TOO_MANY = "so much that cannot be used came from there within an hour that the rest is counted and not kept"
ASIDE_AN_HOUR = 100  # messages of a cabin that are kept though they cannot be used; more are counted

_CABINS = "SELECT slug FROM cabin ORDER BY ALL"
_TOLD_OF = """
    SELECT DISTINCT v.cabin FROM counterpart_verdict AS v JOIN cabin AS c ON c.slug = v.cabin
    WHERE coalesce(v.body ->> '$.called', v.cabin) = v.cabin ORDER BY ALL
"""

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
        self._last = ""
        self._cabins: list[str] | None = None

    def forget(self) -> None:
        """The registry or a record is another now."""
        self._cabins, self._look_due = None, 0.0

    def heard(self) -> None:
        """Verdicts may be others: a lift that waited may hold."""
        self._lifts = True

    @property
    def cabins(self) -> list[str]:
        """The cabins that another collector judges too, and calls as we do: what it is told is under that name."""
        if self._cabins is None:
            self._cabins = [name for (name,) in self._con.execute(
                _CABINS if self._place is Place.CABIN else _TOLD_OF).fetchall()]
        return self._cabins

    def tell(self, cabin: str, own: Mapping[str, Verdict]) -> None:
        """Publish a cabin's own verdicts, if somebody else judges it."""
        if cabin in self.cabins:
            self._publish(f"tarnlight/{cabin}/{self._way}/verdict", words_of(own, self._now()), True)

    def take(self, messages: list[Message]) -> bool:
        """Keep what the other collectors told, before it is acknowledged; whether a verdict may be another now."""
        changed = False
        last = {one.topic: number for number, one in enumerate(messages)}
        for number, one in enumerate(messages):
            called, what = one.topic.split("/")[1], one.topic.rsplit("/", 1)[1]
            if what == "verdict" and last[one.topic] != number:
                continue  # it says something newer already
            try:
                changed |= self._take(called, what, one.payload)
            except BadInput as error:
                self._set_aside(one, str(error))
            except Exception as error:  # outermost: what another machine sends must not stop the collecting
                if could_not_write(error):
                    raise
                logger.exception("what came on %s could not be taken", one.topic)
                self._set_aside(one, f"it could not be taken: {type(error).__name__}")
        return changed

    def _take(self, called: str, what: str, payload: bytes) -> bool:
        if len(payload) > MOST_BYTES:
            raise BadInput(f"{len(payload):,} bytes; at most {MOST_BYTES:,} are taken")
        cabin = present_cabin(Local(self._con), called)
        if self._con.execute("SELECT 1 FROM cabin WHERE slug = $cabin", {"cabin": cabin}).fetchone() is None:
            raise BadInput("this cabin is not enrolled here")
        now = self._now()
        if what == "verdict":
            transaction(self._con, lambda: keep_words(self._con, called, self._place.other, payload, now))
            if cabin not in self.cabins:
                self.forget()
            return True
        transaction(self._con, lambda: keep_incoming(self._con, called, payload, now))
        self._waits = True
        return False

    def _set_aside(self, message: Message, reason: str) -> None:
        """Keep what cannot be used; of a cabin that sends more and more of it, a number."""
        now = self._now()
        given = {"source": message.topic, "since": now - timedelta(hours=1)}
        found = self._con.execute(
            "SELECT count(*) FROM quarantine WHERE source = $source AND arrived_at > $since", given).fetchone()
        many = int(found[0]) if found else 0
        if many > ASIDE_AN_HOUR:
            self._con.execute(
                "UPDATE quarantine SET times = times + 1 WHERE source = $source AND reason = $reason "
                "AND arrived_at > $since", given | {"reason": TOO_MANY})
            return
        logger.warning("what came on %s was not taken: %s", message.topic, reason)
        full = many == ASIDE_AN_HOUR
        self._con.execute(SET_ASIDE, {
            "now": now, "source": message.topic, "cabin": None, "reason": TOO_MANY if full else reason,
            "payload": b"" if full else message.payload[:10_000]})

    def turn(self, *, connected: bool) -> bool:
        """Do what came, send what is new; whether a verdict may be another now."""
        changed = False
        began = time.monotonic()
        while self._waits and time.monotonic() < began + TURN_S:
            done = do_next(self._con, self._place.other, self._now(), self._last)
            self._waits = done is not None
            if done is not None:
                self._last = done[0]
                logger.info("from %s, %s", self._place.other.collector, done[1])
                changed, self._lifts = True, True
        if self._lifts:
            self._lifts = False
            for told in lift_what_is_answered(self._con, self._place.other, self._now()):
                logger.info("%s", told)
                changed = True
        if connected:
            self._send()
        return changed

    def _send(self) -> None:
        done = []
        for number, has in list(self._underway.items()):
            try:
                arrived = has()
            except (RuntimeError, ValueError):  # it never got on its way: it is sent again
                del self._underway[number]
                continue
            if arrived:
                was_sent(self._con, number, self._now())
                del self._underway[number]
                done.append(number)
        if not done and time.monotonic() < self._look_due:
            return
        self._look_due = time.monotonic() + LOOK_S
        if not self.cabins:
            return
        for one in unsent(self._con, self.cabins, AT_ONCE):
            if one.id not in self._underway:
                self._underway[one.id] = self._publish(
                    f"tarnlight/{one.cabin}/{self._way}/record", one.payload, False)
