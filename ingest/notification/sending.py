"""The sender: threads that hand messages to their channels, one for each server, and the collector's side of it.

They never touch the store: they get messages and give back what came of each, so no transaction is open while a
channel takes its time, and a server that does not answer holds up its own messages alone. Everything else happens
in the collector's own thread.
"""

from __future__ import annotations

import logging
import queue
import threading
import time
from dataclasses import dataclass
from datetime import datetime, timedelta

from ingest.db.engine import Local
from ingest.notification import message_log as notify
from ingest.notification.arrivals import tell_guests
from ingest.notification.battery import tell_battery
from ingest.notification.channels import keep_library_quiet, send, server_of
from ingest.notification.lamp import LampLooks, tell_lamps
from ingest.notification.message_log import Waiting
from ingest.notification.power import tell_power
from ingest.notification.stays import forget_past
from ingest.notification.together import Together
from ingest.registry.tables import load_fleet
from ingest.settings import Settings
from ingest.store import Store
from models.advisory.notices_due import Policy
from models.fleet import Fleet

logger = logging.getLogger(__name__)

BEAT_S = 5.0  # between two looks at what waits in line,
FOLLOW_S = 10.0  # and at what nobody has confirmed, and who fell silent; of the store's time, but no more often
HEARD_S = 0.25  # between two looks at what was just heard
REST_S = 60.0  # after a fault of our own, before the next turn
BATTERIES_EVERY = timedelta(hours=1)  # by the store's clock: what is foreseen is of hours
FIRST_RETRY_S = 5.0
MOST_RETRY_S = 4 * 3600.0
MOST_RETRY_URGENT_S = 15 * 60.0  # a boil advisory waits no longer than this for a channel that came back
FAILURES_IN_A_ROW = 3  # of one line; the channel is down then, and the rest waits
STOP_WITHIN_S = 5.0
MOST_SERVERS = 16  # that have a thread of their own; the rest share one

Line = tuple[str, str]  # contact and channel: the messages of one line go out in order


@dataclass(frozen=True, slots=True, kw_only=True)
class SendOutcome:
    """What came of one try; `error` is empty where the message was delivered, `last` ends its line."""

    line: Line
    keys: tuple[str, ...]
    error: str
    last: bool


def retry_after_s(failures: int, *, urgent: bool) -> float:
    """How long to wait after so many tries that failed; doubles up to hours, and never ends."""
    most = MOST_RETRY_URGENT_S if urgent else MOST_RETRY_S
    return min(most, FIRST_RETRY_S * 2.0 ** min(failures - 1, 20))


class Sender:
    """The threads; a mail server that takes a quarter of a minute to fail, for each of a dozen owners, would
    otherwise have the manager told minutes later over another."""

    def __init__(self, settings: Settings) -> None:
        keep_library_quiet()
        self._settings = settings
        self._work: dict[str, queue.SimpleQueue[list[Waiting] | None]] = {}
        self._done: queue.SimpleQueue[SendOutcome] = queue.SimpleQueue()
        self._started, self._stopped = False, threading.Event()
        self._threads: list[threading.Thread] = []

    def start(self) -> None:
        self._started = True
        for work in self._work.values():
            self._begin(work)

    def hand_over(self, line: list[Waiting]) -> None:
        """Have the messages of one line sent, in order; `results` answers for each that was tried."""
        server = server_of(self._settings, line[0].channel)
        if server not in self._work and len(self._work) >= MOST_SERVERS:
            server = ""
        if server not in self._work:
            self._work[server] = queue.SimpleQueue()
            if self._started:
                self._begin(self._work[server])
        self._work[server].put(line)

    def _begin(self, work: queue.SimpleQueue[list[Waiting] | None]) -> None:
        thread = threading.Thread(target=self._run, args=(work,), name="sender", daemon=True)
        self._threads.append(thread)
        thread.start()

    def results(self) -> list[SendOutcome]:
        """What came of the tries since the last call."""
        out: list[SendOutcome] = []
        while True:
            try:
                out.append(self._done.get_nowait())
            except queue.Empty:
                return out

    def stop(self) -> None:
        """Finish the message under way, a few seconds at most; the rest stays in line."""
        self._stopped.set()
        for work in self._work.values():
            work.put(None)
        until = time.monotonic() + STOP_WITHIN_S
        for thread in self._threads:
            thread.join(max(0.0, until - time.monotonic()))

    def _run(self, work: queue.SimpleQueue[list[Waiting] | None]) -> None:
        while (held := work.get()) is not None:
            failed = 0
            for one in held:
                if self._stopped.is_set():
                    return
                error = send(self._settings, one.channel, title=one.title, body=one.body, to=one.address)
                failed = failed + 1 if error else 0
                last = one is held[-1] or failed >= FAILURES_IN_A_ROW
                self._done.put(SendOutcome(line=(one.contact, one.channel), keys=one.keys, error=error, last=last))
                if last:
                    break


