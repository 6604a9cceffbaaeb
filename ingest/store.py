"""The store as the rest of the program sees it: ask it, or have it do something.

`Store` holds the file; `Client` speaks to the collector that does. Both have the same three methods, so that a
command or a page never needs to know which one it was given.
"""

from __future__ import annotations

import json
import time
import uuid
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, Protocol

import duckdb

from ingest import private_files
from ingest.actions import ACTIONS
from ingest.clock import Clock, OwnClock
from ingest.db import engine
from ingest.db.engine import Asks, Local, Remote
from ingest.db.migrations import migrate
from ingest.settings import BadInput, CollectorHangs, NoRoom, Settings, StoreUnavailable

REQUEST_WITHIN_S = 60.0
HELD_WITHIN_S = 5.0
_MAY_STILL = "what was asked for may still be done, so look before you ask for it again"


class StoreHeld(StoreUnavailable):
    """Another process holds the store's file."""


class Access(Asks, Protocol):
    """What a command or page may do with a store."""

    def act(
        self, kind: str, body: Mapping[str, Any], *, within_s: float = REQUEST_WITHIN_S
    ) -> dict[str, Any]:
        """Do one of `ingest.actions.ACTIONS`, whole or not at all; BadInput says why not.

        `within_s` is how long an answer of the collector is waited for.
        """
        ...

    def now(self) -> datetime:
        """The store's present instant."""
        ...

    def close(self) -> None:
        """Let go of it."""
        ...


def clock_of(store: Asks) -> Clock:
    """The clock that a store lives by."""
    found = store.ask("SELECT * FROM clock")
    if found.empty:
        return Clock()
    row = found.iloc[0]
    return Clock(wall_start=row["wall_start"].to_pydatetime(), store_start=row["store_start"].to_pydatetime(),
                 speed=float(row["speed"]))


class Store(Local):
    """The store's file, held by this process alone."""

    def __init__(self, path: Path) -> None:
        try:
            private_files.make_folder(path.parent)
            private_files.mend(path)
            super().__init__(engine.connect(path))
        except duckdb.IOException as error:
            if "could not set lock" in str(error).lower():
                raise StoreHeld(
                    f"{path} is held by another process; if that is a collector of another user, ask them"
                ) from error
            raise StoreUnavailable(f"{path} cannot be opened: {error}") from error
        except (OSError, duckdb.Error) as error:
            raise StoreUnavailable(f"{path} cannot be opened: {error}") from error
        self.path = path
        try:
            migrate(self.con)
            self.clock: Clock | OwnClock = clock_of(self)
        except (ValueError, duckdb.Error) as error:  # of a later version, or another program's database
            self.con.close()
            raise StoreUnavailable(f"{path} cannot be used: {error}") from error

    def act(
        self, kind: str, body: Mapping[str, Any], *, within_s: float = REQUEST_WITHIN_S
    ) -> dict[str, Any]:
        action = ACTIONS.get(kind)
        if action is None:
            raise BadInput(f"unknown action {kind!r}; known are: {', '.join(ACTIONS)}")
        return action(self.con, dict(body), self.now(), self.path)

    def now(self) -> datetime:
        return self.clock.now()

    def close(self) -> None:
        self.con.close()


class Client(Remote):
    """A store that a running collector holds."""

    def __init__(self, address: str, token: str, *, bell: Path | None = None) -> None:
        super().__init__(address, token)
        self._bell = bell
        self._clock = clock_of(self)

    def act(
        self, kind: str, body: Mapping[str, Any], *, within_s: float = REQUEST_WITHIN_S
    ) -> dict[str, Any]:
        number = uuid.uuid4().hex
        try:
            self.ask(
                "INSERT INTO request VALUES ($id, now(), $kind, $body::JSON) RETURNING id",
                {"id": number, "kind": kind, "body": json.dumps(body)},
            )
            if self._bell is not None:
                engine.ring(self._bell)
            return self._answer_to(number, within_s)
        except CollectorHangs as error:  # what it has been sent waits for it
            raise CollectorHangs(f"{error}; {_MAY_STILL}") from error

    def _answer_to(self, number: str, within_s: float) -> dict[str, Any]:
        until = time.monotonic() + within_s
        while time.monotonic() < until:
            found = self.ask("SELECT ok, body FROM answer WHERE id = $id", {"id": number})
            if len(found):
                answer: dict[str, Any] = json.loads(found["body"].iloc[0])
                if found["ok"].iloc[0]:
                    return answer
                raise (NoRoom if answer.get("no_room") else BadInput)(answer["error"])
            time.sleep(0.03)
        raise StoreUnavailable(
            f"the collector did not answer within {within_s:g} s; `tarnlight doctor` says what it does; "
            f"{_MAY_STILL}")

    def now(self) -> datetime:
        return self._clock.now()

    def close(self) -> None:
        self._con.close()


def client(settings: Settings) -> Client:
    """The running collector's store.

    Raises
    ------
    StoreUnavailable
        If no collector runs.
    """
    found = engine.read_address(settings.address_file)
    if found is None:
        raise StoreUnavailable(f"no collector holds {settings.store}; start it with `tarnlight collect`")
    return Client(*found, bell=settings.address_file)


def open_store(settings: Settings) -> Access:
    """The running collector's store; where none runs, the file itself.

    A file that another command holds is soon free again, or its collector soon says where it listens: waited for.

    Raises
    ------
    StoreUnavailable
        If neither can be had within `HELD_WITHIN_S`.
    """
    until = time.monotonic() + HELD_WITHIN_S
    while True:
        try:
            return client(settings)
        except CollectorHangs:
            raise  # it holds the file
        except StoreUnavailable:
            try:
                return Store(settings.store)
            except StoreHeld:
                if time.monotonic() >= until:
                    raise
        time.sleep(0.1)

