"""Small logs that were once called clear or watch although water had passed a dark lamp, each sent in by `load`.

One unit of a lit lamp, well above its target, read once a minute unless said otherwise; nothing flows but what the
test says. Litres that the registry's peak flow could not deliver are wrong times or a wrong meter.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from ingest.queries import quarantined
from ingest.store import Store

from .door import Door, cabin_toml, reactors_toml
from .truth import KINDS

BEGAN = datetime(2026, 11, 18, 3, 7, 12, tzinfo=UTC)
CUT_MIN, END_MIN = 60, 180  # the lamp has long been warm when anything happens, and is so again at the end
STRONG_W_M2 = 45.0
CALM = ("clear", "watch")
Rows = dict[float, dict[str, float | None]]  # minute -> what the row says


def steady(
    first: float, last: float, *, every: float = 1.0, total: float | None = None, hours: float | None = None,
    **also: float,
) -> Rows:
    """Rows of a lit lamp; the last digit of its intensity moves as a sensor's does."""
    out: Rows = {}
    count = round((last - first) / every)
    for number in range(count):
        minute = round(first + number * every, 6)
        intensity = STRONG_W_M2 + 0.1 * ((7 * number) % 5)
        out[minute] = {"lamp_on": 1, "intensity_w_m2": intensity, "flow_l_min": 0, **also}
        if total is not None:
            out[minute]["total_l"] = total
        if hours is not None:
            out[minute]["lamp_hours"] = round(hours + minute / 60, 6)
    return out


class Hand:
    """One unit in a store whose clock stands half a minute after the log's end."""

    def __init__(self, folder: Path) -> None:
        self.door = Door(folder)
        self.unit: dict[str, Any] = {
            "slug": "main", "reactor": KINDS[0].name, "dose_target_mj_cm2": 40.0, "uvt_pct": 82.0,
            "cold_plumbing_l": 18.0, "hot_tank_l": 0.0, "peak_flow_l_min": 12.0, "cadence_s": 60.0,
            "drawdown_l": "gravity", "total": "meter"}

    def enroll(self, reactors: str = "", **changes: Any) -> str:
        """Write the registry; None leaves a key out."""
        self.unit |= changes
        unit = {key: value for key, value in self.unit.items() if value is not None}
        return self.door.enroll((reactors or reactors_toml()) + cabin_toml("heron-point", unit))

    def load(self, *parts: Rows, began: datetime = BEGAN, name: str = "log.csv") -> str:
        """Rows in their given order, an instant in two parts as two rows; what `load` says."""
        rows = [{"at": (began + timedelta(minutes=minute)).isoformat(), **said}
                for part in parts for minute, said in part.items()]
        frame = pd.DataFrame(rows).assign(cabin="heron-point", unit="main")
        for flag in ("lamp_on", "power_on"):
            if flag in frame:
                frame[flag] = frame[flag].astype("Int64")
        return self.door.load(frame, name)

    def told(self, *parts: Rows, at_min: float | None = None, began: datetime = BEGAN) -> dict[str, Any]:
        """Enroll, load, and the unit's status half a minute after the last row."""
        self.enroll()
        last = max(minute for part in parts for minute in part) if at_min is None else at_min
        self.door.stand_at(began + timedelta(minutes=last + 0.5))
        self.load(*parts, began=began)
        return self.status()

    def status(self, *more: str) -> dict[str, Any]:
        return self.door.status(*more)[0]

    def most_l(self) -> float:
        """The most that can have been under-dosed, of all intervals; infinite where nothing bounds it."""
        found = [one["underdosed_l_upper"] for one in self.door.outages()]
        return float("inf") if None in found else float(sum(found))

    def not_calm(self, told: Mapping[str, Any], truly_l: float) -> None:
        """Neither clear nor watch, and the bound holds what truly passed."""
        assert told["verdict"] not in CALM, told["reasons"]
        assert self.most_l() >= truly_l - 0.5


@pytest.fixture
def hand(tmp_path: Path) -> Iterator[Hand]:
    yield Hand(tmp_path)


