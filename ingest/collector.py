"""The collector: the one process that writes the store, and serves it to the others."""

from __future__ import annotations

import contextlib
import json
import logging
import os
import secrets
import shutil
import socket
import threading
import time
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd

from ingest import room
from ingest.archiving import ARCHIVE, Archiving
from ingest.bookings.addresses import allowed_of
from ingest.bookings.schedule import Schedule
from ingest.clock import BOOT, OwnClock, monotonic_s
from ingest.counterpart.exchange import TAKE, TAKE_BYTES, Exchange
from ingest.db import engine, held, quarantine, snapshot
from ingest.db.engine import transaction
from ingest.db.flood import Flood
from ingest.db.intake import (
    CLOCKS_DIFFER,
    NOT_ENROLLED,
    Decoded,
    Kept,
    Known,
    Message,
    decode,
    failed,
    far_behind,
    heard_live,
    keep,
)
from ingest.db.tally import keep_tally, lost_since
from ingest.evaluation import faults
from ingest.evaluation.evaluate import evaluate, owe
from ingest.evaluation.pace import Pace
from ingest.evaluation.watch import watch
from ingest.health import Account, Health
from ingest.notification.sending import Notifier
from ingest.notification.sign import Signs
from ingest.registry.tables import load_fleet, load_names
from ingest.settings import BadInput, Settings
from ingest.store import HELD_WITHIN_S, Store, StoreHeld, clock_of
from ingest.wire import aside
from ingest.wire.mqtt import Subscription
from ingest.wire.mqtt_client import ECHO_ASKED
from ingest.wire.sessions import Sessions, store_lost
from models.counterpart import Place

logger = logging.getLogger(__name__)

BEAT_S = 2.0
ANSWERS_KEPT = timedelta(minutes=10)
LOOK_S = 60.0  # between two looks at whether quarantine has to be pruned,
LOOK_BYTES = quarantine.MOST_BYTES // 8  # or when so much was added
ROOM_S = 1.0  # between two looks at the disk
EVER = timedelta(days=36_500)  # ahead of our clock: what is told of the clock is heard, however wrong
ACCOUNT_S = 0.5  # between two accounts of how it goes,
STANDING_S = 10.0  # and between two counts of what stands, for who asks over HTTP
WAIT_S = 0.1  # the longest that a request of another process waits for its turn, if it rang,
ASK_S = 1.0  # and if it did not
RIPEN_S = 5.0  # between two looks at what ripens with time alone, by the half hour

# Advisories that nobody has lifted (the last of each unit, which alone can stand), and units at fault.
_STANDING = """
    SELECT (SELECT count(*) FROM (
        SELECT arg_max(e.body ->> '$.kind', e.seq) AS last FROM (
            SELECT arg_max(id, substr(id, 2)::BIGINT) AS advisory FROM advisory GROUP BY cabin, unit)
        JOIN advisory_event AS e USING (advisory) GROUP BY advisory) WHERE last <> 'lifted'),
    (SELECT count(DISTINCT (cabin, unit)) FROM unit_fault)
"""


