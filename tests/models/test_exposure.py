"""Pieces, states, the open tail, and what store and people get of them."""

import dataclasses
import json
import time
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from outage_scenarios import WELL, every, one, out, well
from test_outage_scenarios import REACTOR, stored, unit

from models.outage import Carry, held, hourly, join, open_tail, segments, timeline

UNIT = unit()


def at(text: str) -> pd.Timestamp:
    return pd.Timestamp(f"2026-06-15T{text}", tz="UTC")


def run(*messages, carry=None, links=None, **changes):
    return timeline(stored(list(messages)), unit=unit(**changes), reactor=REACTOR, carry=carry, links=links)


def last_state(*messages, **changes) -> Carry:
    _, carries = run(*messages, **changes)
    return Carry.from_row(carries.iloc[-1].to_dict())


def test_no_reading_and_a_single_reading_make_no_piece():
    nothing = stored([well("10:00", "10:02")]).iloc[:0]
    pieces, carries = timeline(nothing, unit=UNIT, reactor=REACTOR)
    assert pieces.empty and carries.empty
    assert segments(pieces).empty and join(segments(pieces)).empty and hourly(pieces).empty
    pieces, carries = run(one("10:00", I=41.0, lamp=True))
    assert pieces.empty and len(carries) == 1


def test_every_interval_says_what_it_rests_on():
    pieces, _ = run(
        well("10:00", "10:02") + well("10:02", "10:04", I=0.0) + well("10:04", "10:06", lamp=False)
        + out("10:06", "10:07") + one("10:07", power=True, Q=0.0) + well("10:08", "10:14")
        + well("10:14", "10:15", Q=9.0, D=12.0) + well("10:15", "10:16") + well("10:30", "10:32")
    )
    assert join(segments(pieces))["rests_on"].tolist() == [
        "lamp status",
        "intensity at 0 against lamp status; lamp status against intensity; power event; lamp status",
        "lamp-on, warm-up time",
        "lamp status",
        "dose under target",
        "lamp status",
        "gap, peak flow",
        "lamp status",
    ]


def test_an_interval_of_one_kind_takes_the_cause_of_its_longest_part():
    dark = out("10:00", "10:30") + every("10:30", "10:32", I=0.0, Q=0.0, power=True, lamp=False)
    assert join(segments(run(dark)[0]))["cause"].tolist() == ["no-power"]


def test_segments_break_at_the_last_reading_of_each_hour_and_gaps_stay_whole():
    pieces, carries = run(well("08:30", "10:30") + well("13:10", "13:20"))
    found = segments(pieces)
    breaks = set(found["start"]) | {found["end"].iloc[-1]}
    assert set(carries["at"]) <= breaks
    assert carries["at"].tolist() == [at("08:59"), at("09:59"), at("10:29"), at("13:19")]
    gap = found[found["kind"] == "unheard"]
    assert gap[["start", "end"]].to_numpy().tolist() == [[at("10:32"), at("13:10")]]
    assert len(join(found)) == 3


def test_segments_give_the_least_dose_that_flowing_water_got():
    pieces, _ = run(well("10:00", "10:05", Q=5.0, D=55.0) + well("10:05", "10:06", Q=8.0, D=44.0)
                    + well("10:06", "10:08", D=41.0))  # no flow at 41: no water got it
    assert segments(pieces)["dose_low_mj_cm2"].tolist() == [44.0]


def test_units_are_not_joined_into_each_other():
    found = segments(run(well("10:00", "10:05"))[0])
    two = pd.concat([found.assign(cabin="loon-bay", unit="main"), found.assign(cabin="loon-bay", unit="sauna")])
    assert join(two)["unit"].tolist() == ["main", "sauna"]


@pytest.mark.parametrize(("pause_s", "intervals"), [(0, 1), (1, 2)])
def test_only_intervals_that_touch_are_joined(pause_s, intervals):
    found = segments(run(well("10:00", "10:05"))[0])
    start = found["end"] + pd.Timedelta(seconds=pause_s)
    later = found.assign(start=start, end=start + pd.Timedelta(minutes=4))
    assert len(join(pd.concat([found, later]))) == intervals