def dark(minutes: Iterable[float], **also: float) -> Rows:
    """Rows of a dark lamp."""
    return {float(minute): {"lamp_on": 0, "intensity_w_m2": 0, "flow_l_min": 0, **also} for minute in minutes}


def test_the_steady_log_alone_is_clear(hand):
    told = hand.told(steady(0, END_MIN, total=1000, hours=500))
    assert told["verdict"] == "clear"
    assert told["dose_low_mj_cm2"] > 40


def test_a_draw_in_the_light_is_clear_too(hand):
    draw = {float(minute): {"lamp_on": 1, "intensity_w_m2": STRONG_W_M2 + minute % 2, "flow_l_min": 8,
                            "total_l": 1000 + 8 * (minute - CUT_MIN)} for minute in range(CUT_MIN, CUT_MIN + 5)}
    told = hand.told(steady(0, CUT_MIN, total=1000), draw, steady(CUT_MIN + 5, END_MIN, total=1040))
    assert told["verdict"] == "clear"


# The running total -------------------------------------------------------------------------------


def test_a_total_logged_every_five_minutes_counts_at_a_cadence_of_one(hand):
    """The flow is 0 at every reading; between them 40 L are drawn, in four dark minutes of five."""
    rows = steady(0, CUT_MIN, total=1000) | dark(range(CUT_MIN, CUT_MIN + 4), total_l=1000)
    rows |= steady(CUT_MIN + 4, CUT_MIN + 5, total=1000) | steady(CUT_MIN + 5, END_MIN, total=1040)
    for minute, said in rows.items():
        if minute % 5:
            said.pop("total_l")
    hand.not_calm(hand.told(rows), 40.0)


def test_a_power_off_event_between_two_readings_while_the_meter_moves_forty_litres(hand):
    """On its battery the logger writes of power alone, so that the totals are five minutes apart without a gap."""
    events = {CUT_MIN + 0.5: {"power_on": 0}, CUT_MIN + 2.5: {"power_on": 0}, CUT_MIN + 4.5: {"power_on": 1}}
    before = steady(0, CUT_MIN + 1, total=1000, power_on=1)
    hand.not_calm(hand.told(before | events | steady(CUT_MIN + 5, END_MIN, total=1040, power_on=1)), 40.0)


# Witnesses inside three cadences -----------------------------------------------------------------


def test_two_readings_missing_while_the_counter_stands_and_the_meter_moves(hand):
    before = steady(0, CUT_MIN + 1, total=1000, hours=500)
    after = steady(CUT_MIN + 3, END_MIN, total=1030, hours=500 - 2 / 60)
    hand.not_calm(hand.told(before, after), 20.0)


def test_a_lamp_that_dies_in_the_minute_of_a_shower(hand):
    shower = {float(CUT_MIN): {"lamp_on": 1, "intensity_w_m2": STRONG_W_M2, "flow_l_min": 10, "total_l": 1000}}
    rows = steady(0, CUT_MIN, total=1000) | shower | dark(range(CUT_MIN + 1, CUT_MIN + 10), total_l=1010)
    hand.not_calm(hand.told(rows | steady(CUT_MIN + 10, END_MIN, total=1010)), 10.0)


def test_a_cadence_of_five_minutes_with_a_hundred_litres_in_one_of_them(hand):
    hand.unit |= {"cadence_s": 300.0, "peak_flow_l_min": 22.0}
    rows = steady(0, CUT_MIN + 5, every=5, total=1000) | dark((CUT_MIN + 5, CUT_MIN + 10), total_l=1100)
    hand.not_calm(hand.told(rows | steady(CUT_MIN + 15, END_MIN, every=5, total=1100)), 100.0)


# Contradictions ----------------------------------------------------------------------------------


def repeating(hand: Hand, *, asked_min: float | None = None) -> dict[str, Any]:
    """Ten minutes of power off, honestly said, while a gateway repeats lamp and intensity; 40 L pass."""
    repeats = {float(minute): {"lamp_on": 1, "intensity_w_m2": 45.2, "flow_l_min": 0, "power_on": 0,
                               "total_l": 1000 + 4 * (minute - CUT_MIN)} for minute in range(CUT_MIN, CUT_MIN + 10)}
    rows = (steady(0, CUT_MIN, total=1000, power_on=1) | repeats
            | steady(CUT_MIN + 10, END_MIN, total=1040, power_on=1))
    if asked_min is not None:
        rows = {minute: said for minute, said in rows.items() if minute <= asked_min}
    return hand.told(rows)


