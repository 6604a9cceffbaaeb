"""The verdict: worst wins, unknown is never clear."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.advisory import Exposure, Lifted, advance, exposure_event
from models.verdict import Present, Word, verdict

NOW = datetime(2026, 5, 2, 12, 0, tzinfo=UTC)
EARLIER = NOW - timedelta(hours=5)
GOOD = Present(
    last_heard=NOW - timedelta(seconds=30), cadence_s=60.0, dose_target_mj_cm2=40.0, peak_flow_l_min=28.0,
    lamp_on=True, warm=True, power_on=True, lamp_since=EARLIER, power_since=EARLIER, flow_l_min=6.0,
    dose_mj_cm2=95.0, dose_low_mj_cm2=85.0, dose_peak_low_mj_cm2=45.0, dose_tap_low_mj_cm2=85.0,
    dose_since=EARLIER, battery_v=13.1, battery_low_v=12.0, lamp_hours=2000.0, lamp_life_h=9000.0,
    good_since=EARLIER,
)
NO_FLOW = replace(GOOD, flow_l_min=0.0, dose_mj_cm2=float("inf"), dose_low_mj_cm2=float("inf"))


def open_advisory():
    exposure = Exposure(
        cause="power-cut", start=EARLIER, end=EARLIER + timedelta(hours=1), underdosed_l=40.0,
        underdosed_l_upper=40.0,
    )
    return advance(None, exposure_event(None, exposure, at=NOW - timedelta(hours=3), hot_tank_l=150.0))


def test_a_unit_known_to_be_good_is_clear_and_says_on_what_evidence():
    found = verdict(GOOD, now=NOW)
    assert found.verdict is Word.CLEAR
    assert found.since == EARLIER
    assert "45.0 mJ/cm2" in found.reasons[0]
    assert found.next_action == "Nothing to do."


def test_a_lit_unit_with_standing_water_is_judged_at_peak_flow():
    assert verdict(NO_FLOW, now=NOW).verdict is Word.CLEAR
    short = verdict(replace(NO_FLOW, dose_peak_low_mj_cm2=31.27), now=NOW)
    assert short.verdict is Word.WATCH
    assert "31.2 mJ/cm2" in short.reasons[0]  # a lower bound is never rounded up


# What is changed in a good unit, the verdict it must give, a word of the reason.
CASES = [
    ({"last_heard": None}, "silent", "never"),
    ({"last_heard": NOW - timedelta(seconds=181)}, "silent", "Nothing has been heard for 3 min"),
    ({"last_heard": NOW - timedelta(hours=7), "link_down_since": EARLIER}, "silent", "link is down"),
    ({"last_heard": NOW + timedelta(hours=1)}, "silent", "still to come"),
    ({"link_down_since": EARLIER}, "watch", "link is down"),
    ({"gap_since": EARLIER}, "silent", "nothing yet explains"),
    ({"lamp_on": False}, "boil", "lamp is dark"),
    ({"power_on": False, "lamp_on": False}, "boil", "power is off"),
    ({"power_on": False, "lamp_on": None}, "boil", "power is off"),
    ({"power_on": False}, "watch", "one of the two is wrong"),
    ({"warm": False}, "boil", "warming up"),
    ({"warm": None}, "silent", "lit and warm"),
    ({"lamp_on": None}, "silent", "lit and warm"),
    ({"dose_low_mj_cm2": 39.99}, "boil", "39.9 mJ/cm2"),
    ({"dose_low_mj_cm2": None}, "boil", "not known"),
    ({"dose_low_mj_cm2": float("nan")}, "boil", "not known"),
    ({"dose_peak_low_mj_cm2": 33.0}, "watch", "peak flow (28 L/min)"),
    ({"dose_peak_low_mj_cm2": None}, "watch", "peak flow is not known"),
    ({"flow_l_min": None, "dose_low_mj_cm2": None, "dose_peak_low_mj_cm2": 33.0}, "silent", "flow is not known"),
    ({"flow_l_min": None, "dose_low_mj_cm2": None, "dose_peak_low_mj_cm2": None}, "silent", "flow is not known"),
    ({"flow_l_min": None, "dose_low_mj_cm2": None}, "clear", "even at peak flow"),
    ({"flow_l_min": 0.0, "dose_peak_low_mj_cm2": None}, "silent", "peak flow is not known"),
    ({"flow_l_min": 0.0, "dose_peak_low_mj_cm2": 5.0, "dose_tap_low_mj_cm2": 22.0}, "boil", "one open tap"),
    ({"underdosed_since": EARLIER, "underdosed_l": 3.0, "underdosed_l_upper": 12.0}, "boil", "3 to 12 L"),
    ({"underdosed_since": EARLIER, "underdosed_l_upper": 700.0}, "boil", "Up to 700 L"),
    ({"underdosed_since": EARLIER}, "boil", "unknown amount"),
    ({"underdosed_since": EARLIER, "underdosed_l_upper": 0.0}, "clear", "even at peak flow"),
    ({"clock_fault_since": EARLIER}, "watch", "clock was wrong"),
    ({"own_clock": "it jumped back by 1 h", "own_clock_since": EARLIER}, "silent", "own clock cannot be right: it"),
    ({"own_clock": "it is slow", "last_heard": NOW + timedelta(hours=1)}, "silent", "own clock cannot be right"),
    ({"own_clock": "it is slow", "lamp_on": False}, "boil", "lamp is dark"),
    ({"held_rows": 1, "held_ahead_s": 3600.0}, "silent", "1 h ahead of the collector's: 1 reading is held"),
    ({"held_rows": 4000, "held_ahead_s": 600.0}, "silent", "10 min ahead of the collector's: 4,000 readings are"),
    ({"lamp_hours": 9000.0}, "watch", "burnt 9,000 h and is rated for 9,000 h"),
    ({"lamp_hours": 8999.0}, "clear", "even at peak flow"),
    ({"battery_v": 11.9}, "watch", "11.9 V"),
    ({"past_valve_since": EARLIER, "past_valve_l": 12.9}, "watch",
     "At least 12 L passed while the lamp was dark, though the shut-off valve should have been closed."),
    ({"sample_again_at": EARLIER, "sample_again": "total coliforms 3 per 100 mL"}, "watch",
     "The sample taken 2026-05-02 07:00 UTC asks for another one: total coliforms 3 per 100 mL."),
    ({"dose_low_mj_cm2": 0.0, "tested_range": ("water at 74 %", "flow of 31 L/min")}, "boil",
     "0.0 mJ/cm2, below its target of 40 (water at 74 %; flow of 31 L/min)."),
    ({"flow_l_min": 0.0, "dose_tap_low_mj_cm2": 0.0, "tested_range": ("water at 74 %",)}, "boil",
     "below its target of 40 (water at 74 %)."),
    ({"dose_peak_low_mj_cm2": 0.0, "tested_range_at_peak": ("flow of 35 L/min",)}, "watch",
     "below its target of 40 (flow of 35 L/min)."),
    ({"flow_l_min": None, "dose_peak_low_mj_cm2": 0.0, "tested_range_at_peak": ("flow of 35 L/min",)}, "silent",
     "cannot be shown to meet its target (flow of 35 L/min)."),
    ({"tested_range_at_peak": ("water at 97 %",)}, "clear", "target 40 (water at 97 %)."),
]


@pytest.mark.parametrize(("change", "word", "reason"), CASES)
def test_each_fault_gives_its_verdict_and_says_why(change, word, reason):
    found = verdict(replace(GOOD, **change), now=NOW)
    assert found.verdict == word
    assert reason in found.reasons[0]


def test_silence_begins_after_three_cadences_and_not_before():
    assert verdict(replace(GOOD, last_heard=NOW - timedelta(seconds=180)), now=NOW).verdict is Word.CLEAR
    assert verdict(replace(GOOD, last_heard=NOW - timedelta(seconds=180.1)), now=NOW).verdict is Word.SILENT


def test_what_was_heard_long_ago_is_not_called_the_present():
    gone = verdict(replace(GOOD, last_heard=EARLIER, lamp_on=False), now=NOW)
    assert gone.verdict is Word.SILENT
    assert not any("dark" in reason for reason in gone.reasons)


def test_an_open_advisory_is_boil_however_good_the_unit_is_now():
    found = verdict(replace(GOOD, advisory=open_advisory()), now=NOW)
    assert found.verdict is Word.BOIL
    # by what happened; that it became known later is said
    assert found.since == open_advisory().exposure.start == NOW - timedelta(hours=5)
    assert f"known since {NOW - timedelta(hours=3):%Y-%m-%d %H:%M} UTC; step" in found.reasons[0]
    assert "power cut" in found.reasons[0]
    assert "local health authority" in found.next_action


def test_a_lifted_advisory_gives_clear_back():
    lifted = advance(open_advisory(), Lifted(at=NOW, by="Ann Marsh", reason="new plumbing"))
    assert verdict(replace(GOOD, advisory=lifted), now=NOW).verdict is Word.CLEAR


def test_the_worst_finding_gives_the_verdict_and_every_reason_stays():
    found = verdict(replace(GOOD, lamp_on=False, gap_since=EARLIER, battery_v=11.0), now=NOW)
    assert found.verdict is Word.BOIL
    assert ["dark" in found.reasons[0], "explains" in found.reasons[1], "battery" in found.reasons[2]] == [True] * 3


def test_boil_and_silent_always_say_what_to_drink_and_defer_to_the_health_authority():
    for change, word, _ in CASES:
        action = verdict(replace(GOOD, **change), now=NOW).next_action
        if word in ("boil", "silent"):
            assert "local health authority" in action, change
            assert "oil" in action or "no water to drink" in action, change


UNKNOWABLE = ["lamp_on", "warm", "last_heard", "dose_peak_low_mj_cm2"]


@given(st.sets(st.sampled_from(UNKNOWABLE), min_size=1), st.sampled_from([GOOD, NO_FLOW]))
def test_what_is_not_known_is_never_clear(names, present):
    found = verdict(replace(present, **dict.fromkeys(names)), now=NOW)
    assert found.verdict is not Word.CLEAR


numbers = st.one_of(st.none(), st.just(float("nan")), st.floats(0, 200))


@given(low=numbers, peak=numbers, tap=numbers, flow=numbers, lamp=st.sampled_from([True, False, None]),
       warm=st.sampled_from([True, False, None]), gap=st.sampled_from([None, EARLIER]))
def test_clear_needs_every_piece_of_evidence_at_once(low, peak, tap, flow, lamp, warm, gap):
    present = replace(GOOD, dose_low_mj_cm2=low, dose_peak_low_mj_cm2=peak, dose_tap_low_mj_cm2=tap,
                      flow_l_min=flow, lamp_on=lamp, warm=warm, gap_since=gap)
    if verdict(present, now=NOW).verdict is Word.CLEAR:
        assert lamp is True and warm is True and gap is None
        assert peak is not None and peak >= 40
        if flow is not None and flow > 0:
            assert low is not None and low >= 40


@pytest.mark.parametrize(("field", "value"), [("cadence_s", 0.0), ("flow_l_min", -1.0),
                                              ("dose_peak_low_mj_cm2", float("inf"))])
def test_a_value_that_cannot_be_is_refused_by_name(field, value):
    with pytest.raises(ValueError, match=field):
        replace(GOOD, **{field: value})


def test_a_naive_instant_is_refused():
    with pytest.raises(ValueError, match="now must be an instant"):
        verdict(GOOD, now=datetime(2026, 5, 2))


def test_where_nobody_hears_a_unit_its_advisory_asks_somebody_there_and_not_for_power_that_may_be_on():
    heard = verdict(replace(GOOD, advisory=open_advisory()), now=NOW)
    assert "Get power to the unit" in heard.next_action
    unheard = verdict(
        replace(GOOD, advisory=open_advisory(), last_heard=NOW - timedelta(hours=7, minutes=32)), now=NOW)
    assert unheard.verdict is Word.BOIL
    assert "Ask somebody at the cabin" in unheard.next_action
    assert "Get power" not in unheard.next_action
    assert "nothing has been heard for 7 h 32 min" in " ".join(unheard.reasons).lower()  # never "8 h"


@pytest.mark.parametrize(("low", "upper", "told"), [
    (0.3, 0.3, "Up to 1 L"), (0.0, 0.4, "Up to 1 L"), (9.6, 9.6, "10 L"), (9.6, 12.2, "9 to 13 L"),
    (None, 3.2, "Up to 4 L"), (None, None, "An unknown amount"), (2.7, None, "At least 2 L")])
def test_under_dosed_litres_are_never_rounded_down_to_none(low, upper, told):
    found = verdict(replace(
        GOOD, underdosed_since=EARLIER, underdosed_l=low, underdosed_l_upper=upper), now=NOW)
    assert found.reasons[0].startswith(f"{told} of water may have reached the taps")
