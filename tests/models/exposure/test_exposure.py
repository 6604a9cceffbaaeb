"""Pieces, states, the open tail, and what store and people get of them."""

import dataclasses
import time
from datetime import timedelta

import numpy as np
import pandas as pd
import pytest

from models.exposure import cut, hourly, join, microseconds, period_us
from tests.models.exposed import exposed, intervals_of, state_at, stored_of, tail_of, unit_state
from tests.models.exposure.test_outage_scenarios import REACTOR, stored, unit
from tests.models.outage_scenarios import WELL, every, one, out, well

UNIT = unit()
HOUR = np.array([period_us("UTC")])


def at(text: str) -> pd.Timestamp:
    return pd.Timestamp(f"2026-06-15T{text}", tz="UTC")


def run(*messages, state=None, links=None, reactor=REACTOR, **changes):
    return exposed(stored(list(messages)), unit=unit(**changes), reactor=reactor, state=state, links=links)


def by_hour(pieces: pd.DataFrame) -> pd.DataFrame:
    return hourly(cut(pieces, HOUR), HOUR)


def last_state(*messages, **changes) -> pd.DataFrame:
    return state_at(run(*messages, **changes)[1])


def test_no_reading_and_a_single_reading_make_no_piece():
    nothing = stored([well("10:00", "10:02")]).iloc[:0]
    pieces, states = exposed(nothing, unit=UNIT, reactor=REACTOR)
    assert pieces.empty and states.empty
    assert stored_of(pieces).empty and intervals_of(pieces).empty and by_hour(pieces).empty
    pieces, states = run(one("10:00", I=41.0, lamp=True))
    assert pieces.empty and len(states) == 1


def test_every_interval_says_what_it_rests_on():
    pieces, _ = run(
        well("10:00", "10:02") + well("10:02", "10:04", I=0.0) + well("10:04", "10:06", lamp=False)
        + out("10:06", "10:07") + well("10:07", "10:14") + well("10:14", "10:15", Q=9.0, D=12.0)
        + well("10:15", "10:17") + well("10:30", "10:32")
    )
    found = intervals_of(pieces).set_index("kind")["rests_on"]
    assert found.index.tolist() == ["lit", "dark", "warming", "lit", "weak", "lit", "unheard", "lit"]
    assert found.iloc[0] == found.iloc[3] == "lamp status"
    for words in ("lamp status against intensity", "a change between two readings", "power report", "flow"):
        assert words in found["dark"]
    assert found["warming"] == "intensity, warm-up time"
    assert found["weak"] == "dose under target, flow"
    assert found["unheard"] == "no reading, peak flow"


def test_a_gateway_that_repeats_the_lamp_is_named():
    pieces, _ = run(well("10:00", "10:02") + well("10:02", "10:05", power=False))
    assert "power off, though the lamp is still reported as before" in intervals_of(pieces)["rests_on"].iloc[-1]


def test_the_value_that_it_repeats_is_named_after_the_cut_too():
    cut = well("10:02", "10:06", I=45.2, power=False)
    found = intervals_of(run(well("10:00", "10:02") + cut + well("10:06", "10:10"))[0])
    told = found.loc[found["kind"] == "dark", "rests_on"].tolist()
    assert len(told) == 1 and told[0].count("(each time 45.2 W/m2)") == told[0].count("reported as before") > 0


def test_light_that_moves_while_the_power_is_said_to_be_off_repeats_no_value():
    moving = [one(f"10:0{m}", I=45.0 + m / 10, lamp=True, power=False, Q=0.0)[0] for m in range(2, 6)]
    found = intervals_of(run(well("10:00", "10:02") + moving)[0])
    assert "each time" not in found["rests_on"].iloc[-1]
    assert "reported as before" in found["rests_on"].iloc[-1]


def test_an_interval_of_one_kind_takes_the_cause_of_its_longest_part():
    dark = out("10:00", "10:30") + every("10:30", "10:32", I=0.0, Q=0.0, power=True, lamp=False)
    assert intervals_of(run(dark)[0])["cause"].tolist() == ["no-power"]