def test_power_off_is_not_outvoted_by_a_gateway_that_repeats(hand):
    hand.not_calm(repeating(hand), 40.0)


def test_while_it_lasts_the_contradiction_is_told_with_the_value_that_is_repeated(hand):
    """Asked five minutes into the cut: what is repeated has been the same since its first minute."""
    told = repeating(hand, asked_min=CUT_MIN + 5)
    assert told["verdict"] == "boil"
    assert any("45.2" in one and "5 min" in one for one in told["reasons"]), told["reasons"]


def test_the_contradiction_is_told_with_the_value_that_is_repeated(hand):
    told = repeating(hand)
    words = [*told["reasons"], *(str(one["rests_on"]) for one in hand.door.outages())]
    assert any("45.2" in one for one in words), words


def test_more_litres_in_a_minute_than_the_supply_can_deliver_were_no_minute(hand):
    """The clock had stood while the unit was dead: 100 L within one stamped minute, 12 L/min are the most."""
    told = hand.told(steady(0, CUT_MIN + 1, total=1000), steady(CUT_MIN + 1, END_MIN, total=1100))
    hand.not_calm(told, 100.0)


def test_a_meter_of_sixty_litres_a_minute_for_ten_minutes_is_wrong_or_the_times_are(hand):
    fast = {float(minute): {"lamp_on": 1, "intensity_w_m2": STRONG_W_M2 + minute % 3 / 10,
                            "total_l": 1000 + 60 * (minute - CUT_MIN)} for minute in range(CUT_MIN, CUT_MIN + 10)}
    told = hand.told(steady(0, CUT_MIN, total=1000) | fast | steady(CUT_MIN + 10, END_MIN, total=1600))
    hand.not_calm(told, 600.0)


def set_right(hand: Hand) -> str:
    """A clock set back by ten minutes during a cut: dark rows bear the instants of lit ones; 80 L pass."""
    hand.enroll()
    hand.door.stand_at(BEGAN + timedelta(minutes=END_MIN - 0.5))
    cut = {float(minute): {"lamp_on": 0, "intensity_w_m2": 0, "flow_l_min": 8,
                           "total_l": 1080 + 8 * (minute - CUT_MIN)} for minute in range(CUT_MIN - 10, CUT_MIN)}
    return hand.load(steady(0, CUT_MIN, total=1000), cut, steady(CUT_MIN, END_MIN, total=1080))


def test_of_two_values_of_one_instant_the_worse_is_kept(hand):
    set_right(hand)
    hand.not_calm(hand.status(), 80.0)


def test_of_two_values_of_one_instant_the_other_goes_to_quarantine(hand):
    set_right(hand)
    store = Store(hand.door.store)
    refused = quarantined(store, cabin="heron-point")
    store.close()
    assert len(refused) >= 10
    assert refused["reason"].str.len().min() > 0


# What is enrolled --------------------------------------------------------------------------------


@pytest.mark.parametrize("total", ["pulse", None], ids=["pulse", "not said"])
def test_pulses_that_the_logger_counts_itself_say_nothing_of_time_in_which_it_was_off(hand, total):
    hand.unit |= {"total": total}
    told = hand.told(steady(0, CUT_MIN, total=1000), steady(CUT_MIN + 40, END_MIN, total=1000))
    hand.not_calm(told, 100.0)


def test_plumbing_that_nobody_enrolled_is_unknown_and_not_nothing(hand):
    hand.unit |= {"drawdown_l": None, "cold_plumbing_l": None, "hot_tank_l": None}
    events = {CUT_MIN + 0.1: {"power_on": 0}, CUT_MIN + 2.6: {"power_on": 1}}
    rows = steady(0, CUT_MIN + 1, power_on=1) | events | steady(CUT_MIN + 3, END_MIN, power_on=1)
    hand.not_calm(hand.told(rows), 25.0)