def test_an_hour_counts_pieces_by_their_end_and_water_by_its_dose():
    # 10:59 to 11:00 ends at 11:00, so it counts there, whole
    pieces, _ = run(
        well("10:58", "11:00", Q=6.0, D=50.0) + well("11:00", "11:09", Q=10.0, D=80.0)
        + well("11:09", "11:10", Q=10.0, D=30.0) + out("11:10", "11:12")
    )
    found = hourly(pieces).set_index("hour")
    ten, eleven = found.loc[at("10:00")], found.loc[at("11:00")]
    assert (ten["volume_l"], ten["lit_s"], ten["dose_p50_mj_cm2"]) == (6, 60, 50)
    # 6 L at 50, 90 at 80, 10 at 30 (weak): 5 % of 106 L is 5.3 L, all within the 10 L at 30
    assert eleven["volume_l"] == 106 and eleven["in_spec_l"] == 96
    assert eleven["underdosed_l"] == eleven["underdosed_l_upper"] == 10
    assert (eleven["dose_p05_mj_cm2"], eleven["dose_p50_mj_cm2"]) == (30, 80)
    assert (eleven["lit_s"], eleven["weak_s"], eleven["dark_s"]) == (600, 60, 60)


def test_a_dose_that_is_not_known_never_lifts_a_percentile():
    pieces, _ = run(well("10:00", "10:04", Q=10.0, D=80.0) + every("10:04", "10:06", Q=10.0, power=True, lamp=True))
    # the held intensity is 41, but this row's dose is not known: 10 of 50 L
    found = hourly(pieces).iloc[0]
    assert np.isnan(found["dose_p05_mj_cm2"]) and found["dose_p50_mj_cm2"] == 80


def test_a_state_survives_json():
    state = last_state(well("10:00", "10:05", T=1234.5678901) + out("10:05", "10:06"))
    assert Carry.from_row(json.loads(json.dumps(state.to_row()))) == state
    assert state.power_on is False and state.lit is False and state.lamp_since is None
    assert state.power_since == at("10:05") and state.total_l == 1234.5678901


def test_a_state_says_since_when_the_lamp_is_on_and_none_where_nobody_saw():
    assert last_state(well("10:00", "10:05")).lamp_since is None
    assert last_state(out("10:00", "10:05") + well("10:05", "10:09")).lamp_since == at("10:05")
    assert last_state(out("10:00", "10:05") + well("10:09", "10:11")).lamp_since is None  # a gap lies between


def test_a_state_without_instant_or_time_zone_is_refused():
    with pytest.raises(ValueError, match="needs the instant `at`"):
        Carry.from_row({"flow_l_min": 3.0})
    with pytest.raises(ValueError, match="at must carry a time zone"):
        Carry.from_row({"at": "2026-06-15T10:00:00"})
    with pytest.raises(ValueError, match="at must carry a time zone"):
        Carry(at=datetime(2026, 6, 15))


@pytest.mark.parametrize("spoil", [
    lambda t: t.iloc[::-1],
    lambda t: pd.concat([t.iloc[:2], t.iloc[1:]]),
])
def test_rows_that_are_not_sorted_or_not_unique_are_refused_with_their_place(spoil):
    with pytest.raises(ValueError, match=r"sorted by `at`, each instant once.*does not come after the one before"):
        timeline(spoil(stored([well("10:00", "10:04")])), unit=UNIT, reactor=REACTOR)


def test_rows_not_after_the_state_are_refused():
    with pytest.raises(ValueError, match=r"all after the carry; row 0 \(2026-06-15 10:03:00"):
        run(well("10:03", "10:06"), carry=last_state(well("10:00", "10:04")))


def test_instants_without_time_zone_are_refused():
    naive = stored([well("10:00", "10:02")])
    naive["at"] = naive["at"].dt.tz_localize(None)
    with pytest.raises(ValueError, match="at must be instants with a time zone"):
        timeline(naive, unit=UNIT, reactor=REACTOR)


