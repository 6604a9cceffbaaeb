"""Messages to people: put in line with what they tell of, sent outside of any transaction, tried until delivered.

The record of advisories is itself the outbox: an event is committed there with the evidence, and `told_until` says
up to where people were told. So whatever kills this process, what was committed is told after the next start, and
an event of any writer (collector, page, command) is told alike. A message in line is sent at least once: killed
between delivery and the note of it, the same message is sent once more, and never otherwise.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb

from ingest.db.engine import Local, transaction
from ingest.language.catalogue import translations
from ingest.notification.audience import Audience, audience
from ingest.notification.stays import MAIL, NAMED, PHONE
from ingest.record.advisory_log import kept_advisory
from ingest.record.over import arrival_of, estimate_of
from ingest.settings import BadInput
from models.advisory import Advisory, Event, State, from_json
from models.advisory.call_order import Due, Told, follow_up
from models.advisory.notice import MessageText
from models.advisory.notices_due import (
    ALL_CLEAR,
    ASKED,
    OVERTAKES,
    NoticeDue,
    NoticeKind,
    Policy,
    hearing,
    notices_due,
)
from models.advisory.when_over import message_words
from models.fleet import Fleet

logger = logging.getLogger(__name__)

Con = duckdb.DuckDBPyConnection

OLD_SILENCE = timedelta(days=2)  # a store of old logs is no news

# One row per advisory with events that nobody was told of; counts only, so that it costs nothing on the way of a
# message.
_BEHIND = """
    SELECT e.advisory, a.cabin, a.unit, coalesce(any_value(t.seq), 0) AS seq
    FROM (SELECT advisory, max(seq) AS seq FROM advisory_event GROUP BY advisory) AS e
    JOIN advisory AS a ON a.id = e.advisory LEFT JOIN told_until AS t ON t.advisory = e.advisory
    WHERE e.seq > coalesce(t.seq, 0) GROUP BY ALL ORDER BY e.advisory
"""
# What kinds of events are new of one advisory.
_NEW_KINDS = """
    SELECT DISTINCT json_extract_string(body, '$.kind') FROM advisory_event
    WHERE advisory = $advisory AND seq > $seen
"""
_RECORD = "SELECT seq, body FROM advisory_event WHERE advisory = $advisory ORDER BY seq"
# One row per message in line, with when it was delivered.
_TOLD = """
    SELECT n.event, n.contact, n.role, n.channel, n.number, n.due_at, min(t."at") FILTER (t.ok) AS delivered_at
    FROM notification AS n LEFT JOIN notification_attempt AS t USING (key)
    WHERE {where} GROUP BY ALL
"""
# One row per advisory that stands and that somebody has to confirm: its latest event of that kind of which people
# were told by now. One that waits for its hour takes no turn from who was not called yet of the one before it.
_UNCONFIRMED = """
    WITH asked AS (
        SELECT n.advisory, n.cabin, n.unit, arg_max(n.event, n."at") AS event,
            arg_max(n.kind, n."at") AS kind, max(n."at") AS "at"
        FROM notification AS n JOIN told_until AS t ON t.advisory = n.advisory AND NOT t.lifted
        WHERE n.kind IN ('raised', 'exposed', 'sample-failed') AND n.due_at <= $now GROUP BY ALL),
    said AS (SELECT advisory, max("at") AS "at" FROM confirmation GROUP BY ALL)
    SELECT asked.advisory, asked.cabin, asked.unit, asked.event, asked.kind, asked."at"
    FROM asked LEFT JOIN said USING (advisory)
    WHERE said."at" IS NULL OR said."at" < asked."at"
"""
# One row per unit ever heard: its latest reading, and the mark of the silence told and not ended.
_HEARD = """
    WITH told AS (
        SELECT cabin, unit, arg_max(kind, queued_at) AS kind, arg_max(event, queued_at) AS event FROM notification
        WHERE kind IN ('silent', 'heard') GROUP BY ALL)
    SELECT p.cabin, p.unit, p."at", CASE WHEN told.kind = 'silent' THEN told.event END AS event
    FROM present AS p LEFT JOIN told USING (cabin, unit)
"""
# Of a message `n` that says that the water may be used: whether anybody was told of worse since, which passes it
# where it waits for the morning or for its channel. Then it is not true any more, for no reader.
_OVERTAKEN = f"""
    n.kind IN ({", ".join(f"'{kind}'" for kind in ALL_CLEAR)}) AND coalesce(n.queued_at < (
        SELECT max(worse.queued_at) FROM notification AS worse
        WHERE worse.kind IN ({", ".join(f"'{kind}'" for kind in OVERTAKES)})
        AND worse.number = 1 AND worse.cabin = n.cabin AND worse.unit = n.unit), FALSE)
