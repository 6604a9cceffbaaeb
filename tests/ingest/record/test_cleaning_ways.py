"""A hot tank is cleaned by one of several ways; each counts by a named person's record of what proves it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from datetime import UTC, datetime

import numpy as np
import pytest

from ingest import queries
from ingest.actions import ACTIONS
from ingest.settings import BadInput
from ingest.store import Store
from models.advisory import Step, from_json
from tests.conftest import FLEET_TOML
from tests.ingest.ingest_streams import steady
from tests.ingest.record.test_answered import DARK, at, metered, take


def record(store: Store, step: str, now_min: float, done_min: float, **more):
    return ACTIONS["advisory-record"](store.con, {
        "advisory": "a1", "step": step, "by": "Kim", "at": at(done_min).isoformat(), **more}, at(now_min),
        store.path)


def steps(store: Store, now_min: float):
    found = queries.with_proofs_now(store, queries.advisories(store), at(now_min))
    return {one.code: one for one in found[0].advisory.statuses}


@pytest.fixture
def cut(held: Store) -> Store:
    """54 L past a dark lamp behind 18 L of pipe and a tank of 150 L; 60 L a minute after, all metered."""
    take(held, metered(0, 30), steady(at(30), 10, flow_l_min=6.0, total_l=np.arange(10) * 6.0, **DARK),
         metered(40, 300, 1.0, total_l=54.0 + np.arange(300.0)))
    return held


def cold(store: Store):
    return record(store, "flush_cold", 340, 330, **{"from": at(100).isoformat()})


def test_the_steps_evidence_names_the_ways_with_their_litres_and_counts_normal_use(cut):
    found = steps(cut, 340)
    # 300 L since, of a pipe of 18 L: what is left is nothing that counts, and it ticks nothing
    assert "of 50 L metered since the last under-dosed litre: 0 % of it is left at the cold tap, 4 log of 4; " in (
        found[Step.FLUSH_COLD].evidence)
    assert not found[Step.FLUSH_COLD].done
    hot = found[Step.FLUSH_HOT].evidence
    # the heel of 15 L is full of it: .1, .01, .001, .0001; 600 L and 50 through the pipes
    assert hot.startswith("drain and refill the tank 4 times, 650 L (or run 12")
    assert "hot or cold, which no meter tells; record which way, and when" in hot


def test_a_drained_tank_counts_from_enough_drainings_on(cut):
    with pytest.raises(BadInput, match="comes after flush_cold"):
        record(cut, "flush_hot", 340, 335, how="drained", times=4)
    cold(cut)
    with pytest.raises(BadInput, match="cannot count yet: drained 3 times; this water asks for 4 times"):
        record(cut, "flush_hot", 340, 335, how="drained", times=3)
    told = record(cut, "flush_hot", 340, 335, how="drained", times=4)
    assert "flush_hot" not in told["open_steps"]
    assert "drained and refilled 4 times" in steps(cut, 340)[Step.FLUSH_HOT].evidence


def test_a_heated_tank_counts_by_degrees_and_minutes_without_a_heater_enrolled(cut):
    cold(cut)
    for more, words in (({"degrees_c": 69.5, "minutes": 60}, "69.5 C at the hot tap; it takes 70 C or more"),
                        ({"degrees_c": 71, "minutes": 29}, "29 min; it takes 30 min"),
                        ({"degrees_c": 71}, "minutes is missing"),
                        ({"degrees_c": "71", "minutes": 30}, "degrees_c must be a number; got '71'"),
                        ({"degrees_c": 71, "minutes": 20 * 60}, "before the last exposure")):
        with pytest.raises(BadInput, match=words):
            record(cut, "flush_hot", 370, 365, how="heated", **more)
    told = record(cut, "flush_hot", 370, 365, how="heated", degrees_c=71, minutes=30)
    assert "flush_hot" not in told["open_steps"]
    *_, last = (from_json(body) for body in queries.advisory_events(cut, "a1")["body"] if "heated" in body)
    assert (last.how, last.degrees_c, last.minutes) == ("heated", 71, 30)


def test_a_failed_sample_asks_for_the_whole_cleaning_again(cut):
    cold(cut)
    record(cut, "flush_hot", 340, 335, how="drained", times=4)
    record(cut, "sample_1", 345, 342, failed=True)
    assert "run 1365 L hot" in steps(cut, 346)[Step.FLUSH_HOT].evidence  # untreated water fills it


def test_an_advisory_of_before_keeps_the_litres_that_it_asked_for_where_these_were_fewer(cut):
    events = cut.con.execute("SELECT seq, body FROM advisory_event WHERE advisory = 'a1' ORDER BY seq").fetchall()
    old = json.loads(events[0][1])
    assert old.pop("sized") is True
    cut.con.execute("UPDATE advisory_event SET body = $body WHERE advisory = 'a1' AND seq = $seq", {
        "body": json.dumps(old), "seq": events[0][0]})
    assert "of 44 L metered" in steps(cut, 340)[Step.FLUSH_COLD].evidence  # 99.9 % of 18 L replaced, not 50
    told = record(cut, "disinfect", 341, 340)  # nor does its order change
    assert "disinfect" not in told["open_steps"]


def test_the_command_records_a_way_and_refuses_what_is_too_little(held, tmp_path):
    own = '[advisory]\nuntreated = ["flush_hot", "sample_1", "notice_removed"]\n'
    held.act("enroll", {"text": FLEET_TOML + own})
    held.act("advisory-raise", {"cabin": "heron-point", "unit": "main", "by": "Kim"})
    held.close()

    def run(*words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "dashboard.cli", "advisory", "record", "a1", "flush_hot", "--by", "Kim", *words,
             "--store", str(held.path)],
            capture_output=True, text=True, env={**os.environ}, check=False, cwd=tmp_path)

    few = run("--how", "drained", "--times", "2", "--at", datetime.now(UTC).isoformat())
    assert few.returncode != 0 and "drained twice; this water asks for 4 times" in few.stderr
    assert "boiled" in run("--how", "boiled").stderr
    done = run("--how", "drained", "--times", "4")
    assert done.returncode == 0, done.stderr
    assert "still open: sample_1, notice_removed" in done.stdout