def test_segments_end_at_the_border_of_each_hour_a_silence_with_its_litres_too():
    pieces, states = run(well("08:30", "10:30") + well("13:10", "13:20"))
    assert pd.to_datetime(states["at_us"], unit="us", utc=True).tolist() == [
        at("08:59"), at("09:59"), at("10:29"), at("13:19")]
    found = stored_of(pieces)
    gap = found[found["kind"] == "unheard"]
    assert gap[["start", "end"]].to_numpy().tolist() == [
        [at("10:29"), at("11:00")], [at("11:00"), at("12:00")], [at("12:00"), at("13:00")],
        [at("13:00"), at("13:10")]]
    # 28 L/min at most for 31, 60, 60 and 10 min
    assert gap["underdosed_l_upper"].to_numpy() == pytest.approx([868, 1680, 1680, 280])
    assert len(join(found)) == 3


def test_segments_give_the_least_dose_that_flowing_water_got():
    pieces, _ = run(well("10:00", "10:05", Q=5.0, D=55.0) + well("10:05", "10:06", Q=8.0, D=44.0)
                    + well("10:06", "10:08", D=41.0))  # no flow at 41: no water got it
    assert stored_of(pieces)["dose_low_mj_cm2"].tolist() == [44.0]


def test_units_are_not_joined_into_each_other():
    found = stored_of(run(well("10:00", "10:05"))[0])
    two = pd.concat([found.assign(cabin="loon-bay", unit="main"), found.assign(cabin="loon-bay", unit="sauna")])
    assert join(two)["unit"].tolist() == ["main", "sauna"]


@pytest.mark.parametrize(("pause_s", "intervals"), [(0, 1), (1, 2)])
def test_only_intervals_that_touch_are_joined(pause_s, intervals):
    found = stored_of(run(well("10:00", "10:05"))[0])
    start = found["end"] + pd.Timedelta(seconds=pause_s)
    later = found.assign(start=start, end=start + pd.Timedelta(minutes=4))
    assert len(join(pd.concat([found, later]))) == intervals


def test_an_hour_counts_its_own_time_and_water_by_its_dose():
    pieces, _ = run(
        well("10:58", "11:00", Q=6.0, D=50.0) + well("11:00", "11:09", Q=10.0, D=80.0)
        + well("11:09", "11:10", Q=10.0, D=30.0) + out("11:10", "11:12")
    )
    found = by_hour(pieces).set_index("hour")
    ten, eleven = found.loc[at("10:00")], found.loc[at("11:00")]
    assert (ten["volume_l"], ten["lit_s"], ten["dose_p50_mj_cm2"]) == (12, 120, 50)
    # lit to 11:08, 80 L at 80; weak to 11:09, 10 L at 30 at one end; dark from 11:09, 10 L and then none.
    # 5 % of 100 L is 5 L, all within the 10 L that got nothing; half of it is at 80
    assert eleven["volume_l"] == 100 and eleven["in_spec_l"] == 80
    # least: none, for the dose may have held to 11:09 and the lamp to 11:10
    assert (eleven["underdosed_l"], eleven["underdosed_l_upper"]) == (0, 20)
    assert (eleven["dose_p05_mj_cm2"], eleven["dose_p50_mj_cm2"]) == (0, 80)
    assert (eleven["lit_s"], eleven["weak_s"], eleven["dark_s"]) == (480, 60, 120)


def test_a_dose_that_is_not_known_never_lifts_a_percentile():
    pieces, _ = run(well("10:00", "10:04", Q=10.0, D=80.0) + every("10:04", "10:07", Q=10.0, power=True, lamp=True))
    # lit to 10:05, where the light of 10:03 is too old: 10 of 60 L at a dose that nobody knows
    found = by_hour(pieces).iloc[0]
    assert np.isnan(found["dose_p05_mj_cm2"]) and found["dose_p50_mj_cm2"] >= 60


