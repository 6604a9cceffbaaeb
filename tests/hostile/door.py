"""The program's own door: a registry, rows and link events in by its commands, verdicts and intervals out as JSON.

Everything runs in this process, on a real store's file. The store's clock is made to stand at an instant of our
choice, so that a history reads the same on any day.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd

from dashboard.cli import main
from ingest.db.intake import keep

from .truth import KINDS

STANDS = 1e-9  # speed of a clock that stands


class Refused(Exception):
    """A command ended with an error."""


def tarnlight(store: Path, *words: str) -> str:
    """Standard output of a command.

    Raises
    ------
    Refused
        If it does not end with 0; with what it said.
    """
    out, err = io.StringIO(), io.StringIO()
    before = {name: os.environ.pop(name) for name in [name for name in os.environ if name.startswith("TARNLIGHT_")]}
    os.environ["TARNLIGHT_STORE"] = str(store)
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            try:
                code = main(list(words))
            except SystemExit as stopped:
                code = int(stopped.code or 0)
    finally:
        del os.environ["TARNLIGHT_STORE"]
        os.environ.update(before)
    if code != 0:
        raise Refused(f"{' '.join(words)}: {code}: {err.getvalue()[-2000:]}")
    return out.getvalue()


def toml(values: Mapping[str, Any]) -> str:
    """Keys and values as lines of TOML."""
    return "".join(f"{key} = {json.dumps(value)}\n" for key, value in values.items())


def reactors_toml() -> str:
    """All kinds of reactor."""
    return "".join(
        "[[reactor]]\n" + toml(asdict(kind) | {"lamp_uvc_w": 13.0, "sleeve_transmittance": 0.92}) for kind in KINDS)


def cabin_toml(slug: str, unit: Mapping[str, Any], zone: str = "America/Toronto") -> str:
    """A cabin with one unit."""
    place = {"slug": slug, "name": f"Cabin {slug}", "time_zone": zone, "latitude": 45.4, "longitude": -79.2,
             "altitude_m": 320}
    return "[[cabin]]\n" + toml(place) + "[[cabin.unit]]\n" + toml(unit)


class Door:
    """One store, and what goes in and out of it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.store = folder / "tarnlight.duckdb"

    def enroll(self, text: str, *more: str) -> str:
        """Write a registry."""
        file = self.folder / "fleet.toml"
        file.write_text(text, encoding="utf-8")
        return tarnlight(self.store, "enroll", str(file), *(more or ("--yes",)))

    def stand_at(self, now: datetime) -> None:
        """Let the store's clock stand at that instant."""
        con = duckdb.connect(str(self.store))
        con.execute("DELETE FROM clock")
        con.execute("INSERT INTO clock VALUES (now(), $now, $speed)", {"now": now, "speed": STANDS})
        con.close()

    def link(self, events: pd.DataFrame, now: datetime) -> None:
        """Link events (`cabin, unit, at, up`), as messages of a broker would leave them."""
        if events.empty:
            return
        con = duckdb.connect(str(self.store))
        keep(con, rows=pd.DataFrame(), links=events, arrived=now)
        con.close()

    def load(self, rows: pd.DataFrame, name: str = "log.csv") -> str:
        """Rows of a CSV log (`at, cabin, unit` and quantities; times as text)."""
        file = self.folder / name
        rows.to_csv(file, index=False)
        return tarnlight(self.store, "load", str(file))

    def status(self, *more: str) -> list[dict[str, Any]]:
        """`status --json`."""
        return list(json.loads(tarnlight(self.store, "status", "--json", *more)))

    def outages(self, *more: str) -> list[dict[str, Any]]:
        """`outages --json`."""
        return list(json.loads(tarnlight(self.store, "outages", "--json", *more)))

    def report(self, cabin: str, month: str) -> dict[str, Any]:
        """`report --json` of the cabin's first unit."""
        return dict(json.loads(tarnlight(self.store, "report", "--json", "--cabin", cabin, "--month", month))[0])


def by_cabin(found: Iterable[Mapping[str, Any]]) -> dict[str, list[Mapping[str, Any]]]:
    """Entries of a JSON answer by cabin."""
    out: dict[str, list[Mapping[str, Any]]] = {}
    for one in found:
        out.setdefault(str(one["cabin"]), []).append(one)
    return out
