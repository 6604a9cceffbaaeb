"""How the guests of one stay are reached: typed by a named person, never taken from a calendar, forgotten after it.

A calendar's text is anybody's: whoever may write into one could have us send to any address. So only a contact of
the registry, or one that a named person typed for a stay, is ever written to. Its address is a mail address or a
telephone number and nothing else; which server sends is a secret of ours (`STAY_MAIL`, `STAY_PHONE`), with `{to}`
where the address goes. Messages, logs and errors know a stay by a name that says nothing of who it is.
"""

from __future__ import annotations

import re
import uuid
from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb

from ingest.db.engine import transaction
from ingest.settings import BadInput
from models.fleet import Cabin, Contact, Fleet, Role
from models.wording import LANGUAGES, one_line

MAIL, PHONE = "STAY_MAIL", "STAY_PHONE"  # channels through which guests are written to
NAMED = "stay-"  # how a stay's name in messages begins
KEPT_AFTER = timedelta(days=7)  # its last day, for an end that is told late; common practice, no source
LONGEST_STAY = timedelta(days=400)
# Of RFC 5321's mailbox what every server takes; no character means anything in an address of a channel.
_MAIL_ADDRESS = re.compile(r"[A-Za-z0-9][A-Za-z0-9._+-]{0,63}@(?:[A-Za-z0-9-]{1,63}\.)+[A-Za-z]{2,63}")
_TELEPHONE = re.compile(r"\+[0-9]{7,15}")  # ITU-T E.164, from memory
_SAME = """
    SELECT contact FROM stay_contact
    WHERE cabin = $cabin AND first_day = $first AND last_day = $last AND address = $address
"""
_PRESENT = """
    SELECT contact, cabin, first_day, last_day, channel, language FROM stay_contact
    WHERE last_day >= $day::DATE - 1 AND first_day <= $day::DATE + 1 ORDER BY contact
"""


def channel_of(address: str) -> tuple[str, str]:
    """The channel for a guest's address, and the address as it is kept.

    Raises
    ------
    BadInput
        If it is neither a mail address nor a telephone number. Quotes none of it.
    """
    text = address.strip()
    if len(text) <= 254 and _MAIL_ADDRESS.fullmatch(text):
        return MAIL, text
    number = re.sub(r"[ ().-]", "", text)
    if _TELEPHONE.fullmatch(number):
        return PHONE, number
    raise BadInput(
        "a guest's address must be one mail address, or one telephone number with its country like +1 555 0100 "
        f"123; got {len(text)} characters that are neither")


def keep_contact(con: duckdb.DuckDBPyConnection, body: dict[str, Any], now: datetime, path: Path) -> dict[str, Any]:
    """Note how the guests of a stay are reached (`cabin, arrives, leaves, address, by`, and a `language`).

    The same address typed again for the same stay is the same contact: nobody is told twice.
    """
    who = one_line(str(body.get("by") or "")).strip()
    if not who:
        raise BadInput("no name was given: say who types this (by)")
    cabin = str(body.get("cabin") or "")
    known = [slug for (slug,) in con.execute("SELECT slug FROM cabin ORDER BY slug").fetchall()]
    if cabin not in known:
        raise BadInput(f"no cabin {cabin!r} is enrolled; enrolled are: {', '.join(known) or 'none'}")
    arrives, leaves = (_day(body, name) for name in ("arrives", "leaves"))
    if not arrives <= leaves <= arrives + LONGEST_STAY:
        raise BadInput(
            f"the day of departure (leaves) must not lie before the day of arrival ({arrives}), nor more than "
            f"{LONGEST_STAY.days} days after it; got {leaves}")
    if leaves < now.date() - timedelta(days=1):
        raise BadInput(f"this stay ended on {leaves}: nobody is there any more")
    language = str(body.get("language") or "")
    if language and language not in LANGUAGES:
        raise BadInput(f"language must be one of {', '.join(LANGUAGES)}, or left out; got {language!r}")
    channel, address = channel_of(str(body.get("address") or ""))
    same = con.execute(_SAME, {"cabin": cabin, "first": arrives, "last": leaves, "address": address}).fetchone()
    name = same[0] if same else f"{NAMED}{uuid.uuid4().hex[:12]}"

    def work() -> None:
        con.execute("DELETE FROM stay_contact WHERE contact = $contact", {"contact": name})
        con.execute(
            "INSERT INTO stay_contact VALUES ("
            "$contact, $cabin, $first, $last, $channel, $address, $language, $who, $now)",
            {"contact": name, "cabin": cabin, "first": arrives, "last": leaves, "channel": channel,
             "address": address, "language": language, "who": who, "now": now})

    transaction(con, work)
    return {"contact": name, "cabin": cabin, "channel": channel}


def forget_contact(
    con: duckdb.DuckDBPyConnection, body: dict[str, Any], now: datetime, path: Path
) -> dict[str, Any]:
    """Forget how the guests of a stay are reached (`contact`, its name): they are told nothing more."""
    name = str(body.get("contact") or "")
    gone = con.execute("DELETE FROM stay_contact WHERE contact = $contact RETURNING contact", {"contact": name})
    if not gone.fetchall():
        raise BadInput(f"no stay has a contact {name!r}; `tarnlight stay list` shows them")
    return {"contact": name}


def forget_past(con: duckdb.DuckDBPyConnection, now: datetime) -> None:
    """Let go of addresses whose stay is long over."""
    con.execute("DELETE FROM stay_contact WHERE last_day < $day::DATE", {"day": now.date() - KEPT_AFTER})


def guests_there(con: duckdb.DuckDBPyConnection, fleet: Fleet, now: datetime) -> tuple[Contact, ...]:
    """A contact for each stay that has one and is under way; days of arrival and departure count whole."""
    out = []
    for name, slug, first, last, channel, language in con.execute(_PRESENT, {
            "day": now.astimezone(UTC).date()}).fetchall():
        if fleet.has_cabin(slug) and first <= now.astimezone(fleet.cabin(slug).zone).date() <= last:
            out.append(Contact(
                name=name, role=Role.GUEST, cabins=(slug,), channels=(channel,), language=language))
    return tuple(out)


def with_guests(con: duckdb.DuckDBPyConnection, fleet: Fleet, now: datetime) -> tuple[Contact, ...]:
    """Everybody who may be told now: the registry's contacts, and the guests who are there."""
    return (*fleet.contacts, *guests_there(con, fleet, now))


def is_reached(contacts: Iterable[Contact], cabin: Cabin) -> bool:
    """Whether anybody in the cabin has a channel."""
    return any(
        one.role is Role.GUEST and one.channels and (not one.cabins or cabin.slug in one.cabins)
        for one in contacts)


def _day(body: dict[str, Any], name: str) -> date:
    try:
        return date.fromisoformat(str(body.get(name) or ""))
    except ValueError:
        raise BadInput(f"{name} must be a day like 2026-12-24; got {body.get(name)!r}") from None
