"""Exposures, backlogs, results, checks, withdrawals and lifts in any order, through a real store.

Two things hold whatever happens: a tap is never clear or watch while under-dosed water that is known, or a failed
sample, was answered by no named person; and what a named person lifted does not come back by itself.
"""

from __future__ import annotations

import contextlib
import shutil
import tempfile
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from ingest import queries
from ingest.actions import ACTIONS
from ingest.evaluation.evaluate import evaluate, owe_all
from ingest.evaluation.watch import watch
from ingest.registry.tables import load_fleet
from ingest.settings import BadInput
from ingest.store import Store
from models.advisory import State
from tests.conftest import FLEET_TOML, utc
from tests.ingest.ingest_streams import commit, minutes, steady

START = utc("2026-06-20T06:00:00")
KEY = ("heron-point", "main")
SLOT = 10  # minutes
FLOW = 6.0
DARK = {"lamp_on": False, "power_on": False, "intensity_w_m2": 0.0}


class Tap(RuleBasedStateMachine):
    """One unit's life, and what a named person has answered of it."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp())
        self.store = Store(self.folder / "store.duckdb")
        self.store.act("enroll", {"text": FLEET_TOML})
        self.slot = 0
        self.lost: dict[int, bool] = {}  # slots that the logger kept back, and whether they were dark
        self.open_slots: set[int] = set()  # known to be dark, answered by nobody
        self.failed = False  # a failed sample that nobody answered
        self.records: list[str] = []
        self.minute = 0.5

    def teardown(self) -> None:
        with contextlib.suppress(Exception):
            self.store.close()
        shutil.rmtree(self.folder)

    @property
    def now(self):
        return START + minutes(SLOT * self.slot + self.minute)

    def act(self, kind: str, body: dict):
        self.minute = min(self.minute + 0.01, SLOT - 1)  # nothing happens at one and the same instant
        return ACTIONS[kind](self.store.con, body, self.now, self.store.path)

    def send(self, slot: int, dark: bool) -> None:
        values = DARK if dark else {}
        total = (slot * SLOT + np.arange(SLOT)) * FLOW
        rows = steady(START + minutes(SLOT * slot), SLOT, flow_l_min=FLOW, total_l=total, **values)
        commit(self.store, rows, self.now)
        evaluate(self.store.con, self.now)
        if dark:
            self.open_slots.add(slot)

    @initialize()
    def begin(self) -> None:
        self.slot = 1
        self.send(0, dark=False)

    @rule(dark=st.booleans())
    def a_slot_is_heard(self, dark: bool) -> None:
        self.slot, self.minute = self.slot + 1, 0.5
        self.send(self.slot - 1, dark)

    @rule(dark=st.booleans())
    def a_slot_is_kept_back(self, dark: bool) -> None:
        self.lost[self.slot] = dark
        self.slot, self.minute = self.slot + 1, 0.5

    @precondition(lambda self: self.lost)
    @rule(data=st.data())
    def a_backlog_comes(self, data) -> None:
        slot = data.draw(st.sampled_from(sorted(self.lost)))
        self.send(slot, self.lost.pop(slot))

    @rule(count=st.sampled_from([0, 0, 3, 12]), back_h=st.floats(0, 2))
    def a_sample_comes_back(self, count: int, back_h: float) -> None:
        body = {"kind": "sampled", "cabin": KEY[0], "unit": KEY[1], "who": "Bo Reed",
                "at": (self.now - timedelta(hours=back_h)).isoformat(), "e_coli": count, "total_coliforms": count}
        with contextlib.suppress(BadInput):
            self.records.append(self.act("record-service", body)["id"])
            self.failed |= count >= 1

    @rule(ratio=st.sampled_from([1.0, 1.1, 1.5, 2.5]), back_min=st.integers(0, 40))
    def a_sensor_is_checked(self, ratio: float, back_min: int) -> None:
        body = {"kind": "sensor-checked", "cabin": KEY[0], "unit": KEY[1], "who": "Bo Reed", "value": ratio,
                "at": (self.now - minutes(back_min)).isoformat()}
        with contextlib.suppress(BadInput):
            self.records.append(self.act("record-service", body)["id"])

    @precondition(lambda self: self.records)
    @rule(data=st.data())
    def a_record_is_withdrawn(self, data) -> None:
        number = data.draw(st.sampled_from(self.records))
        self.records.remove(number)
        self.act("withdraw-service", {"id": number, "by": "Ann Lund", "reason": "typed wrong"})

    @rule()
    def somebody_raises_one(self) -> None:
        with contextlib.suppress(BadInput):
            self.act("advisory-raise", {"cabin": KEY[0], "unit": KEY[1], "by": "Ann Lund"})

    @rule(step=st.sampled_from(["flush_cold", "flush_hot", "disinfect", "lamp_lit"]), took=st.integers(1, 20))
    def somebody_records_a_step(self, step: str, took: int) -> None:
        standing = self.standing()
        if standing is None:
            return
        body = {"advisory": standing.id, "step": step, "by": "Bo Reed", "at": self.now.isoformat()}
        if step.startswith("flush"):
            body["from"] = (self.now - minutes(took)).isoformat()
        with contextlib.suppress(BadInput):
            self.act("advisory-record", body)

    @precondition(lambda self: self.standing() is not None)
    @rule()
    def a_named_person_lifts(self) -> None:
        standing = self.standing()
        self.act("advisory-lift", {"advisory": standing.id, "by": "Ann Lund", "reason": "the health unit agreed"})
        self.open_slots.clear()
        self.failed = False
        owe_all(self.store.con, [KEY])
        evaluate(self.store.con, self.now)
        watch(self.store.con, load_fleet(self.store), self.now, [KEY])
        again = self.standing()
        assert again is None, f"{again.advisory.exposure} came back after {standing.advisory.exposure}"

    @rule()
    def the_clock_ticks(self) -> None:
        watch(self.store.con, load_fleet(self.store), self.now + minutes(20), [])

    def standing(self):
        found = [one for one in queries.advisories(self.store, cabin=KEY[0]) if one.unit == KEY[1]]
        return next((one for one in found if one.advisory.state is not State.LIFTED), None)

    @invariant()
    def what_nobody_answered_is_never_called_fine(self) -> None:
        if not self.open_slots and not self.failed:
            return
        (one,) = (each for each in queries.status(self.store, self.now + minutes(0.5), cabin=KEY[0])
                  if each.unit.slug == KEY[1])
        assert str(one.verdict.verdict) in ("boil", "silent"), (self.open_slots, self.failed, one.verdict)
        assert str(one.verdict.verdict) == "boil" or not self.failed


QUICK = settings(
    max_examples=6, stateful_step_count=12, deadline=None, derandomize=True, database=None,
    phases=(Phase.generate,),  # a life takes seconds: a failing one is shown as it was, not made smaller
    suppress_health_check=list(HealthCheck))


def test_nothing_unanswered_is_called_fine_and_nothing_lifted_comes_back() -> None:
    run_state_machine_as_test(Tap, settings=QUICK)


@pytest.mark.soak
@pytest.mark.timeout(3600)
def test_the_same_over_many_lives() -> None:
    run_state_machine_as_test(Tap, settings=settings(
        QUICK, max_examples=300, stateful_step_count=30, derandomize=False))