def test_a_longer_cadence_enrolled_later_does_not_explain_a_gap_of_before(hand):
    told = hand.told(steady(0, CUT_MIN), steady(CUT_MIN + 40, END_MIN))
    assert told["verdict"] not in CALM
    before = [one for one in hand.door.outages() if one["kind"] == "unheard"]
    hand.enroll(cadence_s=900.0)
    assert hand.status()["verdict"] not in CALM
    assert [one for one in hand.door.outages() if one["kind"] == "unheard"] == before


def long_past(hand: Hand) -> None:
    """Thirty days in which 8 L/min flow for five minutes each day."""
    days = 30
    rows: Rows = {}
    for day in range(days):
        rows |= steady(day * 1440, day * 1440 + 605, every=5, total=1000 + 40 * day)
        rows |= steady(day * 1440 + 605, day * 1440 + 1440, every=5, total=1040 + 40 * day)
        rows[day * 1440 + 600.0] |= {"flow_l_min": 8}
    hand.unit |= {"cadence_s": 300.0}
    hand.told(rows, began=BEGAN - timedelta(days=days))


@pytest.mark.parametrize("changed", ["transmittance", "test point"])
def test_an_edit_of_the_registry_holds_from_its_date_on(hand, changed):
    """Weaker water, or a reactor that does less, leaves the months before and their intervals as they were."""
    long_past(hand)
    since = ("--since", "2026-09-01T00:00:00Z")
    months = [hand.door.report("heron-point", month) for month in ("2026-10", "2026-11")]
    ended, advisory = hand.door.outages(*since), hand.status()["advisory"]
    assert all(one["in_specification_l"] > 400 for one in months)
    assert advisory is None
    if changed == "transmittance":
        hand.enroll(uvt_pct=62.0)
    else:
        hand.enroll(reactors_toml().replace("test_red_mj_cm2 = 40.0", "test_red_mj_cm2 = 12.0"))
    now = [hand.door.report("heron-point", month) for month in ("2026-10", "2026-11")]
    for then, one in zip(months, now, strict=True):
        assert one["share_pct"] == then["share_pct"]
        assert one["in_specification_l"] == pytest.approx(then["in_specification_l"])
    assert hand.door.outages(*since) == ended
    assert hand.status()["advisory"] == advisory


# Long times --------------------------------------------------------------------------------------