def test_a_state_says_what_still_speaks():
    _, states = run(well("10:00", "10:05", T=1234.5678901) + out("10:05", "10:06"))
    state = unit_state(states, UNIT)
    assert state.power_on is False and state.lit is False and state.lamp_since is None
    assert state.power_since == at("10:05") and state.total_l == 1234.5678901
    rows = one("10:00", I=41.0, T=1003.0) + one("10:01", Q=3.0) + one("10:01:31", power=True)
    late = unit_state(run(rows)[1], UNIT)
    # 91 s and 30 s old: the light no longer speaks, the flow does, and a total stands as last read
    assert late.intensity_w_m2 is None and late.flow_l_min == 3.0 and late.total_l == 1003.0


def test_a_state_says_since_when_the_lamp_is_on_and_none_where_nobody_saw():
    def since(*rows):
        return unit_state(run(*rows)[1], UNIT).lamp_since
    assert since(well("10:00", "10:05")) is None
    assert since(out("10:00", "10:05") + well("10:05", "10:09")) == at("10:05")
    assert since(out("10:00", "10:05") + well("10:09", "10:11")) is None  # a gap lies between


@pytest.mark.parametrize("spoil", [
    lambda t: t.iloc[::-1].assign(unit_no=0),
    lambda t: pd.concat([t.iloc[:2], t.iloc[1:]]),
])
def test_readings_that_are_not_unique_are_refused_and_an_unsorted_table_is_sorted(spoil):
    readings = stored([well("10:00", "10:04")])
    spoilt = spoil(readings).reset_index(drop=True)
    if spoilt["at"].duplicated().any():
        with pytest.raises(ValueError, match=r"each instant once.*10:01:00\+00:00 does not come after"):
            exposed(spoilt, unit=UNIT, reactor=REACTOR)
    else:
        pd.testing.assert_frame_equal(
            exposed(spoilt, unit=UNIT, reactor=REACTOR)[0], exposed(readings, unit=UNIT, reactor=REACTOR)[0])


def test_rows_not_after_the_state_are_refused():
    with pytest.raises(ValueError, match=r"all after the state taken up from; the one at 2026-06-15 10:03:00"):
        run(well("10:03", "10:06"), state=last_state(well("10:00", "10:04")))


def test_instants_without_time_zone_are_refused():
    naive = stored([well("10:00", "10:02")])
    naive["at"] = naive["at"].dt.tz_localize(None)
    with pytest.raises(ValueError, match="at must be instants with a time zone"):
        exposed(naive, unit=UNIT, reactor=REACTOR)


def test_columns_that_no_logger_sent_may_be_missing():
    bare = stored([well("10:00", "10:04")])[["at", "intensity_w_m2"]]
    assert exposed(bare, unit=UNIT, reactor=REACTOR)[0]["kind"].tolist() == ["weak"] * 3  # lit, but flow unknown


def test_a_cell_that_is_missing_speaks_by_the_worse_of_its_neighbours():
    # 12 and 4 L/min around 10:01: 12 there, so 12 x 1 + 4..12 x 1
    pieces, _ = run(one("10:00", **{**WELL, "Q": 12.0}) + one("10:01", I=41.0, lamp=True)
                    + one("10:02", **{**WELL, "Q": 4.0}))
    assert pieces["flow_l_min"].tolist() == [12, 12] and pieces["drawn_l_upper"].sum() == 24


def test_the_tail_goes_on_until_the_unit_is_overdue_and_then_all_of_it_is_unheard():
    state = last_state(well("10:00", "10:05"))  # 1.5 x (60 + 60) s after 10:04
    soon = tail_of(state, at("10:07"), unit=UNIT, reactor=REACTOR)
    assert soon["kind"].tolist() == ["lit"] and soon["end"].iloc[0] == at("10:07")
    for minutes in (4, 104):
        tail = tail_of(state, at("10:04") + timedelta(minutes=minutes), unit=UNIT, reactor=REACTOR)
        assert tail["kind"].tolist() == ["unheard"] and tail["start"].iloc[0] == at("10:04")
        assert tail["underdosed_l_upper"].iloc[0] == pytest.approx(28 * minutes)
        assert np.isnan(tail["underdosed_l"].iloc[0])