class Notifier:
    """The collector's side: puts in line, hands over, notes what came of it."""

    def __init__(self, settings: Settings, store: Store, *, policy: Policy | None = None) -> None:
        self._store, self._policy = store, policy
        self._sender = Sender(settings)
        self._fleet: Fleet | None = None
        self._since: datetime = store.now()
        self._events = -1
        self._beat_due = self._look_due = 0.0
        self._heard = self._gathering = False
        self._asked = True  # by a person's request something may have been recorded
        self._followed: datetime | None = None
        self._batteries_at: datetime | None = None
        self._under_way: set[Line] = set()
        self._tried: dict[Line, set[str]] = {}  # what a line held at its last try
        self._again_at: dict[Line, float] = {}
        self._failing: set[Line] = set()
        self._together = Together()
        self._lamps = LampLooks(store.path, store.now())

    def start(self) -> None:
        """Begin to send; what was in line when the last collector ended goes first."""
        self._since = self._store.now()
        self._sender.start()

    def forget(self) -> None:
        """The registry may have changed."""
        self._fleet, self._asked = None, True

    def heard(self) -> None:
        """Something was heard: look at once whether a light went off."""
        self._heard = True

    def turn(self) -> bool:
        """Whatever is due now; cheap where nothing is. Whether the record of advisories has grown."""
        beat = time.monotonic() >= self._beat_due
        self._note(self._sender.results())
        if not (beat or self._heard or self._asked or self._gathering):
            return False
        self._asked = False
        counted = self._store.con.execute("SELECT count(*) FROM advisory_event").fetchone()
        grown = counted is not None and counted[0] != self._events
        look = time.monotonic() >= self._look_due
        warned = look and (beat or self._heard) and self._warn()
        if not (beat or grown or warned or (look and self._gathering)):
            return False
        if beat:
            self._beat_due = time.monotonic() + BEAT_S
        try:
            self._put_in_line(self._store.now(), beat)
            self._events = counted[0] if counted else -1
            self._hand_over(self._store.now())
        except Exception:  # outermost: no fault in telling may stop the collecting
            logger.exception("messages could not be put in line; again in %.0f s", REST_S)
            self._beat_due = time.monotonic() + REST_S
            self._events = counted[0] if counted else -1
        return grown

    def _warn(self) -> bool:
        """Look whether a light went off or on; whether anybody is to be told. No fault here holds up other news."""
        self._heard, self._look_due = False, time.monotonic() + HEARD_S
        now = self._store.now()
        try:
            told = tell_power(self._store.con, self._enrolled(), now)
            if self._batteries_at is None or now - self._batteries_at >= BATTERIES_EVERY:
                self._batteries_at = now
                forget_past(self._store.con, now)
                told += tell_battery(self._store.con, self._enrolled(), now)
            told += tell_lamps(self._store.con, self._enrolled(), self._lamps.turn(now), now)
            return bool(told)
        except Exception:
            logger.exception("it could not be seen where the light is off; again in %.0f s", REST_S)
            self._look_due = time.monotonic() + REST_S
            return False

    def _bundled(self, waiting: list[Waiting], now: datetime) -> list[Waiting]:
        """What goes together now; where that cannot be seen, each message by itself: none may be held up by it."""
        try:
            return self._together.ready(self._store.con, self._enrolled(), waiting, now)
        except Exception:
            logger.exception("messages of one event could not be put together; each is sent by itself")
            return waiting

    def _enrolled(self) -> Fleet:
        if self._fleet is None:
            self._fleet = load_fleet(Local(self._store.con))
        return self._fleet

    def close(self) -> None:
        """Stop sending, and note what was sent."""
        self._sender.stop()
        self._lamps.close()
        self._note(self._sender.results())

    def _put_in_line(self, now: datetime, beat: bool) -> None:
        con, fleet = self._store.con, self._enrolled()
        notify.tell_news(con, fleet, now, self._policy)
        since = None if self._followed is None else (now - self._followed).total_seconds()
        if beat and (since is None or not 0 <= since < FOLLOW_S):  # a clock may be set back
            self._followed = now
            notify.follow_up_all(con, fleet, now, self._policy)
            notify.tell_silence(con, fleet, now, listening_since=self._since, policy=self._policy)
            tell_guests(con, fleet, now)

    def _hand_over(self, now: datetime) -> None:
        lines: dict[Line, list[Waiting]] = {}
        waiting = notify.waiting(self._store.con, now)
        ready = self._bundled(waiting, now)
        going = {key for one in ready for key in one.keys}
        self._gathering = any(one.urgent and one.key not in going for one in waiting)
        self._look_due = max(self._look_due, time.monotonic() + HEARD_S)
        for one in ready:
            lines.setdefault((one.contact, one.channel), []).append(one)
        for line, held in sorted(lines.items(), key=lambda item: not any(one.urgent for one in item[1])):
            keys = {key for one in held for key in one.keys}
            fresh = keys - self._tried.get(line, set())
            if line in self._under_way or not (fresh or time.monotonic() >= self._again_at.get(line, 0.0)):
                continue
            self._tried[line] = keys
            self._under_way.add(line)
            failures = max(one.failures for one in held) + 1
            urgent = any(one.urgent for one in held)
            self._again_at[line] = time.monotonic() + retry_after_s(failures, urgent=urgent)
            self._sender.hand_over(held)

    def _note(self, outcomes: list[SendOutcome]) -> None:
        if not outcomes:
            return
        tries = [(key, one.error) for one in outcomes for key in one.keys]
        notify.note_attempts(self._store.con, tries, self._store.now())
        for one in outcomes:
            contact, channel = one.line
            if one.error and one.line not in self._failing:
                self._failing.add(one.line)
                logger.warning("channel %s to %s does not deliver, tried again: %s", channel, contact, one.error)
            elif not one.error and one.line in self._failing:
                self._failing.discard(one.line)
                logger.info("channel %s to %s delivers again", channel, contact)
            if one.last:
                self._under_way.discard(one.line)
