"""Plumbing that nobody enrolled is not known, and never 0 L: a flush asks for the volume first."""

from __future__ import annotations

import numpy as np
import pytest

from ingest import queries
from ingest.evaluation.evaluate import evaluate
from ingest.registry.edits import enroll
from ingest.settings import BadInput
from models.advisory import StepStatus
from tests.conftest import FLEET_TOML, tarnlight_here, utc
from tests.ingest.ingest_streams import commit, minutes, steady

START = utc("2026-06-20T06:00:00")
COLD, HOT = "cold_plumbing_l = 18.0\n", "hot_tank_l = 150.0\n"


def after_a_cut(store, *without: str) -> dict[str, StepStatus]:
    """The steps of the unit's advisory after 10 dark minutes and 2 h at 12 L/min, more than any house holds."""
    text = FLEET_TOML
    for line in without:
        text = text.replace(line, "", 1)
    store.act("enroll", {"text": text})
    for rows in (
        steady(START, 30), steady(START + minutes(30), 10, lamp_on=False, intensity_w_m2=0.0),
        steady(START + minutes(40), 120, flow_l_min=12.0, total_l=np.arange(120) * 12.0),
    ):
        now = rows["at"].max().to_pydatetime() + minutes(0.5)
        commit(store, rows, now)
        evaluate(store.con, now)
    return steps(store)


def steps(store) -> dict[str, StepStatus]:
    (one,) = queries.advisories(store)
    return {str(step.code): step for step in one.advisory.statuses}


def test_without_a_volume_no_litre_ticks_a_flush_and_no_flush_drops_out(held):
    found = after_a_cut(held, COLD, HOT)
    assert found["dose_back"].done  # the other proofs are there
    for code, lacking in (("flush_cold", "cold_plumbing_l"), ("flush_hot", "cold_plumbing_l and hot_tank_l")):
        assert not found[code].done
        assert found[code].evidence.startswith(f"first enrol how much there is to flush: {lacking}; ")
        assert "0 of" not in found[code].evidence


def flush(store, step: str) -> None:
    """Record that these taps ran in the second hour, at 12 L/min: 720 L."""
    (one,) = queries.advisories(store)
    store.act("advisory-record", {
        "advisory": one.id, "step": step, "by": "Ann Lund", "from": (START + minutes(60)).isoformat(),
        "at": (START + minutes(120)).isoformat()})


def test_a_hot_tank_that_may_be_there_keeps_its_step_while_the_cold_one_ticks(held):
    after_a_cut(held, HOT)
    flush(held, "flush_cold")
    found = steps(held)
    assert found["flush_cold"].done
    assert not found["flush_hot"].done
    assert "hot_tank_l" in found["flush_hot"].evidence


def test_a_person_cannot_record_a_flush_of_nobody_knows_how_much(held):
    after_a_cut(held, COLD, HOT)
    with pytest.raises(BadInput, match="first enrol how much there is to flush: cold_plumbing_l"):
        flush(held, "flush_cold")


def test_once_the_volume_is_enrolled_the_litres_count(held):
    after_a_cut(held, COLD, HOT)
    enroll(held.con, {"text": FLEET_TOML}, START + minutes(160), held.path)
    flush(held, "flush_cold")
    assert steps(held)["flush_cold"].done  # 50 of 720 L
    flush(held, "flush_hot")
    found = steps(held)
    assert not found["flush_hot"].done  # 1,256 L
    assert found["flush_hot"].evidence.startswith("720 of 1305 L metered in that time, cold and hot together")


def test_what_is_known_to_have_no_tank_is_asked_for_no_hot_flush(held):
    held.act("enroll", {"text": FLEET_TOML.replace(HOT, "hot_tank_l = 0\n", 1)})
    rows = steady(START, 30, lamp_on=False, intensity_w_m2=0.0)
    commit(held, rows)
    evaluate(held.con, START + minutes(30))
    assert "flush_hot" not in steps(held)


def test_what_still_stands_in_plumbing_of_unknown_size_is_not_known(held):
    after_a_cut(held, HOT)
    assert queries.still_standing(
        held, START + minutes(160), cabin="heron-point", unit="main", since=START) is None


def test_no_bleach_is_measured_out_for_water_that_nobody_enrolled(enrolled, held):
    held.act("enroll", {"text": FLEET_TOML.replace(HOT, "", 1)})
    held.close()
    words = ("bleach", "--cabin", "heron-point", "--strength", "6")
    told = tarnlight_here(enrolled, *words)
    assert told.returncode == 2
    assert "heron-point/main is not enrolled: hot_tank_l (or give --hot)" in told.stderr
    assert tarnlight_here(enrolled, *words, "--hot", "0").returncode == 0