def test_the_tail_ends_a_warm_up():
    slow = out("10:00", "10:02") + every("10:02", "10:03", **{**WELL, "Q": 10.0, "I": 20.0, "D": 25.0})
    tail = tail_of(last_state(slow), at("10:05"), unit=UNIT, reactor=REACTOR)
    # 2 min at 10 L/min cold, one more warm with too little light
    assert tail["kind"].tolist() == ["warming", "weak"]
    assert tail["underdosed_l_upper"].tolist() == [20, 10]


def test_the_tail_of_a_cut_is_bounded_by_the_pressure_tank():
    tail = tail_of(last_state(out("10:00", "10:02")), at("18:00"), unit=UNIT, reactor=REACTOR)
    assert tail["kind"].tolist() == ["unheard"] and tail["cause"].tolist() == ["no-power"]
    assert tail["underdosed_l_upper"].tolist() == [25]


def test_the_tail_knows_a_link_that_is_down():
    links = pd.DataFrame({"at": pd.to_datetime(["2026-06-15T10:04:30Z"]).as_unit("us"), "up": [False]})
    tail = tail_of(last_state(well("10:00", "10:05")), at("11:00"), unit=UNIT, reactor=REACTOR, links=links)
    assert tail["cause"].tolist() == ["no-link"]


def test_no_tail_before_the_state():
    state = last_state(well("10:00", "10:05"))
    assert tail_of(state, at("10:04"), unit=UNIT, reactor=REACTOR).empty
    assert tail_of(state, at("10:05"), unit=UNIT, reactor=REACTOR)["seconds"].tolist() == [60]


def test_a_cut_without_flow_meter_draws_the_pressure_tank_once_however_it_is_taken_up():
    rows = every("10:50", "11:20", I=0.0, lamp=False, power=False)
    whole, states = run(rows)
    assert whole["drawn_l_upper"].sum() == 25
    state = state_at(states, 0)
    since = int(state["at_us"].iloc[0])
    assert since == microseconds(pd.Series([at("10:59")]))[0] and state["tank_used_ul"].iloc[0] == 25e6
    later = [row for row in rows if row["at"] > at("10:59")]
    assert run(later, state=state)[0]["drawn_l_upper"].sum() == 0


def test_a_lamp_at_its_settled_level_has_burned_through_a_silence_no_longer_than_its_warm_up():
    slow = dataclasses.replace(REACTOR, rewarm_s=120.0)
    before, after = well("10:00", "10:03", DP=45.0), well("10:05", "10:07", I=40.5, DP=45.0)
    # 3 min silent from 10:02; a start in its last 2 would show: the 60 s that are open two lit ends cover
    assert intervals_of(run(before + after, reactor=slow)[0])["kind"].tolist() == ["lit"]
    assert "settled intensity" in intervals_of(run(before + after, reactor=slow)[0])["rests_on"].iloc[0]
    # a hot lamp that comes back at once shows nothing; nor does the same value again, nor 30 of 41 W/m2
    assert "unheard" in run(before + after)[0]["kind"].tolist()
    for same in (well("10:05", "10:07", DP=45.0), well("10:05", "10:07", I=30.0, DP=45.0)):
        assert "unheard" in run(before + same, reactor=slow)[0]["kind"].tolist()


def test_light_much_dimmer_than_just_before_may_have_just_started():
    # 28 of 41 W/m2 is under 70 %: it was dark for part of that minute, at 6 L/min at most 6 L
    pieces, _ = run(well("10:00", "10:02", Q=6.0) + well("10:02", "10:04", I=28.0, Q=6.0))
    dim = pieces[pieces["kind"] == "dark"].iloc[0]
    assert (dim["start"], dim["underdosed_l"], dim["underdosed_l_upper"]) == (at("10:01"), 0, 6)
    assert "dimmer" in dim["rests_on"]
    assert set(run(well("10:00", "10:02", Q=6.0) + well("10:02", "10:04", I=29.0, Q=6.0))[0]["kind"]) == {"lit"}


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
        pieces, _ = exposed(table, unit=UNIT, reactor=REACTOR)
        stored_of(pieces)
        took.append(time.perf_counter() - begin)
    assert min(took) < 0.5  # 0.3 s on a busy machine
