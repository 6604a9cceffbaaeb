"""What the lamp's own counter says of a gap, though the first word after it was a mere event."""

from __future__ import annotations

import pytest
from outage_scenarios import one, out, well
from test_outage_scenarios import REACTOR, stored, unit

from models.outage import Carry, timeline

# Power goes at 10:02, the link at 10:09 (the last reading speaks to 10:12), the first word comes at 12:00.
BEFORE = well("10:00", "10:02", H=5000.0) + out("10:02", "10:10", H=5000.0)
EVENT = one("12:00", power=True, lamp=True)
GAP_MIN = 108  # 10:12 to 12:00


def gap_of(after_h: float | None, event=EVENT):
    after = well("12:01", "12:04", **({} if after_h is None else {"H": after_h}))
    pieces, _ = timeline(stored([BEFORE + event + after]), unit=unit(), reactor=REACTOR)
    return pieces[pieces["kind"] == "unheard"].iloc[0]


@pytest.mark.parametrize(("after_h", "upper_l"), [
    (5000.0, 25.0),        # never burned: the pressure tank is all that came (25 L, the unit's)
    (5000.016, 25.0),      # burned for the minute since the event alone
    (5001.0, 28.0 * GAP_MIN),  # burned for an hour: power, and with it the pump, was back within the gap
    (None, 25.0),          # no counter: the power's return is taken from the first word of it
])
def test_a_lamp_that_burned_in_a_gap_shows_that_the_pump_ran_though_an_event_came_first(after_h, upper_l):
    assert gap_of(after_h)["underdosed_l_upper"] == pytest.approx(upper_l)


def test_what_a_counter_may_still_say_of_a_gap_is_not_settled():
    """So that the evaluation goes back before the gap once the counter is read."""
    _, carries = timeline(stored([BEFORE + EVENT]), unit=unit(), reactor=REACTOR)
    assert not carries["settled"].iloc[-1]
    rows = BEFORE + EVENT + well("12:01", "12:02", H=5001.0)
    _, carries = timeline(stored([rows]), unit=unit(), reactor=REACTOR)
    assert carries["settled"].iloc[-1]
    assert Carry.from_row(carries.iloc[-1].to_dict()).lamp_hours == 5001.0
