"""What proofs say while a flush is still to be recorded, word for word: people act by it."""

from __future__ import annotations

from datetime import timedelta

import pytest

from models.advisory.events import Step
from models.advisory.proofs import Proof, proofs
from tests.conftest import utc

NOW = utc("2026-11-20T12:00:00")
WAYS = "run 500 L through the hot taps, or drain and refill it twice"
LEFT = "3 % of it is left at the tap"


def flush_proofs(metered_l: float | None, **changes) -> dict[Step, Proof]:
    found = proofs(
        at=NOW, power_on=True, power_on_since=NOW - timedelta(hours=2), lamp_on=True,
        lamp_on_since=NOW - timedelta(hours=2), dose_ok_min=120.0, metered_l=metered_l,
        **{"flush_cold_l": 50.0, "flush_hot_l": 500.0, "ways": WAYS, "left": LEFT} | changes)
    return {one.step: one for one in found}


TAPS = "; record from when to when the taps ran"
WAY = "; record which way, and when"


@pytest.mark.parametrize(("metered_l", "cold", "hot"), [
    (12.34, f"12.3 of 50 L metered since the last under-dosed litre: {LEFT}{TAPS}",
     f"{WAYS}; 12.3 L have passed since the last under-dosed litre, hot or cold, which no meter tells{WAY}"),
    (None, f"no metered flow, it takes 50 L{TAPS}", f"{WAYS}{WAY}"),
])
def test_a_flush_that_nobody_recorded_says_what_is_left_and_the_ways_of_each_its_own(metered_l, cold, hot):
    found = flush_proofs(metered_l)
    assert found[Step.FLUSH_COLD] == Proof(at=NOW, step=Step.FLUSH_COLD, done=None, evidence=cold)
    assert found[Step.FLUSH_HOT] == Proof(at=NOW, step=Step.FLUSH_HOT, done=None, evidence=hot)


def test_where_no_ways_are_given_the_hot_tank_is_told_as_the_cold_pipes_are():
    found = flush_proofs(7.0, ways="")[Step.FLUSH_HOT]
    assert found.evidence == f"7 of 500 L metered since the last under-dosed litre{TAPS}"