def test_an_intensity_of_the_same_last_digit_for_ten_hours_is_no_witness(hand):
    rows = {float(minute): {"intensity_w_m2": 45.2, "total_l": 1000 + minute // 4} for minute in range(600)}
    moving = {float(minute - 120): {"intensity_w_m2": STRONG_W_M2 + minute * 7 % 5 / 10, "total_l": 1000}
              for minute in range(120)}
    told = hand.told(moving | rows, began=BEGAN + timedelta(minutes=120))
    assert told["verdict"] not in CALM, told["reasons"]


def test_at_an_instant_all_of_the_past_counts(hand):
    """40 L past a dark lamp forty days ago, which nobody has lifted."""
    hand.unit |= {"cadence_s": 300.0}
    cut = {float(CUT_MIN + 5 * number): {"lamp_on": 0, "intensity_w_m2": 0, "flow_l_min": 4,
                                         "total_l": 1000 + 20 * number} for number in range(3)}
    end = 40 * 1440.0
    told = hand.told(steady(0, CUT_MIN, every=5, total=1000) | cut | steady(CUT_MIN + 15, end, every=5, total=1060),
                     began=BEGAN - timedelta(days=40))
    assert told["verdict"] not in CALM
    for before in (timedelta(0), timedelta(hours=1), timedelta(days=3)):
        at = BEGAN - timedelta(minutes=4.5) - before
        assert hand.status("--at", at.isoformat())["verdict"] not in CALM, before


@pytest.mark.parametrize(("sends_min", "words"), [(10, {"clear"}), (60, {"clear", "watch"})])
def test_a_logger_that_sends_packs_is_not_silent_between_them(hand, sends_min, words):
    hand.unit |= {"sends_every_s": sends_min * 60.0}
    hand.enroll()
    heard = []
    for pack in range(5):
        first = pack * sends_min
        hand.door.stand_at(BEGAN + timedelta(minutes=first + sends_min))
        hand.load(steady(first, first + sends_min, total=1000, hours=500), name=f"{pack}.csv")
        for share in (0.02, 0.4, 0.7, 0.99):
            hand.door.stand_at(BEGAN + timedelta(minutes=first + sends_min * (1 + share)))
            heard.append(hand.status()["verdict"])
    assert set(heard) <= words
    assert heard[0] == "clear"


def test_a_logger_that_sends_packs_and_is_overdue_is_silent(hand):
    hand.unit |= {"sends_every_s": 600.0}
    hand.enroll()
    hand.door.stand_at(BEGAN + timedelta(minutes=10))
    hand.load(steady(0, 10, total=1000, hours=500))
    for minute, silent in ((19, False), (45, True)):
        hand.door.stand_at(BEGAN + timedelta(minutes=minute))
        assert (hand.status()["verdict"] == "silent") is silent, minute


# Months ------------------------------------------------------------------------------------------

# America/Toronto: midnight of 20 October and of 5 November 2026, the end of daylight-saving time between them.
LAST_HEARD = datetime(2026, 10, 20, 4, 0, tzinfo=UTC)
HEARD_AGAIN = datetime(2026, 11, 5, 5, 0, tzinfo=UTC)


def dead_for_a_fortnight(hand: Hand) -> None:
    """Heard from 1 October on, dead from the 20th to 5 November, then heard to the 10th; 100 L by the meter."""
    before_min = 19 * 1440.0
    began = LAST_HEARD - timedelta(minutes=before_min)
    gap_min = (HEARD_AGAIN - LAST_HEARD) / timedelta(minutes=1)
    rows = steady(0, before_min + 5, every=5, total=1000)
    rows |= steady(before_min + gap_min, before_min + gap_min + 5 * 1440, every=5, total=1100)
    hand.unit |= {"cadence_s": 300.0}
    hand.told(rows, began=began)


def test_the_hours_of_a_gap_lie_in_the_months_in_which_they_were(hand):
    """By hand: 12 days of October are 288 h; 4 days of November, and the hour that its first has more, are 97 h."""
    dead_for_a_fortnight(hand)
    october, november = (hand.door.report("heron-point", month) for month in ("2026-10", "2026-11"))
    assert october["unheard_h"] == pytest.approx(288, abs=0.1)
    assert november["unheard_h"] == pytest.approx(97, abs=0.1)
    assert october["lit_h"] == pytest.approx(19 * 24, abs=0.2)
    assert november["lit_h"] == pytest.approx(5 * 24, abs=0.2)
    assert october["share_pct"] != 100
    assert november["share_pct"] != 100


def test_the_litres_of_a_gap_count_once(hand):
    """The meter knows: 100 L in the gap, none elsewhere; which of them fell in which month it does not."""
    dead_for_a_fortnight(hand)
    months = [hand.door.report("heron-point", month) for month in ("2026-10", "2026-11")]
    assert sum(one["volume_l"] for one in months) <= 100.5
    assert all(one["volume_l_upper"] >= one["volume_l"] for one in months)
    assert sum(one["volume_l_upper"] for one in months) >= 99.5
    assert max(one["volume_l_upper"] for one in months) <= 100.5


def test_silence_that_still_goes_on_counts_up_to_now(hand):
    """Heard to 4 November, and now it is the 20th: 16 days are 384 h, of 468 h of the month up to now."""
    began, now_min = datetime(2026, 11, 1, 4, 0, tzinfo=UTC), 19 * 1440 + 720.0
    silent_from_min = now_min - 16 * 1440
    hand.unit |= {"cadence_s": 300.0}
    hand.told(steady(0, silent_from_min + 5, every=5, total=1000), at_min=now_min - 0.5, began=began)
    found = hand.door.report("heron-point", "2026-11")
    assert found["unheard_h"] == pytest.approx(384, abs=0.2)
    assert found["lit_h"] + found["unheard_h"] == pytest.approx(468, abs=0.2)
    assert found["share_pct"] != 100
