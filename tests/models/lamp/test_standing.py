"""How a lamp stands against its need: by hand, no outside table needed."""

from __future__ import annotations

import math
from datetime import date, timedelta

import pytest

from models.lamp.standing import LATE_SILENCE_DAYS, SOON_DAYS, LampFigures, Standing

TODAY = date(2026, 11, 27)


def lamp(
    read: float | None = 60.0, need: float | None = 50.0, due_in: int | None = None, heard: int | None = 1
) -> LampFigures:
    return LampFigures(
        read_w_m2=read, need_w_m2=need, act_by=None if due_in is None else TODAY + timedelta(days=due_in),
        last_heard=None if heard is None else TODAY - timedelta(days=heard))


@pytest.mark.parametrize(("one", "stands"), [
    (lamp(60.0, 50.0), Standing.ABOVE), (lamp(50.0, 50.0), Standing.ABOVE), (lamp(49.99, 50.0), Standing.BELOW),
    (lamp(49.0, 50.0, due_in=200), Standing.BELOW), (lamp(90.0, None), Standing.BELOW),
    (lamp(None, None), Standing.BELOW), (lamp(49.0, 50.0, heard=400), Standing.BELOW),
    (lamp(due_in=SOON_DAYS), Standing.DUE), (lamp(due_in=SOON_DAYS + 1), Standing.ABOVE),
    (lamp(None, 50.0), Standing.UNKNOWN), (lamp(None, 50.0, due_in=1), Standing.DUE),
    (lamp(heard=None), Standing.UNKNOWN), (lamp(heard=LATE_SILENCE_DAYS + 1), Standing.UNKNOWN),
    (lamp(heard=LATE_SILENCE_DAYS), Standing.ABOVE)])
def test_what_is_below_its_need_is_below_it_and_what_nobody_knows_is_never_above(
    one: LampFigures, stands: Standing
) -> None:
    assert one.standing(TODAY) is stands


def test_the_margin_is_a_share_of_the_need() -> None:
    assert lamp(53.1, 60.6).margin == pytest.approx(-0.1238, abs=1e-4)  # 53.1 / 60.6 = 0.87624
    assert lamp(None, 60.6).margin is None and lamp(90.0, None).margin == -math.inf


def test_one_below_its_need_comes_before_one_that_is_due_today() -> None:
    """69.8 of 65.3 is 7 % above, to be cleaned today; 53.1 of 60.6 is 12 % below, whatever its date is."""
    cleaned_today, weak = lamp(69.8, 65.3, due_in=0), lamp(53.1, 60.6, due_in=60)
    assert sorted([cleaned_today, weak], key=lambda one: one.place(TODAY)) == [weak, cleaned_today]


def test_a_fleet_is_in_the_order_in_which_it_is_seen_to() -> None:
    fleet = [
        lamp(10.0, None), lamp(40.0, 50.0), lamp(45.0, 50.0),
        lamp(None, 50.0, due_in=9), lamp(51.0, 50.0, due_in=20), lamp(70.0, 50.0, due_in=3),
        lamp(None, 50.0), lamp(60.0, 50.0, heard=9),
        lamp(51.0, 50.0), lamp(52.0, 50.0, due_in=90), lamp(99.0, 50.0)]
    assert sorted([*fleet[5:], *fleet[:5]], key=lambda one: one.place(TODAY)) == fleet