class Collector:
    """Messages in, rows committed, then acknowledged, then evaluated."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self.store = _open(settings)
        self.clock = self.store.clock = _own_clock(self.store)
        self._held = held.Held.of(self.store.con, self._by_clock)
        self._started_s = monotonic_s()
        self._token = secrets.token_urlsafe(32)
        self._port = settings.serve_port or free_port()
        self._started = datetime.now(UTC)
        self._began = self.store.now()
        self._messages = self._rows = self._refused = 0
        self._beat_due = self._look_due = self._ask_due = self._ripen_due = 0.0
        self._bell, self._rung = settings.address_file, 0
        self._pace = Pace()
        self._other_due = 0.0
        self._added_bytes = 0
        self._room_due, self._full = 0.0, ""
        self._requests, self._counted = 0, (-1, -1)
        self._late_s, self._judged = 0.0, (time.monotonic(), 0.0)
        self._account_due, self._standing_due, self._standing = 0.0, 0.0, (0, 0, 0)
        self._enrolled: set[tuple[str, str]] = set()
        self._known = Known(self._enrolled)
        self._live: set[tuple[str, str]] = set()  # known to have been heard live
        self.subscription = Subscription(settings, self.store.now, lambda: self.clock.basis_s)
        self.flood = Flood()
        self.sessions = Sessions(self.store.con, settings.broker)
        self.notifier = Notifier(settings, self.store)
        self.exchange = Exchange(
            self.store.con, Place(settings.place),
            lambda topic, text, retain: self.subscription.publish(topic, text, retain=retain), self.store.now)
        self.signs = Signs(self.store, self.subscription, self.exchange.tell)
        self.archiving = Archiving(self.store.con, settings.store, settings.keep_months, self.store.now)
        self.bookings = Schedule(
            self.store.con, allowed_of(settings), lambda: load_fleet(self.store), self.store.now)

    def run(self, stop: threading.Event) -> None:
        """Serve and collect until told to stop; leaves nothing half-done."""
        con = self.store.con
        health = Health(self.settings.health_port) if self.settings.health_port else None
        engine.serve(con, port=self._port, token=self._token)
        try:
            lost = lost_since(self.settings.tally_file, con)
            if lost is not None:
                logger.error("%s", store_lost(con, *lost))
            self._refresh()
            self.clock.judge(len(self._enrolled))
            self._beat()
            engine.write_address(self.settings.address_file, port=self._port, token=self._token)
            logger.info("serving %s on loopback port %s", self.settings.store, self._port)
            if self.clock.suspect:
                logger.warning("the collector's own clock cannot be right: %s", self.clock.reason)
            else:
                self._catch_up()
            self.subscription.start()
            self.notifier.start()
            self.bookings.start()
            self.archiving.start()
            while not stop.is_set():
                messages = self._next(stop)
                for sentence in self.sessions.connected(self.subscription.connections()):
                    logger.warning("%s", sentence)
                self._judge_clock()
                self._take(messages)
                if self._pace.due() and not self.clock.suspect:
                    self._evaluate(self.store.now())
                self._serve_requests()
                self._hear_others()
                if time.monotonic() >= self._beat_due:
                    self._beat()
                if time.monotonic() >= self._ripen_due and not self.clock.suspect:
                    self._ripen(())
                self._prune()
                if health is not None and time.monotonic() >= self._account_due:
                    health.account = self._account()
                self.signs.turn(changed=self.notifier.turn())
                self.bookings.turn()
                if not (self.clock.suspect or self._full):
                    self.archiving.turn()
        finally:
            with contextlib.ExitStack() as ending:  # last in, first done; what one breaks holds up no other
                ending.callback(self.store.close)
                ending.callback(
                    con.execute, "CALL quack_stop($address)", {"address": f"quack:localhost:{self._port}"})
                ending.callback(self.sessions.save)
                ending.callback(self.settings.address_file.unlink, missing_ok=True)
                if health is not None:
                    ending.callback(health.close)
                for part in (self.subscription.stop, self.signs.close, self.notifier.close, self.bookings.close,
                             self.archiving.close):
                    ending.callback(part)
            logger.info("stopped")

    def _account(self) -> Account:
        """How it goes, for who asks over HTTP; what costs a question is asked anew now and then."""
        con = self.store.con
        self._account_due = time.monotonic() + ACCOUNT_S
        if time.monotonic() >= self._standing_due:
            self._standing_due = time.monotonic() + STANDING_S
            found = con.execute(_STANDING).fetchone() or (0, 0)
            self._standing = (int(found[0]), int(found[1]), aside.tally(self.settings.aside).files)
        return Account(
            given_s=time.monotonic(), judged_s=self._judged[0], judged_at=self._judged[1],
            connected=self.subscription.connected, full=bool(self._full), suspect=self.clock.suspect,
            messages=self._messages, rows=self._rows, refused=self._refused, set_aside=self._standing[2],
            held=sum(self._held.counts.values()), queue=self.subscription.waiting, late_s=self._late_s,
            advisories=self._standing[0], faults=self._standing[1],
            disk_free_bytes=shutil.disk_usage(self.settings.store.parent).free)

    def _next(self, stop: threading.Event) -> list[Message]:
        """What came; nothing while the disk is nearly full: the broker keeps what is not acknowledged."""
        if time.monotonic() >= self._room_due:
            self._room_due = time.monotonic() + ROOM_S
            lacks = room.lacking(self.settings)
            words = f"{lacks}: make room, the broker keeps the messages, and all goes on by itself" if lacks else ""
            if bool(words) != bool(self._full):
                logger.warning("%s", words or "the disk has room again: messages are taken in")
            self._full = words
        if not self._full:
            return self.subscription.batch(WAIT_S)
        stop.wait(WAIT_S)
        return []

    @property
    def _by_clock(self) -> dict[str, Any]:
        """What the time that we go by rests on."""
        return {"boot": BOOT, "basis_s": self.clock.basis_s}

    def _judge_clock(self) -> bool:
        """See whether our own clock can be right; whether what messages were stamped with is another now.

        What was held is taken in before anything newer is.
        """
        was, looked = self.clock.suspect, time.monotonic() >= self._beat_due
        if not (was or looked or self.clock.stepped or self._held.due(self.store.now())):
            return False
        return self._judged_clock(was)

    def _judged_clock(self, was: bool) -> bool:
        changed = self.clock.judge(len(self._enrolled))
        if self.clock.suspect != was:
            self._beat()  # others are to know at once
            self._judged_anew()
            if self.clock.suspect:
                logger.warning("the collector's own clock cannot be right: %s", self.clock.reason)
            else:
                logger.info("the collector's own clock is right again")
        if not self.clock.suspect:
            first = was  # what is too far ahead is seen to once, though it is never due
            while first or self._held.due(self.store.now()):
                self._release()
                first = False
            if was:
                self._catch_up()
        return changed

    def _catch_up(self) -> None:
        """What a killed collector still owed, and what it had worked out but not weighed."""
        evaluate(self.store.con, self.store.now())
        self._judged_anew()
        self._ripen(self._enrolled)

    def _release(self) -> None:
        """Take in what was held and whose time has come, a part of it.

        Where that fails it is tried again a minute later: whoever brings new messages must not suffer for it.
        """
        try:
            self._take_held()
        except duckdb.FatalException:
            raise
        except Exception:
            logger.exception("readings that were held could not be taken in; again in %.0f s", LOOK_S)
            self._held.next_at, self._held.links = None, False
        if time.monotonic() >= self._beat_due:
            self._beat()  # many were held

    def _take_held(self) -> None:
        con, now = self.store.con, self.store.now()

        def work() -> Kept:
            taken = held.take(con, now, self._by_clock)
            kept = keep(con, rows=taken.rows, links=taken.links, refused=taken.refused, arrived=now)
            owe(con, kept.touched)
            for key in taken.heard_at.keys() - self._live:
                heard_live(con, [key], taken.heard_at[key])
            return kept

        kept = transaction(con, work)
        self._held = held.Held.of(con, self._by_clock)
        self._live.update(kept.touched)
        self._count(kept, now)
        logger.info("%d readings that were held are taken in", kept.rows + kept.filled + kept.already)
        if kept.touched:
            self._evaluate(now)

    def _count(self, kept: Kept, now: datetime) -> None:
        self._rows += kept.rows
        self._refused += kept.refused
        if kept.touched:
            self.sessions.heard(max(until for _, until in kept.touched.values()).to_pydatetime(), now)

    def _take(self, messages: list[Message]) -> None:
        """One batch: decode, commit, acknowledge, evaluate."""
        if not messages:
            return
        now, touched = self.store.now(), False
        self.flood.count((one.topic for one in messages), now)
        for kept in self._keep(messages, now):
            touched = touched or bool(kept.touched)
            self._count(kept, now)
        self.subscription.acknowledge(messages)
        self._messages += len(messages)
        self._late_s = max((self.store.now() - min(one.arrived for one in messages)).total_seconds(), 0.0)
        if touched:
            self._evaluate(now)

    def _evaluate(self, now: datetime) -> None:
        evaluate(self.store.con, now, self._pace)
        self._judged = (time.monotonic(), time.time())
        self._judged_anew()

    def _judged_anew(self) -> None:
        """Any verdict may be another: whoever tells of them looks at once."""
        self.notifier.heard()
        self.signs.heard()
        self.exchange.heard()

    def _hear_others(self) -> None:
        """What the cabins' other collectors told and recorded; what they are told."""
        if self.clock.suspect or self._full:
            return
        told = self.subscription.told(TAKE, TAKE_BYTES)
        changed = self.exchange.take(told)
        self.subscription.acknowledge(told)
        try:
            changed |= self.exchange.turn(connected=self.subscription.connected)
        except duckdb.FatalException:
            raise
        except Exception:  # outermost: what another collector sends must not stop the collecting
            if time.monotonic() >= self._other_due:
                self._other_due = time.monotonic() + LOOK_S
                logger.exception("what a cabin's other collector told could not be done")
        if changed:
            self._judged_anew()

    def _keep(self, messages: list[Message], now: datetime) -> list[Kept]:
        """Decode and commit; where the batch as a whole fails, message by message.

        A message that fails even so goes to quarantine: unacknowledged it would come again, and stop the next
        collector too.
        """
        try:
            decoded = self._decode(messages, now)
            if any(NOT_ENROLLED in reason for reason in decoded.refused["reason"]) and self._enrolled_since():
                self._refresh()
                decoded = self._decode(messages, now)
            now, decoded = self._with_clock(messages, decoded, now)
            return [self._commit(decoded, messages, now)]
        except duckdb.FatalException:
            raise
        except Exception as error:
            if engine.could_not_write(error):
                raise  # no message's fault
            logger.exception("a batch of %d messages could not be kept", len(messages))
            if len(messages) > 1:
                return [kept for one in messages for kept in self._keep([one], now)]
            return [self._commit(failed(messages[0], error), messages, now)]

    def _decode(self, messages: list[Message], now: datetime, ahead: timedelta = EVER) -> Decoded:
        """Messages as rows; `arrived` by the time that we go by now, where that changed since they came."""
        for one in messages:
            if abs(self.clock.basis_s - one.basis_s) > 1.0:
                one.arrived += timedelta(seconds=self.clock.basis_s - one.basis_s)
                one.basis_s = self.clock.basis_s
        return decode(messages, self._known, pd.Timestamp(now), ahead)

    def _with_clock(
        self, messages: list[Message], decoded: Decoded, now: datetime
    ) -> tuple[datetime, Decoded]:
        """Hear what these messages say of our own clock; what they mean by the clock as it is judged then."""
        rows = decoded.rows[~decoded.relative]
        if rows.empty:
            return now, decoded
        newest = rows.groupby(["cabin", "unit"], sort=False)["at"].max()
        self.clock.heard({key: at.to_pydatetime() for key, at in newest.items()})  # type: ignore[misc]
        latest = rows["at"].max()
        if self.clock.suspect or self.clock.stepped or latest > now + CLOCKS_DIFFER:
            if self._judged_clock(self.clock.suspect):
                now = self.store.now()
                decoded = self._decode(messages, now)
            if not self.clock.suspect and decoded.rows["at"].max() > now + held.MOST_AHEAD:
                decoded = self._decode(messages, now, held.MOST_AHEAD)
        return now, decoded

    def _commit(self, decoded: Decoded, messages: list[Message], now: datetime) -> Kept:
        con = self.store.con
        self.flood.forget()
        rows, links, refused = decoded.rows, decoded.links, self.flood.thin(decoded.refused, now)
        set_aside(self.settings.aside, refused, messages)
        self._added_bytes += int(refused["payload"].str.len().sum())
        waits = self.clock.suspect | (rows["at"] > now + CLOCKS_DIFFER).to_numpy(bool)
        behind, stale = far_behind(con, rows, now)
        if len(stale) and not self.clock.suspect:
            refused = pd.concat([refused, self.flood.thin(stale, now)], ignore_index=True)
            rows, waits = rows[~behind], waits[~behind]
            decoded = replace(decoded, rows=rows, relative=decoded.relative[~behind])

        def work() -> Kept:
            told = refused
            if waits.any() or (self.clock.suspect and len(links)):
                over = self._held.hold(
                    con, rows[waits].assign(relative=decoded.relative[waits]),
                    links if self.clock.suspect else links[:0], arrived=now, clock=self._by_clock)
                over = self.flood.thin(over, now)
                told = pd.concat([refused, over], ignore_index=True) if len(over) else refused
            kept = keep(
                con, rows=rows[~waits], links=None if self.clock.suspect else links, refused=told, arrived=now,
                flood=self.flood)
            owe(con, kept.touched)
            heard_live(con, [key for key in kept.touched if key not in self._live], now)
            return kept

        try:
            kept = transaction(con, work)
        except BaseException:
            if waits.any():
                self._held = held.Held.of(con, self._by_clock)  # what it says was not kept
            raise
        self.flood.done()
        self._live.update(kept.touched)
        return kept

    def _prune(self) -> None:
        """Keep quarantine within its bounds; looked at seldom, for it is seldom due."""
        if time.monotonic() < self._look_due and self._added_bytes < LOOK_BYTES:
            return
        self._look_due, self._added_bytes = time.monotonic() + LOOK_S, 0
        quarantine.prune(self.store.con, self.store.now())
        snapshot.release_what_was_left(self.store.con, self.store.now())
        self._held = held.Held.of(self.store.con, self._by_clock)

    def _serve_requests(self) -> None:
        """Do what other processes asked for, in their order."""
        rung = engine.rung(self._bell)
        if rung == self._rung and time.monotonic() < self._ask_due:
            return  # a question costs more than all else that is done at rest
        self._rung, self._ask_due = rung, time.monotonic() + ASK_S
        con = self.store.con
        asked = con.execute("SELECT id, kind, body FROM request ORDER BY asked_at").fetchnumpy()
        for number, kind, body in zip(asked["id"], asked["kind"], asked["body"], strict=True):
            # Taken off the list first: a collector killed while it acts must not act a second time when it is
            # back (what was done would stand twice in an append-only record). Who asked sees no answer.
            con.execute("DELETE FROM request WHERE id = $id", {"id": number})
            self._requests += 1
            ok, answer = self._do(str(kind), json.loads(body))
            con.execute("INSERT INTO answer VALUES ($id, now(), $ok, $body::JSON)",
                        {"id": number, "ok": ok, "body": json.dumps(answer)})

    def _do(self, kind: str, body: dict[str, Any]) -> tuple[bool, dict[str, Any]]:
        try:
            if kind == ECHO_ASKED:
                return True, self.subscription.echo(str(body["text"]))
            if kind == "rows" and (lacks := room.lacking(self.settings)):
                return False, {"error": lacks, "no_room": True}
            if kind == ARCHIVE:
                if why := self._full or (self.clock.suspect and self.clock.reason):
                    raise BadInput(f"nothing is archived now: {why}")
                return True, self.archiving.order(body)
            return True, self.store.act(kind, body)
        except BadInput as error:
            return False, {"error": str(error)}
        except Exception as error:  # outermost: what one request breaks must not stop the collecting
            logger.exception("request %s failed", kind)
            return False, {"error": f"{kind} failed in the collector: {error}"}
        finally:
            self._refresh()

    def _units(self) -> set[tuple[str, str]]:
        return set(self.store.con.execute("SELECT cabin, slug FROM unit").fetchall())

    def _enrolled_since(self) -> bool:
        """Whether other units are enrolled than when we last looked; else a foreign topic would cost each time."""
        return self._units() != self._enrolled

    def _refresh(self) -> None:
        self._enrolled, names = self._units(), load_names(self.store)
        topics = load_fleet(self.store).topics
        self._known = Known(self._enrolled, names.units(), names.why_not_taken, topics)
        self.subscription.also(topics.filters())
        self._held = held.Held.of(self.store.con, self._by_clock)
        self.notifier.forget()
        self.signs.heard()
        self.bookings.forget()
        self.exchange.forget()

    def _ripen(self, touched: Iterable[tuple[str, str]]) -> None:
        """Proofs that ripen with time alone, such as power steady for half an hour."""
        self._ripen_due = time.monotonic() + RIPEN_S
        if watch(self.store.con, load_fleet(self.store), self.store.now(), touched):
            self.notifier.heard()
        self._judged = (time.monotonic(), time.time())

    def _beat(self) -> None:
        """Say that we live, and how it goes."""
        self._beat_due = time.monotonic() + BEAT_S
        row: dict[str, Any] = {
            "started": self._started, "beat": datetime.now(UTC), "pid": os.getpid(),
            "broker": self.settings.broker, "connected": self.subscription.connected,
            "messages": self._messages, "rows": self._rows, "refused": self._refused,
            "trouble": "; ".join(filter(None, (
                self._full, self.subscription.trouble, faults.in_words(self.store)))),
        }
        con = self.store.con

        def work() -> None:
            con.execute("DELETE FROM process")
            con.execute("DELETE FROM answer WHERE answered_at < $old", {"old": row["beat"] - ANSWERS_KEPT})
            con.execute("INSERT INTO process VALUES ($started, $beat, $pid, $broker, $connected, $messages, $rows, "
                        "$refused, $trouble)", row)
            held.write_clock(con, {
                "now": self.store.now(), **self._by_clock, "started_s": self._started_s, "beat_s": monotonic_s(),
                "suspect_since": self.clock.suspect_since, "reason": self.clock.reason})
            self.sessions.save()
            self.flood.keep(con, self.store.now())

        transaction(con, work)
        if self._counted != (self._messages, self._requests):
            self._counted = (self._messages, self._requests)
            keep_tally(self.settings.tally_file, con, self._began, self.store.now())


