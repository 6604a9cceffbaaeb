"""Shared events from a real store: built from what is stored, the same in any order of arrival, and listed."""

from __future__ import annotations

import itertools
import json
from datetime import datetime

import pandas as pd
import pytest

from ingest.db.engine import Asks
from ingest.evaluation.evaluate import evaluate
from ingest.evaluation.shared import events_since
from ingest.registry.tables import load_fleet
from ingest.store import Store
from models.advisory.shared_event import SharedEvent, Trouble
from tests.conftest import REACTOR, cabin_toml, tarnlight_here, utc
from tests.ingest.ingest_streams import commit, minutes, steady

START = utc("2026-11-20T17:30:00")
CUT, BACK = START + minutes(30), START + minutes(120)
NOW = START + minutes(150)
FLEET = REACTOR + "".join(
    cabin_toml(slug, "main", extra=f'supply_line = "{line}"').replace("45.4", str(latitude))
    for slug, line, latitude in (
        ("heron-point", "line-7", 45.4), ("otter-cove", "line-7", 46.4), ("loon-bay", "", 45.5),
        ("far-lake", "", 48.0)))


def evening(cabin: str, *, cut: datetime | None = None, silent: bool = False, end: datetime = NOW) -> pd.DataFrame:
    """A reading a minute: lit, without power or not heard from the cut until the power is back, lit again."""
    every = [steady(START, int((end - START).total_seconds() // 60), cabin=cabin, flow_l_min=0.0)]
    rows = pd.concat(every)
    if cut is None:
        return rows
    out = (rows["at"] >= cut) & (rows["at"] < BACK)
    rows.loc[out, ["lamp_on", "power_on"]] = False
    rows.loc[out, "intensity_w_m2"] = 0.0
    return rows[~out] if silent else rows


def evening_of_four(end: datetime = NOW) -> list[pd.DataFrame]:
    return [
        evening("heron-point", cut=CUT, end=end), evening("otter-cove", cut=CUT + minutes(20), end=end),
        evening("loon-bay", cut=CUT + minutes(4), silent=True, end=end), evening("far-lake", end=end)]


@pytest.fixture
def four(held: Store) -> Store:
    held.act("enroll", {"text": FLEET})
    return held


def found(store: Store, now: datetime) -> tuple[SharedEvent, ...]:
    asks: Asks = store
    return events_since(asks, load_fleet(store), now, START)


def test_one_line_and_a_silent_neighbour_are_one_event_that_grows_and_closes(four):
    for rows in evening_of_four(CUT + minutes(45)):
        commit(four, rows, CUT + minutes(45))
    evaluate(four.con, CUT + minutes(45))
    (going,) = found(four, CUT + minutes(45))
    assert (going.trouble, going.end) == (Trouble.POWER_CUT, None)
    assert going.cabins == ("heron-point", "loon-bay", "otter-cove")
    assert {one.trouble for one in going.members} == {Trouble.POWER_CUT, Trouble.SILENCE}
    for rows in evening_of_four():
        commit(four, rows, NOW)
    evaluate(four.con, NOW)
    (over,) = found(four, NOW)
    assert over.id == going.id
    assert over.cabins == going.cabins
    assert over.end is not None
    assert abs(over.end - BACK) <= minutes(2)


@pytest.mark.parametrize("order", list(itertools.permutations(range(4)))[::7])
def test_any_order_of_backlogs_gives_the_same_events(four, order):
    every = evening_of_four()
    for n in order:
        commit(four, every[n], NOW)
        evaluate(four.con, NOW)
    (one,) = found(four, NOW)
    # a minute earlier where the last reading with power speaks for none of the time up to the next
    assert one.cabins == ("heron-point", "loon-bay", "otter-cove")
    assert [round((member.start - CUT).total_seconds() / 60) for member in one.members] in ([0, 4, 20], [-1, 3, 19])


def test_the_command_lists_every_member_with_its_own_verdict(four):
    for rows in evening_of_four(CUT + minutes(45)):
        commit(four, rows, CUT + minutes(45))
    evaluate(four.con, CUT + minutes(45))
    path = four.path
    four.close()
    done = tarnlight_here(path, "events", "--since", START.isoformat(), "--json")
    assert done.returncode == 0, done.stderr
    (one,) = json.loads(done.stdout)
    assert [member["cabin"] for member in one["members"]] == ["heron-point", "loon-bay", "otter-cove"]
    assert {member["verdict"] for member in one["members"]} <= {"silent", "boil", "watch"}
    words = tarnlight_here(path, "events", "--since", START.isoformat())
    for slug in ("heron-point", "loon-bay", "otter-cove"):
        assert f"{slug}/main" in words.stdout
    assert "far-lake" not in words.stdout
    assert "local health authority" in words.stdout
    none = tarnlight_here(path, "events", "--since", "2026-12-20T00:00:00Z")
    assert none.returncode == 0