"""  # noqa: S608  (words of our own; by the latest alone: each held against each would cost the square of the past)
# Of a message `n` to the guests of a stay: whether their address is forgotten, so that it can reach nobody.
_FORGOTTEN = f"""
    n.role = 'guest' AND n.channel IN ('{MAIL}', '{PHONE}') AND n.contact LIKE '{NAMED}%'
    AND NOT EXISTS (SELECT 1 FROM stay_contact AS known WHERE known.contact = n.contact)
"""  # noqa: S608  (words of our own)
# Keys of what is due, has a channel, and was not delivered: asked first, of keys and days alone, so that years of
# messages that were delivered cost next to nothing while none waits.
_UNDELIVERED = """
    SELECT n.key FROM notification AS n
    ANTI JOIN (SELECT key FROM notification_attempt WHERE ok) AS done USING (key)
    WHERE n.channel <> '' AND n.due_at <= $now
"""
# One row per message of these keys that is still to be said.
_TO_SEND = f"""
    WITH tried AS (
        SELECT key, count(*) AS attempts FROM notification_attempt WHERE key IN (SELECT unnest($keys)) GROUP BY key)
    SELECT n.key, n.contact, n.channel, n.title, n.body, n.urgent, coalesce(t.attempts, 0), n.kind, n.cabin,
        n.number, n.due_at, n.language, coalesce(s.address, '') AS address
    FROM notification AS n LEFT JOIN tried AS t USING (key) LEFT JOIN stay_contact AS s USING (contact)
    WHERE n.key IN (SELECT unnest($keys)) AND NOT ({_OVERTAKEN}) AND NOT ({_FORGOTTEN})
    ORDER BY n.due_at, n."at", n.key
"""  # noqa: S608  (words of our own)
# One row per message in line: how it does.
NOTIFICATIONS = f"""
    WITH tried AS (
        SELECT key, count(*) FILTER (NOT ok) AS failures, min("at") FILTER (ok) AS delivered_at,
            max("at") AS tried_at, arg_max(error, "at") AS error FROM notification_attempt GROUP BY key)
    SELECT n.key, n.event, n.kind, n.advisory, n.cabin, n.unit, n.contact, n.role, n.channel, n.number, n."at",
        n.due_at, n.urgent, n.title, n.body, coalesce(t.failures, 0) AS failures, t.tried_at, t.delivered_at,
        CASE WHEN t.delivered_at IS NULL THEN coalesce(t.error, '') ELSE '' END AS error,
        CASE WHEN t.delivered_at IS NOT NULL THEN 'delivered' WHEN n.contact = '' THEN 'nobody to tell'
            WHEN n.channel = '' THEN 'no channel' WHEN {_OVERTAKEN} THEN 'overtaken'
            WHEN {_FORGOTTEN} THEN 'forgotten'
            WHEN t.failures > 0 THEN 'failing'
            WHEN n.due_at > $now THEN 'held back' ELSE 'in line' END AS state
    FROM notification AS n LEFT JOIN tried AS t USING (key)
    WHERE ($cabin::VARCHAR IS NULL OR n.cabin = $cabin) AND ($advisory::VARCHAR IS NULL OR n.advisory = $advisory)
    ORDER BY n.queued_at DESC, n.key LIMIT $limit
"""  # noqa: S608  (words of our own)
# One row per contact and channel that was tried and did not take what is due.
OVERDUE = f"""
    WITH tried AS (
        SELECT key, count(*) AS failures, bool_or(ok) AS ok, max("at") AS tried_at, arg_max(error, "at") AS error
        FROM notification_attempt GROUP BY key)
    SELECT n.contact, n.channel, count(*) AS messages, max(t.failures) AS failures, min(n.due_at) AS since,
        arg_max(t.error, t.tried_at) AS error
    FROM notification AS n JOIN tried AS t USING (key)
    WHERE NOT t.ok AND n.due_at <= $now AND NOT ({_OVERTAKEN}) AND NOT ({_FORGOTTEN}) GROUP BY ALL ORDER BY since
"""  # noqa: S608  (words of our own)
_PUT = """
    INSERT INTO notification VALUES ($key, $event, $kind, $advisory, $cabin, $unit, $contact, $role, $channel,
    $number, $at_, $due_at, $urgent, $title, $body, $now, $language) ON CONFLICT DO NOTHING