def set_aside(folder: Path, refused: pd.DataFrame, messages: list[Message]) -> None:
    """Keep whole what `refused` asks for (column `aside`), and note in its rows where it lies.

    Before the commit, so that a message is acknowledged only once it is on disk. One that cannot be written must
    not come for ever: its row says so instead.
    """
    for number in sorted(set(refused["aside"]) - {-1}):
        rows = refused["aside"] == number
        try:
            refused.loc[rows, "file"] = aside.put(folder, messages[number].payload)
        except OSError as error:
            logger.error("a message of %d bytes could not be set aside: %s", len(messages[number].payload), error)
            refused.loc[rows, "reason"] += f" (and it could not be set aside whole: {error.strerror})"


def _own_clock(store: Store) -> OwnClock:
    """The store's clock, watched; it goes on from where the last collector left it, if that was since the start."""
    clock, last = clock_of(store), held.last_clock(store)
    on = clock.is_wall and last.get("boot") == BOOT
    return OwnClock(
        clock, known_until=held.known_until(store.con), basis_s=float(last["basis_s"]) if on else None,
        doubted=str(last.get("reason", "")))


def _open(settings: Settings) -> Store:
    """The store's file, waiting a little for a command that holds it."""
    until = time.monotonic() + HELD_WITHIN_S
    while True:
        try:
            return Store(settings.store)
        except StoreHeld:
            if time.monotonic() >= until:
                raise
        time.sleep(0.2)


def free_port() -> int:
    """A port of loopback that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