def test_columns_that_no_logger_sent_may_be_missing():
    bare = stored([well("10:00", "10:04")])[["at", "intensity_w_m2"]]
    assert timeline(bare, unit=UNIT, reactor=REACTOR)[0]["kind"].tolist() == ["weak"] * 3  # lit, but flow unknown


def test_what_a_dose_needs_is_held_over_rows_that_lack_it():
    table = stored([one("10:00", I=41.0) + one("10:01", Q=3.0) + one("10:03:30", power=True)])
    found = held(table, unit=UNIT, reactor=REACTOR)
    assert found["flow_l_min"].tolist()[1:] == [3, 3] and np.isnan(found["flow_l_min"].iloc[0])
    assert found["intensity_w_m2"].tolist()[:2] == [41, 41] and np.isnan(found["intensity_w_m2"].iloc[2])  # 210 s
    assert found["at"].tolist() == table["at"].tolist()


def test_what_a_carry_holds_is_held_on():
    carry = last_state(one("10:00", I=41.0) + one("10:01", Q=3.0))
    found = held(stored([one("10:02", power=True)]), unit=UNIT, reactor=REACTOR, carry=carry)
    assert found[["intensity_w_m2", "flow_l_min"]].to_numpy().tolist() == [[41, 3]]


def test_a_dose_is_not_held_for_another_flow():
    # 50 mJ/cm2 at 5 L/min says nothing of 20 L/min
    pieces, _ = run(well("10:00", "10:01", Q=5.0, D=50.0) + every("10:01", "10:03", Q=20.0))
    assert pieces["kind"].tolist() == ["lit", "weak"]
    assert np.isnan(pieces["dose_low_mj_cm2"].iloc[1])


def test_the_tail_is_held_then_unheard_and_its_bound_grows():
    state = last_state(well("10:00", "10:05"))
    soon = open_tail(state, at("10:06"), UNIT, REACTOR)
    assert soon["kind"].tolist() == ["lit"] and soon["end"].iloc[0] == at("10:06")
    for minutes in (10, 100):
        tail = open_tail(state, at("10:07") + timedelta(minutes=minutes), UNIT, REACTOR)
        assert tail["kind"].tolist() == ["lit", "unheard"] and tail["start"].tolist() == [at("10:04"), at("10:07")]
        assert tail["underdosed_l_upper"].tolist() == [0, 28 * minutes] and np.isnan(tail["underdosed_l"].iloc[1])
        assert tail["cause"].iloc[1] == "no-logger"


def test_the_tail_ends_a_warm_up():
    tail = open_tail(last_state(out("10:00", "10:02") + well("10:02", "10:03", Q=10.0)), at("10:05"), UNIT, REACTOR)
    assert tail["kind"].tolist() == ["warming", "lit"] and tail["underdosed_l"].tolist() == [20, 0]


def test_the_tail_of_a_cut_is_bounded_by_the_pressure_tank():
    tail = open_tail(last_state(out("10:00", "10:02")), at("18:00"), UNIT, REACTOR)
    assert tail["kind"].tolist() == ["dark", "unheard"] and tail["cause"].tolist() == ["no-power", "no-power"]
    assert tail["underdosed_l_upper"].tolist() == [0, 25]


@pytest.mark.parametrize("down", ["09:00", "10:04:30"])
def test_the_tail_knows_a_link_that_is_down(down):
    tail = open_tail(last_state(well("10:00", "10:05")), at("11:00"), UNIT, REACTOR, link_down_since=at(down))
    assert tail["cause"].tolist() == ["none", "no-link"]


def test_no_tail_before_the_state():
    state = last_state(well("10:00", "10:05"))
    assert open_tail(state, state.at, UNIT, REACTOR).empty
    with pytest.raises(ValueError, match="now must carry a time zone"):
        open_tail(state, datetime(2026, 6, 15, 11), UNIT, REACTOR)
    assert open_tail(state, datetime(2026, 6, 15, 10, 5, tzinfo=UTC), UNIT, REACTOR)["seconds"].tolist() == [60]


