"""No page breaks, whatever the store holds, light or dark: each is run on a real collector, without a browser."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pandas as pd
import pytest

from dashboard.views import chart, frame
from ingest.actions import transaction
from ingest.db.intake import keep
from ingest.settings import Settings
from ingest.store import Store
from tests.conftest import FLEET_TOML, REACTOR, Running, cabin_toml, free_port
from tests.dashboard.views.test_app import fill, fresh, page, told

__all__ = ["fresh", "page"]
PAGES = ("now", "over-time", "cabin", "after-cut", "advisories", "shared-event", "lamps", "visits", "commission",
         "cabins", "system")
BROKEN = "is a fault of this program"  # what a page says in the place of one that broke
# what is enrolled, and whether readings came of two of its cabins
STATES = {
    "no cabin": ("", False), "one cabin without data": (REACTOR + cabin_toml("lone-pine", "main"), False),
    "a cabin without a unit": (REACTOR + cabin_toml("lone-pine"), False),
    "quarantine only": (REACTOR + cabin_toml("lone-pine", "main"), False),
    "twelve cabins": (
        FLEET_TOML + "".join(cabin_toml(f"cabin-{number:02d}", "main") for number in range(10)), True)}


@contextmanager
def holding(folder: Path, name: str) -> Iterator[Running]:
    """A collector of such a store; its broker does not answer."""
    path = folder / "tarnlight.duckdb"
    fleet, readings = STATES[name]
    store = Store(path)
    if fleet:
        store.act("enroll", {"text": fleet})
    if name == "quarantine only":
        refused = pd.DataFrame({
            "source": ["tarnlight/lone-pine/main/log"], "cabin": ["lone-pine"], "unit": ["main"],
            "payload": [b"<b>not json</b>"], "reason": ["not JSON"]})
        transaction(store.con, lambda: keep(store.con, rows=pd.DataFrame(), refused=refused, arrived=store.now()))
    store.close()
    if readings:
        fill(path)
    one = Running(Settings(store=path, broker=f"mqtt://127.0.0.1:{free_port()}"), folder / "collector.log")
    one.start(connected=False)
    yield one
    one.kill()


@pytest.mark.parametrize("name", [
    name if name in ("no cabin", "twelve cabins") else pytest.param(name, marks=pytest.mark.slow)
    for name in STATES])
def test_no_page_breaks(page, tmp_path, monkeypatch, name: str) -> None:
    with holding(tmp_path, name) as collector:
        for dark in (False, True) if STATES[name][1] else (False,):  # nothing is drawn of what was never read
            monkeypatch.setattr(chart, "in_the_dark", lambda dark=dark: dark)
            monkeypatch.setattr(frame, "in_the_dark", lambda dark=dark: dark)
            for one in PAGES:
                text = told(page(collector, one))
                assert BROKEN not in text, one
                assert "The collector does not answer" not in text, one
                assert text, one


def test_no_page_breaks_without_a_store(page, tmp_path) -> None:
    for one in PAGES:
        assert "The collector does not answer" in told(page(tmp_path / "none.duckdb", one)), one


def test_a_page_that_breaks_would_be_seen(page, tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(chart, "darkened", lambda figure: 1 / 0)
    monkeypatch.setattr(chart, "in_the_dark", lambda: True)
    monkeypatch.setattr(frame, "in_the_dark", lambda: True)
    with holding(tmp_path, "twelve cabins") as collector:
        assert BROKEN in told(page(collector, "cabin", cabin="otter-cove", unit="main"))
