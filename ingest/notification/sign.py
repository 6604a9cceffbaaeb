"""The sign in the cabin: one retained MQTT message per cabin, `tarnlight/<cabin>/advisory`.

JSON: `cabin`, `state` (boil, silent or none), `since`, `advisory` (its number or null), `text`, `at`,
`valid_until`. `none` says that no advisory stands and every unit is heard and dosed; what is not known is `silent`,
and a sign must show `silent` too once `valid_until` has passed: whoever published may be dead. `at` and
`valid_until` are wall time.

A cabin that got another name has the same on the topic of its former name too, where its sign may still listen. One
that is retired is told once that nobody watches any more.
"""

from __future__ import annotations

import json
import logging
import time
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime
from typing import Any

from ingest.queries import UnitStatus, status
from ingest.registry.tables import load_names
from ingest.store import Store
from ingest.wire.mqtt import Subscription
from models.counterpart import HOLDS_FOR
from models.verdict import Verdict, Word

logger = logging.getLogger(__name__)

RENEW_S = 240.0
CHECK_S = 2.0
SHARE = 30.0  # of its own cost, so that verdicts of a large fleet never take more than 1/30 of the collector,
QUIET_S = 90.0  # and while nothing is heard, since then time alone can turn a sign, and that by minutes:
QUIET_SHARE = 100.0

TEXTS = {
    "boil": "Boil tap water before drinking, or use bottled water.",
    "silent": "Not known whether the water is disinfected: boil it before drinking, or use bottled water.",
    "none": "No boil advisory stands.",
}
STOPPED = "Nobody watches the water now: boil it before drinking, or use bottled water, until this changes."


def sign(cabin: str, statuses: Iterable[UnitStatus]) -> dict[str, Any]:
    """What the sign of a cabin has to show: the worst of its units; unknown is never none."""
    here = [one for one in statuses if one.cabin.slug == cabin]
    words = {one.verdict.verdict for one in here}
    state = "boil" if Word.BOIL in words else "silent" if Word.SILENT in words or not here else "none"
    judged = [one for one in here if _state(one.verdict.verdict) == state]
    since = [one.verdict.since for one in judged if one.verdict.since is not None]
    numbers = sorted(one.standing.id for one in here if one.standing is not None)
    return {
        "cabin": cabin, "state": state, "since": _iso((min if state != "none" else max)(since, default=None)),
        "advisory": numbers[0] if numbers else None, "text": TEXTS[state]}


def _state(word: Word) -> str:
    return {"boil": "boil", "silent": "silent"}.get(str(word), "none")


def _what_counts(one: Verdict) -> object:
    """What another collector goes by: reasons say how long it has lasted, and are others each minute."""
    return one.verdict, one.since, one.next_action, one.works


class Signs:
    """Keeps the retained messages true: on change, at the start, renewed while the collector lives.

    `tell` hears each cabin's own verdicts as often, for a collector of its own that it may have.
    """

    def __init__(
        self, store: Store, subscription: Subscription,
        tell: Callable[[str, Mapping[str, Verdict]], None] = lambda cabin, own: None,
    ) -> None:
        self._store, self._subscription, self._tell = store, subscription, tell
        self._shown: dict[str, dict[str, Any]] = {}
        self._told: dict[str, dict[str, object]] = {}
        self._check_due = self._quiet_due = self._renew_due = 0.0
        self._connected = self._warm = self._heard = False

    def heard(self) -> None:
        """Readings came, or a person did something: any sign may be another now."""
        self._heard = True

    def turn(self, *, changed: bool = False) -> None:
        """Publish what changed; cheap between checks. `changed`: an advisory did, look at once."""
        began = time.monotonic()
        if not (changed or began >= (self._check_due if self._heard else self._quiet_due)):
            return
        if not self._subscription.connected:
            self._connected, self._check_due = False, began + CHECK_S
            self._quiet_due = self._check_due
            return
        self._heard = False
        try:
            if not self._connected or began >= self._renew_due:  # the broker may have lost or kept an older one
                self._connected, self._renew_due = True, began + RENEW_S
                self._shown.clear()
                self._told.clear()
            self._publish()
        except Exception:  # outermost: no fault in a sign may stop the collecting; what it shows runs out
            logger.exception("the cabins' signs could not be worked out")
        ended = time.monotonic()
        took = ended - began if self._warm else 0.0  # the first loads what the later find: it tells nothing of them
        self._warm, self._check_due = True, ended + max(CHECK_S, SHARE * took)
        self._quiet_due = ended + max(QUIET_S, QUIET_SHARE * took)

    def close(self) -> None:
        """Say that nobody watches any more."""
        for cabin in self._shown:
            self._send(self._stopped(cabin))

    def _stopped(self, cabin: str) -> dict[str, Any]:
        return {"cabin": cabin, "state": "silent", "since": _iso(self._store.now()), "advisory": None,
                "text": STOPPED}

    def _publish(self) -> None:
        found, names = status(self._store, self._store.now()), load_names(self._store)
        here = {one.cabin.slug for one in found}
        listening = {other: cabin for cabin in here for other in names.signs_of(cabin)} | {one: one for one in here}
        for topic, cabin in sorted(listening.items()):
            one = sign(cabin, found) | {"cabin": topic}
            if self._shown.get(topic) != one:
                self._shown[topic] = one
                self._send(one)
            own = {unit.unit.slug: unit.own or unit.verdict for unit in found if unit.cabin.slug == cabin}
            counts = {unit: _what_counts(one) for unit, one in own.items()}
            if self._told.get(cabin) != counts:
                self._told[cabin] = counts
                self._tell(cabin, own)
        for topic in self._shown.keys() - listening.keys():
            self._send(self._stopped(topic))
            del self._shown[topic]

    def _send(self, one: dict[str, Any]) -> None:
        at = datetime.now(UTC)
        payload = {**one, "at": _iso(at), "valid_until": _iso(at + HOLDS_FOR)}
        self._subscription.publish(f"tarnlight/{one['cabin']}/advisory", json.dumps(payload), retain=True)


def _iso(at: datetime | None) -> str | None:
    return None if at is None else at.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
