"""Six hours of one unit up to now, and the commands that are tried on it."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from ingest.evaluation.evaluate import evaluate
from ingest.store import Store
from tests.conftest import tarnlight_here
from tests.ingest.ingest_streams import commit, steady

HERON = ("--cabin", "heron-point", "--unit", "main")
_LAST: dict[str, datetime] = {}  # of the log that was made last: each test has one of its own


def hours(n: float) -> datetime:
    """So many hours before the log's last reading."""
    return _LAST["at"] - timedelta(hours=n)


def drawn_log(store: Store, *, since_l_min: float) -> Path:
    """Six hours of a lit lamp, in the second of which 19 L/min were drawn, and `since_l_min` after that.

    They end now and not when the tests began, or a slow run would find the unit silent.
    """
    _LAST["at"] = datetime.now(UTC).replace(second=0, microsecond=0)
    rows = steady(hours(6), 361, flow_l_min=0.0)
    at = rows["at"]
    taps = (at >= pd.Timestamp(hours(5))) & (at < pd.Timestamp(hours(4)))
    rows["flow_l_min"] = np.where(taps, 19.0, np.where(at >= pd.Timestamp(hours(4)), since_l_min, 0.0))
    rows["total_l"] = np.cumsum(rows["flow_l_min"]).round(2)
    commit(store, rows)
    evaluate(store.con, hours(0) + timedelta(seconds=30))
    store.close()
    return store.path


def run(path: Path, *words: str) -> str:
    """What a command that goes well prints."""
    found = tarnlight_here(path, *words)
    assert found.returncode == 0, found.stderr
    return found.stdout


def refused(path: Path, *words: str) -> str:
    """Why a command is refused."""
    found = tarnlight_here(path, *words)
    assert found.returncode == 2, found.stdout
    return found.stderr


def told(path: Path, *words: str) -> list[dict[str, Any]]:
    """What a command says as JSON."""
    return json.loads(run(path, *words, "--json"))
