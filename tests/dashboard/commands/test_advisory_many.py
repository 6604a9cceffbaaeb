"""One step, one confirmation or one lift for several advisories at once, each recorded or refused by itself."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

from ingest.evaluation.evaluate import evaluate
from ingest.store import Store
from tests.conftest import REACTOR, cabin_toml, tarnlight_here, utc
from tests.ingest.ingest_streams import commit, minutes, steady

START = utc("2026-11-20T17:30:00")
CUT = START + minutes(30)
SLUGS = ("heron-point", "otter-cove", "loon-bay")


def drawn_and_flushed(cabin: str) -> pd.DataFrame:
    """Lit for half an hour, as long without power while water is drawn, then lit again, and run to waste."""
    rows = steady(START, 90, cabin=cabin, flow_l_min=0.0, uvt_pct=85.0)
    out = (rows["at"] >= CUT) & (rows["at"] < CUT + minutes(30))
    rows.loc[out, ["lamp_on", "power_on"]] = False
    rows.loc[out, "intensity_w_m2"] = 0.0
    for begin, end in ((10, 20), (35, 55)):
        rows.loc[(rows["at"] >= CUT + minutes(begin)) & (rows["at"] < CUT + minutes(end)), "flow_l_min"] = 6.0
    return rows


@pytest.fixture
def store_of_three(held: Store) -> Path:
    """Three cabins of one line with a boil advisory each, a1 to a3, and one raised by hand elsewhere, a4."""
    held.act("enroll", {"text": REACTOR + cabin_toml("far-lake", "main") + "".join(
        cabin_toml(slug, "main", extra='supply_line = "line-7"') for slug in SLUGS)})
    for slug in SLUGS:
        commit(held, drawn_and_flushed(slug), START + minutes(90))
        evaluate(held.con, START + minutes(90))
    held.act("advisory-raise", {"cabin": "far-lake", "unit": "main", "by": "Ann Lund"})
    # the evening is the present
    held.con.execute("INSERT INTO clock VALUES (now(), $at_, 1.0)", {"at_": START + minutes(91)})
    path = held.path
    held.close()
    return path


def steps(path: Path) -> dict[str, list[str]]:
    """Which steps are recorded by name, by advisory."""
    store = Store(path)
    found = store.ask("""SELECT advisory, json_extract_string(body, '$.by') AS who FROM advisory_event
        WHERE json_extract_string(body, '$.kind') = 'step-recorded' ORDER BY ALL""")
    store.close()
    return {str(key): list(part["who"]) for key, part in found.groupby("advisory")}


def test_many_ids_are_each_recorded_by_name_and_one_is_refused_with_its_reason(store_of_three):
    flush = ("flush_cold", "--by", "Kim Or", "--from", (CUT + minutes(36)).isoformat(), "--at",
             (CUT + minutes(54)).isoformat())
    done = tarnlight_here(store_of_three, "advisory", "record", "a1", "a9", "a3", *flush)
    assert done.returncode == 2
    assert "a9: refused: no advisory 'a9'" in done.stderr
    assert [line.split(";")[0] for line in done.stdout.splitlines()[:2]] == ["a1: recorded", "a3: recorded"]
    assert "2 of 3 done, 1 refused." in done.stdout
    assert steps(store_of_three) == {"a1": ["Kim Or"], "a3": ["Kim Or"]}
    again = tarnlight_here(store_of_three, "advisory", "record", "a2", "a3", *flush)
    assert again.returncode == 2
    assert "a3: refused: " in again.stderr
    assert "a2: recorded" in again.stdout
    assert steps(store_of_three) == {number: ["Kim Or"] for number in ("a1", "a2", "a3")}


def test_an_event_names_its_own_open_advisories_and_no_other(store_of_three):
    listed = tarnlight_here(store_of_three, "events", "--json")
    (event,) = json.loads(listed.stdout)
    assert [one["advisory"] for one in event["members"]] == ["a1", "a3", "a2"]  # by slug, as they began together
    told = tarnlight_here(store_of_three, "advisory", "confirm", "--event", event["id"], "--by", "Kim Or")
    assert told.returncode == 0, told.stderr
    assert [line.split(":")[0] for line in told.stdout.splitlines()[:3]] == ["a1", "a2", "a3"]
    assert "3 of 3 done." in told.stdout
    # an event may have grown since they looked: each line says where
    assert all(f"{one['advisory']}: {one['cabin']}/main: confirmed by Kim Or" in told.stdout
               for one in event["members"])
    store = Store(store_of_three)
    assert store.ask("SELECT advisory FROM confirmation ORDER BY 1")["advisory"].tolist() == ["a1", "a2", "a3"]
    store.close()
    gone = tarnlight_here(store_of_three, "advisory", "lift", "a2", "--by", "Kim Or", "--reason", "an exercise")
    assert gone.returncode == 0, gone.stderr
    rest = tarnlight_here(
        store_of_three, "advisory", "lift", "--event", event["id"], "--by", "Kim Or", "--reason", "an exercise")
    assert rest.returncode == 0, rest.stderr
    assert [line.split(":")[0] for line in rest.stdout.splitlines()[:2]] == ["a1", "a3"]
    none = tarnlight_here(store_of_three, "advisory", "lift", "--event", event["id"], "--by", "Kim Or")
    assert none.returncode == 2
    assert "no open advisory is of the shared event" in none.stderr
    assert "a4" in tarnlight_here(store_of_three, "advisory", "list").stdout


@pytest.mark.parametrize(("words", "why"), [
    (["record", "a1", "--by", "Kim"], "name the step that was done"),
    (["record", "disinfect", "--by", "Kim"], "name one or more advisories"),
    (["record", "a1", "disinfect", "--event", "x", "--by", "Kim"], "not both"),
    (["confirm", "--event", "20261399T000000Z.heron-point.main", "--by", "Kim"], "no shared event"),
    (["confirm", "--by", "Kim"], "name one or more advisories"),
    (["lift", "--event", "20200101T000000Z.heron-point.main", "--by", "Kim"], "no shared event"),
])
def test_what_names_nothing_or_too_much_is_refused(store_of_three, words, why):
    done = tarnlight_here(store_of_three, "advisory", *words)
    assert done.returncode == 2
    assert why in done.stderr
    assert steps(store_of_three) == {}
