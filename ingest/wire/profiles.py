"""What was said of a kind of logger's files, kept in the store under a name; the latest word of a name holds."""

from __future__ import annotations

import json
import re
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb

from ingest.db.engine import Asks, Local, transaction
from ingest.settings import BadInput
from ingest.wire.csv_told import Told, told_from

_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,62}")
_INSERT = "INSERT INTO load_profile VALUES ($name, $body, $now)"
_LATEST = """SELECT arg_max(body, "at") AS body FROM load_profile WHERE name = $name HAVING count(*) > 0"""
_NAMES = "SELECT DISTINCT name FROM load_profile ORDER BY name"


def save_profile(con: duckdb.DuckDBPyConnection, body: dict[str, Any], now: datetime, path: Path) -> dict[str, Any]:
    """Keep what is told of a kind of file (`name, profile`); one of the same name no longer holds."""
    name = profile_name(str(body.get("name") or ""))
    profile = body.get("profile")
    if not isinstance(profile, dict):
        raise BadInput("profile must be an object")
    kept = json.dumps(told_from(profile).body(), sort_keys=True)  # only what can be read back
    before = Local(con).ask(_LATEST, {"name": name})

    def work() -> None:
        con.execute(_INSERT, {"name": name, "body": kept, "now": now})

    transaction(con, work)
    return {"name": name, "replaced": not before.empty}


def profile_name(name: str) -> str:
    """A name that a profile may have."""
    if not _NAME.fullmatch(name):
        raise BadInput(f"a profile's name must be like hill-logger: a-z, 0-9 and -, at most 63; got {name!r}")
    return name


def profile(store: Asks, name: str) -> Told:
    """What was said under this name.

    Raises
    ------
    BadInput
        If nothing was; the message lists the names that are there.
    """
    found = store.ask(_LATEST, {"name": profile_name(name)})
    if found.empty:
        names = store.ask(_NAMES)["name"].tolist()
        raise BadInput(f"no profile {name!r} was saved; saved are: {', '.join(names) or 'none'}")
    return told_from(json.loads(found["body"].iloc[0]))