def test_an_event_alone_leaves_a_unit_with_totals_unsettled_until_the_next_total():
    rows = well("10:00", "10:03", T=1000.0) + one("10:02:30", power=False)
    assert not last_state(rows).settled
    assert last_state(rows + out("10:03", "10:04", T=1004.0)).settled
    assert last_state(well("10:00", "10:03") + one("10:02:30", power=False)).settled  # no totals to wait for


def test_a_gap_after_an_unsettled_state_still_subtracts_what_was_metered_before_it():
    before = well("10:00", "10:01", Q=6.0, T=1000.0) + one("10:00:30", power=True)
    pieces, _ = run(well("11:00", "11:02", T=1050.0), carry=last_state(before))
    # 6 L/min x 0.5 min before the state, x 3 min held after it, of 50 L
    assert pieces.loc[pieces["kind"] == "unheard", "drawn_l"].tolist() == [29]


def test_a_cut_without_flow_meter_draws_the_pressure_tank_once_however_it_is_taken_up():
    cut = every("10:50", "11:20", I=0.0, lamp=False, power=False)
    whole, carries = run(cut)
    assert whole["drawn_l_upper"].sum() == 25
    carry = Carry.from_row(carries.iloc[0].to_dict())
    assert carry.at == at("10:59") and carry.drawdown_used_l == 25
    assert run([row for row in cut if row["at"] > carry.at], carry=carry)[0]["drawn_l_upper"].sum() == 0


def test_a_slow_lamp_that_was_still_cold_when_the_gap_began_leaves_the_bound():
    slow = dataclasses.replace(REACTOR, warm_up_s=600.0)
    table = stored([out("10:00", "10:01") + one("10:01", **WELL, H=5000.1234, DP=45.0)
                    + one("12:01", **WELL, H=5002.1234, DP=45.0) + one("12:02", **WELL)])
    for reactor, upper_l in ((REACTOR, 0), (slow, 28 * 117)):
        pieces, _ = timeline(table, unit=UNIT, reactor=reactor)
        assert pieces.loc[pieces["kind"] == "unheard", "underdosed_l_upper"].tolist() == [upper_l]


def test_a_gap_with_a_total_before_it_leaves_a_unit_unsettled_until_the_next_total_or_three_cadences():
    gap = well("10:00", "10:03", T=1000.0) + one("11:00", power=True)
    assert not last_state(gap).settled
    assert not last_state(gap + one("11:02:59", power=True)).settled
    assert last_state(gap + one("11:03", power=True)).settled
    assert last_state(gap + one("11:01", T=1004.0)).settled


def test_links_without_any_event_before_a_gap_leave_its_cause_unknown():
    links = pd.DataFrame({"at": pd.to_datetime(["2026-06-15T20:00Z"]).as_unit("us"), "up": [False]})
    pieces, _ = run(well("10:00", "10:02") + well("11:00", "11:02"), links=links)
    assert pieces.loc[pieces["kind"] == "unheard", "cause"].tolist() == ["unknown"]


@pytest.mark.bench
def test_ninety_days_of_minutes_take_well_under_a_second():


    n = 130_000
    rng = np.random.default_rng(7)
    flow = np.where(rng.random(n) < 0.1, rng.integers(1, 20, n), 0).astype(float)
    start = pd.Timestamp("2026-03-01", tz="UTC").as_unit("us")
    table = pd.DataFrame({
        "at": start + pd.to_timedelta(np.arange(n), unit="min").as_unit("us"), "intensity_w_m2": 41.0,
        "flow_l_min": flow, "total_l": np.concatenate([[0], np.cumsum(flow[:-1])]), "lamp_on": True,
        "power_on": True,
        "dose_low_mj_cm2": np.where(flow > 0, 50.0, np.inf),
    })
    took = []
    for _ in range(5):
        begin = time.perf_counter()
        pieces, _ = timeline(table, unit=UNIT, reactor=REACTOR)
        segments(pieces)
        took.append(time.perf_counter() - begin)
    assert min(took) < 0.5  # 0.1 s where nothing else runs; the bound leaves room for a busy machine