"""


# Putting in line -----------------------------------------------------------------------------------------------


def tell_news(con: Con, fleet: Fleet, now: datetime, policy: Policy | None = None) -> int:
    """Put in line what the advisories' records hold and nobody was told of; the number of messages.

    One transaction per advisory: messages and `told_until` together, or neither.
    """
    behind = con.execute(_BEHIND).fetchall()
    put = 0
    if not behind:
        return 0
    who = audience(con, fleet, now)
    for one in behind:
        number, cabin, unit, seen = one
        new = {kind for (kind,) in con.execute(_NEW_KINDS, {"advisory": number, "seen": seen}).fetchall()}
        if new == {"remeasured"}:  # as at each reading while it goes on: no news, and no replay of a long record
            con.execute("""
                UPDATE told_until SET seq = (SELECT max(seq) FROM advisory_event WHERE advisory = $advisory)
                WHERE advisory = $advisory""", {"advisory": number})
            continue
        estimate = _estimate(con, fleet, cabin, unit, now)
        put += transaction(con, lambda: _tell_record(con, fleet, who, now, policy, one, estimate))  # noqa: B023  (at once)
    return put


def _tell_record(
    con: Con, fleet: Fleet, who: Audience, now: datetime, policy: Policy | None, behind: tuple[str, str, str, int],
    estimate: Callable[[Advisory], str],
) -> int:
    number, slug, unit, seen = behind
    record = record_of(con, number)
    try:
        cabin = fleet.cabin(slug)
    except KeyError:  # no longer enrolled: nobody there to tell
        cabin = None
    put = 0
    if cabin is not None:
        told = _told(con, "n.advisory = $advisory", {"advisory": number})
        for one in notices_due(number, cabin, unit, record, after=seen, policy=policy, estimate=estimate,
                               contacts=fleet.contacts):
            fresh = who.first(one, told, now)
            put += put_in_line(con, fresh, now)
            told += [_as_told(due) for due in fresh]
    lifted = any(event.kind == "lifted" for _, event in record)
    con.execute("DELETE FROM told_until WHERE advisory = $advisory", {"advisory": number})
    con.execute("INSERT INTO told_until VALUES ($advisory, $seq, $lifted)", {
        "advisory": number, "seq": record[-1][0], "lifted": lifted})
    return put


def _estimate(con: Con, fleet: Fleet, cabin: str, unit: str, now: datetime) -> Callable[[Advisory], str]:
    """Says of an advisory of that unit when it can be over; nothing where that cannot be worked out.

    Asks for the next guests now, outside of any transaction: nobody hears of a boil advisory later for want of it.
    """
    arrival = None
    try:
        if fleet.has_unit(cabin, unit):
            arrival, _ = arrival_of(Local(con), fleet, cabin, now)
    except Exception:
        logger.exception("when the next guests of %s come could not be seen; messages go without it", cabin)

    def words(advisory: Advisory) -> str:
        try:
            found = estimate_of(fleet, cabin, unit, advisory, now)
        except Exception:
            logger.exception("no estimate of %s/%s; messages go without it", cabin, unit)
            return ""
        return "" if found is None else message_words(found, arrival=arrival)

    return words


def follow_up_all(con: Con, fleet: Fleet, now: datetime, policy: Policy | None = None) -> int:
    """Put in line repeats and calls to the next in order, for what nobody has confirmed; the number of messages."""
    put = 0
    for number, slug, unit, event, kind, at in con.execute(_UNCONFIRMED, {"now": now}).fetchall():
        cabin = next((one for one in fleet.cabins if one.slug == slug), None)
        if cabin is None:
            continue
        told = _told(con, "n.event = $event", {"event": event})
        # Whether anything is due follows without the words; those cost a replay of the record.
        bare = NoticeDue(
            kind=NoticeKind(kind), cabin=cabin, unit=unit, at=at, mark=event.rsplit(":", 1)[1], advisory=number,
            not_before=min(one.due_at for one in told),
            messages=tuple(MessageText(role=role, subject="", body="", urgent=True) for role in ASKED))
        if not follow_up(bare, fleet.contacts, told=told, confirmed_at=None, now=now, policy=policy):
            continue
        estimate = _estimate(con, fleet, slug, unit, now)
        found = [one for one in notices_due(
            number, cabin, unit, record_of(con, number), policy=policy, estimate=estimate) if one.key == event]
        spoken = translations({cabin.language, *(one.language for one in fleet.contacts)})
        for one in found:
            due = follow_up(one, fleet.contacts, told=told, confirmed_at=None, now=now, policy=policy,
                            translations=spoken)
            put += transaction(con, lambda: put_in_line(con, due, now))  # noqa: B023  (run at once)
    return put


def tell_silence(
    con: Con, fleet: Fleet, now: datetime, *, listening_since: datetime, policy: Policy | None = None
) -> int:
    """Put in line that units fell silent or are heard again; the number of messages."""
    out: list[tuple[NoticeDue, list[Told]]] = []
    for slug, unit, last_heard, silence in con.execute(_HEARD).fetchall():
        try:
            cabin, one = fleet.cabin(slug), fleet.unit(slug, unit)
        except KeyError:
            continue
        if silence is None and now - last_heard > OLD_SILENCE:
            continue
        found = hearing(
            cabin, one, last_heard=last_heard, listening_since=listening_since, now=now, policy=policy,
            open_silence=silence.rsplit(":", 1)[1] if silence else None)
        if found is not None:
            told = _told(con, "n.event = $event", {"event": silence}) if silence else []
            out.append((found, told))
    if not out:
        return 0
    who = audience(con, fleet, now)
    return transaction(con, lambda: sum(put_in_line(con, who.first(one, told, now), now) for one, told in out))


def confirm(con: Con, body: dict[str, Any], now: datetime, path: Path) -> dict[str, Any]:
    """Note that a named person has read an advisory (`advisory, by`): no more repeats, no next in order."""
    number, who = str(body["advisory"]), str(body.get("by") or "").strip()
    if not who:
        raise BadInput("by must name the person who has read it; got an empty name")
    kept = kept_advisory(con, number)
    if kept is None:
        raise BadInput(f"no advisory {number!r}; `tarnlight advisory list` shows them")
    if kept.advisory.state is State.LIFTED:
        raise BadInput(f"advisory {number!r} is lifted: there is nothing to confirm any more")
    at = max(now, kept.advisory.updated_at)  # what it says up to now is what was read
    transaction(con, lambda: con.execute(
        "INSERT INTO confirmation VALUES ($advisory, $at_, $who)", {"advisory": number, "at_": at, "who": who}))
    return {"advisory": number, "by": who, "at": at.isoformat()}


def record_of(con: Con, number: str) -> list[tuple[int, Event]]:
    """The whole record of an advisory, in order of sequence."""
    return [(int(seq), from_json(body)) for seq, body in con.execute(_RECORD, {"advisory": number}).fetchall()]


def _told(con: Con, where: str, given: dict[str, Any]) -> list[Told]:
    found = con.execute(_TOLD.format(where=where), given).fetchall()
    return [Told(event=row[0], contact=row[1], role=row[2], channel=row[3], number=row[4], due_at=row[5],
                 delivered_at=row[6]) for row in found]


def told_of(con: Con, event: str) -> list[Told]:
    """What was put in line of one event."""
    return _told(con, "n.event = $event", {"event": event})


def _as_told(due: Due) -> Told:
    return Told(event=due.event, contact=due.contact, role=due.role, channel=due.channel, number=due.number,
                due_at=due.due_at, delivered_at=None)


def put_in_line(con: Con, due: Iterable[Due], now: datetime) -> int:
    """Add to the line; the caller holds the transaction. What is in line already stays as it is."""
    put = 0
    for one in due:
        con.execute(_PUT, {
            "key": one.key, "event": one.event, "kind": str(one.kind), "advisory": one.advisory, "cabin": one.cabin,
            "unit": one.unit, "contact": one.contact, "role": one.role, "channel": one.channel,
            "number": one.number, "at_": one.at, "due_at": one.due_at, "urgent": one.urgent, "title": one.title,
            "body": one.body, "now": now, "language": one.language})
        put += 1
        logger.info("message in line: %s of %s/%s to %s over %s", one.kind, one.cabin, one.unit,
                    one.contact or "nobody: no contact is enrolled", one.channel or "no channel")
    return put


# Taking out of line --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """A message that is due and was not delivered; of several that go together, `keys` are all of theirs."""

    key: str
    keys: tuple[str, ...]
    kind: str
    cabin: str
    number: int
    due_at: datetime
    contact: str
    channel: str
    title: str
    body: str
    urgent: bool
    failures: int
    language: str
    address: str = field(repr=False)  # of a stay's guests; empty: the channel's own


def waiting(con: Con, now: datetime) -> list[Waiting]:
    """What is to be sent now, in order."""
    keys = [key for (key,) in con.execute(_UNDELIVERED, {"now": now}).fetchall()]
    if not keys:
        return []
    return [
        Waiting(key=row[0], contact=row[1], channel=row[2], title=row[3], body=row[4], urgent=row[5],
                failures=row[6], keys=(row[0],), kind=row[7], cabin=row[8], number=row[9], due_at=row[10],
                language=row[11], address=row[12])
        for row in con.execute(_TO_SEND, {"keys": keys}).fetchall()]


def note_attempts(con: Con, found: Iterable[tuple[str, str]], now: datetime) -> None:
    """Note tries: (key, error), the error empty where the message was delivered."""
    rows = [{"key": key, "now": now, "ok": not error, "error": error} for key, error in found]

    def work() -> None:
        for row in rows:
            con.execute("INSERT INTO notification_attempt VALUES ($key, $now, $ok, $error)", row)

    transaction(con, work)
