"""What a silence after a power cut can have let past a dark lamp, though an event ended it."""

from __future__ import annotations

import pytest

from tests.models.exposed import exposed
from tests.models.exposure.test_outage_scenarios import REACTOR, stored, unit
from tests.models.outage_scenarios import one, out, well

# Power goes after 10:01, the link after 10:09, the first word comes at 12:00.
BEFORE = well("10:00", "10:02", H=5000.0) + out("10:02", "10:10", H=5000.0)
GAP_MIN = 111  # 10:09 to 12:00
PEAK_L_MIN, TANK_L, WARM_UP_MIN = 28.0, 25.0, 2  # the unit's


def gap_of(event, after_h: float | None = None, **changes):
    after = well("12:01", "12:04", **({} if after_h is None else {"H": after_h}))
    pieces, _ = exposed(stored([BEFORE + event + after]), unit=unit(**changes), reactor=REACTOR)
    return pieces[pieces["kind"] == "unheard"].iloc[0]


@pytest.mark.parametrize("after_h", [5000.0, 5000.016, 5001.0, None])
def test_a_lamp_that_burns_after_a_gap_came_on_with_the_pump_so_the_tank_and_one_warm_up_bound_it(after_h):
    found = gap_of(one("12:00", power=True, lamp=True), after_h)
    # 25 L from the tank while the pump was dead, and 2 min at 28 L/min while the lamp warmed up
    assert found["underdosed_l_upper"] == pytest.approx(TANK_L + PEAK_L_MIN * WARM_UP_MIN)
    # when the power came back nobody knows: the pump can have run nearly all the time
    assert found["drawn_l_upper"] == pytest.approx(PEAK_L_MIN * GAP_MIN)


@pytest.mark.parametrize(("event", "changes"), [
    (one("12:00", power=True, lamp=False), {}),  # the pump can have run past a dark lamp all the time
    (one("12:00", power=True), {}),  # nothing says that the lamp burns
    (one("12:00", power=True, lamp=True), {"gravity_fed": True}),  # no pump is needed
    (one("12:00", power=True, lamp=True), {"drawdown_l": 0.0}),  # nobody stated what the tank gives
])
def test_where_the_lamp_is_not_seen_to_burn_or_no_tank_bounds_it_all_that_can_flow_counts(event, changes):
    assert gap_of(event, **changes)["underdosed_l_upper"] == pytest.approx(PEAK_L_MIN * GAP_MIN)


def test_while_the_power_is_still_out_the_tank_alone_counts():
    assert gap_of(one("12:00", power=False))["underdosed_l_upper"] == pytest.approx(TANK_L)
