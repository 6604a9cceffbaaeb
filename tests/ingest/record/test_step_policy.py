"""A fleet's own steps of an advisory: from fleet.toml into the advisories, and back."""

from __future__ import annotations

import json

import pytest

from ingest import queries
from ingest.evaluation.evaluate import evaluate
from ingest.registry.tables import load_fleet, read_fleet, write_fleet
from ingest.settings import BadInput
from models.advisory.events import Step, StepPolicy
from tests.conftest import FLEET_TOML, utc
from tests.ingest.ingest_streams import commit, minutes, steady

START = utc("2026-11-20T06:00:00")
OWN = """
[advisory]
untreated = ["power_stable", "flush_cold", "sample_1"]
power_stable_min = 5
"""


def cut(store) -> None:
    """Half an hour lit, ten minutes dark with the tap open, ten minutes lit."""
    for start, n, values in (
        (START, 30, {}), (START + minutes(30), 10, {"lamp_on": False, "intensity_w_m2": 0.0}),
        (START + minutes(40), 10, {}),
    ):
        rows = steady(start, n, **values)
        now = rows["at"].max().to_pydatetime() + minutes(0.5)
        commit(store, rows, now)
        evaluate(store.con, now)


def test_without_a_table_the_safe_default_asks_for_every_step(held):
    assert load_fleet(held).policy is None
    cut(held)
    (one,) = queries.advisories(held)
    assert set(one.advisory.steps) == set(Step)


def test_a_fleets_own_table_decides_which_steps_are_asked_for_and_what_proves_them(held):
    told = held.act("enroll", {"text": FLEET_TOML + OWN})
    assert "advisory steps" in told["new"]
    cut(held)
    (one,) = queries.advisories(held)
    assert one.advisory.steps == (Step.POWER_STABLE, Step.FLUSH_COLD, Step.SAMPLE_1)
    words = {status.code: status.evidence for status in one.advisory.statuses}
    assert words[Step.POWER_STABLE] == "5 min and more of power on"


def test_what_was_asked_for_stays_when_the_table_changes_later(held):
    cut(held)
    held.act("enroll", {"text": FLEET_TOML + OWN})
    (one,) = queries.advisories(held)
    assert set(one.advisory.steps) == set(Step)


def test_the_table_goes_out_and_in_again_as_it_was_and_stays_where_a_file_has_none(held):
    held.act("enroll", {"text": FLEET_TOML + OWN})
    fleet = load_fleet(held)
    assert fleet.policy == StepPolicy(
        untreated=(Step.POWER_STABLE, Step.FLUSH_COLD, Step.SAMPLE_1), power_stable_min=5)
    assert read_fleet(write_fleet(fleet)).policy == fleet.policy
    assert "advisory steps" in held.act("enroll", {"text": FLEET_TOML + OWN})["same"]
    held.act("enroll", {"text": FLEET_TOML})
    assert load_fleet(held).policy == fleet.policy
    json.dumps(held.act("enroll", {"text": write_fleet(fleet)}))  # what a collector answers with


@pytest.mark.parametrize(("table", "match"), [
    ("[advisory]\nuntreated = ['pray']", r"untreated must be a list of power_stable, .*; got 'pray'"),
    ("[advisory]\nuntreated = []", "at least one step"),
    ("[advisory]\nuntreated = 'all'", "must be a list of steps"),
    ("[advisory]\nunder_treated = ['sample_2']", "sample_2 without sample_1"),
    ("[advisory]\npower_stable_min = -1", "power_stable_min"),
    ("[advisory]\npartial_share = 2", "partial_share must be above 0 and at most 1"),
    ("[advisory]\nsteps = ['sample_1']", "unknown key 'steps'"),
    ("[[advisory]]\nsample_gap_h = 1", r"one table \[advisory\]"),
])
def test_a_table_that_cannot_be_is_refused_whole_with_what_is_allowed(table, match):
    with pytest.raises(BadInput, match=match):
        read_fleet(FLEET_TOML + "\n" + table)


def test_the_line_of_what_is_wrong_is_named():
    text = FLEET_TOML + "\n[advisory]\nsample_gap_h = 24\npower_stable_min = -1\n"
    line = text.splitlines().index("power_stable_min = -1") + 1
    with pytest.raises(BadInput, match=f"fleet.toml:{line}: advisory"):
        read_fleet(text)
